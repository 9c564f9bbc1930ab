//! Resonances and corners as second-order sections.
//!
//! Each shape is an analogue prototype in `s = jf/f0`, brought to the sample rate by the bilinear transform with its
//! own frequency held exact: `s = (1/K)·(1 − z⁻¹)/(1 + z⁻¹)`, `K = tan(π·f0/rate)`. Its response at `f` is thus the
//! prototype's at `s = j·tan(π·f/rate)/tan(π·f0/rate)`.

use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Highest share of the rate a shape's frequency may have; above it, it is moved here.
const HIGHEST_SHARE: f64 = 0.49;

/// One corner or resonance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// `s / (s + 1)`.
    FirstOrderHighPass {
        /// −3 dB point.
        corner_hz: f64,
    },
    /// `1 / (s + 1)`.
    FirstOrderLowPass {
        /// −3 dB point.
        corner_hz: f64,
    },
    /// `s² / (s² + s/q + 1)`.
    HighPass {
        /// Corner.
        corner_hz: f64,
        /// Quality factor (0.707 is a Butterworth).
        q: f64,
    },
    /// `1 / (s² + s/q + 1)`.
    LowPass {
        /// Corner.
        corner_hz: f64,
        /// Quality factor.
        q: f64,
    },
    /// `(s² + s·a/q + 1) / (s² + s/(a·q) + 1)`, `a = 10^(gain/40)`: `gain_db` at the frequency, 0 dB far from it.
    Peak {
        /// Centre.
        frequency_hz: f64,
        /// Quality factor.
        q: f64,
        /// Gain at the centre; negative for a dip.
        gain_db: f64,
    },
}

impl Shape {
    fn frequency_hz(&self) -> f64 {
        match *self {
            Shape::FirstOrderHighPass { corner_hz }
            | Shape::FirstOrderLowPass { corner_hz }
            | Shape::HighPass { corner_hz, .. }
            | Shape::LowPass { corner_hz, .. } => corner_hz,
            Shape::Peak { frequency_hz, .. } => frequency_hz,
        }
    }

    /// Prototype coefficients `[s², s, 1]` of numerator and denominator.
    fn prototype(&self) -> ([f64; 3], [f64; 3]) {
        match *self {
            Shape::FirstOrderHighPass { .. } => ([0.0, 1.0, 0.0], [0.0, 1.0, 1.0]),
            Shape::FirstOrderLowPass { .. } => ([0.0, 0.0, 1.0], [0.0, 1.0, 1.0]),
            Shape::HighPass { q, .. } => ([1.0, 0.0, 0.0], [1.0, 1.0 / q, 1.0]),
            Shape::LowPass { q, .. } => ([0.0, 0.0, 1.0], [1.0, 1.0 / q, 1.0]),
            Shape::Peak { q, gain_db, .. } => {
                let a = 10f64.powf(gain_db / 40.0);
                ([1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0])
            }
        }
    }

    fn section(&self, rate_hz: f64) -> Section {
        let k = (PI * (self.frequency_hz() / rate_hz).min(HIGHEST_SHARE)).tan();
        let (b, a) = self.prototype();
        let second_order = a[0] > 0.0;
        // A first-order shape taken as a second-order one would carry a pole on the unit circle: keep them apart.
        let discrete = |c: [f64; 3]| {
            if second_order {
                [c[0] + c[1] * k + c[2] * k * k, 2.0 * (c[2] * k * k - c[0]), c[0] - c[1] * k + c[2] * k * k]
            } else {
                [c[1] + c[2] * k, c[2] * k - c[1], 0.0]
            }
        };
        Section::normalised(discrete(b), discrete(a))
    }
}

/// One second-order section with its state (transposed direct form II).
#[derive(Clone, Copy, Debug)]
struct Section {
    b: [f64; 3],
    a1: f64,
    a2: f64,
    state: [f64; 2],
}

impl Section {
    fn normalised(b: [f64; 3], a: [f64; 3]) -> Section {
        Section { b: b.map(|x| x / a[0]), a1: a[1] / a[0], a2: a[2] / a[0], state: [0.0; 2] }
    }

    #[inline]
    fn push(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.state[0];
        self.state[0] = self.b[1] * x - self.a1 * y + self.state[1];
        self.state[1] = self.b[2] * x - self.a2 * y;
        y
    }

    /// `|H|²` at `turns` = frequency over rate.
    fn power(&self, turns: f64) -> f64 {
        let polynomial = |c: [f64; 3]| {
            let (sin1, cos1) = (2.0 * PI * turns).sin_cos();
            let (sin2, cos2) = (4.0 * PI * turns).sin_cos();
            (c[0] + c[1] * cos1 + c[2] * cos2).powi(2) + (c[1] * sin1 + c[2] * sin2).powi(2)
        };
        polynomial(self.b) / polynomial([1.0, self.a1, self.a2])
    }
}

/// Sections one after the other.
#[derive(Clone, Debug)]
pub(super) struct Cascade {
    sections: Vec<Section>,
    gain: f64,
    rate_hz: f64,
}

impl Cascade {
    pub fn new<'a>(shapes: impl IntoIterator<Item = &'a Shape>, rate_hz: f64) -> Cascade {
        Cascade { sections: shapes.into_iter().map(|s| s.section(rate_hz)).collect(), gain: 1.0, rate_hz }
    }

    /// Noise shaper whose power falls as 1/f: first-order shelves of which each takes half the distance to the next.
    pub fn pink(rate_hz: f64) -> Cascade {
        const LOWEST_POLE_HZ: f64 = 1.0;
        const RATIO: f64 = 3.0;
        let mut sections = Vec::new();
        let mut pole_hz = LOWEST_POLE_HZ;
        while pole_hz * RATIO.sqrt() < HIGHEST_SHARE * rate_hz {
            let k = |hz: f64| (PI * hz / rate_hz).tan();
            let (pole, zero) = (k(pole_hz), k(pole_hz * RATIO.sqrt()));
            sections.push(Section::normalised([1.0 + zero, zero - 1.0, 0.0], [1.0 + pole, pole - 1.0, 0.0]));
            pole_hz *= RATIO;
        }
        Cascade { sections, gain: 1.0, rate_hz }
    }

    /// With its gain set so that the response is 0 dB at `f_hz`.
    pub fn unity_at(mut self, f_hz: f64) -> Cascade {
        self.gain /= self.power(f_hz).sqrt();
        self
    }

    /// Louder by a plain factor.
    pub fn scaled(mut self, by: f64) -> Cascade {
        self.gain *= by;
        self
    }

    /// `|H|²` at `f_hz`.
    pub fn power(&self, f_hz: f64) -> f64 {
        self.sections.iter().map(|s| s.power(f_hz / self.rate_hz)).product::<f64>() * self.gain * self.gain
    }

    /// Share of white noise's power (all of it up to half the rate) that leaves within a band.
    pub fn band_power(&self, low_hz: f64, high_hz: f64) -> f64 {
        const POINTS: usize = 4_000;
        let ratio = high_hz / low_hz;
        let edge = |i: usize| low_hz * ratio.powf(i as f64 / POINTS as f64);
        let sum: f64 = (0..POINTS).map(|i| self.power((edge(i) * edge(i + 1)).sqrt()) * (edge(i + 1) - edge(i))).sum();
        sum / (0.5 * self.rate_hz)
    }

    #[inline]
    pub fn push(&mut self, x: f64) -> f64 {
        self.sections.iter_mut().fold(x * self.gain, |y, section| section.push(y))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pink is 1/f: power times frequency stands still. The documented ±0.5 dB, 10 Hz to 20 kHz, at the usual rates.
    #[test]
    fn the_pink_shaper_falls_as_one_over_f() {
        for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
            let pink = Cascade::pink(rate_hz);
            let db = |f: f64| 10.0 * (pink.power(f) * f).log10();
            let all: Vec<f64> = (0..=330).map(|i| db(10.0 * 10f64.powf(f64::from(i) / 100.0))).collect();
            let (low, high) = all.iter().fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(*x), h.max(*x)));
            assert!(0.5 * (high - low) <= 0.5, "{rate_hz}: {low} … {high}");
        }
    }

    /// A first-order low-pass passes the noise bandwidth K/(1+K) of half the rate, K = tan(π·f0/rate) (closed form of
    /// the bilinear section's impulse response).
    #[test]
    fn band_power_of_a_first_order_low_pass_has_its_closed_form() {
        let low = Cascade::new([&Shape::FirstOrderLowPass { corner_hz: 500.0 }], 48_000.0);
        let k = (PI * 500.0 / 48_000.0).tan();
        assert!((low.band_power(1e-3, 24_000.0) - k / (1.0 + k)).abs() < 1e-5);
    }
}
