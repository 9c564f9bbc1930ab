//! The only road from full scale to pascals and volts.

mod acoustic;
mod age;
mod coupler;
pub mod curve;
mod field;

pub use acoustic::{Acoustic, CalibrationRefused, Calibrator, OffsetSource};
pub use age::{AgeLimits, is_date};
pub use coupler::{Coupler, Point};
pub use curve::Curve;
pub use field::{Field, FieldCurve, FieldPoint, Fit};
