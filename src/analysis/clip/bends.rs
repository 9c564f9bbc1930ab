//! What a fitted hard limit leaves, explained by further bends of its curve: is the limit bent, is it soft, and how well does
//! either kind (on samples, on the waveform) fit with bends?

use super::fit::{Fit, REWEIGHTINGS, misfit};
use super::limiter::{Limiter, SIDES, Side};
use super::listening::{Listening, inner};
use realfft::num_complex::Complex;

/// A limit is soft where a bent curve explains this share more of the residual than the hard limit …
const SOFT_SHARE: f64 = 0.03;
/// … and by so many mean squares that the extra bends are not noise.
const SOFT_EVIDENCE: f64 = 50.0;
/// Over this many mean squares the other kind of limit is tried with its bends as well. Noise alone gives 22 bends 11, and
/// more than 24 once in a thousand (χ²/2).
const BEND_HINT: f64 = 25.0;
/// Bends of the curve a hard limit is held against, dB re the fitted limit (below it: the knee; above: its slope).
///
/// Close together around the limit: with a bend every 0.7 dB a soft limit on samples that is driven 0.5 dB over was given as
/// one on the waveform, 0.16 dB low (whole session, seed 2973404358).
const BENDS_DB: [f64; 11] = [-6.0, -4.0, -2.5, -1.5, -0.9, -0.5, -0.2, 0.2, 0.4, 0.6, 0.9];
/// Bends nearer to the peak than this touch too few points, dB …
const OFF_PEAK_DB: f64 = 0.175;
/// … but where the peak itself is less than this over the limit, dB, two stand at a third and two thirds of the way: driven
/// 0.3 dB over, a soft limit on samples had none above it and was given as one on the waveform, 0.14 dB low (whole session,
/// seed 1507097139). Four of them followed noise, and a hard limit was given as one of the other kind.
const NEAR_PEAK_DB: f64 = 0.6;
/// A bend of which less than this share is its own is spanned by the others.
const SPANNED: f64 = 1e-9;

/// A freely bent curve of the momentary value: the fitted limits and what further bends explain.
pub(super) struct Curve {
    /// Share of the residual that the bends explain and the hard limits do not.
    pub unexplained: f64,
    /// The same in mean squares.
    evidence: f64,
    /// What the curve leaves.
    pub rest: Vec<Complex<f64>>,
    /// The bends beside the limits: where, and how much of the slope they take.
    pub bends: Vec<(Side, f64, f64)>,
    /// What each adds.
    lines: Vec<Vec<Complex<f64>>>,
}

impl Curve {
    /// The bends that leave least of what `fit` leaves, under its weights.
    pub(super) fn through(listening: &Listening, fit: &Fit, limiter: &mut Limiter) -> Curve {
        let mut bends: Vec<(Side, f64, f64)> = Vec::new();
        let mut lines: Vec<Vec<Complex<f64>>> = Vec::new();
        for (side, at) in SIDES.into_iter().zip(fit.limits) {
            let Some(at) = at else { continue };
            for db in bends_db(20.0 * (limiter.peak(side) / at).log10()) {
                let bend = at * crate::units::amplitude_from_db(db);
                let added = limiter.residual(side, bend, &listening.lines);
                lines.push(listening.through_response(&added));
                bends.push((side, bend, 0.0));
            }
        }
        let mut curve = Curve { unexplained: 1.0, evidence: 0.0, rest: Vec::new(), bends, lines };
        curve.rest = curve.bent(&fit.weights, listening.less(&fit.model));
        let left = inner(&fit.weights, &curve.rest, &curve.rest);
        let more = (fit.left - left).max(0.0);
        let there = inner(&fit.weights, &listening.captured, &listening.captured);
        let explained = there - fit.left + more;
        let mean_square = ((fit.left - more) / listening.lines.len() as f64).max(f64::MIN_POSITIVE);
        if explained > 0.0 {
            curve.unexplained = (more / explained).clamp(0.0, 1.0);
        }
        curve.evidence = more / mean_square;
        curve
    }

    /// Gives each bend the share with which all of them leave least of `rest`; returns what that is.
    fn bent(&mut self, weights: &[f64], mut rest: Vec<Complex<f64>>) -> Vec<Complex<f64>> {
        let shares = least_squares(weights, &self.lines, &rest);
        for ((bend, line), share) in self.bends.iter_mut().zip(&self.lines).zip(shares) {
            bend.2 = share;
            rest.iter_mut().zip(line).for_each(|(x, d)| *x -= d * share);
        }
        rest
    }

    /// Fits the bends again, under weights of their own: those of the hard limit count the lines little on which it misses the
    /// most. Returns the [`misfit`], one added for each bend that was free to be fitted (Akaike's criterion).
    pub(super) fn refit(&mut self, listening: &Listening, fit: &Fit) -> f64 {
        let (mut weights, mut rest) = (fit.weights.clone(), Vec::new());
        for _ in 0..REWEIGHTINGS {
            rest = self.bent(&weights, listening.less(&fit.model));
            weights = listening.weights(&listening.less(&rest));
        }
        misfit(&weights, inner(&weights, &rest, &rest)) + self.lines.len() as f64
    }

    /// True where the further bends may be more than noise.
    pub(super) fn may_be_bent(&self) -> bool {
        self.evidence > BEND_HINT
    }

    /// True where the further bends are more than noise.
    pub(super) fn is_bent(&self) -> bool {
        self.evidence > SOFT_EVIDENCE
    }

    pub(super) fn is_soft(&self) -> bool {
        self.unexplained > SOFT_SHARE && self.is_bent()
    }
}

/// Bends of a curve whose peak stands so far over the fitted limit, dB re that limit.
fn bends_db(peak_db: f64) -> Vec<f64> {
    if peak_db >= NEAR_PEAK_DB {
        return BENDS_DB.into_iter().filter(|db| *db < peak_db - OFF_PEAK_DB).collect();
    }
    let above = [peak_db / 3.0, peak_db / 1.5];
    BENDS_DB.into_iter().filter(|db| *db < 0.0).chain(above).collect()
}

/// Real factors of `basis` that leave least of `rest` (normal equations by Cholesky; a direction that the ones before it
/// already span is given none).
fn least_squares(weights: &[f64], basis: &[Vec<Complex<f64>>], rest: &[Complex<f64>]) -> Vec<f64> {
    let count = basis.len();
    let mut lower = vec![vec![0.0; count]; count];
    let mut forward = vec![0.0; count];
    for i in 0..count {
        for j in 0..=i {
            let product = inner(weights, &basis[i], &basis[j]);
            let known: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
            let left = product - known;
            lower[i][j] = match i == j {
                true if left > SPANNED * product => left.sqrt(),
                true => f64::INFINITY,
                false if lower[j][j].is_finite() => left / lower[j][j],
                false => 0.0,
            };
        }
        let known: f64 = (0..i).map(|k| lower[i][k] * forward[k]).sum();
        forward[i] = (inner(weights, &basis[i], rest) - known) / lower[i][i];
    }
    let mut factors = vec![0.0; count];
    for i in (0..count).rev() {
        let known: f64 = (i + 1..count).map(|k| lower[k][i] * factors[k]).sum();
        factors[i] = if lower[i][i].is_finite() { (forward[i] - known) / lower[i][i] } else { 0.0 };
    }
    factors
}
