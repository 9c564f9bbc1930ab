//! From a spectrum to a period, and the true peak between its samples.

use super::{Peaks, kaiser};
use realfft::{RealFftPlanner, num_complex::Complex};

/// Samples on either side that the interpolation of [`waveform_peaks`] reads.
const HALF: usize = 64;
/// Shape of its Kaiser window: errors under −80 dB for content up to 0.467 of the rate.
const BETA: f64 = 8.0;
/// Points per sample at which it looks.
const POINTS: usize = 16;
/// Between samples a waveform whose content ends at 0.47 of the rate rises over its neighbours by less than 4 dB.
const COULD_HIDE_A_PEAK: f64 = 0.63;

/// The period of `frames` samples whose lines are `spectrum` (unnormalised; missing lines are zero).
pub fn inverse(spectrum: &[Complex<f64>], frames: usize) -> Vec<f64> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_inverse(frames);
    let mut input = vec![Complex::new(0.0, 0.0); frames / 2 + 1];
    let filled = spectrum.len().min(input.len());
    input[..filled].copy_from_slice(&spectrum[..filled]);
    let mut output = plan.make_output_vec();
    // Lengths come from the plan itself, and DC and Nyquist are real by construction: this cannot fail.
    if plan.process(&mut input, &mut output).is_err() {
        output.fill(0.0);
    }
    output
}

/// Largest excursions of the waveform through these periodic samples, per polarity, found by interpolating around every
/// sample that could hide them. For long noise; a spectrum can be synthesised more finely instead.
pub fn waveform_peaks(samples: &[f64]) -> Peaks {
    let at = Peaks::of(samples);
    let kernel: Vec<Vec<f64>> = (0..POINTS).map(|p| kernel(p as f64 / POINTS as f64)).collect();
    let value = |n: usize, point: usize| -> f64 {
        let first = n + samples.len() - (HALF - 1);
        kernel[point].iter().enumerate().map(|(i, tap)| tap * samples[(first + i) % samples.len()]).sum()
    };
    let mut found = at;
    for (n, x) in samples.iter().enumerate() {
        let near = if *x > 0.0 { at.positive } else { at.negative };
        if x.abs() < COULD_HIDE_A_PEAK * near {
            continue;
        }
        for m in [(n + samples.len() - 1) % samples.len(), n] {
            for point in 1..POINTS {
                let v = value(m, point);
                found.positive = found.positive.max(v);
                found.negative = found.negative.max(-v);
            }
        }
    }
    found
}

/// Windowed sinc that reads the waveform `fraction` of a sample after the sample at index `HALF − 1`.
fn kernel(fraction: f64) -> Vec<f64> {
    (0..2 * HALF)
        .map(|i| {
            let x = i as f64 - (HALF as f64 - 1.0) - fraction;
            let turn = std::f64::consts::PI * x;
            let sinc = if turn.abs() < 1e-9 { 1.0 } else { turn.sin() / turn };
            sinc * kaiser(x / HALF as f64, BETA)
        })
        .collect()
}
