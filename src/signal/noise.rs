//! Stationary pink noise: Gaussian, 17.8 Hz to 22.4 kHz, seeded. It shows by the usual statistics what periodic noise
//! shows without scatter.
//!
//! Every line of a very long period gets an independent complex Gaussian value of power ∝ 1/f (a circular Gaussian
//! process: any stretch of it is stationary Gaussian noise). One such period *is* the analysed part of a take, so nothing
//! in it comes twice; only the settling before and the fade after it sound like its end and its beginning.

use super::synthesis::{inverse, waveform_peaks};
use super::{LineKind, Lines, Peaks, Period};
use crate::units::SampleRate;
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Lowest and highest frequency, Hz: the 31 one-third octaves from 20 Hz to 20 kHz.
const BAND_HZ: [f64; 2] = [17.782_794, 22_387.211];

/// Seed and length of the noise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Noise {
    /// Seed.
    pub seed: u64,
    /// Analysis periods that it fills without repeating; 16 are about 22 s.
    pub spans: usize,
}

impl Noise {
    /// 16 analysis periods: about 22 s.
    pub const STANDARD: Noise = Noise { seed: 1, spans: 16 };

    pub(super) fn period(&self, rate: SampleRate, frames: usize) -> Period {
        let mut random = Pcg64::seed_from_u64(self.seed);
        let spacing = rate.hz() / frames as f64;
        let span = BAND_HZ[0]..BAND_HZ[1].min(0.49 * rate.hz());
        let mut spectrum = vec![Complex::new(0.0, 0.0); frames / 2 + 1];
        let mut kinds = vec![LineKind::Outside; spectrum.len()];
        for k in (1..spectrum.len()).filter(|k| span.contains(&(*k as f64 * spacing))) {
            spectrum[k] = gaussian(&mut random) / (k as f64).sqrt();
            kinds[k] = LineKind::Excited;
        }
        let mut samples = inverse(&spectrum, frames);
        let waveform = waveform_peaks(&samples);
        let peak = waveform.largest();
        samples.iter_mut().for_each(|x| *x /= peak);
        let rms = (samples.iter().map(|x| x * x).sum::<f64>() / frames as f64).sqrt();
        let peaks = Peaks { positive: waveform.positive / peak, negative: waveform.negative / peak };
        Period { samples, lines: Lines::new(kinds), rms, peaks, rate }
    }
}

/// A complex Gaussian value of unit power (Box and Muller, *Ann. Math. Stat.* 29 (1958) 610).
fn gaussian(random: &mut Pcg64) -> Complex<f64> {
    // 53 random bits: radius from (0, 1], turn from [0, 1).
    let uniform = |bits: u64| (bits >> 11) as f64 / (1u64 << 53) as f64;
    let radius = (-(1.0 - uniform(random.next_u64())).ln()).sqrt();
    Complex::from_polar(radius, TAU * uniform(random.next_u64()))
}
