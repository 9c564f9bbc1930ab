//! The only road from full scale to pascals and volts.

mod acoustic;
mod coupler;
pub mod curve;
mod field;

pub use acoustic::{Acoustic, CalibrationRefused, Calibrator, OffsetSource};
pub use coupler::Coupler;
pub use curve::Curve;
pub use field::{Field, FieldCurve, FieldPoint, Fit};
