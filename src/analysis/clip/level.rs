//! Where does the output limit? The pair c₊, c₋ whose clipped period fits the captured lines best (Gauss–Newton), on
//! samples and on the waveform; the better (where the limit is bent: the better curve) is kept, both are told where they
//! cannot be told apart.
//!
//! Intervals come from the curvature: with remaining mean square s² per complex line and `A = Re Σ w J* J`, a limit's
//! variance is `s²·(A⁻¹)/2` (real part of the noise only). To it is added what the model itself leaves open.

use super::bends::Curve;
use super::evidence::{Clearing, Seen};
use super::limiter::{Limiter, SIDES, Side};
use super::listening::{Listening, REFERENCE_OVER_NOISE_DB, inner};
use super::memory;
use super::smooth;
use crate::analysis::{ActsOn, ClipLevel, Reference, Spectra};
use crate::signal::LineKind;
use crate::stats::{Estimate, Interval, NORMAL_95, Reading, t_cdf};
use realfft::num_complex::Complex;

/// A side whose limit lowers the weighted squares by less than this many mean squares was not touched.
const SIDE_EVIDENCE: f64 = 25.0;
/// Samples or waveform is told of a hard limit where that of the other kind leaves this many mean squares more …
const KIND_EVIDENCE: f64 = 10.0;
/// … and of a bent one, which a few bends follow in part only, where the logarithm of the likelihood is this much higher with
/// the bends of one kind than with those of the other (trial in this folder's tests: 150 of 150 soft limits are told right).
const BENT_KIND_EVIDENCE: f64 = 30.0;
/// Hard limits of both kinds so many mean squares apart are no bent limit of the kind that fits less well.
const FAR_APART: f64 = 300.0;
/// Where the kind of a bent limit is not told, its level is told only where both kinds agree on it within this, dB.
const KINDS_AGREE_DB: f64 = 0.1;
/// Share of what appeared around the limited peaks that no curve of the momentary value explains, above which the
/// level is not told: a limit with memory. Stricter than the half of method 4, because a first-order high-pass
/// before the limit moves the fitted level by 0.4 dB where this share is 9 %, by 1.1 dB where it is 22 % (trial in this
/// folder's tests).
const MOST_MEMORY: f64 = 0.15;
/// Under that, the share times the overdrive widens the interval (the same trial: errors of 1 to 2.8 times that).
const MEMORY_WIDENING: f64 = 3.0;
/// Where a soft limit's hard equivalent lies depends on which lines count most: dB of half width per unexplained share,
/// beside statistics and memory (errors between a noisy and a noise-free take: in this folder's trial at most 0.06 per share
/// from a share of 0.06 on, in whole sessions 0.034 dB at 0.07, of which noise explains most).
const SOFT_WIDENING_DB: f64 = 0.2;
/// What the fit errs by where there is no noise, dB of half width: the reference's response between its lines, the steps of
/// the descent (trial: 0.0005 dB RMS on benches whose statistics leave less).
const FIT_HALF_WIDTH_DB: f64 = 0.001;
/// The same of a limit on the waveform, whose eight points a sample a real one falls between (against limits on 64 points: 0.0016 dB
/// RMS, at most 0.0035).
const WAVEFORM_HALF_WIDTH_DB: f64 = 0.003_5;
/// The same chain gives the same gain within this (method 5: 0.3 dB) and what a headphone compresses, dB.
const GAIN_MOVED_DB: f64 = 0.5;
/// Smooth products are taken out before the level is fitted where they explain this share of what the limit leaves. Below it
/// they move the level by less than 0.06 dB (trial in this folder's tests), and up to 0.44 of what a hard limit leaves of a
/// soft one looks like them.
const SMOOTH_SHARE: f64 = 0.7;
/// The same of one parity alone: odd-order distortion lies on a fifth of the lines, so that a pure cube takes 0.2 of all and 0.98
/// of its own (own trial in numpy; a symmetric knee of the whole limit's width takes 0.76 there).
const SMOOTH_SHARE_OF_ONE: f64 = 0.85;
const STEPS: usize = 15;
pub(super) const REWEIGHTINGS: usize = 2;

/// Fits the level.
///
/// # Errors
/// In words, why there is evidence but no level.
pub(super) fn fit(
    listening: &mut Listening,
    (spectra, reference): (&Spectra, &Reference),
    seen: Seen,
) -> Result<ClipLevel, String> {
    let sent = &spectra.period.samples;
    let mut samples = Limiter::on_samples(sent.iter().map(|x| spectra.gain * x).collect());
    let mut waveform = Limiter::on_waveform(&spectra.played, sent.len());
    let mut on_samples = Fit::run(listening, &mut samples, seen.starts[0], seen.weights.clone());
    let mut on_waveform = Fit::run(listening, &mut waveform, seen.starts[1], seen.weights);
    let better = if on_samples.misfit() <= on_waveform.misfit() { &on_samples } else { &on_waveform };
    let limited = smooth::of_the_limited(spectra, better.limits);
    let clearing =
        Clearing::of(listening, (1.0, &limited), &smooth::of_the_captured(spectra, reference), &better.weights);
    let (smooth, smooth_of_one) = clearing.takes(&listening.less(&better.model));
    if smooth > SMOOTH_SHARE || smooth_of_one > SMOOTH_SHARE_OF_ONE {
        listening.clear_with(clearing);
        on_samples = Fit::run(listening, &mut samples, on_samples.limits, on_samples.weights);
        on_waveform = Fit::run(listening, &mut waveform, on_waveform.limits, on_waveform.weights);
    }
    let listening = &*listening;
    let weights = if on_samples.misfit() <= on_waveform.misfit() {
        on_samples.weights.clone()
    } else {
        on_waveform.weights.clone()
    };
    let mut kinds = [(on_samples, samples), (on_waveform, waveform)].map(|(fit, mut limiter)| {
        let mut fit = fit.settle(listening, &mut limiter, weights.clone());
        fit.drop_untouched_sides(listening, &mut limiter);
        (fit, limiter)
    });
    let (better, curve, other) = tell_apart(listening, spectra, &mut kinds);
    let acts_on = match better {
        _ if other.is_some() => ActsOn::NotTold,
        0 => ActsOn::Samples,
        _ => ActsOn::Waveform,
    };
    let (fit, limiter) = &mut kinds[better];
    tell(listening, (spectra, reference), fit, (limiter, &curve), acts_on, other)
}

/// Which of both kinds fits better, with its bends, and the other where it may be the true one.
fn tell_apart(
    listening: &Listening,
    spectra: &Spectra,
    kinds: &mut [(Fit, Limiter); 2],
) -> (usize, Curve, Option<Other>) {
    let mut better = usize::from(kinds[1].0.left < kinds[0].0.left);
    let apart = (kinds[1 - better].0.left - kinds[better].0.left) / kinds[better].0.mean_square(listening);
    let (fit, limiter) = &mut kinds[better];
    let mut curve = Curve::through(listening, fit, limiter);
    if apart > FAR_APART && !curve.may_be_bent() {
        return (better, curve, None);
    }
    // The hard limit of the wrong kind can come nearer to a bend than that of its own: each with its own bends.
    let own = curve.refit(listening, fit);
    let (fit, limiter) = &mut kinds[1 - better];
    let mut other = Curve::through(listening, fit, limiter);
    let others = other.refit(listening, fit);
    let turned = others < own;
    if turned {
        better = 1 - better;
        std::mem::swap(&mut curve, &mut other);
    }
    let (fit, limiter) = &mut kinds[1 - better];
    let other = if curve.is_bent() {
        let open = (others - own).abs() < BENT_KIND_EVIDENCE;
        // A few bends follow either in part only, so how near they come does not say how likely each is.
        open.then(|| Other { limits: equivalent_limits(spectra, limiter, fit, &other), share: 0.5 })
    } else {
        Other::hard(fit, if turned { 0.0 } else { apart })
    };
    (better, curve, other)
}

fn tell(
    listening: &Listening,
    (spectra, reference): (&Spectra, &Reference),
    fit: &mut Fit,
    (limiter, curve): (&mut Limiter, &Curve),
    acts_on: ActsOn,
    other: Option<Other>,
) -> Result<ClipLevel, String> {
    if fit.limits.iter().all(Option::is_none) {
        return Err("a bend is visible, but no pair of limits lowers what remains".into());
    }
    if let Some(moved) = gain_moved_db(spectra, reference, fit, limiter) {
        return Err(format!(
            "a bend is visible, level not determined: the stimulus came back {moved:+.1} dB off what the quiet reference and this \
             limit foretell, so the gain moved in between"
        ));
    }
    let (memory, surely) = memory::share(listening, &fit.weights, &fit.model, &curve.rest, spectra, fit.lowest_limit());
    if surely > MOST_MEMORY {
        return Err(format!(
            "a bend is visible, level not determined: a limit that depends on the momentary value alone leaves {:.0} % of \
             what appears around the peaks (a limit with memory: a filter before it, or a load that resonates)",
            100.0 * surely
        ));
    }
    if curve.is_bent() {
        fit.limits = equivalent_limits(spectra, limiter, fit, curve);
        let apart = other.as_ref().and_then(|other| other.apart_db(fit.limits));
        if let Some(apart) = apart.filter(|apart| *apart > KINDS_AGREE_DB) {
            return Err(format!(
                "a bend is visible, level not determined: a soft limit on samples and one on the waveform explain it alike and lie \
                 {apart:.2} dB apart"
            ));
        }
    }
    let soft_db = if curve.is_bent() { SOFT_WIDENING_DB * curve.unexplained } else { 0.0 };
    let open = Open { other, memory, soft_db };
    let mut readings = SIDES.map(|side| fit.reading(listening, limiter, side, &open));
    if readings.iter().all(|r| matches!(r, Reading::AtLeast(_))) {
        return Err("a bend is visible, but neither polarity alone shows it".into());
    }
    let [positive, negative] = &mut readings;
    Ok(ClipLevel {
        positive: positive.clone(),
        negative: negative.clone(),
        acts_on,
        soft: curve.is_soft(),
        unexplained: curve.unexplained,
    })
}

/// How far the stimulus lines stand off the limited period through the reference's response, dB, where that is too far for
/// one and the same chain.
fn gain_moved_db(spectra: &Spectra, reference: &Reference, fit: &Fit, limiter: &mut Limiter) -> Option<f64> {
    let excited = spectra.period.lines.of(LineKind::Excited).filter(|k| spectra.usable[*k]);
    let excited: Vec<usize> = excited.filter(|k| reference.over_noise_db[*k] >= REFERENCE_OVER_NOISE_DB).collect();
    let mut sent: Vec<Complex<f64>> = excited.iter().map(|k| spectra.played[*k]).collect();
    for (side, at) in SIDES.into_iter().zip(fit.limits) {
        let Some(at) = at else { continue };
        let added = limiter.residual(side, at, &excited);
        sent.iter_mut().zip(added).for_each(|(s, a)| *s += a);
    }
    let (mut heard, mut foretold) = (0.0, 0.0);
    for (k, sent) in excited.iter().zip(sent) {
        heard += spectra.mean[*k].norm_sqr() - spectra.noise_of_mean(*k);
        foretold += (sent * reference.response[*k]).norm_sqr();
    }
    let moved = crate::units::db_from_power(heard / foretold)?;
    (moved.abs() > GAIN_MOVED_DB).then_some(moved)
}

/// The hard equivalent of a bent curve: the limits whose clipped period comes nearest to that of the curve. Held against
/// the captured lines, the nearest limit would depend on which of them the noise and the headphone leave.
fn equivalent_limits(spectra: &Spectra, limiter: &mut Limiter, fit: &Fit, curve: &Curve) -> [Option<f64>; 2] {
    let mut sent = Listening::at_the_output(spectra);
    let hard = SIDES.into_iter().zip(fit.limits).filter_map(|(side, at)| Some((side, at?, 1.0)));
    let parts: Vec<(Side, f64, f64)> = hard.chain(curve.bends.iter().copied()).collect();
    for (side, at, share) in parts {
        let added = limiter.residual(side, at, &sent.lines);
        sent.captured.iter_mut().zip(added).for_each(|(y, a)| *y += a * share);
    }
    let weights = vec![1.0; sent.lines.len()];
    let mut nearest =
        Fit { limits: fit.limits, model: Vec::new(), weights, left: f64::INFINITY, variance: fit.variance };
    nearest.descend(&sent, limiter);
    nearest.limits
}

/// The kind of limit that fits less well, where it may be the true one.
struct Other {
    limits: [Option<f64>; 2],
    /// How likely it is the true one, of both.
    share: f64,
}

impl Other {
    /// A hard limit that leaves `apart` mean squares more (complex lines: the logarithm of the likelihood falls by one for
    /// each); `None` where that rules it out.
    fn hard(fit: &Fit, apart: f64) -> Option<Other> {
        (apart < KIND_EVIDENCE).then(|| Other { limits: fit.limits, share: 1.0 / (1.0 + apart.exp()) })
    }

    /// How far these limits lie from the other kind's, dB; `None` where no side has both.
    fn apart_db(&self, limits: [Option<f64>; 2]) -> Option<f64> {
        let one = |(own, other): (Option<f64>, Option<f64>)| Some((DB_PER_NEPER * (own? / other?).ln()).abs());
        limits.into_iter().zip(self.limits).filter_map(one).reduce(f64::max)
    }
}

/// What the model leaves open beside its statistics.
struct Open {
    /// Where samples or waveform is not told.
    other: Option<Other>,
    /// Share that a memory explains.
    memory: f64,
    /// Of a soft limit.
    soft_db: f64,
}

/// One kind of limit, fitted.
pub(super) struct Fit {
    pub limits: [Option<f64>; 2],
    pub model: Vec<Complex<f64>>,
    pub weights: Vec<f64>,
    /// Weighted squares that remain.
    pub left: f64,
    /// Inverse of the curvature, per side.
    variance: [f64; 2],
}

impl Fit {
    fn run(listening: &Listening, limiter: &mut Limiter, start: [Option<f64>; 2], weights: Vec<f64>) -> Fit {
        let mut fit =
            Fit { limits: start, model: Vec::new(), weights, left: f64::INFINITY, variance: [f64::INFINITY; 2] };
        fit.descend(listening, limiter);
        for _ in 0..REWEIGHTINGS {
            fit.weights = listening.weights(&fit.model);
            fit.descend(listening, limiter);
        }
        fit
    }

    /// The same under weights shared with another fit.
    fn settle(mut self, listening: &Listening, limiter: &mut Limiter, weights: Vec<f64>) -> Fit {
        self.weights = weights;
        self.descend(listening, limiter);
        self
    }

    fn misfit(&self) -> f64 {
        misfit(&self.weights, self.left)
    }

    fn descend(&mut self, listening: &Listening, limiter: &mut Limiter) {
        (self.model, self.left) = self.try_out(listening, limiter, self.limits);
        for _ in 0..STEPS {
            let Some(step) = self.step(listening, limiter) else { break };
            let mut factor = 1.0;
            let mut better = None;
            while factor > 0.02 && better.is_none() {
                let trial = moved(self.limits, step, factor, limiter);
                let (model, left) = self.try_out(listening, limiter, trial);
                if left < self.left {
                    better = Some((trial, model, left));
                }
                factor *= 0.4;
            }
            let Some((limits, model, left)) = better else { break };
            let gained = self.left - left;
            (self.limits, self.model, self.left) = (limits, model, left);
            if gained < 1e-5 * left / listening.lines.len() as f64 {
                break;
            }
        }
    }

    fn try_out(
        &self,
        listening: &Listening,
        limiter: &mut Limiter,
        limits: [Option<f64>; 2],
    ) -> (Vec<Complex<f64>>, f64) {
        let model = listening.through_response(&limiter.residuals(limits, &listening.lines));
        let rest = listening.less(&model);
        let left = inner(&self.weights, &rest, &rest);
        (model, left)
    }

    /// The Gauss–Newton step, and the curvature kept for the intervals.
    fn step(&mut self, listening: &Listening, limiter: &mut Limiter) -> Option<[f64; 2]> {
        let rest = listening.less(&self.model);
        let slopes: [Option<Vec<Complex<f64>>>; 2] = [0, 1].map(|i| {
            let slope = limiter.slope(SIDES[i], self.limits[i]?, &listening.lines);
            Some(listening.through_response(&slope))
        });
        let w = &self.weights;
        let part = |i: usize| {
            slopes[i].as_ref().map(|j| (inner(w, j, &rest), inner(w, j, j))).filter(|(_, square)| *square > 0.0)
        };
        let (g, a) = match (part(0), part(1)) {
            (None, None) => return None,
            (Some((g, a)), None) => return self.keep([g / a, 0.0], [1.0 / a, f64::INFINITY]),
            (None, Some((g, a))) => return self.keep([0.0, g / a], [f64::INFINITY, 1.0 / a]),
            (Some((g0, a0)), Some((g1, a1))) => ([g0, g1], [a0, a1]),
        };
        let cross = match &slopes {
            [Some(j0), Some(j1)] => inner(w, j0, j1),
            _ => 0.0,
        };
        let det = a[0] * a[1] - cross * cross;
        if det <= 0.0 {
            return None;
        }
        let step = [(g[0] * a[1] - g[1] * cross) / det, (g[1] * a[0] - g[0] * cross) / det];
        self.keep(step, [a[1] / det, a[0] / det])
    }

    fn keep(&mut self, step: [f64; 2], variance: [f64; 2]) -> Option<[f64; 2]> {
        self.variance = variance;
        step.iter().all(|s| s.is_finite()).then_some(step)
    }

    /// The smaller of the fitted limits.
    fn lowest_limit(&self) -> f64 {
        self.limits.iter().flatten().copied().fold(f64::INFINITY, f64::min)
    }

    /// Mean square left per line.
    fn mean_square(&self, listening: &Listening) -> f64 {
        self.left / listening.lines.len() as f64
    }

    /// Takes out sides whose limit explains nothing of their own, the weaker first, and fits the other again.
    fn drop_untouched_sides(&mut self, listening: &Listening, limiter: &mut Limiter) {
        while self.limits.iter().any(Option::is_some) {
            let mut own = SIDES.map(|side| self.own_evidence(listening, limiter, side));
            if self.limits.iter().any(Option::is_none) {
                own = own.map(|e| e.max(0.0));
            }
            let weaker = match self.limits {
                [Some(_), Some(_)] => usize::from(own[1] < own[0]),
                [Some(_), None] => 0,
                _ => 1,
            };
            if own[weaker] > SIDE_EVIDENCE {
                return;
            }
            self.limits[weaker] = None;
            self.descend(listening, limiter);
        }
    }

    /// Mean squares that one side explains and the other, moved a little, could not.
    fn own_evidence(&self, listening: &Listening, limiter: &mut Limiter, side: Side) -> f64 {
        let Some(at) = self.limits[side as usize] else { return 0.0 };
        let part = listening.through_response(&limiter.residual(side, at, &listening.lines));
        let without = self.rest_with(listening, &part, 1.0);
        let slope = self.other_slope(listening, limiter, side);
        (self.after_other_moves(&without, slope.as_deref()) - self.left) / self.mean_square(listening)
    }

    /// What the fit leaves, with `part` added `factor` times.
    fn rest_with(&self, listening: &Listening, part: &[Complex<f64>], factor: f64) -> Vec<Complex<f64>> {
        listening.captured.iter().zip(&self.model).zip(part).map(|((y, m), p)| y - m + p * factor).collect()
    }

    fn other_slope(&self, listening: &Listening, limiter: &mut Limiter, side: Side) -> Option<Vec<Complex<f64>>> {
        let other = SIDES[1 - side as usize];
        let at = self.limits[other as usize]?;
        Some(listening.through_response(&limiter.slope(other, at, &listening.lines)))
    }

    /// Weighted squares of `rest` once the other side's limit has moved to lower them (to first order).
    fn after_other_moves(&self, rest: &[Complex<f64>], slope: Option<&[Complex<f64>]>) -> f64 {
        let squares = inner(&self.weights, rest, rest);
        let Some(slope) = slope else { return squares };
        let square = inner(&self.weights, slope, slope);
        if square > 0.0 { squares - inner(&self.weights, slope, rest).powi(2) / square } else { squares }
    }

    fn reading(&self, listening: &Listening, limiter: &mut Limiter, side: Side, open: &Open) -> Reading {
        let i = side as usize;
        let Some(at) = self.limits[i] else { return self.untouched(listening, limiter, side) };
        let sd = (0.5 * self.mean_square(listening) * self.variance[i]).sqrt();
        let statistical = NORMAL_95 * DB_PER_NEPER * sd / at;
        let db = DB_PER_NEPER * at.ln();
        let overdrive_db = DB_PER_NEPER * (limiter.peak(side) / at).ln();
        let memory_db = MEMORY_WIDENING * open.memory * overdrive_db;
        let fit_db = if limiter.is_on_waveform() { WAVEFORM_HALF_WIDTH_DB } else { FIT_HALF_WIDTH_DB };
        let half = statistical.hypot(fit_db) + memory_db + open.soft_db;
        let mut estimate = Estimate::symmetric(db, half);
        if let Some((other, share)) = open.other.as_ref().and_then(|other| Some((other.limits[i]?, other.share))) {
            estimate.interval = of_either(db, DB_PER_NEPER * other.ln(), share, half / NORMAL_95);
        }
        Reading::Told(estimate)
    }

    /// The side's own peak is a lower bound, down to the limit that would just have been noticed.
    fn untouched(&self, listening: &Listening, limiter: &mut Limiter, side: Side) -> Reading {
        let peak = limiter.peak(side);
        if peak <= 0.0 {
            return Reading::NotTold("nothing was played on this polarity".into());
        }
        let slope = self.other_slope(listening, limiter, side);
        let mut left_at = |at: f64| {
            let part = listening.through_response(&limiter.residual(side, at, &listening.lines));
            self.after_other_moves(&self.rest_with(listening, &part, -1.0), slope.as_deref())
        };
        let noticed = self.left + NORMAL_95 * NORMAL_95 * self.mean_square(listening);
        let (mut low, mut high) = (0.5 * peak, peak);
        for _ in 0..10 {
            let middle = 0.5 * (low + high);
            if left_at(middle) > noticed { low = middle } else { high = middle }
        }
        let db = |x: f64| DB_PER_NEPER * x.ln();
        Reading::AtLeast(Estimate { value: db(low), interval: Interval { low: db(low), high: db(peak) } })
    }
}

/// Logarithm of the likelihood of complex Gaussian lines under these weights (inverse variances) that leave so much in weighted
/// squares, sign turned: the smaller, the better the fit, whatever its weights.
pub(super) fn misfit(weights: &[f64], left: f64) -> f64 {
    left - weights.iter().map(|w| w.ln()).sum::<f64>()
}

/// The middle 95 % where the value is `db` or, with this share, `other_db`, either with the same standard uncertainty.
fn of_either(db: f64, other_db: f64, share: f64, standard_db: f64) -> Interval {
    let normal = |z: f64| t_cdf(z, f64::INFINITY);
    let below = |x: f64| (1.0 - share) * normal((x - db) / standard_db) + share * normal((x - other_db) / standard_db);
    let reach = (other_db - db).abs() + 10.0 * standard_db;
    let at = |p: f64| {
        let (mut low, mut high) = (db - reach, db + reach);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if below(middle) < p { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    };
    // The value that is told lies inside.
    Interval { low: at(0.025).min(db), high: at(0.975).max(db) }
}

/// 20/ln 10: decibels of a natural logarithm.
const DB_PER_NEPER: f64 = 8.685_889_638_065_035;

/// Limits moved by a share of the step, kept between a tenth of the peak and just under it.
fn moved(limits: [Option<f64>; 2], step: [f64; 2], factor: f64, limiter: &Limiter) -> [Option<f64>; 2] {
    [0, 1].map(|i| {
        let peak = limiter.peak(SIDES[i]);
        limits[i].map(|at| (at + factor * step[i]).clamp(0.1 * peak, 0.9999 * peak))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One kind alone is the normal interval; two far apart and equally likely leave 5 % of each outside: z = 1.6449 (normal
    /// table).
    #[test]
    fn two_kinds_are_told_by_how_likely_each_is() {
        let near = |a: Interval, low: f64, high: f64| (a.low - low).abs() < 1e-3 && (a.high - high).abs() < 1e-3;
        assert!(near(of_either(-3.0, -2.0, 0.0, 0.01), -3.0196, -2.9804));
        assert!(near(of_either(-3.0, -2.0, 0.5, 0.01), -3.016_449, -1.983_551));
        assert!(near(of_either(-3.0, -3.0, 0.3, 0.01), -3.0196, -2.9804));
        // Less likely than the tail: as if it were not there, nearly.
        assert!(of_either(-3.0, -2.0, 0.01, 0.01).high < -2.97);
    }
}
