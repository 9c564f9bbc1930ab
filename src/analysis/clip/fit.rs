//! One kind of limit (on samples, on the waveform), fitted to the captured lines by Gauss and Newton's steps.

use super::limiter::{Limiter, SIDES, Side};
use super::listening::{Listening, inner};
use realfft::num_complex::Complex;

/// A side whose limit lowers the weighted squares by less than this many mean squares was not touched.
const SIDE_EVIDENCE: f64 = 25.0;
const STEPS: usize = 15;
pub(super) const REWEIGHTINGS: usize = 2;

/// 20/ln 10: decibels of a natural logarithm.
pub(super) const DB_PER_NEPER: f64 = 8.685_889_638_065_035;

/// One kind of limit, fitted.
pub(super) struct Fit {
    pub limits: [Option<f64>; 2],
    pub model: Vec<Complex<f64>>,
    pub weights: Vec<f64>,
    /// Weighted squares that remain.
    pub left: f64,
    /// Inverse of the curvature, per side.
    pub(super) variance: [f64; 2],
}

impl Fit {
    pub(super) fn run(listening: &Listening, limiter: &mut Limiter, start: [Option<f64>; 2], weights: Vec<f64>) -> Fit {
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
    pub(super) fn settle(mut self, listening: &Listening, limiter: &mut Limiter, weights: Vec<f64>) -> Fit {
        self.weights = weights;
        self.descend(listening, limiter);
        self
    }

    pub(super) fn misfit(&self) -> f64 {
        misfit(&self.weights, self.left)
    }

    pub(super) fn descend(&mut self, listening: &Listening, limiter: &mut Limiter) {
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
    pub(super) fn lowest_limit(&self) -> f64 {
        self.limits.iter().flatten().copied().fold(f64::INFINITY, f64::min)
    }

    /// Mean square left per line.
    pub(super) fn mean_square(&self, listening: &Listening) -> f64 {
        self.left / listening.lines.len() as f64
    }

    /// Takes out sides whose limit explains nothing of their own, the weaker first, and fits the other again.
    pub(super) fn drop_untouched_sides(&mut self, listening: &Listening, limiter: &mut Limiter) {
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
    pub(super) fn rest_with(&self, listening: &Listening, part: &[Complex<f64>], factor: f64) -> Vec<Complex<f64>> {
        listening.captured.iter().zip(&self.model).zip(part).map(|((y, m), p)| y - m + p * factor).collect()
    }

    pub(super) fn other_slope(
        &self,
        listening: &Listening,
        limiter: &mut Limiter,
        side: Side,
    ) -> Option<Vec<Complex<f64>>> {
        let other = SIDES[1 - side as usize];
        let at = self.limits[other as usize]?;
        Some(listening.through_response(&limiter.slope(other, at, &listening.lines)))
    }

    /// Weighted squares of `rest` once the other side's limit has moved to lower them (to first order).
    pub(super) fn after_other_moves(&self, rest: &[Complex<f64>], slope: Option<&[Complex<f64>]>) -> f64 {
        let squares = inner(&self.weights, rest, rest);
        let Some(slope) = slope else { return squares };
        let square = inner(&self.weights, slope, slope);
        if square > 0.0 { squares - inner(&self.weights, slope, rest).powi(2) / square } else { squares }
    }
}

/// Logarithm of the likelihood of complex Gaussian lines under these weights (inverse variances) that leave so much in weighted
/// squares, sign turned: the smaller, the better the fit, whatever its weights.
pub(super) fn misfit(weights: &[f64], left: f64) -> f64 {
    left - weights.iter().map(|w| w.ln()).sum::<f64>()
}

/// Limits moved by a share of the step, kept between a tenth of the peak and just under it.
fn moved(limits: [Option<f64>; 2], step: [f64; 2], factor: f64, limiter: &Limiter) -> [Option<f64>; 2] {
    [0, 1].map(|i| {
        let peak = limiter.peak(SIDES[i]);
        limits[i].map(|at| (at + factor * step[i]).clamp(0.1 * peak, 0.9999 * peak))
    })
}
