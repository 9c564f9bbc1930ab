//! The scale of level that the answer stands on: listening level, wanted headroom, clean limit, ceiling and noise, and how
//! far it is from the listening level to the limit. Its ends come from the plan, so that nothing moves while it sounds.

use crate::card::InputRole;
use crate::figure::Figure;
use crate::judgement::{Judgement, Threshold};
use crate::session::chain::Chain;
use crate::session::climb::spl_ceiling;
use crate::session::plan::{Plan, Weighting};
use crate::session::record::Record;
use crate::session::step::Purpose;
use crate::stats::{Estimate, Interval, Reading};
use crate::units::tidy;

/// Low end of a calibrated scale, dB SPL: under the noise of most rooms at a coupler.
const LOW_SPL: f64 = 20.0;
/// High end at least, dB SPL.
const HIGH_SPL: f64 = 120.0;
/// Room over the highest thing that the plan knows of, dB.
const ROOM_DB: f64 = 3.0;
/// Ends where nothing is calibrated, dBFS at the input.
const UNCALIBRATED: (f64, f64) = (-110.0, 0.0);

/// What a mark stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScaleRole {
    /// Nothing is played louder.
    Ceiling,
    /// Clean up to here, and not above.
    Clean,
    /// Clean up to here; no limit was seen, or not yet.
    CleanUpTo,
    /// The same at the other ear.
    CleanOtherEar,
    /// Listening level and wanted headroom.
    Wanted,
    /// How loud the person listens.
    Listening,
    /// Room, bench and input.
    Noise,
}

/// Something at a level.
#[derive(Clone, Debug, PartialEq)]
pub struct ScaleMark {
    /// What it is.
    pub role: ScaleRole,
    /// On the scale.
    pub at: f64,
    /// Ends of its interval; `None` where it is exact.
    pub interval: Option<(f64, f64)>,
    /// Its number as written.
    pub figure: String,
    /// What it is, in words.
    pub words: String,
    /// The same in one word, where there is little room.
    pub short: &'static str,
}

/// A distance on the scale.
#[derive(Clone, Debug, PartialEq)]
pub struct ScaleSpan {
    /// Low end.
    pub from: f64,
    /// High end.
    pub to: f64,
    /// Its number as written, with unit.
    pub figure: String,
}

/// The scale with what stands on it.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Unit of every number on it.
    pub unit: &'static str,
    /// Weighting and point.
    pub point: String,
    /// Low end.
    pub low: f64,
    /// High end.
    pub high: f64,
    /// From the highest to the lowest.
    pub marks: Vec<ScaleMark>,
    /// Headroom; `None` until it is known.
    pub headroom: Option<ScaleSpan>,
}

impl Scale {
    /// Before the first sound: what plan and chain say.
    pub fn planned(plan: &Plan, chain: &Chain) -> Scale {
        // Without a measured spectrum a weighted listening level cannot be placed on a Z scale.
        let placed = plan.listening.filter(|l| l.weighting == Weighting::Z && l.field.is_none());
        Scale::with(plan, chain, placed.map(|l| l.level.db()))
    }

    /// Of a session as judged; what a running one has not found out yet is left out.
    pub fn of(record: &Record, judgement: &Judgement) -> Scale {
        let head = &record.head;
        let mut scale = Scale::with(&head.plan, &head.chain, judgement.headroom.listening_z.map(|l| l.db()));
        scale.marks.extend(clean(record, judgement));
        scale.marks.extend(other_ear(record, judgement));
        scale.marks.extend(noise(record));
        scale.marks.sort_by(|a, b| b.at.total_cmp(&a.at));
        let listening = judgement.headroom.listening_z.map(|l| l.db());
        let to = judgement.highest_clean.level_spl.estimate().map(|e| e.value);
        let ended = record.stop().is_some() && judgement.headroom.headroom_db.estimate().is_some();
        scale.headroom = listening.zip(to).filter(|_| ended).map(|(from, to)| ScaleSpan {
            from,
            to,
            figure: format!("{} dB", Figure::new(&judgement.headroom.headroom_db, 1).words()),
        });
        scale
    }

    fn with(plan: &Plan, chain: &Chain, listening: Option<f64>) -> Scale {
        if !chain.is_calibrated() {
            let (low, high) = UNCALIBRATED;
            let point = "Z, not calibrated".into();
            return Scale { unit: "dBFS at the input", point, low, high, marks: Vec::new(), headroom: None };
        }
        let ceiling = spl_ceiling(plan, chain).db();
        let wanted = listening.map(|l| l + plan.wanted_headroom_db);
        let exact = |role, at: f64, words: String, short| ScaleMark {
            role,
            at,
            interval: None,
            figure: tidy(at, 1),
            words,
            short,
        };
        let marks = [
            Some(exact(ScaleRole::Ceiling, ceiling, "ceiling".into(), "ceiling")),
            wanted.map(|at| {
                let wanted = format!("{} dB over it, as wanted", tidy(plan.wanted_headroom_db, 1));
                exact(ScaleRole::Wanted, at, wanted, "wanted")
            }),
            listening.map(|at| exact(ScaleRole::Listening, at, "listening level".into(), "listening")),
        ];
        let highest = wanted.into_iter().chain([ceiling]).fold(HIGH_SPL - ROOM_DB, f64::max);
        let lowest = listening.map_or(LOW_SPL, |l| (l - 2.0 * ROOM_DB).min(LOW_SPL));
        Scale {
            unit: "dB SPL",
            point: format!("Z, {}", chain.point()),
            low: (lowest / 10.0).floor() * 10.0,
            high: ((highest + ROOM_DB) / 10.0).ceil() * 10.0,
            marks: marks.into_iter().flatten().collect(),
            headroom: None,
        }
    }
}

fn ends(e: &Estimate) -> Option<(f64, f64)> {
    (e.interval.low < e.value || e.interval.high > e.value).then_some((e.interval.low, e.interval.high))
}

fn clean(record: &Record, judgement: &Judgement) -> Option<ScaleMark> {
    let clean = &judgement.highest_clean;
    let reading = if record.head.chain.is_calibrated() { &clean.level_spl } else { &clean.level_dbfs };
    let (role, words) = match (reading, &judgement.threshold) {
        _ if record.stop().is_none() => (ScaleRole::CleanUpTo, "clean so far".to_string()),
        (Reading::Determined(_), Threshold::Determined(stated)) => {
            (ScaleRole::Clean, format!("{} clips from here", stated.whose.subject()))
        }
        (Reading::Determined(_), Threshold::NoneUpTo { full_scale: true, .. }) => {
            (ScaleRole::CleanUpTo, "clean up to full scale".into())
        }
        (Reading::Determined(_), _) => (ScaleRole::Clean, "not clean from here".into()),
        _ => (ScaleRole::CleanUpTo, "clean, at least to here".into()),
    };
    let e = reading.estimate()?;
    let figure = Figure::new(*e, 1).words();
    Some(ScaleMark { role, at: e.value, interval: ends(e), figure, words, short: "clean" })
}

/// The louder ear: as much over the weaker one, which decides, as the two differ.
fn other_ear(record: &Record, judgement: &Judgement) -> Option<ScaleMark> {
    let weaker = judgement.highest_clean.ear?;
    let e = judgement.highest_clean.level_spl.estimate()?;
    let apart = judgement.left_less_right?;
    let more = apart.value.abs();
    // As far off as the weaker ear's and what the two differ by leave open.
    let by = |off: f64| off.hypot(apart.half_width());
    let at = e.value + more;
    let own = (at - by(e.value - e.interval.low), at + by(e.interval.high - e.value));
    let both = Estimate { value: at, interval: Interval { low: own.0, high: own.1 } };
    let other = if weaker == InputRole::LeftEar { InputRole::RightEar } else { InputRole::LeftEar };
    record.stop()?;
    Some(ScaleMark {
        role: ScaleRole::CleanOtherEar,
        at,
        interval: ends(&both),
        figure: Figure::new(both, 1).words(),
        words: format!("the {} then", other.in_words()),
        short: "other ear",
    })
}

fn noise(record: &Record) -> Option<ScaleMark> {
    let input = record.deciding_input();
    let found = record.last(Purpose::Silence)?.silence(input)?.noise_z?;
    let offset = record.weaker_ear().and_then(|(_, role)| record.head.chain.acoustic(role));
    let noise = found.shifted(offset.map_or(0.0, |a| a.offset.value));
    let words = "noise of room and bench".into();
    Some(ScaleMark {
        role: ScaleRole::Noise,
        at: noise.value,
        interval: None,
        figure: tidy(noise.value, 1),
        words,
        short: "noise",
    })
}

/// What a step finds out, as it is said while it sounds.
pub fn finding(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Silence => "listening to the noise of room and bench",
        Purpose::Probe => "finding the quiet level",
        Purpose::Reference => "measuring the quiet reference",
        Purpose::Asked => "playing a level that was asked for",
        Purpose::Climb => "climbing towards the limit",
        Purpose::Threshold => "measuring just above the limit",
        Purpose::Bisect => "closing in on the limit",
        Purpose::ReferenceAgain => "measuring the quiet reference again: has anything moved?",
        Purpose::Seat => "measuring this seat of the headphone",
        Purpose::Matched => "playing the level that both outputs are compared at",
        Purpose::OpenEar => "listening at the open ear",
        Purpose::CoveredEar => "listening at the covered ear",
        Purpose::Position => "measuring this position of the volume control",
        Purpose::LeftAlone => "playing the first channel alone",
        Purpose::RightAlone => "playing the second channel alone",
    }
}
