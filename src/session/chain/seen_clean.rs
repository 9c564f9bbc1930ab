//! How loud was an input once heard clean? What clips under that level at the same gain is not the capture chain.

use super::{Chain, InputSetting};
use crate::card::InputRole;
use crate::session::clean::why_unclean;
use crate::session::record::Record;
use crate::units::PeakDb;
use serde::{Deserialize, Serialize};

/// An input, as it was set, and the highest peak that it captured clean.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SeenClean {
    /// The input as it was set.
    pub on: InputSetting,
    /// Peak as captured, dB re full scale.
    pub peak: PeakDb,
}

impl Chain {
    /// Highest peak that this input, as it is set now, was once seen to capture clean; `None` where none was, or where no
    /// gain is noted: an unnoted knob may have been turned.
    pub fn seen_clean(&self, role: InputRole) -> Option<PeakDb> {
        let (seen, now) = (self.seen_clean.get(&role)?, self.setting(role)?);
        (!now.gain.trim().is_empty() && seen.on.same_input(&now)).then_some(seen.peak)
    }

    /// Learns from a session on inputs set as this chain says; true where it was news.
    pub fn learn_seen_clean(&mut self, record: &Record) -> bool {
        let then = &record.head.chain;
        let mut news = false;
        for (input, channel) in then.routing.capture_channels.iter().enumerate() {
            let role = channel.role;
            let (Some(on), Some(now)) = (then.setting(role), self.setting(role)) else { continue };
            let peak = clean_peaks(record, input).map(|p| p.db()).reduce(f64::max);
            let known = self.seen_clean(role).map_or(f64::NEG_INFINITY, |p| p.db());
            if let Some(peak) = peak.filter(|peak| on.same_input(&now) && !now.gain.trim().is_empty() && *peak > known)
            {
                self.seen_clean.insert(role, SeenClean { on, peak: PeakDb(peak) });
                news = true;
            }
        }
        news
    }
}

/// Peaks that an input captured in steps that are clean, at this input as well as at the one that sees the output's limits.
fn clean_peaks(record: &Record, input: usize) -> impl Iterator<Item = PeakDb> {
    let (chain, percent) = (&record.head.chain, record.head.plan.distortion_limit_percent);
    record.climbed().filter_map(move |step| {
        let (pink, _) = step.pink(input)?;
        let looked = pink.clip.as_ref().is_some_and(|clip| !clip.is_evident());
        (looked && why_unclean(&record.steps, step, chain, percent).is_none()).then_some(pink.common.peak?)
    })
}
