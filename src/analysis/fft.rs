//! Between samples and lines. A line is an **RMS phasor**: `Y(k) = √2/N · Σ y(n) e^(−2πi kn/N)`, so `|Y|²` is the mean
//! square that line carries; DC and Nyquist are scaled by 1/N to the same end.

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, num_traits::Zero};
use rustfft::{Fft, FftPlanner};
use std::cell::RefCell;
use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2, TAU};
use std::sync::Arc;

thread_local! {
    // Plans for the few period lengths in use; planning 65 536 points costs more than the transform.
    static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
    // What the transforms spoil and what they write beside their result, the same memory again and again.
    static SPOILT: RefCell<Vec<f64>> = const { RefCell::new(Vec::new()) };
    static SPOILT_LINES: RefCell<Vec<Complex<f64>>> = const { RefCell::new(Vec::new()) };
    static SCRATCH: RefCell<Vec<Complex<f64>>> = const { RefCell::new(Vec::new()) };
}

/// RMS phasors of one real period, lines 0 to N/2.
pub fn lines_of(samples: &[f64]) -> Vec<Complex<f64>> {
    let frames = samples.len();
    if frames < 2 {
        return vec![Complex::zero(); frames];
    }
    let plan = PLANNER.with(|p| p.borrow_mut().plan_fft_forward(frames));
    let scale = SQRT_2 / frames as f64;
    let mut lines = plan.make_output_vec();
    let done = SPOILT.with(|spoilt| {
        let mut input = spoilt.borrow_mut();
        input.clear();
        input.extend(samples.iter().map(|x| x * scale));
        with_scratch(plan.get_scratch_len(), |scratch| plan.process_with_scratch(&mut input, &mut lines, scratch))
    });
    // Lengths come from the plan itself: this cannot fail.
    if done.is_err() {
        lines.fill(Complex::zero());
    }
    for edge in edges(frames) {
        lines[edge] *= FRAC_1_SQRT_2;
    }
    lines
}

/// The real period of `frames` samples that has these RMS phasors; missing lines are zero, surplus ones ignored.
pub fn samples_of(lines: &[Complex<f64>], frames: usize) -> Vec<f64> {
    if frames < 2 {
        return vec![0.0; frames];
    }
    let plan = PLANNER.with(|p| p.borrow_mut().plan_fft_inverse(frames));
    let mut samples = plan.make_output_vec();
    let done = SPOILT_LINES.with(|spoilt| {
        let mut input = spoilt.borrow_mut();
        input.clear();
        input.extend(lines.iter().take(frames / 2 + 1).map(|line| line * FRAC_1_SQRT_2));
        input.resize(frames / 2 + 1, Complex::zero());
        for edge in edges(frames) {
            input[edge] = Complex::new(input[edge].re * SQRT_2, 0.0);
        }
        with_scratch(plan.get_scratch_len(), |scratch| plan.process_with_scratch(&mut input, &mut samples, scratch))
    });
    // Lengths come from the plan itself: this cannot fail.
    if done.is_err() {
        samples.fill(0.0);
    }
    samples
}

/// Delays all lines of a period of `frames` by `by` frames. Each turns by as much more than the one before it, so the turns
/// are products: within 1e-10 after 100 000 lines.
pub fn delay(lines: &mut [Complex<f64>], by: f64, frames: usize) {
    // The remainder is exact: large delays cost no precision.
    let step = Complex::from_polar(1.0, -TAU * (by % frames as f64) / frames as f64);
    let mut turn = Complex::new(1.0, 0.0);
    for line in lines {
        *line *= turn;
        turn *= step;
    }
}

/// Transforms of a period's odd lines alone, in a quarter of the period's length.
///
/// ```text
/// d(n) = x(n) − x(n + N/2)                          what odd lines see of a period
/// z(n) = [d(n) − i·d(n + N/4)]·e^(−2πi n/N)         n < N/4
/// Y(4m + 1) = Σ z(n) e^(−2πi mn/(N/4)),   Y(4m + 3) = Y(N − 4m − 3)*
/// ```
///
/// Follows from the definition of the transform by splitting the sum into quarters.
#[derive(Clone)]
pub struct OddLines {
    forward: Arc<dyn Fft<f64>>,
    inverse: Arc<dyn Fft<f64>>,
    /// e^(−2πi n/N).
    turns: Arc<[Complex<f64>]>,
}

impl OddLines {
    /// For periods of `frames`; `None` unless they can be cut into eighths.
    pub fn new(frames: usize) -> Option<OddLines> {
        if frames == 0 || !frames.is_multiple_of(8) {
            return None;
        }
        let (quarter, mut planner) = (frames / 4, FftPlanner::new());
        let turns = (0..quarter).map(|n| Complex::from_polar(1.0, -TAU * n as f64 / frames as f64)).collect();
        Some(OddLines { forward: planner.plan_fft_forward(quarter), inverse: planner.plan_fft_inverse(quarter), turns })
    }

    /// RMS phasors of lines 1, 3, 5 … N/2 − 1 of a period.
    pub fn of(&self, samples: &[f64]) -> Vec<Complex<f64>> {
        let quarter = self.turns.len();
        let scale = SQRT_2 / (4 * quarter) as f64;
        let odd = |n: usize| scale * (samples[n] - samples[n + 2 * quarter]);
        let mut turned: Vec<Complex<f64>> =
            self.turns.iter().enumerate().map(|(n, turn)| Complex::new(odd(n), -odd(n + quarter)) * turn).collect();
        with_scratch(self.forward.get_inplace_scratch_len(), |scratch| {
            self.forward.process_with_scratch(&mut turned, scratch);
        });
        let pairs = turned.iter().zip(turned.iter().rev()).take(quarter / 2);
        pairs.flat_map(|(first, third)| [*first, third.conj()]).collect()
    }

    /// First half of the period that has these lines 1, 3, 5 … N/2 − 1 alone; the second is the same with its sign turned.
    pub fn samples_of(&self, lines: &[Complex<f64>]) -> Vec<f64> {
        let quarter = self.turns.len();
        let mut turned = vec![Complex::zero(); quarter];
        for (m, pair) in lines.as_chunks::<2>().0.iter().enumerate().take(quarter / 2) {
            turned[m] = pair[0];
            turned[quarter - 1 - m] = pair[1].conj();
        }
        with_scratch(self.inverse.get_inplace_scratch_len(), |scratch| {
            self.inverse.process_with_scratch(&mut turned, scratch);
        });
        let mut samples = vec![0.0; 2 * quarter];
        let (first, second) = samples.split_at_mut(quarter);
        for (((first, second), z), turn) in first.iter_mut().zip(second).zip(&turned).zip(self.turns.iter()) {
            let z = SQRT_2 * z * turn.conj();
            (*first, *second) = (z.re, -z.im);
        }
        samples
    }
}

fn with_scratch<T>(length: usize, work: impl FnOnce(&mut [Complex<f64>]) -> T) -> T {
    SCRATCH.with(|scratch| {
        let mut scratch = scratch.borrow_mut();
        if scratch.len() < length {
            scratch.resize(length, Complex::zero());
        }
        work(&mut scratch[..length])
    })
}

/// The lines that stand for themselves alone: DC, and Nyquist where there is one.
fn edges(frames: usize) -> impl Iterator<Item = usize> {
    std::iter::once(0).chain(frames.is_multiple_of(2).then_some(frames / 2))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Definition: a delay of d frames turns line k by −2πkd/N.
    #[test]
    fn a_delay_turns_each_line_by_its_number() {
        let (frames, eighths) = (200_000, 9_876_543);
        let mut lines = vec![Complex::new(0.6, 0.8); frames / 2 + 1];
        delay(&mut lines, eighths as f64 / 8.0, frames);
        for (k, line) in lines.iter().enumerate() {
            let turn = (k * eighths % (8 * frames)) as f64 / (8 * frames) as f64;
            let expected = Complex::new(0.6, 0.8) * Complex::from_polar(1.0, -TAU * turn);
            assert!((line - expected).norm() < 1e-10, "line {k}: {line} for {expected}");
        }
    }

    /// Definition: a full-scale sine has the mean square ½.
    #[test]
    fn a_full_scale_sine_on_a_line_has_half_a_unit_of_power_there_and_none_elsewhere() {
        let x: Vec<f64> = (0..960).map(|n| (TAU * 7.0 * f64::from(n) / 960.0 + 0.3).sin()).collect();
        let lines = lines_of(&x);
        for (k, line) in lines.iter().enumerate() {
            let expected = if k == 7 { 0.5 } else { 0.0 };
            assert!((line.norm_sqr() - expected).abs() < 1e-14, "line {k}");
        }
    }

    /// Definition: the whole transforms give the same.
    #[test]
    fn odd_lines_alone_are_those_of_the_whole_period() {
        for frames in [8, 48, 960] {
            let odd = OddLines::new(frames).unwrap();
            let x: Vec<f64> = (0..frames).map(|n| (n as f64 * 0.7).sin() + 0.2 + (n % 3) as f64 * 0.1).collect();
            let (mut whole, lines) = (lines_of(&x), odd.of(&x));
            assert_eq!(lines.len(), frames / 4);
            lines.iter().zip(whole.iter().skip(1).step_by(2)).for_each(|(a, b)| assert!((a - b).norm() < 1e-14));
            whole.iter_mut().step_by(2).for_each(|even| *even = Complex::zero());
            let (half, back) = (odd.samples_of(&lines), samples_of(&whole, frames));
            assert_eq!(half.len(), frames / 2);
            half.iter().zip(&back).for_each(|(a, b)| assert!((a - b).abs() < 1e-14));
        }
        assert!(OddLines::new(0).is_none() && OddLines::new(100).is_none());
    }

    /// Parseval: the lines' powers add up to the mean square; and back again.
    #[test]
    fn powers_add_up_and_samples_come_back() {
        let x: Vec<f64> = (0..96).map(|n| (f64::from(n) * 0.7).sin() + 0.2 + f64::from(n % 2) * 0.1).collect();
        let lines = lines_of(&x);
        let power: f64 = lines.iter().map(|l| l.norm_sqr()).sum();
        let mean_square = x.iter().map(|v| v * v).sum::<f64>() / 96.0;
        assert!((power - mean_square).abs() < 1e-14);
        for (a, b) in samples_of(&lines, 96).iter().zip(&x) {
            assert!((a - b).abs() < 1e-14);
        }
    }
}
