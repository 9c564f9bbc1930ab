//! The calibration offset: dB SPL that 0 dBFS at an input stands for.
//!
//! A sound calibrator of known level gives a reading in dBFS; offset = level − reading (94.0 dB read as −26.0 dBFS
//! gives 120.0 dB). IEC 60942 is the calibrators' standard; its class limits are from memory, so the half width is
//! stated by the user, by default that of a class 1 calibrator in the 2003 edition, ±0.4 dB, uncertainty included.

use crate::analysis::Tone;
use crate::stats::Estimate;
use crate::units::{DbSpl, Dbfs};
use serde::{Deserialize, Serialize};

/// A tone further than this from the stated frequency cannot be the calibrator's (class 2 allows 2 %, from memory).
const FREQUENCY_TOLERANCE: f64 = 0.02;
/// Calibrators distort by up to 4 % (class 2, from memory); more is clipping or a second tone.
const LARGEST_DISTORTION_DB: f64 = -27.0;
/// A calibrator's tone must stand this far over the noise, or the reading is not its level.
const LEAST_OVER_NOISE_DB: f64 = 20.0;
/// Half width of a class 1 calibrator's level, dB (IEC 60942:2003, uncertainty included, from memory).
pub const CLASS_1_HALF_WIDTH_DB: f64 = 0.4;

/// What the sound calibrator is stated to give.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Calibrator {
    /// Its level, dB SPL, with its interval.
    pub level: Estimate,
    /// Its frequency, Hz.
    pub frequency_hz: f64,
}

impl Calibrator {
    /// A calibrator of `level_db` at 1 kHz, class 1.
    pub fn at_1_khz(level_db: f64) -> Calibrator {
        Calibrator { level: Estimate::symmetric(level_db, CLASS_1_HALF_WIDTH_DB), frequency_hz: 1000.0 }
    }
}

/// Where an offset came from.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "from", rename_all = "kebab-case")]
pub enum OffsetSource {
    /// Read from a sound calibrator.
    Calibrator {
        /// The calibrator as stated.
        calibrator: Calibrator,
        /// Reading of its tone.
        reading: Dbfs,
        /// Frequency found, Hz.
        found_hz: f64,
    },
    /// Typed by the user, who also stated the interval.
    Typed,
}

/// Calibration offset of one input.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Acoustic {
    /// dB SPL that 0 dBFS stands for.
    pub offset: Estimate,
    /// Where it came from.
    pub source: OffsetSource,
    /// When it was taken (RFC 3339).
    pub taken_at: String,
}

/// Why a tone cannot be the calibrator's.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CalibrationRefused {
    /// No tone.
    #[error(
        "no steady tone stands over the noise; is the calibrator switched on and fitted to this input's microphone?"
    )]
    NoTone,
    /// Wrong frequency.
    #[error(
        "the tone found is at {found_hz:.1} Hz, the calibrator should give {stated_hz:.0} Hz; check which calibrator is fitted"
    )]
    WrongFrequency {
        /// Found.
        found_hz: f64,
        /// Stated.
        stated_hz: f64,
    },
    /// Distorted or a second tone.
    #[error(
        "the tone carries {distortion_db:.1} dB of other components; the input clips, a second tone sounds or the seal leaks"
    )]
    Impure {
        /// Of everything else re the tone.
        distortion_db: f64,
    },
    /// Clipped.
    #[error("the input is overloaded by the calibrator; lower its gain and note the new setting")]
    Overloaded,
    /// Not a number or far from any real chain.
    #[error("an offset of {0} dB is outside −60 to 240 dB; type the dB SPL that 0 dBFS stands for, for example 120")]
    NotAnOffset(f64),
}

impl Acoustic {
    /// From a recording of the calibrator's tone, as [`crate::analysis::tone::find`] found it.
    ///
    /// # Errors
    /// [`CalibrationRefused`] where the tone cannot be the calibrator's.
    pub fn from_tone(calibrator: Calibrator, tone: &Tone, taken_at: &str) -> Result<Acoustic, CalibrationRefused> {
        let Some(level) = tone.level else { return Err(CalibrationRefused::NoTone) };
        if tone.overloaded {
            return Err(CalibrationRefused::Overloaded);
        }
        if tone.over_noise_db < LEAST_OVER_NOISE_DB {
            return Err(CalibrationRefused::NoTone);
        }
        if (tone.frequency_hz / calibrator.frequency_hz - 1.0).abs() > FREQUENCY_TOLERANCE {
            let (found_hz, stated_hz) = (tone.frequency_hz, calibrator.frequency_hz);
            return Err(CalibrationRefused::WrongFrequency { found_hz, stated_hz });
        }
        if tone.distortion_db > LARGEST_DISTORTION_DB {
            return Err(CalibrationRefused::Impure { distortion_db: tone.distortion_db });
        }
        let negative = Estimate {
            value: -level.value,
            interval: crate::stats::Interval { low: -level.interval.high, high: -level.interval.low },
        };
        Ok(Acoustic {
            offset: calibrator.level.plus(&negative),
            source: OffsetSource::Calibrator { calibrator, reading: Dbfs(level.value), found_hz: tone.frequency_hz },
            taken_at: taken_at.into(),
        })
    }

    /// Typed by the user.
    ///
    /// # Errors
    /// [`CalibrationRefused::NotAnOffset`] for a value no chain has.
    pub fn typed(offset_db: f64, half_width_db: f64, taken_at: &str) -> Result<Acoustic, CalibrationRefused> {
        if !(-60.0..=240.0).contains(&offset_db) {
            return Err(CalibrationRefused::NotAnOffset(offset_db));
        }
        if !(0.0..=20.0).contains(&half_width_db) {
            return Err(CalibrationRefused::NotAnOffset(half_width_db));
        }
        let offset = Estimate::symmetric(offset_db, half_width_db);
        Ok(Acoustic { offset, source: OffsetSource::Typed, taken_at: taken_at.into() })
    }

    /// A captured level as sound pressure level. The offset's interval is left to the budget (`evaluate.rs`): levels of
    /// one session share it.
    pub fn spl(&self, level: Dbfs) -> DbSpl {
        DbSpl(level.db() + self.offset.value)
    }

    /// A captured level that stands for this sound pressure level.
    pub fn dbfs(&self, level: DbSpl) -> Dbfs {
        Dbfs(level.db() - self.offset.value)
    }
}
