//! What does the output's bend look like? The captured lines divided by the quiet reference's response, transformed
//! back and averaged over the played samples: E\[z | u\] is the output's input–output curve, both polarities apart,
//! although it was recorded through a headphone and a coupler. It is the picture beside the fitted number.
//!
//! Lines on which the reference is not above the noise are taken as played, so behind a noisy trial the bend looks
//! milder than it is; the fitted level does not have that bias.

use crate::analysis::{CurvePoint, Reference, Spectra, fft};
use realfft::num_complex::Complex;

/// Bins over the played range, an odd number so that one of them is centred on zero.
const BINS: usize = 101;
/// Where the reference stands less than this over its noise, the line is taken as played, dB.
const REFERENCE_OVER_NOISE_DB: f64 = 10.0;

/// The curve: one point per bin that holds samples; empty where nothing was played.
pub(super) fn curve(spectra: &Spectra, reference: &Reference) -> Vec<CurvePoint> {
    let peak = spectra.gain * spectra.period.samples.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    if peak <= 0.0 {
        return Vec::new();
    }
    let back = as_sent(spectra, reference);
    let mut bins = vec![Bin::default(); BINS];
    for (u, z) in spectra.period.samples.iter().map(|x| spectra.gain * x).zip(back) {
        let place = ((u / peak + 1.0) * 0.5 * (BINS - 1) as f64).round() as usize;
        bins[place.min(BINS - 1)].add(u, z);
    }
    bins.iter().filter_map(Bin::point).collect()
}

/// What came back as it would have left the output, samples of one period.
fn as_sent(spectra: &Spectra, reference: &Reference) -> Vec<f64> {
    let frames = spectra.period.samples.len();
    let mut sent = vec![Complex::new(0.0, 0.0); frames / 2];
    for (k, to) in sent.iter_mut().enumerate().skip(1) {
        let known = spectra.usable[k] && reference.over_noise_db[k] >= REFERENCE_OVER_NOISE_DB;
        let h = reference.response[k];
        let line = if known && h.norm_sqr() > 0.0 { spectra.mean[k] / h } else { spectra.played[k] };
        if line.is_finite() {
            *to = line;
        }
    }
    fft::samples_of(&sent, frames)
}

#[derive(Clone, Default)]
struct Bin {
    count: u32,
    played: f64,
    sum: f64,
    squares: f64,
}

impl Bin {
    fn add(&mut self, played: f64, came_back: f64) {
        self.count += 1;
        self.played += played;
        self.sum += came_back;
        // About the played value, so that a narrow spread does not drown in rounding.
        self.squares += (came_back - played).powi(2);
    }

    fn point(&self) -> Option<CurvePoint> {
        let n = f64::from(self.count);
        (self.count > 0).then(|| {
            let off = (self.sum - self.played) / n;
            CurvePoint {
                played: self.played / n,
                came_back: self.sum / n,
                spread: (self.squares / n - off * off).max(0.0).sqrt(),
                count: self.count,
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::clip::trial::{Limit, Trial};
    use crate::units::amplitude_from_db;

    /// Noise of a single sample, 65 dB under the stimulus and amplified where the response is low: the less the more
    /// samples a bin averages.
    const ONE_SAMPLE: f64 = 0.05;
    /// What lies above the lines and at DC does not come back.
    const OUTSIDE: f64 = 0.005;

    /// The curve's ends are what the trial's limits are set to, either polarity, though headphone and microphone stand
    /// behind it; below the limits it is straight.
    #[test]
    fn the_curve_bends_where_the_limits_are() {
        let trial = Trial { limit: Limit::Samples(0.6, 0.5), over_noise_db: 65.0, ..Trial::new(4) };
        let points = curve(&trial.step(1.0), &trial.reference(amplitude_from_db(-20.0)));
        assert!(points.len() > 90 && points.windows(2).all(|w| w[0].played < w[1].played));
        for p in &points {
            let expected = p.played.clamp(-0.5, 0.6);
            let tolerance = ONE_SAMPLE / f64::from(p.count).sqrt() + OUTSIDE;
            assert!((p.came_back - expected).abs() < tolerance, "{p:?}, true {expected}");
        }
    }

    #[test]
    fn nothing_played_has_no_curve() {
        let trial = Trial::new(4);
        assert!(curve(&trial.step(0.0), &trial.reference(1.0)).is_empty());
    }
}
