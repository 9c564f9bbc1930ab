//! The only road from full scale to pascals and volts.

mod acoustic;
mod age;
mod coupler;
pub mod curve;
pub mod electrical;
mod field;
mod steady;

pub use acoustic::{
    Acoustic, CLASS_1_HALF_WIDTH_DB, CalibrationRefused, Calibrator, MICROPHONE_INPUT_VOLTS, MV_PER_PA, OFFSET_DB,
    OFFSET_HALF_WIDTH_DB, OffsetSource, SENSITIVITY_HALF_WIDTH_DB,
};
pub use age::{AgeLimits, CERTIFICATE_MONTHS, OFFSET_HOURS, is_date};
pub use coupler::{Coupler, Point};
pub use curve::Curve;
pub use field::{FieldCurve, FieldPoint, Fit, SoundField};
pub use steady::{Heard, STEADY_DB, STEADY_S, SteadyTone};
