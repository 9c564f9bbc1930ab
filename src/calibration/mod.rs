//! The only road from full scale to pascals and volts.

mod acoustic;

pub use acoustic::{Acoustic, CalibrationRefused, Calibrator, OffsetSource};
