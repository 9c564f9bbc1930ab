//! Seeded Gaussian noise and dither.

use super::bench::NoiseSpectrum;
use super::filters::Cascade;
use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;

/// Band within which a noise level is stated, Hz.
const STATED_BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// Which noise: each source has a stream of its own, so that leaving one out changes no other.
#[derive(Clone, Copy, Debug)]
pub(super) enum Stream {
    OutputLeft = 1,
    OutputRight,
    LeftEar,
    RightEar,
    Witness,
    Loopback,
    DitherLeft,
    DitherRight,
    DitherWitness,
    DitherLoopback,
    Disturbance,
    Outside,
    SourceSide,
    DitherSourceSide,
}

fn generator(seed: u64, stream: Stream) -> Pcg64 {
    // An odd multiplier spreads neighbouring seeds over the state (golden ratio, Knuth).
    Pcg64::new(u128::from(seed).wrapping_mul(0x9E37_79B9_7F4A_7C15_F39C_C060_5CED_C835), stream as u128)
}

/// Independent standard normal values (Marsaglia's polar method).
#[derive(Clone, Debug)]
pub(super) struct Gaussian {
    random: Pcg64,
    spare: Option<f64>,
}

impl Gaussian {
    pub fn new(seed: u64, stream: Stream) -> Gaussian {
        Gaussian { random: generator(seed, stream), spare: None }
    }

    fn symmetric(&mut self) -> f64 {
        // 53 random bits over (−1, 1), never exactly 0.
        ((self.random.next_u64() >> 11) as f64 + 0.5) / (1u64 << 52) as f64 - 1.0
    }

    #[inline]
    pub fn next(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (x, y) = (self.symmetric(), self.symmetric());
            let s = x * x + y * y;
            if s < 1.0 {
                let scale = (-2.0 * s.ln() / s).sqrt();
                self.spare = Some(y * scale);
                return x * scale;
            }
        }
    }
}

/// Noise with a spectrum, its RMS stated within 20 Hz to 20 kHz (or half the rate).
#[derive(Clone, Debug)]
pub(super) struct Noise {
    gaussian: Gaussian,
    shaping: Cascade,
}

impl Noise {
    pub fn new(rms: f64, spectrum: NoiseSpectrum, rate_hz: f64, seed: u64, stream: Stream) -> Noise {
        let shaping = match spectrum {
            NoiseSpectrum::White => Cascade::new([], rate_hz),
            NoiseSpectrum::Pink => Cascade::pink(rate_hz),
        };
        let share = shaping.band_power(STATED_BAND_HZ.0, STATED_BAND_HZ.1.min(0.5 * rate_hz));
        Noise { gaussian: Gaussian::new(seed, stream), shaping: shaping.scaled(rms / share.sqrt()) }
    }

    #[inline]
    pub fn next(&mut self) -> f64 {
        let x = self.gaussian.next();
        self.shaping.push(x)
    }
}

/// A converter: full scale ±1, and where it has bits, triangular dither of ±1 step.
#[derive(Clone, Debug)]
pub(super) struct Converter {
    step: Option<f64>,
    random: Pcg64,
}

impl Converter {
    pub fn new(bits: Option<u32>, seed: u64, stream: Stream) -> Converter {
        let step = bits.map(|b| 2f64.powi(1 - b.clamp(2, 24) as i32));
        Converter { step, random: generator(seed, stream) }
    }

    #[inline]
    pub fn convert(&mut self, x: f64) -> f32 {
        let Some(step) = self.step else { return x.clamp(-1.0, 1.0) as f32 };
        let bits = self.random.next_u64();
        let uniform = |half: u64| (half as u32) as f64 / (1u64 << 32) as f64;
        let dither = uniform(bits) - uniform(bits >> 32);
        ((x / step + dither).round() * step).clamp(-1.0, 1.0 - step) as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard normal: mean 0 ± 1/√n, variance 1 ± √(2/n), kurtosis 3 ± √(24/n), P(|x| > 3) = 0.0026998; five
    /// standard deviations each. Streams of one seed have no correlation.
    #[test]
    fn gaussian_values_are_standard_normal_and_streams_are_independent() {
        const N: usize = 1_000_000;
        let mut left = Gaussian::new(1, Stream::LeftEar);
        let mut right = Gaussian::new(1, Stream::RightEar);
        let (mut m1, mut m2, mut m4, mut beyond, mut cross) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for _ in 0..N {
            let (x, y) = (left.next(), right.next());
            m1 += x;
            m2 += x * x;
            m4 += x.powi(4);
            beyond += if x.abs() > 3.0 { 1.0 } else { 0.0 };
            cross += x * y;
        }
        let n = N as f64;
        assert!((m1 / n).abs() < 5.0 / n.sqrt());
        assert!((m2 / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        assert!((m4 * n / (m2 * m2) - 3.0).abs() < 5.0 * (24.0 / n).sqrt());
        assert!((beyond / n - 0.002_699_8).abs() < 5.0 * (0.002_7 / n).sqrt());
        assert!((cross / n).abs() < 5.0 / n.sqrt());
    }
}
