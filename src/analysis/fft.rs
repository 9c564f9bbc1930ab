//! Between samples and lines. A line is an **RMS phasor**: `Y(k) = √2/N · Σ y(n) e^(−2πi kn/N)`, so `|Y|²` is the mean
//! square that line carries; DC and Nyquist are scaled by 1/N to the same end.

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, num_traits::Zero};
use std::cell::RefCell;

thread_local! {
    // Plans for the few period lengths in use; planning 65 536 points costs more than the transform.
    static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
    // What the transforms spoil and what they write beside their result, the same memory again and again.
    static SPOILT: RefCell<Vec<f64>> = const { RefCell::new(Vec::new()) };
    static SCRATCH: RefCell<Vec<Complex<f64>>> = const { RefCell::new(Vec::new()) };
}

/// RMS phasors of one real period, lines 0 to N/2.
pub fn lines_of(samples: &[f64]) -> Vec<Complex<f64>> {
    let frames = samples.len();
    if frames < 2 {
        return vec![Complex::zero(); frames];
    }
    let plan = PLANNER.with(|p| p.borrow_mut().plan_fft_forward(frames));
    let scale = std::f64::consts::SQRT_2 / frames as f64;
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
        lines[edge] *= std::f64::consts::FRAC_1_SQRT_2;
    }
    lines
}

/// The real period of `frames` samples that has these RMS phasors; missing lines are zero, surplus ones ignored.
pub fn samples_of(lines: &[Complex<f64>], frames: usize) -> Vec<f64> {
    if frames < 2 {
        return vec![0.0; frames];
    }
    let plan = PLANNER.with(|p| p.borrow_mut().plan_fft_inverse(frames));
    let mut input = plan.make_input_vec();
    let filled = lines.len().min(input.len());
    for (to, from) in input.iter_mut().zip(&lines[..filled]) {
        *to = *from * std::f64::consts::FRAC_1_SQRT_2;
    }
    for edge in edges(frames) {
        input[edge] = Complex::new(input[edge].re * std::f64::consts::SQRT_2, 0.0);
    }
    let mut samples = plan.make_output_vec();
    if with_scratch(plan.get_scratch_len(), |scratch| plan.process_with_scratch(&mut input, &mut samples, scratch))
        .is_err()
    {
        samples.fill(0.0);
    }
    samples
}

/// Delays all lines of a period of `frames` by `by` frames. Each turns by as much more than the one before it, so the turns
/// are products: within 1e-10 after 100 000 lines.
pub fn delay(lines: &mut [Complex<f64>], by: f64, frames: usize) {
    // The remainder is exact: large delays cost no precision.
    let step = Complex::from_polar(1.0, -std::f64::consts::TAU * (by % frames as f64) / frames as f64);
    let mut turn = Complex::new(1.0, 0.0);
    for line in lines {
        *line *= turn;
        turn *= step;
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
            let expected = Complex::new(0.6, 0.8) * Complex::from_polar(1.0, -std::f64::consts::TAU * turn);
            assert!((line - expected).norm() < 1e-10, "line {k}: {line} for {expected}");
        }
    }

    /// Definition: a full-scale sine has the mean square ½.
    #[test]
    fn a_full_scale_sine_on_a_line_has_half_a_unit_of_power_there_and_none_elsewhere() {
        let x: Vec<f64> = (0..960).map(|n| (std::f64::consts::TAU * 7.0 * f64::from(n) / 960.0 + 0.3).sin()).collect();
        let lines = lines_of(&x);
        for (k, line) in lines.iter().enumerate() {
            let expected = if k == 7 { 0.5 } else { 0.0 };
            assert!((line.norm_sqr() - expected).abs() < 1e-14, "line {k}");
        }
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
