//! What does the output's bend look like? The captured lines divided by the quiet reference's response, transformed
//! back and averaged over the played samples: E\[z | u\] is the output's input–output curve, both polarities apart,
//! although it was recorded through a headphone and a coupler. It is the picture beside the fitted number.

use crate::analysis::{CurvePoint, Reference, Spectra};
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use std::f64::consts::SQRT_2;

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
    let plan = RealFftPlanner::<f64>::new().plan_fft_inverse(frames);
    let mut input = plan.make_input_vec();
    let mut samples = plan.make_output_vec();
    for k in 1..frames / 2 {
        let known = spectra.usable[k] && reference.over_noise_db[k] >= REFERENCE_OVER_NOISE_DB;
        let h = reference.response[k];
        let line = if known && h.norm_sqr() > 0.0 { spectra.mean[k] / h } else { spectra.played[k] };
        input[k] = if line.is_finite() { line / SQRT_2 } else { Complex::new(0.0, 0.0) };
    }
    if plan.process(&mut input, &mut samples).is_err() {
        samples.fill(0.0);
    }
    samples
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
