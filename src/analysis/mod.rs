//! Samples in, numbers out: no file, no clock on the wall, no thread, no calibration. Everything is in full-scale
//! terms, f64, with its 95 % interval; sound pressure and volts are `evaluate.rs`' business.

pub mod correction;
pub mod finding;
pub mod spectra;
pub mod tone;

pub use correction::Correction;
pub use finding::*;
pub use spectra::{Reference, Spectra};
pub use tone::Tone;
