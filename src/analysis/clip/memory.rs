//! Does the limit act on the momentary value alone? A filter before it, or a current limit into a load that resonates,
//! makes it act at other moments than the played peaks, and what it adds there no curve of u explains.
//!
//! The weighted rest of the lines, the response's phase taken off, goes back to the time of the period. Noise, the
//! headphone's own distortion and a residue of the clock spread over the whole period; what a limit with memory leaves
//! gathers around the played peaks:
//!
//! ```text
//! share = (power of the rest near the peaks − as much as lies there by chance) / (the same + power of the model there)
//! ```

use super::listening::Listening;
use crate::analysis::{Spectra, fft};
use realfft::num_complex::Complex;

/// Samples above this share of the limit count as near a peak.
const NEAR: f64 = 0.7;
/// Samples on either side that belong to a peak: about the length of a pulse of all weighted lines.
const REACH: usize = 4;
/// Standard deviations taken off the share.
const SIGMAS: f64 = 3.0;

/// The share of what appears around limited peaks that `rest` holds: itself, and less three standard deviations; both
/// 0 to 1.
pub(super) fn share(
    listening: &Listening,
    weights: &[f64],
    model: &[Complex<f64>],
    rest: &[Complex<f64>],
    spectra: &Spectra,
    limit: f64,
) -> (f64, f64) {
    let near = near_peaks(spectra, NEAR * limit);
    let frames = near.len();
    let count = near.iter().filter(|n| **n).count();
    if count == 0 || 2 * count > frames {
        return (0.0, 0.0);
    }
    let rest = powers(listening, weights, rest, frames);
    let model = powers(listening, weights, model, frames);
    let of = |x: &[f64], side: bool| x.iter().zip(&near).filter(|(_, n)| **n == side).map(|(p, _)| p).sum::<f64>();
    let by_chance = of(&rest, false) / (frames - count) as f64 * count as f64;
    // Powers of neighbouring samples are not independent: as many as the lines carry are.
    let independent = (count as f64 * 2.0 * listening.lines.len() as f64 / frames as f64).max(1.0);
    let gathered = of(&rest, true) - by_chance;
    let scatter = by_chance * (2.0 / independent).sqrt();
    let model = of(&model, true);
    let share_of = |power: f64| if power > 0.0 { power / (power + model) } else { 0.0 };
    (share_of(gathered), share_of(gathered - SIGMAS * scatter))
}

/// True for samples around played peaks of either polarity (the other half of a period of odd lines mirrors them).
fn near_peaks(spectra: &Spectra, from: f64) -> Vec<bool> {
    let frames = spectra.period.samples.len();
    let mut near = vec![false; frames];
    for (n, x) in spectra.period.samples.iter().enumerate() {
        if spectra.gain * x.abs() > from {
            for i in 0..=2 * REACH {
                near[(n + frames + i - REACH) % frames] = true;
            }
        }
    }
    near
}

/// Power over time of weighted lines whose response's phase is taken off.
fn powers(listening: &Listening, weights: &[f64], lines: &[Complex<f64>], frames: usize) -> Vec<f64> {
    let mut spectrum = vec![Complex::new(0.0, 0.0); frames / 2];
    for (i, k) in listening.lines.iter().enumerate() {
        let h = listening.response[i];
        spectrum[*k] = lines[i] * (h.conj() / h.norm()) * weights[i].sqrt();
    }
    let mut samples = fft::samples_of(&spectrum, frames);
    samples.iter_mut().for_each(|x| *x *= *x);
    samples
}
