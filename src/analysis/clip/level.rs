//! Where does the output limit? The pair c₊, c₋ whose clipped period fits the captured lines best (Gauss–Newton), on
//! samples and on the waveform; the better (where the limit is bent: the better curve) is kept, both are given where they
//! cannot be distinguished.
//!
//! Intervals come from the curvature: with remaining mean square s² per complex line and `A = Re Σ w J* J`, a limit's
//! variance is `s²·(A⁻¹)/2` (real part of the noise only). To it is added what the model itself leaves open.

use super::bends::Curve;
use super::evidence::Seen;
use super::fit::{DB_PER_NEPER, Fit};
use super::limiter::{Limiter, SIDES, Side};
use super::listening::{Listening, REFERENCE_OVER_NOISE_DB};
use super::memory;
use super::smooth;
use crate::analysis::{ActsOn, ClipLevel, Reference, Spectra};
use crate::signal::LineKind;
use crate::stats::{Estimate, Interval, NORMAL_95, Reading, t_cdf};
use crate::units::tidy_signed;
use realfft::num_complex::Complex;

/// Samples or waveform is decided for a hard limit where that of the other kind leaves this many mean squares more …
const KIND_EVIDENCE: f64 = 10.0;
/// … and of a bent one, which a few bends follow in part only, where the logarithm of the likelihood is this much higher with
/// the bends of one kind than with those of the other (trial in this folder's tests: 150 of 150 soft limits are given right).
const BENT_KIND_EVIDENCE: f64 = 30.0;
/// Hard limits of both kinds so many mean squares apart are no bent limit of the kind that fits less well.
const FAR_APART: f64 = 300.0;
/// Where the kind of a bent limit is not determined, its level is given only where both kinds agree on it within this, dB.
const KINDS_AGREE_DB: f64 = 0.1;
/// Share of what appeared around the limited peaks that no curve of the momentary value explains, above which the
/// level is not determined: a limit with memory. Stricter than half, because a first-order high-pass
/// before the limit moves the fitted level by 0.4 dB where this share is 9 %, by 1.1 dB where it is 22 % (trial in this
/// folder's tests).
const MOST_MEMORY: f64 = 0.15;
/// Under that, the share times the overdrive widens the interval (the same trial: errors of 1 to 2.8 times that).
const MEMORY_WIDENING: f64 = 3.0;
/// Where a soft limit's hard equivalent lies depends on which lines count most: dB of half width per unexplained share,
/// beside statistics and memory (errors between a noisy and a noise-free take: in this folder's trial at most 0.06 per share
/// from a share of 0.06 on, in whole sessions 0.034 dB at 0.07, of which noise explains most).
const SOFT_WIDENING_DB: f64 = 0.2;
/// Beside that, a knee near its noise: which hard limit is nearest to it moves with the lines that the noise leaves by more
/// than any statistics of the fit show (whole session, seed 1270962505: 43 dB over the noise, 0.142 dB off with ±0.03), dB.
const SOFT_HALF_WIDTH_DB: f64 = 0.15;
/// What the fit errs by where there is no noise, dB of half width: the reference's response between its lines, the steps of
/// the descent (trial: 0.0005 dB RMS on benches whose statistics leave less).
const FIT_HALF_WIDTH_DB: f64 = 0.001;
/// The same of a limit on the waveform, whose eight points a sample a real one falls between (against limits on 64 points: 0.0016 dB
/// RMS, at most 0.0035).
const WAVEFORM_HALF_WIDTH_DB: f64 = 0.003_5;
/// The same chain gives the same gain within this (0.3 dB) and what a headphone compresses, dB.
const GAIN_MOVED_DB: f64 = 0.5;
/// Smooth products are taken out before the level is fitted where they explain this share of what the limit leaves. Below it
/// they move the level by less than 0.06 dB (trial in this folder's tests), and up to 0.44 of what a hard limit leaves of a
/// soft one looks like them.
const SMOOTH_SHARE: f64 = 0.7;
/// The same of one parity alone: odd-order distortion lies on a fifth of the lines, so that a pure cube takes 0.2 of all and 0.98
/// of its own (own trial in numpy; a symmetric knee of the whole limit's width takes 0.76 there).
const SMOOTH_SHARE_OF_ONE: f64 = 0.85;

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
    let clearing = listening.clearing((1.0, &limited), &smooth::of_the_captured(spectra, reference), &better.weights);
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
        _ if other.is_some() => ActsOn::NotDetermined,
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
            "a bend is visible, level not determined: the stimulus came back {} dB off what the quiet reference and this \
             limit predict, so the gain moved in between",
            tidy_signed(moved, 1)
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
    let soft_db = if curve.is_bent() { SOFT_HALF_WIDTH_DB + SOFT_WIDENING_DB * curve.unexplained } else { 0.0 };
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
    let (mut heard, mut predicted) = (0.0, 0.0);
    for (k, sent) in excited.iter().zip(sent) {
        heard += spectra.mean[*k].norm_sqr() - spectra.noise_of_mean(*k);
        predicted += (sent * reference.response[*k]).norm_sqr();
    }
    let moved = crate::units::db_from_power(heard / predicted)?;
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
    /// Where samples or waveform is not determined.
    other: Option<Other>,
    /// Share that a memory explains.
    memory: f64,
    /// Of a soft limit.
    soft_db: f64,
}

impl Fit {
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
        Reading::Determined(estimate)
    }

    /// The side's own peak is a lower bound, down to the limit that would just have been noticed.
    fn untouched(&self, listening: &Listening, limiter: &mut Limiter, side: Side) -> Reading {
        let peak = limiter.peak(side);
        if peak <= 0.0 {
            return Reading::NotDetermined("nothing was played on this polarity".into());
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
    // The value that is given lies inside.
    Interval { low: at(0.025).min(db), high: at(0.975).max(db) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One kind alone is the normal interval; two far apart and equally likely leave 5 % of each outside: z = 1.6449 (normal
    /// table).
    #[test]
    fn two_kinds_are_stated_by_how_likely_each_is() {
        let near = |a: Interval, low: f64, high: f64| (a.low - low).abs() < 1e-3 && (a.high - high).abs() < 1e-3;
        assert!(near(of_either(-3.0, -2.0, 0.0, 0.01), -3.0196, -2.9804));
        assert!(near(of_either(-3.0, -2.0, 0.5, 0.01), -3.016_449, -1.983_551));
        assert!(near(of_either(-3.0, -3.0, 0.3, 0.01), -3.0196, -2.9804));
        // Less likely than the tail: as if it were not there, nearly.
        assert!(of_either(-3.0, -2.0, 0.01, 0.01).high < -2.97);
    }
}
