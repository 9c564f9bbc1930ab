//! What was typed of a sound calibrator, a microphone or an offset → what the calibration takes.

use super::{Field, Read, Wrong};
use crate::calibration::{Acoustic, CalibrationRefused, Calibrator};
use crate::stats::Estimate;

/// A sound calibrator as stated: level in dB SPL with half its interval in dB, frequency in Hz, correction in dB.
pub fn calibrator(level: f64, half_width: f64, frequency_hz: f64, correction_db: f64) -> Calibrator {
    Calibrator { level: Estimate::symmetric(level, half_width), frequency_hz, correction_db }
}

/// An offset as typed, taken at `now` (RFC 3339).
pub fn offset(offset_db: f64, half_width_db: f64, now: &str) -> Read<Acoustic> {
    Acoustic::typed(offset_db, half_width_db, now).map_err(refused(Field::Offset))
}

/// An offset from the microphone's sensitivity and the volts of a full-scale sine at its input.
pub fn from_sensitivity(mv_per_pa: f64, volts: f64, half_width_db: f64, now: &str) -> Read<Acoustic> {
    Acoustic::from_sensitivity(mv_per_pa, volts, half_width_db, now).map_err(refused(Field::Sensitivity))
}

fn refused(field: Field) -> impl Fn(CalibrationRefused) -> Wrong {
    move |error| Wrong::says(field, error.to_string())
}
