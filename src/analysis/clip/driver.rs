//! What a headphone's own distortion in the bass looks like on the listening lines, as far as its kind is known: a driver
//! bends with its excursion, so squares and cubes of the low-passed period (a driver's excursion falls above its
//! resonance by 12 dB per octave). The corner is not known, so a few are taken, each with a complex factor.
//!
//! Used to clear the captured lines before looking for evidence; the level is fitted to the lines as they are, since a
//! little of what clipping adds goes with this too.

use super::listening::{Listening, inner};
use crate::analysis::fft;
use crate::signal::Period;
use realfft::num_complex::Complex;

/// Corners of the low-pass, Hz: an octave apart, around the resonances of headphones.
const CORNERS_HZ: [f64; 4] = [60.0, 120.0, 240.0, 480.0];

/// What the listening lines hold once the best sum of such distortions (`bent`, of any size) is taken off.
pub(super) fn cleared(listening: &Listening, bent: &[Vec<Complex<f64>>], weights: &[f64]) -> Vec<Complex<f64>> {
    let mut rest = listening.captured.clone();
    let mut done: Vec<Vec<Complex<f64>>> = Vec::new();
    for bent in bent {
        take_out(&mut rest, &mut done, listening.hear(bent, 1.0), weights);
    }
    rest
}

/// Lines of the squares and of the cubes of the low-passed period that has these lines.
pub(super) fn powers_of_excursion(lines: &[Complex<f64>], period: &Period) -> Vec<Vec<Complex<f64>>> {
    CORNERS_HZ.iter().flat_map(|corner_hz| powers_at(lines, period, *corner_hz)).collect()
}

fn powers_at(lines: &[Complex<f64>], period: &Period, corner_hz: f64) -> [Vec<Complex<f64>>; 2] {
    let spacing_hz = period.line_spacing_hz();
    let excursion: Vec<Complex<f64>> = lines
        .iter()
        .enumerate()
        .map(|(k, u)| {
            let pole = Complex::new(1.0, k as f64 * spacing_hz / corner_hz);
            u / (pole * pole)
        })
        .collect();
    let x = fft::samples_of(&excursion, period.samples.len());
    let square: Vec<f64> = x.iter().map(|x| x * x).collect();
    let cube: Vec<f64> = x.iter().map(|x| x * x * x).collect();
    [fft::lines_of(&square), fft::lines_of(&cube)]
}

/// Takes one direction, with a complex factor, out of `rest` (Gram–Schmidt against the directions before it).
fn take_out(
    rest: &mut [Complex<f64>],
    done: &mut Vec<Vec<Complex<f64>>>,
    mut direction: Vec<Complex<f64>>,
    weights: &[f64],
) {
    let before = inner(weights, &direction, &direction);
    for unit in done.iter() {
        let along = complex_inner(weights, unit, &direction);
        direction.iter_mut().zip(unit).for_each(|(d, u)| *d -= u * along);
    }
    let square = inner(weights, &direction, &direction);
    if square <= 1e-9 * before || before <= 0.0 {
        return;
    }
    let norm = square.sqrt();
    direction.iter_mut().for_each(|d| *d /= norm);
    let along = complex_inner(weights, &direction, rest);
    rest.iter_mut().zip(&direction).for_each(|(r, d)| *r -= d * along);
    done.push(direction);
}

/// `Σ w a* b`.
fn complex_inner(weights: &[f64], a: &[Complex<f64>], b: &[Complex<f64>]) -> Complex<f64> {
    weights.iter().zip(a).zip(b).map(|((w, a), b)| a.conj() * b * *w).sum()
}
