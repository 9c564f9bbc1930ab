//! The headphone on its coupler: volts in, pascals at the microphone out.

use super::bench::{BenchSpec, DriverDistortion};
use super::filters::{Cascade, Shape};
use crate::units::{SampleRate, amplitude_from_db};
use std::f64::consts::FRAC_1_SQRT_2;

/// Which side of the headphone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    Left,
    Right,
}

/// `x + a2·lp(x)² + a3·lp(x)³`.
#[derive(Clone, Debug)]
pub(super) struct Polynomial {
    low_pass: Cascade,
    a2: f64,
    a3: f64,
}

impl Polynomial {
    pub fn new(distortion: &DriverDistortion, rate_hz: f64) -> Polynomial {
        let (a2, a3) = distortion.coefficients();
        let low_pass = Shape::LowPass { corner_hz: distortion.below_hz, q: FRAC_1_SQRT_2 };
        Polynomial { low_pass: Cascade::new([&low_pass], rate_hz), a2, a3 }
    }

    #[inline]
    pub fn push(&mut self, x: f64) -> f64 {
        let low = self.low_pass.push(x);
        x + low * low * (self.a2 + self.a3 * low)
    }
}

/// One side: polynomial of the low frequencies, then the linear response.
#[derive(Clone, Debug)]
pub(super) struct Driver {
    polynomial: Polynomial,
    response: Cascade,
}

impl Driver {
    pub fn new(spec: &BenchSpec, rate: SampleRate, side: Side) -> Driver {
        let headphone = &spec.headphone;
        let louder = match side {
            Side::Left => 1.0,
            Side::Right => amplitude_from_db(headphone.right_louder_db),
        };
        Driver {
            polynomial: Polynomial::new(&headphone.distortion, rate.hz()),
            response: spec.acoustic_response(rate).scaled(headphone.sensitivity_pa_per_v * louder),
        }
    }

    #[inline]
    pub fn push(&mut self, v: f64) -> f64 {
        self.response.push(self.polynomial.push(v))
    }
}
