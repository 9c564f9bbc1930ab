//! A drive is a level that has passed the ceiling: the only thing that can open the gain in the callback.

use super::Period;
use crate::units::{Dbfs, PeakDb};
use serde::{Deserialize, Serialize};

/// How loud a stimulus may be played at most, already expressed as RMS drive.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DriveCeiling {
    /// Highest RMS drive.
    pub rms: Dbfs,
    /// Which ceiling this is, for the message (`115.0 dB SPL at the eardrum`, …).
    pub because: String,
}

/// RMS and peak of the stimulus actually sent. Cannot be made above a ceiling or above full scale.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drive {
    gain: f64,
    rms: Option<Dbfs>,
}

/// A level that must not be played.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DriveRefused {
    /// Over a ceiling of the plan.
    #[error(
        "a drive of {asked} is above the ceiling of {ceiling} ({because}); lower the step or raise the ceiling on purpose"
    )]
    AboveCeiling {
        /// Level asked for.
        asked: Dbfs,
        /// Ceiling in force.
        ceiling: Dbfs,
        /// Which one.
        because: String,
    },
    /// The stimulus' true peak would pass full scale.
    #[error("a drive of {asked} would put the true peak above full scale; this stimulus reaches full scale at {full}")]
    AboveFullScale {
        /// Level asked for.
        asked: Dbfs,
        /// Level at which its true peak stands at full scale.
        full: Dbfs,
    },
    /// Not a number, or a level for a stimulus that has none.
    #[error("a drive of {0} dBFS is not a level; give a number such as -40")]
    NoLevel(f64),
}

impl Drive {
    /// Nothing sounds.
    pub const SILENT: Drive = Drive { gain: 0.0, rms: None };

    /// Grants `asked` for this period, if no ceiling forbids it.
    ///
    /// # Errors
    /// [`DriveRefused`] above `ceiling`, above full scale (true peak, with 1e-9 of rounding allowed), or not finite.
    pub fn grant(asked: Dbfs, period: &Period, ceiling: &DriveCeiling) -> Result<Drive, DriveRefused> {
        let Some(full) = period.full_drive() else { return Err(DriveRefused::NoLevel(asked.db())) };
        if !asked.db().is_finite() {
            return Err(DriveRefused::NoLevel(asked.db()));
        }
        if asked.db() > ceiling.rms.db() + 1e-9 {
            return Err(DriveRefused::AboveCeiling { asked, ceiling: ceiling.rms, because: ceiling.because.clone() });
        }
        if asked.db() > full.db() + 1e-9 {
            return Err(DriveRefused::AboveFullScale { asked, full });
        }
        let gain = (asked.rms() / period.rms).min(1.0);
        Ok(Drive { gain, rms: Some(asked) })
    }

    /// Factor on the unit period, 0 to 1: also the true peak of what is sent, in units of full scale.
    pub fn gain(&self) -> f64 {
        self.gain
    }

    /// RMS of what is sent; `None` for silence.
    pub fn rms(&self) -> Option<Dbfs> {
        self.rms
    }

    /// True peak of what is sent; `None` for silence.
    pub fn peak(&self) -> Option<PeakDb> {
        PeakDb::from_amplitude(self.gain)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Stimulus;
    use crate::units::SampleRate;

    fn ceiling(db: f64) -> DriveCeiling {
        DriveCeiling { rms: Dbfs(db), because: "test".into() }
    }

    #[test]
    fn nothing_above_the_ceiling_or_above_full_scale_is_granted() {
        let period = Stimulus::sine(997.0).period(SampleRate::DEFAULT);
        assert!(Drive::grant(Dbfs(-20.0), &period, &ceiling(-20.0)).is_ok());
        assert!(matches!(Drive::grant(Dbfs(-19.9), &period, &ceiling(-20.0)), Err(DriveRefused::AboveCeiling { .. })));
        assert!(matches!(Drive::grant(Dbfs(0.1), &period, &ceiling(10.0)), Err(DriveRefused::AboveFullScale { .. })));
        assert!(matches!(Drive::grant(Dbfs(f64::NAN), &period, &ceiling(0.0)), Err(DriveRefused::NoLevel(_))));
    }

    #[test]
    fn a_sine_at_zero_dbfs_peaks_at_full_scale() {
        let period = Stimulus::sine(997.0).period(SampleRate::DEFAULT);
        let drive = Drive::grant(Dbfs(0.0), &period, &ceiling(0.0)).unwrap();
        assert!((drive.gain() - 1.0).abs() < 1e-9);
        assert!(drive.peak().unwrap().db().abs() < 1e-8);
    }
}
