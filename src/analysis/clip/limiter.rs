//! What a limit would add to the period that was played: lines of `shape(u) − u`, for a limit that acts on samples or
//! on the waveform between them.
//!
//! The waveform is the period oversampled 8 times. What the limit adds to it is brought back to the lines under
//! Nyquist (a capture passes nothing above): a short low-pass, every fourth point, one transform of twice the period,
//! and the low-pass' own known response divided out. The low-pass only has to keep what lies above 3 times the rate
//! from folding onto the lines, so it is short, and exact where it matters.

use crate::analysis::fft;
use crate::signal::kaiser;
use realfft::num_complex::Complex;
use std::f64::consts::PI;

/// Points per sample of the waveform. A kink between points moves the area of a 0.5 dB clip by well under 1 %.
const OVERSAMPLING: usize = 8;
/// Points of the waveform per point of the transform.
const DECIMATION: usize = 4;
/// Half length of the low-pass, in waveform points.
const HALF_TAPS: usize = 28;
/// Kaiser window of the low-pass: about 90 dB between its pass band (half the rate) and 3/2 of the rate.
const KAISER_BETA: f64 = 9.0;

/// Points beyond this share of their side's peak are kept apart: few, and mostly all that a limit acts on.
const HIGH: f64 = 0.5;

/// Which side of zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    /// Above.
    Positive,
    /// Below.
    Negative,
}

/// Both sides, in the order of every pair in this folder.
pub(super) const SIDES: [Side; 2] = [Side::Positive, Side::Negative];

/// The period as one kind of limit meets it, and the transform of what the limit adds.
pub(super) struct Limiter {
    /// Points the limit acts on, in units of full scale.
    points: Vec<f64>,
    /// Largest excursion per side.
    peaks: [f64; 2],
    /// The [`HIGH`] ones of each side, by number.
    high: [Vec<usize>; 2],
    /// The low-pass; `None` for a limit on samples.
    low_pass: Option<Vec<f64>>,
    /// What each line is multiplied by: undoes the low-pass.
    scale: Vec<f64>,
    /// Points to be transformed.
    input: Vec<f64>,
}

impl Limiter {
    /// A limit on the samples of a period.
    pub(super) fn on_samples(samples: Vec<f64>) -> Limiter {
        let frames = samples.len();
        Limiter::new(samples, frames, None, vec![1.0; frames / 2 + 1])
    }

    /// True for a limit on the waveform between samples.
    pub(super) fn is_on_waveform(&self) -> bool {
        self.low_pass.is_some()
    }

    /// A limit on the waveform between the `frames` samples of a period that has these lines.
    pub(super) fn on_waveform(lines: &[Complex<f64>], frames: usize) -> Limiter {
        let points = fft::samples_of(lines, frames * OVERSAMPLING);
        let taps = low_pass();
        let length = frames * OVERSAMPLING / DECIMATION;
        let scale = (0..=frames / 2).map(|k| 1.0 / response_at(&taps, k, frames * OVERSAMPLING)).collect();
        Limiter::new(points, length, Some(taps), scale)
    }

    fn new(points: Vec<f64>, length: usize, low_pass: Option<Vec<f64>>, scale: Vec<f64>) -> Limiter {
        let (low, high) = points.iter().fold((0.0f64, 0.0f64), |(l, h), x| (l.min(*x), h.max(*x)));
        let beyond = |sign: f64, peak: f64| {
            let numbered = points.iter().enumerate().filter(|(_, u)| sign * **u > HIGH * peak);
            numbered.map(|(n, _)| n).collect()
        };
        let high_ones = [beyond(1.0, high), beyond(-1.0, -low)];
        Limiter { points, peaks: [high, -low], high: high_ones, low_pass, scale, input: vec![0.0; length] }
    }

    /// Largest excursion on one side, a magnitude in units of full scale.
    pub(super) fn peak(&self, side: Side) -> f64 {
        self.peaks[side as usize]
    }

    /// RMS-phasor lines of what hard limits on both sides add, in one transform.
    pub(super) fn residuals(&mut self, limits: [Option<f64>; 2], lines: &[usize]) -> Vec<Complex<f64>> {
        self.input.fill(0.0);
        for (side, at) in SIDES.into_iter().zip(limits) {
            if let Some(at) = at {
                self.add(side, at, |beyond| -beyond);
            }
        }
        self.transformed(lines)
    }

    /// RMS-phasor lines of what a hard limit at magnitude `at` adds on one side: `−max(u − at, 0)`, mirrored below.
    pub(super) fn residual(&mut self, side: Side, at: f64, lines: &[usize]) -> Vec<Complex<f64>> {
        self.lines_of(side, at, lines, |beyond| -beyond)
    }

    /// Its derivative by `at`: one wherever the limit acts (minus one below zero).
    pub(super) fn slope(&mut self, side: Side, at: f64, lines: &[usize]) -> Vec<Complex<f64>> {
        self.lines_of(side, at, lines, |_| 1.0)
    }

    /// Lines of `added(|u| − at)` (with the sign of u) over the points beyond `at` on one side.
    fn lines_of(&mut self, side: Side, at: f64, lines: &[usize], added: impl Fn(f64) -> f64) -> Vec<Complex<f64>> {
        self.input.fill(0.0);
        self.add(side, at, added);
        self.transformed(lines)
    }

    fn add(&mut self, side: Side, at: f64, added: impl Fn(f64) -> f64) {
        let Limiter { points, low_pass, input, .. } = self;
        let sign = if side == Side::Positive { 1.0 } else { -1.0 };
        let mut act = |n: usize| {
            let beyond = sign * points[n] - at;
            if beyond <= 0.0 {
                return;
            }
            let value = sign * added(beyond);
            match low_pass {
                None => input[n] += value,
                Some(taps) => spread(input, taps, n, value),
            }
        };
        if at >= HIGH * self.peaks[side as usize] {
            self.high[side as usize].iter().for_each(|n| act(*n));
        } else {
            (0..points.len()).for_each(act);
        }
    }

    fn transformed(&self, lines: &[usize]) -> Vec<Complex<f64>> {
        let transformed = fft::lines_of(&self.input);
        lines.iter().map(|&k| transformed[k] * self.scale[k]).collect()
    }
}

/// Adds one waveform point to every decimated point whose low-pass reaches it.
fn spread(decimated: &mut [f64], taps: &[f64], n: usize, value: f64) {
    let length = decimated.len();
    let last = (n + HALF_TAPS) / DECIMATION;
    let count = taps.len().div_ceil(DECIMATION);
    for back in 0..=count {
        // Position of the decimated point relative to the waveform point, −HALF_TAPS … HALF_TAPS.
        let tap = (last * DECIMATION + HALF_TAPS).checked_sub(n + back * DECIMATION);
        let Some(tap) = tap.filter(|t| *t < taps.len()) else { continue };
        decimated[(last + length - back) % length] += taps[tap] * value;
    }
}

/// Kaiser-windowed low-pass at the played rate (in waveform points: cut at 1 / OVERSAMPLING cycles per point).
fn low_pass() -> Vec<f64> {
    let half = HALF_TAPS as f64;
    (0..=2 * HALF_TAPS)
        .map(|i| {
            let t = i as f64 - half;
            let x = 2.0 * PI * t / OVERSAMPLING as f64;
            let sinc = if t.abs() < 0.5 { 1.0 } else { x.sin() / x };
            sinc * kaiser(t / (half + 1.0), KAISER_BETA)
        })
        .collect()
}

/// Response of the symmetric low-pass at line `k`, as the mean over decimated points sees it (Clenshaw's sum of a cosine
/// series).
fn response_at(taps: &[f64], k: usize, waveform_points: usize) -> f64 {
    let twice_cos = 2.0 * (2.0 * PI * k as f64 / waveform_points as f64).cos();
    let (mut b1, mut b2) = (0.0, 0.0);
    for tap in taps[HALF_TAPS + 1..].iter().rev() {
        (b1, b2) = (2.0 * tap + twice_cos * b1 - b2, b1);
    }
    taps[HALF_TAPS] + 0.5 * twice_cos * b1 - b2
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::analysis::clip::trial;

    /// Rounding of transforms and the low-pass' 90 dB stop band.
    const RELATIVE: f64 = 2e-4;

    /// Closed form: the residual on the waveform's lines is the plain transform of the clipped, oversampled period.
    #[test]
    fn the_short_way_through_the_low_pass_gives_the_lines_of_the_long_transform() {
        let (period, gain) = (trial::period(), 0.7);
        let spectra = trial::clean(&period, gain);
        let mut limiter = Limiter::on_waveform(&spectra.played, period.samples.len());
        let lines: Vec<usize> = (700..30_000).step_by(37).collect();
        // With high points alone, and with others.
        for (share, side) in [0.8, HIGH, 0.99 * HIGH, 0.2].into_iter().flat_map(|share| SIDES.map(|side| (share, side)))
        {
            let at = share * limiter.peak(side);
            let quick = limiter.residual(side, at, &lines);
            let sign = if side == Side::Positive { 1.0 } else { -1.0 };
            let added: Vec<f64> = limiter.points.iter().map(|u| -sign * (sign * u - at).max(0.0)).collect();
            let long = fft::lines_of(&added);
            let largest = quick.iter().map(|x| x.norm()).fold(0.0, f64::max);
            for (q, k) in quick.iter().zip(&lines) {
                let exact = long[*k];
                assert!((q - exact).norm() < RELATIVE * largest, "{share} {side:?}, line {k}: {q} against {exact}");
            }
        }
    }

    fn both_kinds() -> [Limiter; 2] {
        let spectra = trial::clean(&trial::period(), 1.0);
        let samples = spectra.period.samples.clone();
        [Limiter::on_waveform(&spectra.played, samples.len()), Limiter::on_samples(samples)]
    }

    /// By definition: both sides at once are the sum of either; and as all lines of the period are odd, what one side adds
    /// differs from the other's in sign on even lines only.
    #[test]
    fn both_sides_are_the_sum_of_either_and_mirror_each_other() {
        let lines: Vec<usize> = (700..30_000).step_by(97).collect();
        for mut limiter in both_kinds() {
            let at = 0.7 * limiter.peak(Side::Positive);
            let up = limiter.residual(Side::Positive, at, &lines);
            let down = limiter.residual(Side::Negative, at, &lines);
            let both = limiter.residuals([Some(at), Some(at)], &lines);
            let largest = both.iter().map(|x| x.norm()).fold(0.0, f64::max);
            for (((up, down), both), k) in up.iter().zip(&down).zip(both).zip(&lines) {
                assert!((up + down - both).norm() < 1e-12 * largest);
                let mirrored = if k % 2 == 0 { -up } else { *up };
                assert!((mirrored - down).norm() < 1e-9 * largest, "line {k}");
            }
        }
    }

    /// The slope is the derivative of the residual (central difference).
    #[test]
    fn the_slope_is_the_derivative_of_the_residual() {
        let lines: Vec<usize> = (700..30_000).step_by(97).collect();
        for mut limiter in both_kinds() {
            for side in SIDES {
                let at = 0.6 * limiter.peak(side);
                let slope = limiter.slope(side, at, &lines);
                let step = 1e-7;
                let up = limiter.residual(side, at + step, &lines);
                let down = limiter.residual(side, at - step, &lines);
                let largest = slope.iter().map(|x| x.norm()).fold(0.0, f64::max);
                for ((s, u), d) in slope.iter().zip(&up).zip(&down) {
                    assert!((s - (u - d) / (2.0 * step)).norm() < 1e-2 * largest);
                }
            }
        }
    }
}
