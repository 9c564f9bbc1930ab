//! Two clocks: played samples live on one, captured ones on the other.
//!
//! Captured frame `m` holds the played waveform at `m·ρ − latency` played frames, `ρ` the ratio of the true rates.
//! The waveform between samples is a Kaiser-windowed sinc (Kaiser & Schafer 1980: `β = 0.1102·(A − 8.7)`,
//! `taps = (A − 7.95)/(14.36·Δf)`), tabulated and read by cubic interpolation.

use crate::signal::kaiser;
use crate::units::SampleRate;
use std::f64::consts::PI;

/// Highest frequency held to full accuracy, Hz: the upper edge of the 20 kHz third octave (IEC 61260-1).
const HIGHEST_HZ: f64 = 22_390.0;
/// The same as a share of the lower rate, where that is less.
const HIGHEST_SHARE: f64 = 0.49;
/// Ripple and stop band of the kernel, dB; 10 dB better than the 115 dB promised, for the table's own error.
const ATTENUATION_DB: f64 = 125.0;
/// Table rows per played sample: cubic interpolation of a band-limited curve then errs below −135 dB.
const ROWS: usize = 64;

/// Windowed sinc in units of the played sample, support `(-half, half)`.
#[derive(Clone, Debug)]
pub(super) struct Kernel {
    /// Half its length, samples.
    pub half: usize,
    cutoff: f64,
    beta: f64,
}

impl Kernel {
    /// Between these rates: flat up to the highest frequency of interest, images of it suppressed.
    pub fn new(from_hz: f64, to_hz: f64) -> Kernel {
        let lower_hz = from_hz.min(to_hz);
        let pass_hz = HIGHEST_HZ.min(HIGHEST_SHARE * lower_hz);
        let cutoff = 0.5 * lower_hz / from_hz;
        let transition = 2.0 * (cutoff - pass_hz / from_hz);
        let half = (0.5 * (ATTENUATION_DB - 7.95) / (14.36 * transition)).ceil() as usize;
        // Even, so that the tap count divides by four.
        Kernel { half: half.next_multiple_of(2).max(4), cutoff, beta: 0.1102 * (ATTENUATION_DB - 8.7) }
    }

    /// Taps over which a value between samples is summed.
    pub fn taps(&self) -> usize {
        2 * self.half
    }

    /// Value at `t` samples from the centre.
    pub fn at(&self, t: f64) -> f64 {
        let x = t / self.half as f64;
        if x.abs() >= 1.0 {
            return 0.0;
        }
        let phase = 2.0 * PI * self.cutoff * t;
        let sinc = if phase.abs() < 1e-12 { 1.0 } else { phase.sin() / phase };
        2.0 * self.cutoff * sinc * kaiser(x, self.beta)
    }

    /// Weights of samples `1 − half ..= half` (counted from the one at or before) for a point `fraction` after it.
    pub fn weights(&self, fraction: f64) -> Vec<f64> {
        (0..self.taps()).map(|i| self.at(fraction - (i as f64 + 1.0 - self.half as f64))).collect()
    }
}

/// Sum of products, in an order fixed by the length alone.
#[inline]
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    for (x, y) in a.chunks_exact(4).zip(b.chunks_exact(4)) {
        for i in 0..4 {
            sums[i] += x[i] * y[i];
        }
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3])
}

/// Weights for any fraction, from a table.
#[derive(Clone, Debug)]
pub(super) struct Interpolator {
    taps: usize,
    /// Rows for fractions −1/ROWS … 1 + 2/ROWS, one after the other.
    table: Vec<f64>,
    weights: Vec<f64>,
    fraction: Option<f64>,
}

impl Interpolator {
    pub fn new(kernel: &Kernel) -> Interpolator {
        let row = |i: usize| kernel.weights((i as f64 - 1.0) / ROWS as f64);
        let table = (0..ROWS + 3).flat_map(row).collect();
        Interpolator { taps: kernel.taps(), table, weights: vec![0.0; kernel.taps()], fraction: None }
    }

    /// Weights for a point `fraction` (0 to 1) after a sample.
    #[inline]
    pub fn weights(&mut self, fraction: f64) -> &[f64] {
        // Bit-equal fractions come from equal rates: nothing to compute then.
        if self.fraction.map(f64::to_bits) != Some(fraction.to_bits()) {
            self.fraction = Some(fraction);
            self.compute(fraction);
        }
        &self.weights
    }

    fn compute(&mut self, fraction: f64) {
        let place = fraction * ROWS as f64;
        let row = (place as usize).min(ROWS - 1);
        let t = place - row as f64;
        // Lagrange through rows −1, 0, 1, 2.
        let c = [
            -t * (t - 1.0) * (t - 2.0) / 6.0,
            (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
            -(t + 1.0) * t * (t - 2.0) / 2.0,
            (t + 1.0) * t * (t - 1.0) / 6.0,
        ];
        let rows = &self.table[row * self.taps..(row + 4) * self.taps];
        let (r0, rest) = rows.split_at(self.taps);
        let (r1, rest) = rest.split_at(self.taps);
        let (r2, r3) = rest.split_at(self.taps);
        for ((((w, a), b), d), e) in self.weights.iter_mut().zip(r0).zip(r1).zip(r2).zip(r3) {
            *w = c[0] * a + c[1] * b + c[2] * d + c[3] * e;
        }
    }
}

/// Where captured frames lie among played ones.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clocks {
    /// Played frames per captured frame.
    ratio: f64,
    /// Played frames per captured frame squared, from the drift.
    bend: f64,
    /// True capture rate.
    pub capture_hz: f64,
    /// True playback rate.
    pub playback_hz: f64,
}

impl Clocks {
    pub fn new(
        playback: SampleRate,
        capture: SampleRate,
        playback_ppm: f64,
        capture_ppm: f64,
        drift_ppm_per_s: f64,
    ) -> Clocks {
        let playback_hz = playback.hz() * (1.0 + 1e-6 * playback_ppm);
        let capture_hz = capture.hz() * (1.0 + 1e-6 * capture_ppm);
        let ratio = playback_hz / capture_hz;
        Clocks { ratio, bend: 0.5e-6 * drift_ppm_per_s * ratio / capture_hz, capture_hz, playback_hz }
    }

    /// Played frames at the instant of captured frame `m`.
    #[inline]
    pub fn played_at(&self, m: u64) -> f64 {
        let m = m as f64;
        m * self.ratio + m * m * self.bend
    }
}

/// The recent past of one signal on the playback clock.
#[derive(Clone, Debug)]
pub(super) struct History {
    /// Index of the first sample kept (negative before the bench began).
    first: i64,
    samples: Vec<f64>,
}

/// Samples dropped at once.
const TRIM: usize = 32_768;

impl History {
    /// Silence of `past` samples before the sample of index `next`.
    pub fn new(next: i64, past: usize) -> History {
        History { first: next - past as i64, samples: vec![0.0; past] }
    }

    #[inline]
    pub fn push(&mut self, x: f64) {
        self.samples.push(x);
    }

    /// `taps` samples from index `from`.
    #[inline]
    pub fn window(&self, from: i64, taps: usize) -> &[f64] {
        let at = (from - self.first) as usize;
        &self.samples[at..at + taps]
    }

    /// Forgets what lies before index `from`, now and then.
    pub fn forget_before(&mut self, from: i64) {
        let old = (from - self.first).max(0) as usize;
        if old > TRIM {
            // A channel nobody wants is never pushed and holds less than that.
            let old = old.min(self.samples.len());
            self.samples.drain(..old);
            self.first += old as i64;
        }
    }
}
