//! How much of the output does the listener need? The drive of pink noise for the listening level, and for that and the
//! wanted headroom over it, along the straight line that the highest clean level stands on.

use super::electrical::widened;
use super::{Headroom, HighestClean};
use crate::calibration::electrical::AtLoad;
use crate::session::chain::pink_spectrum;
use crate::session::record::Record;
use crate::stats::{Estimate, Interval};
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
    /// Volts and milliwatts, where the output's volts are known.
    pub at_load: Option<AtLoad>,
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
    let at_load = record.head.chain.at_load(Dbfs(drive.value), &pink_spectrum()).map(|at| widened(at, &drive));
    Needed { level, drive, share_percent: share_percent(&drive, full), at_load }
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
