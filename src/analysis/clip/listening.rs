//! The lines that listen for clipping, and how much each is worth.

use super::clearing::Clearing;
use super::smooth::Product;
use crate::analysis::{Reference, Spectra};
use crate::signal::LineKind;
use realfft::num_complex::Complex;
use std::ops::Range;

/// Below this a headphone's own distortion leads.
const LOWEST_HZ: f64 = 500.0;
/// Above this nothing is heard.
const HIGHEST_HZ: f64 = 20_000.0;
/// The reference must stand this far over its noise, dB.
pub(super) const REFERENCE_OVER_NOISE_DB: f64 = 10.0;
/// Fewer lines than this give no statistics worth a threshold.
const FEWEST_LINES: usize = 200;
/// Bands per octave over which variances are pooled: wide enough for some fifty lines, narrow enough to follow a
/// response.
const BANDS_PER_OCTAVE: f64 = 12.0;
/// Variance no line goes under, as a share of what its band (even and odd lines together) holds: no model of a response
/// between its lines is better than this, and without noise even lines would otherwise outweigh the odd ones without
/// bound.
const MODEL_FLOOR: f64 = 1e-5;
/// Power per line below the stimulus as a whole at which arithmetic itself (f32 samples) stands: the floor of a
/// digital loop without any noise.
const NUMERICAL_FLOOR: f64 = 1e-19;

/// Captured lines that carry no stimulus, with the reference at each.
pub(super) struct Listening {
    /// Line numbers, rising.
    pub lines: Vec<usize>,
    /// What came back.
    pub captured: Vec<Complex<f64>>,
    /// Response of the reference.
    pub response: Vec<Complex<f64>>,
    /// Relative variance of that response.
    response_variance: Vec<f64>,
    /// Variance that noise leaves on the mean.
    noise: Vec<f64>,
    /// Pool of each line: band and parity (even-order and odd-order distortion have different floors).
    pool: Vec<usize>,
    pools: usize,
    /// Power per line where arithmetic itself stands.
    numerical: f64,
    /// Smallest variance of each line.
    floor: Vec<f64>,
    /// Takes smooth products out, once they are known.
    clearing: Option<Clearing>,
}

impl Listening {
    /// Even and detection lines above 500 Hz where the reference is above the noise.
    pub(super) fn new(spectra: &Spectra, reference: &Reference) -> Listening {
        let spacing_hz = spectra.period.line_spacing_hz();
        let chosen = |k: &usize| {
            let kind = spectra.period.lines.kind(*k);
            matches!(kind, LineKind::Even | LineKind::Detection)
                && *k as f64 * spacing_hz >= LOWEST_HZ
                && spectra.usable.get(*k) == Some(&true)
                && reference.over_noise_db.get(*k).is_some_and(|db| *db >= REFERENCE_OVER_NOISE_DB)
                && reference.response.get(*k).is_some_and(|h| h.norm_sqr() > 0.0 && h.is_finite())
        };
        let lines: Vec<usize> = (0..spectra.mean.len()).filter(chosen).collect();
        let pool: Vec<usize> = lines
            .iter()
            .map(|&k| {
                let band = (BANDS_PER_OCTAVE * (k as f64 * spacing_hz / LOWEST_HZ).log2()) as usize;
                2 * band + k % 2
            })
            .collect();
        let pools = pool.iter().max().map_or(0, |p| p + 1);
        let periods = spectra.periods.max(1) as f64;
        let own: Vec<f64> = lines.iter().map(|&k| spectra.variance[k] / periods).collect();
        let pooled = means(&own, &pool, pools);
        let level: f64 = spectra.mean.iter().map(|y| y.norm_sqr()).sum();
        let mut listening = Listening {
            captured: Vec::new(),
            response: lines.iter().map(|&k| reference.response[k]).collect(),
            response_variance: lines
                .iter()
                .map(|&k| reference.response_variance[k] / reference.response[k].norm_sqr())
                .collect(),
            // A line's own variance rests on few periods and its band's may miss a narrow disturbance: half of each.
            noise: own.iter().zip(&pool).map(|(own, p)| 0.5 * (own + pooled[*p])).collect(),
            numerical: (level * NUMERICAL_FLOOR).max(f64::MIN_POSITIVE),
            floor: Vec::new(),
            clearing: None,
            pool,
            pools,
            lines,
        };
        let captured = listening.lines.iter().map(|&k| spectra.mean[k]).collect();
        listening.take_in(captured);
        listening
    }

    /// From here on smooth products are taken out of what was captured and of whatever is held against it.
    pub(super) fn clear_with(&mut self, clearing: Clearing) {
        clearing.clear(&mut self.captured);
        self.clearing = Some(clearing);
    }

    fn take_in(&mut self, captured: Vec<Complex<f64>>) {
        let powers: Vec<f64> = captured.iter().map(|y| y.norm_sqr()).collect();
        let bands: Vec<usize> = self.pool.iter().map(|p| p / 2).collect();
        let held = means(&powers, &bands, self.pools.div_ceil(2));
        self.floor = bands.iter().map(|b| MODEL_FLOOR * held[*b] + self.numerical).collect();
        self.captured = captured;
    }

    /// The lines that would listen at the output itself: no response, no noise, nothing on them yet.
    pub(super) fn at_the_output(spectra: &Spectra) -> Listening {
        let spacing_hz = spectra.period.line_spacing_hz();
        let listens = |k: &usize| {
            matches!(spectra.period.lines.kind(*k), LineKind::Even | LineKind::Detection)
                && (LOWEST_HZ..HIGHEST_HZ).contains(&(*k as f64 * spacing_hz))
        };
        let lines: Vec<usize> = (0..spectra.mean.len()).filter(listens).collect();
        let count = lines.len();
        Listening {
            lines,
            captured: vec![Complex::new(0.0, 0.0); count],
            response: vec![Complex::new(1.0, 0.0); count],
            response_variance: vec![0.0; count],
            noise: vec![0.0; count],
            pool: vec![0; count],
            pools: 1,
            numerical: 0.0,
            floor: vec![0.0; count],
            clearing: None,
        }
    }

    /// What takes out of these lines what `sent` (at unit gain) adds to the signal as sent, and `captured` to it as captured.
    pub(super) fn clearing(&self, sent: (f64, &[Product]), captured: &[Product], weights: &[f64]) -> Clearing {
        Clearing::of((&self.lines, &self.response), &self.octaves(), sent, captured, weights)
    }

    /// Ranges of listening lines, an octave each, from the lowest on.
    fn octaves(&self) -> Vec<Range<usize>> {
        let octave = |pool: &usize| pool / (2 * BANDS_PER_OCTAVE as usize);
        let last = self.pool.iter().map(octave).max().map_or(0, |o| o + 1);
        let from = |o: usize| self.pool.partition_point(|p| octave(p) < o);
        (0..last).map(|o| from(o)..from(o + 1)).collect()
    }

    /// True where too few lines are left to judge anything.
    pub(super) fn is_too_small(&self) -> bool {
        self.lines.len() < FEWEST_LINES
    }

    /// Lines of what was added to the sent signal as they arrive at the input.
    pub(super) fn through_response(&self, added: &[Complex<f64>]) -> Vec<Complex<f64>> {
        let mut lines: Vec<Complex<f64>> = added.iter().zip(&self.response).map(|(r, h)| r * h).collect();
        if let Some(clearing) = &self.clearing {
            clearing.clear(&mut lines);
        }
        lines
    }

    /// What was captured less `model`.
    pub(super) fn less(&self, model: &[Complex<f64>]) -> Vec<Complex<f64>> {
        self.captured.iter().zip(model).map(|(y, m)| y - m).collect()
    }

    /// Weight of each line (one over its variance) when `model` is what clipping explains: noise of the mean, the
    /// reference's uncertainty times the model, and per band and parity whatever else the model leaves there (the
    /// headphone's own distortion, a residue of the clock).
    pub(super) fn weights(&self, model: &[Complex<f64>]) -> Vec<f64> {
        let known: Vec<f64> =
            (0..self.lines.len()).map(|i| self.noise[i] + self.response_variance[i] * model[i].norm_sqr()).collect();
        let excess: Vec<f64> =
            (0..self.lines.len()).map(|i| (self.captured[i] - model[i]).norm_sqr() - known[i]).collect();
        let left = means(&excess, &self.pool, self.pools);
        (0..self.lines.len()).map(|i| 1.0 / (known[i] + left[self.pool[i]].max(0.0)).max(self.floor[i])).collect()
    }
}

fn means(values: &[f64], pool: &[usize], pools: usize) -> Vec<f64> {
    let mut sums = vec![(0.0, 0usize); pools];
    for (v, p) in values.iter().zip(pool) {
        sums[*p].0 += v;
        sums[*p].1 += 1;
    }
    sums.into_iter().map(|(sum, count)| if count > 0 { sum / count as f64 } else { 0.0 }).collect()
}

/// Weighted real inner product `Re Σ w a* b`.
pub(super) fn inner(weights: &[f64], a: &[Complex<f64>], b: &[Complex<f64>]) -> f64 {
    // Four sums side by side: one alone would wait for each addition in turn.
    const WAYS: usize = 4;
    let term = |w: f64, a: Complex<f64>, b: Complex<f64>| w * (a.re * b.re + a.im * b.im);
    let mut sums = [0.0; WAYS];
    let whole = weights.len() / WAYS * WAYS;
    let chunks = weights.chunks_exact(WAYS).zip(a.chunks_exact(WAYS)).zip(b.chunks_exact(WAYS));
    for ((w, a), b) in chunks {
        for i in 0..WAYS {
            sums[i] += term(w[i], a[i], b[i]);
        }
    }
    let rest: f64 = (whole..weights.len()).map(|i| term(weights[i], a[i], b[i])).sum();
    sums.iter().sum::<f64>() + rest
}
