//! What moves in a stream of samples: a constant offset, which is no sound and in no prediction, follows slowly and is taken off.
//!
//! ```text
//! offset ← k · offset + (1 − k) · x      k = exp(−2π · 2 Hz / rate)      moving = x − offset
//! ```

use crate::units::SampleRate;
use std::f64::consts::TAU;

/// Corner of this high-pass, Hz.
const CORNER_HZ: f64 = 2.0;

/// A first-order high-pass that leaves a constant offset out.
#[derive(Clone, Copy, Debug)]
pub struct Moving {
    /// Share of the offset that is kept from sample to sample.
    keep: f64,
    offset: Option<f64>,
}

impl Moving {
    /// Takes the first sample for the offset: a take that begins on one is not judged by the step.
    pub fn from_the_first(rate: SampleRate) -> Moving {
        Moving { keep: (-TAU * CORNER_HZ / rate.hz()).exp(), offset: None }
    }

    /// Begins without an offset.
    pub fn from_zero(rate: SampleRate) -> Moving {
        Moving { offset: Some(0.0), ..Moving::from_the_first(rate) }
    }

    /// The next sample without its offset.
    pub fn next(&mut self, x: f64) -> f64 {
        let offset = self.offset.get_or_insert(x);
        *offset = self.keep * *offset + (1.0 - self.keep) * x;
        x - *offset
    }
}
