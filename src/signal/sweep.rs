//! Synchronised exponential sweep (Novak, Lotton & Simon, *J. Audio Eng. Soc.* 63 (2015) 786–798):
//! `x(t) = sin(2π f1 L e^(t/L))`, `L = T / ln(f2/f1)`. Its n-th harmonic is the same sweep `L ln n` earlier, phase
//! included, so that one deconvolution shows the response and every harmonic apart.
//!
//! ```text
//!  |fade in|~~~~~~~~~ sweep, T ~~~~~~~~~|fade out|... quiet tail ...|   one period: whole analysis periods
//!  f1 = 10 Hz                       22.4 kHz                            so that what rings closes on itself
//! ```

use super::{LineKind, Lines, Peaks, Period, raised_cosine};
use crate::units::SampleRate;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Start, Hz: under the lowest line used, so that the fade-in is over before it.
const FROM_HZ: f64 = 10.0;
/// End, Hz, or this share of the rate where that is lower.
const TO_HZ: f64 = 22_600.0;
const TO_SHARE: f64 = 0.485;
/// The fade-in ends and the excited lines begin here, Hz.
const EXCITED_FROM_HZ: f64 = 17.8;
/// Fade-out, seconds: about 600 Hz at the end of a sweep of 5 s.
const FADE_OUT_S: f64 = 0.02;
/// Quiet tail, seconds.
const TAIL_S: f64 = 0.3;

/// A sweep that fills `spans` analysis periods.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sweep {
    /// Analysis periods of one repetition; 4 are about 5.5 s.
    pub spans: usize,
}

impl Sweep {
    /// Four analysis periods: about 5.5 s.
    pub const STANDARD: Sweep = Sweep { spans: 4 };

    /// The sweep's own constants at this rate.
    pub fn shape(self, rate: SampleRate, frames: usize) -> SweepShape {
        let to_hz = TO_HZ.min(TO_SHARE * rate.hz());
        SweepShape::between(FROM_HZ, to_hz, frames as f64 / rate.hz() - TAIL_S)
    }

    pub(super) fn period(self, rate: SampleRate, frames: usize) -> Period {
        let shape = self.shape(rate, frames);
        let samples: Vec<f64> = (0..frames).map(|n| shape.value(n as f64 / rate.hz())).collect();
        let spacing = rate.hz() / frames as f64;
        let excited = EXCITED_FROM_HZ..shape.steady_to_hz();
        let kinds = (0..=frames / 2)
            .map(|k| if excited.contains(&(k as f64 * spacing)) { LineKind::Excited } else { LineKind::Outside })
            .collect();
        let rms = (samples.iter().map(|x| x * x).sum::<f64>() / frames as f64).sqrt();
        Period { samples, lines: Lines::new(kinds), rms, peaks: Peaks { positive: 1.0, negative: 1.0 }, rate }
    }
}

/// Constants of a sweep at one rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SweepShape {
    /// Frequency at time 0, Hz.
    pub from_hz: f64,
    /// Frequency at the end, Hz.
    pub to_hz: f64,
    /// Duration without the tail, seconds.
    pub seconds: f64,
    /// L, seconds: the n-th harmonic comes `L ln n` earlier.
    pub length_s: f64,
}

impl SweepShape {
    /// From one frequency to another in so many seconds: `L = T / ln(f2/f1)`.
    pub fn between(from_hz: f64, to_hz: f64, seconds: f64) -> SweepShape {
        SweepShape { from_hz, to_hz, seconds, length_s: seconds / (to_hz / from_hz).ln() }
    }

    /// How long before the linear response that of harmonic `n` arrives, seconds.
    pub fn harmonic_before_s(&self, n: usize) -> f64 {
        self.length_s * (n as f64).ln()
    }

    /// Up to here the fade-out has not begun, Hz.
    pub fn steady_to_hz(&self) -> f64 {
        self.from_hz * ((self.seconds - FADE_OUT_S) / self.length_s).exp()
    }

    fn value(&self, t: f64) -> f64 {
        if t >= self.seconds {
            return 0.0;
        }
        let fade_in_s = self.length_s * (EXCITED_FROM_HZ / self.from_hz).ln();
        let fade = raised_cosine(t / fade_in_s) * raised_cosine((self.seconds - t) / FADE_OUT_S);
        fade * (TAU * (self.from_hz * self.length_s * (t / self.length_s).exp()).fract()).sin()
    }
}
