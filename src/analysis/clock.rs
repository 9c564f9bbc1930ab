//! How far does the capture clock run from the playback clock?
//!
//! Between periods every line of the stimulus turns by `2πk·τ/N`, where τ is the delay that the clocks gained. τ of each
//! period against the mean follows by weighted least squares over lines (weights 1/σ²), its slope over periods is the
//! offset, its bend the drift. Coarse to fine, so that no phase wraps: the coarse offset comes from correlation
//! ([`super::align`]), then low lines, then all of them with what those tell undone; repeated after resampling.

use super::fft;
use crate::stats::{Estimate, NORMAL_95};
use realfft::num_complex::Complex;
use std::f64::consts::TAU;

/// Offsets beyond this mean that a card does not run at its rate, ppm.
pub const WRONG_RATE_PPM: f64 = 300.0;
/// Drift below this is not reported, ppm over the take.
const DRIFT_SEEN_PPM: f64 = 0.01;
/// … nor drift under this many times its own standard uncertainty.
const DRIFT_SIGMAS: f64 = 4.0;
/// Smallest half width given, ppm: what resampling and double precision leave.
const LEAST_HALF_WIDTH_PPM: f64 = 1e-4;
/// Lines on either side over which a line's power is held against its noise: lines under it say little and are left out.
const SMOOTHED: usize = 8;
/// Variance that every line is given, re its own power: rounding of single-precision samples.
const ROUNDING: f64 = 1e-12;

/// Clock fits better than this are used alone, ppm half width: which leaves no residue that matters. (Clocks wander between
/// takes; but two periods 30 dB over white noise tell theirs to ±0.01 ppm only: that is pooled with the takes before.)
const OWN_IS_GOOD_PPM: f64 = 0.005;
/// A take's own clock and that of the takes before it agree within this many half widths of their difference (chance moves
/// them further apart once in 10⁴ takes): else they are two.
const AGREE: f64 = 2.0;

/// Clock of a set of periods against the path they were resampled along.
#[derive(Clone, Copy, Debug)]
pub struct Offset {
    /// Remaining offset, ppm.
    pub ppm: f64,
    /// Its standard uncertainty, ppm.
    pub sigma_ppm: f64,
    /// Second-order part, ppm per period, and its standard uncertainty; three periods or more.
    pub drift: Option<(f64, f64)>,
}

/// Fits the remaining offset from `periods` with weights from `variance`, over `lines` (rising, excited).
/// `None` where nothing is above the noise.
pub fn fit(
    periods: &[Vec<Complex<f64>>],
    mean: &[Complex<f64>],
    variance: &[f64],
    lines: &[usize],
    frames: usize,
) -> Option<Offset> {
    let count = periods.len();
    if count < 2 {
        return None;
    }
    let mut delays = vec![0.0; count];
    let (mut information, mut spread) = (0.0, 0.0);
    for (i, &k) in lines.iter().enumerate() {
        let near = &lines[i.saturating_sub(SMOOTHED)..(i + SMOOTHED + 1).min(lines.len())];
        let over = |k: usize| mean[k].norm_sqr() - variance[k] / count as f64;
        if near.iter().map(|k| over(*k)).sum::<f64>() <= near.iter().map(|k| variance[*k]).sum::<f64>() {
            continue;
        }
        let turn = TAU * k as f64 / frames as f64;
        let noise = variance[k] + ROUNDING * mean[k].norm_sqr();
        if noise <= 0.0 || !noise.is_finite() {
            continue;
        }
        information += turn * turn * over(k) / noise;
        // Noise on the line and noise times noise; both weighted 1/σ².
        spread += turn * turn * (0.5 * over(k) / noise + 0.5 / count as f64);
        for (delay, lines) in delays.iter_mut().zip(periods) {
            *delay -= turn * (lines[k] * mean[k].conj()).im / noise;
        }
    }
    if !(information > 0.0 && information.is_finite() && spread > 0.0) {
        return None;
    }
    // A later period lags when the capture clock is fast: its frame 0 comes later in captured samples.
    delays.iter_mut().for_each(|d| *d /= information);
    let sigma_delay = spread.sqrt() / information;
    let centre = 0.5 * (count - 1) as f64;
    let at = |p: usize| p as f64 - centre;
    let sum_squares: f64 = (0..count).map(|p| at(p).powi(2)).sum();
    let slope = (0..count).map(|p| at(p) * delays[p]).sum::<f64>() / sum_squares;
    let per_ppm = 1e6 / frames as f64;
    let drift = (count >= 3).then(|| {
        let mean_square = sum_squares / count as f64;
        let bow = |p: usize| at(p).powi(2) - mean_square;
        let bows: f64 = (0..count).map(|p| bow(p).powi(2)).sum();
        let bend = (0..count).map(|p| bow(p) * delays[p]).sum::<f64>() / bows;
        (2.0 * bend * per_ppm, 2.0 * sigma_delay / bows.sqrt() * per_ppm)
    });
    Some(Offset { ppm: slope * per_ppm, sigma_ppm: sigma_delay / sum_squares.sqrt() * per_ppm, drift })
}

/// Turns the lines of each period back by the delay that an offset of `ppm` gained since the middle of them.
pub fn undo(periods: &mut [Vec<Complex<f64>>], ppm: f64, frames: usize) {
    let centre = 0.5 * (periods.len() as f64 - 1.0);
    for (p, lines) in periods.iter_mut().enumerate() {
        let delay = ppm * 1e-6 * frames as f64 * (p as f64 - centre);
        fft::delay(lines, -delay, frames);
    }
}

impl Offset {
    /// The drift in ppm per period where it counts as seen.
    pub fn drift_seen(&self, periods: usize) -> Option<f64> {
        let (drift, sigma) = self.drift?;
        let over_take = drift * periods as f64;
        (over_take.abs() > DRIFT_SEEN_PPM && drift.abs() > DRIFT_SIGMAS * sigma).then_some(drift)
    }

    /// Offset around `base_ppm` as an estimate.
    pub fn estimate(&self, base_ppm: f64) -> Estimate {
        Estimate::symmetric(base_ppm + self.ppm, (NORMAL_95 * self.sigma_ppm).max(LEAST_HALF_WIDTH_PPM))
    }
}

/// Offset of a sine from the turning of its phase over short blocks (unwrapped: a block of 1 000 frames turns a sine
/// of 20 kHz by an eighth at 300 ppm), ppm. For alignment only.
pub fn coarse_of_sine(captured: &[f64], line: usize, frames: usize) -> f64 {
    let cycles_per_frame = line as f64 / frames as f64;
    let block = ((4.0 / cycles_per_frame).ceil() as usize).max(1024).min(frames / 4);
    let mut phases: Vec<f64> = Vec::new();
    for chunk in captured.chunks_exact(block) {
        let turned = phases.len() as f64 * (block as f64 * cycles_per_frame).fract();
        let sum: Complex<f64> = chunk
            .iter()
            .enumerate()
            .map(|(n, x)| {
                let window = 0.5 - 0.5 * (TAU * (n as f64 + 0.5) / block as f64).cos();
                Complex::from_polar(x * window, -TAU * (cycles_per_frame * n as f64 + turned))
            })
            .sum();
        let phase = sum.arg();
        let last = phases.last().copied().unwrap_or(phase);
        phases.push(last + (phase - last) - TAU * ((phase - last) / TAU).round());
    }
    if phases.len() < 2 {
        return 0.0;
    }
    let centre = 0.5 * (phases.len() - 1) as f64;
    let (cross, own) = phases.iter().enumerate().fold((0.0, 0.0), |(cross, own), (i, phase)| {
        let x = i as f64 - centre;
        (cross + x * phase, own + x * x)
    });
    // A fast capture clock makes the sine look slow.
    -cross / own / (TAU * cycles_per_frame * block as f64) * 1e6
}

/// The clock of a take that has a fit of its own: that alone where it is good enough or where the takes before it had
/// another, else together with theirs. True where theirs is in it.
pub fn used(own: Estimate, pooled: Option<Estimate>) -> (Estimate, bool) {
    let agrees = |p: &Estimate| (own.value - p.value).abs() <= AGREE * own.half_width().hypot(p.half_width());
    let pooled = pooled.filter(|_| own.half_width() > OWN_IS_GOOD_PPM).filter(agrees);
    pooled.and_then(|p| weighted_mean(&[own, p])).map_or((own, false), |both| (both, true))
}

/// Inverse-variance mean of several takes' fits, its interval widened where they scatter; `None` without any.
pub fn pool_clock(fits: &[Estimate]) -> Option<Estimate> {
    let usable: Vec<Estimate> =
        fits.iter().copied().filter(|e| e.value.is_finite() && e.half_width().is_finite()).collect();
    let mean = weighted_mean(&usable)?;
    // Clocks that wander between takes show as more scatter than the fits allow: widened by it (Birge).
    let chi: f64 = usable.iter().map(|e| (e.value - mean.value).powi(2) * weight(e)).sum::<f64>() * NORMAL_95.powi(2);
    let birge = if usable.len() > 1 { (chi / (usable.len() - 1) as f64).max(1.0).sqrt() } else { 1.0 };
    Some(Estimate::symmetric(mean.value, birge * mean.half_width()))
}

fn weighted_mean(fits: &[Estimate]) -> Option<Estimate> {
    let total: f64 = fits.iter().map(weight).sum();
    let value = fits.iter().map(|e| weight(e) * e.value).sum::<f64>() / total;
    (total > 0.0).then(|| Estimate::symmetric(value, total.sqrt().recip()))
}

fn weight(fit: &Estimate) -> f64 {
    fit.half_width().max(LEAST_HALF_WIDTH_PPM).powi(-2)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: weights of 1/0.01² and 1/0.02² put the mean at a fifth of the way; a good fit, one that disagrees and one
    /// without others stay alone.
    #[test]
    fn a_take_leans_on_those_before_it_where_they_agree() {
        let clock = Estimate::symmetric;
        let (both, pooled) = used(clock(10.0, 0.01), Some(clock(10.02, 0.02)));
        assert!(pooled && (both.value - 10.004).abs() < 1e-12, "{both:?}");
        assert!((both.half_width() - 0.02 / 5f64.sqrt()).abs() < 1e-12, "{both:?}");
        for (own, others) in [
            (clock(10.0, 0.0049), Some(clock(10.0, 0.001))),
            (clock(10.0, 0.01), Some(clock(10.05, 0.002))),
            (clock(10.0, 0.01), None),
        ] {
            assert_eq!(used(own, others), (own, false));
        }
    }
}
