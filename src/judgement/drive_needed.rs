//! How much of the output does the listener need? The drive of pink noise for the listening level, and for that and the
//! wanted headroom over it, along the straight line that the highest clean level stands on.

use super::electrical::{peak_volts, widened};
use super::{Headroom, HighestClean};
use crate::calibration::electrical::AtLoad;
use crate::session::chain::pink_spectrum;
use crate::session::record::Record;
use crate::stats::{Estimate, Interval, Reading};
use crate::units::{DbSpl, Dbfs, amplitude_from_db};
use serde::{Deserialize, Serialize};

/// Drive of pink noise that the listener needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DriveNeeded {
    /// For the listening level.
    pub listening: Needed,
    /// For the listening level and the wanted headroom.
    pub wanted: Needed,
}

/// What one level needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Needed {
    /// The level, Z at the point.
    pub level: DbSpl,
    /// RMS drive, dBFS; over full scale where the output cannot give it.
    pub drive: Estimate,
    /// The same as share of the highest drive there is (true peak at full scale), percent of its volts.
    pub share_percent: Estimate,
    /// True peak of the same, dB re full scale; over 0 where the output cannot give it.
    pub peak_db: Estimate,
    /// Volts and milliwatts, where the output's volts are known.
    pub at_load: Option<AtLoad>,
    /// Volts of the peak, open output (at the headphone where the volts were read there), likewise.
    pub peak_v: Option<Estimate>,
}

/// `None` without a listening level, a calibration or a highest clean level.
pub(super) fn drive_needed(record: &Record, highest: &HighestClean, headroom: &Headroom) -> Option<DriveNeeded> {
    let (level, drive) = (highest.level_spl.estimate()?, highest.drive.estimate()?);
    // The level's interval holds the drive's.
    let own = (level.half_width().powi(2) - drive.half_width().powi(2)).max(0.0).sqrt();
    let gain = Estimate::symmetric(level.value - drive.value, own);
    let full = record.head.plan.pink.period(record.head.playback.rate).full_drive()?;
    let listening = headroom.listening_z?;
    let needed = |level: DbSpl| needed(record, level, &gain, full);
    Some(DriveNeeded { listening: needed(listening), wanted: needed(listening + record.head.plan.wanted_headroom_db) })
}

fn needed(record: &Record, level: DbSpl, gain: &Estimate, full: Dbfs) -> Needed {
    let drive = gain.negative().shifted(level.db());
    let chain = &record.head.chain;
    let at_load = chain.at_load(Dbfs(drive.value), &pink_spectrum()).map(|at| widened(at, &drive));
    // The noise at its highest drive peaks at full scale.
    let peak_db = drive.shifted(-full.db());
    let volts = chain.output_side.volts_per_full_scale;
    let peak_v = volts.and_then(|volts| peak_volts(&Reading::Determined(peak_db), &volts).determined().copied());
    Needed { level, drive, share_percent: share_percent(&drive, full), peak_db, at_load, peak_v }
}

fn share_percent(drive: &Estimate, full: Dbfs) -> Estimate {
    let share = |db: f64| 100.0 * amplitude_from_db(db - full.db());
    let interval = Interval { low: share(drive.interval.low), high: share(drive.interval.high) };
    Estimate { value: share(drive.value), interval }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20 dB under the highest drive are 10 % of its volts, 6.0206 dB are half (from the definition of the decibel).
    #[test]
    fn the_share_is_one_of_volts() {
        let tenth = share_percent(&Estimate::symmetric(-32.5, 1.0), Dbfs(-12.5));
        assert!((tenth.value - 10.0).abs() < 1e-9 && tenth.holds(9.0) && !tenth.holds(8.9));
        assert!((share_percent(&Estimate::exact(-6.0206), Dbfs(0.0)).value - 50.0).abs() < 1e-4);
    }
}
