//! The calibration box of page Chain: a sound calibrator, a microphone's sensitivity, or an offset as typed.

use super::{Form, Messages, keep};
use crate::asked::{Field, Read, calibration};
use crate::calibration::{Acoustic, Calibrator, SENSITIVITY_HALF_WIDTH_DB};

impl Form {
    pub(super) fn check_calibration(&self, wrong: &mut Messages) {
        if self.typed.filled(Field::Offset).is_some() {
            keep(wrong, self.typed_offset(""));
        }
        for field in [Field::Sensitivity, Field::InputVolts] {
            keep(wrong, self.typed.optional(field));
        }
        keep(wrong, self.calibrator());
    }

    /// The typed offset, taken at `now`.
    pub fn typed_offset(&self, now: &str) -> Read<Acoustic> {
        calibration::offset(self.typed.number(Field::Offset)?, self.typed.number(Field::OffsetHalfWidth)?, now)
    }

    /// The sound calibrator as stated.
    pub fn calibrator(&self) -> Read<Calibrator> {
        let number = |field| self.typed.number(field);
        Ok(calibration::calibrator(
            number(Field::CalibratorLevel)?,
            number(Field::CalibratorHalfWidth)?,
            number(Field::CalibratorFrequency)?,
            number(Field::LevelCorrection)?,
        ))
    }

    /// The offset from the microphone's sensitivity, taken at `now`.
    pub fn sensitivity_offset(&self, now: &str) -> Read<Acoustic> {
        let (mv_per_pa, volts) = (self.typed.number(Field::Sensitivity)?, self.typed.number(Field::InputVolts)?);
        calibration::from_sensitivity(mv_per_pa, volts, SENSITIVITY_HALF_WIDTH_DB, now)
    }
}
