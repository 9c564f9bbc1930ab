//! From the capture's clock to the played one: fits the offset and resamples until nothing is left of it.

use super::setup::{Placed, Setup, WIDENED, highest_hz};
use crate::analysis::clock::{self, Offset, WRONG_RATE_PPM};
use crate::analysis::finding::ClockFit;
use crate::analysis::periods::{self, Periods};
use crate::analysis::resample::{Fine, Path};
use crate::analysis::{Context, align};
use crate::stats::Estimate;
use realfft::num_complex::Complex;

/// Dof over which noise is pooled where it only serves as a weight.
const WEIGHT_DOF: f64 = 100.0;
/// From a clock within this of the true one all lines can be fitted at once, ppm: those at 20 kHz then turn by a seventh
/// between two halves of a period, and less than half a turn is unmistakable.
const NEAR_PPM: f64 = 10.0;
/// Half width of an offset read from correlation alone, ppm: half a frame in half a period.
const COARSE_PPM: f64 = 15.0;
/// Rounds of fitting and resampling at most, and the correction under which they end, ppm.
const ROUNDS: usize = 5;
const CONVERGED_PPM: f64 = 5e-4;

impl Setup<'_> {
    pub(super) fn path(&self, start: f64, ppm: f64, drift_ppm_per_period: f64, periods: usize) -> Path {
        // The offset holds at the middle of the window; drift turns around it.
        let at_start = ppm - 0.5 * drift_ppm_per_period * periods as f64;
        Path {
            start: start * self.ratio,
            step: self.ratio * (1.0 + at_start * 1e-6),
            bend: self.ratio * drift_ppm_per_period * 1e-6 / self.frames as f64,
        }
    }

    pub(super) fn resample(&self, placed: &Placed, ppm: f64, drift: f64) -> Periods {
        let path = self.path(placed.start, ppm, drift, placed.periods);
        Periods::new(placed.fine.along(&path, placed.periods * self.frames), self.frames)
    }

    fn fit_clock(&self, lines: &[Vec<Complex<f64>>]) -> Option<Offset> {
        let (mean, variance) = self.averaged(lines);
        clock::fit(lines, &mean, &variance, &self.excited, self.frames)
    }

    /// The same from `low` lines first, whose phases do not wrap, then from all with what the low ones tell undone.
    fn fit_clock_from(&self, low: &[usize], lines: &[Vec<Complex<f64>>]) -> Option<Offset> {
        let (mean, variance) = self.averaged(lines);
        let coarse = clock::fit(lines, &mean, &variance, low, self.frames)?;
        let mut turned = lines.to_vec();
        clock::undo(&mut turned, coarse.ppm, self.frames);
        let fine = self.fit_clock(&turned);
        Some(fine.map_or(coarse, |fine| Offset { ppm: coarse.ppm + fine.ppm, ..fine }))
    }

    /// Mean lines, and their noise for use as a weight.
    pub(super) fn averaged(&self, lines: &[Vec<Complex<f64>>]) -> (Vec<Complex<f64>>, Vec<f64>) {
        let (mean, scatter) = periods::mean_and_scatter(lines);
        let (variance, _) = periods::pooled_variance(&scatter, lines.len(), &self.played.period.lines, WEIGHT_DOF);
        (mean, variance)
    }

    /// The window on the played clock, and how it got there.
    pub fn on_played_clock(
        &self,
        context: &Context,
        found: Option<&align::Found>,
        placed: &Placed,
    ) -> (Periods, ClockFit) {
        let pooled = context.pooled_clock;
        let Some(found) = found else {
            let used_ppm = pooled.map_or(0.0, |p| p.value);
            let fit = ClockFit { own_ppm: None, used_ppm, pooled: pooled.is_some(), drift_ppm_per_s: None };
            return (self.resample(placed, used_ppm, 0.0), fit);
        };
        let mut coarse = self.coarse_ppm(found);
        if coarse.abs() > WRONG_RATE_PPM || self.jumps(found) {
            let periods = self.resample(placed, coarse, 0.0);
            if self.jumps(found) || self.stands_clear(periods.lines()) {
                // Void in any case: no fine fit of what is not one clock.
                let own_ppm = (!self.jumps(found)).then(|| Estimate::symmetric(coarse, COARSE_PPM));
                let fit = ClockFit { own_ppm, used_ppm: coarse, pooled: false, drift_ppm_per_s: None };
                return (periods, fit);
            }
            // Noise made the correlation of one window peak elsewhere: no claim of a clock.
            coarse = pooled.map_or(0.0, |p| p.value);
        }
        let known = pooled.filter(|p| p.half_width() < NEAR_PPM);
        let near = known.filter(|p| (p.value - coarse).abs() < NEAR_PPM + p.half_width());
        let start_ppm = near.map_or(coarse, |p| p.value);
        let (periods, own, drift) = self.converge(placed, start_ppm, near.is_some());
        let Some(own) = own else {
            let fit = ClockFit { own_ppm: None, used_ppm: start_ppm, pooled: near.is_some(), drift_ppm_per_s: None };
            return (periods, fit);
        };
        // A clock that drifts is its take's own.
        if let (Estimate { value, .. }, true) = clock::used(own, pooled.filter(|_| drift.is_none())) {
            let fit = ClockFit { own_ppm: Some(own), used_ppm: value, pooled: true, drift_ppm_per_s: None };
            return (self.resample(placed, value, 0.0), fit);
        }
        let seconds = self.frames as f64 / self.played_hz;
        let fit = ClockFit {
            own_ppm: Some(own),
            used_ppm: own.value,
            pooled: false,
            drift_ppm_per_s: drift.map(|d| d / seconds),
        };
        (periods, fit)
    }

    /// Any input of the same take, along the path that `clock` shows.
    pub fn along_the_path_of(&self, clock: &ClockFit, captured: &[f64], placed: &Placed) -> Vec<f64> {
        let start = (placed.start - WIDENED as f64) * self.ratio;
        let frames = placed.periods * self.frames + 2 * WIDENED;
        let fine = Fine::new(captured, self.captured_hz, self.played_hz, highest_hz(), start, frames);
        let drift = clock.drift_ppm_per_s.unwrap_or(0.0) * self.frames as f64 / self.played_hz;
        fine.along(&self.path(placed.start, clock.used_ppm, drift, placed.periods), placed.periods * self.frames)
    }

    /// Frames of a period.
    pub fn frames(&self) -> usize {
        self.frames
    }

    fn coarse_ppm(&self, found: &align::Found) -> f64 {
        let Some(line) = self.played.tone else { return found.coarse_ppm };
        let nominal = self.nominal();
        let window = found.best_window..(found.best_window + self.frames).min(nominal.len());
        clock::coarse_of_sine(&nominal[window], line, self.frames)
    }

    /// Fits and resamples in turn until the correction vanishes.
    fn converge(&self, placed: &Placed, start_ppm: f64, near: bool) -> (Periods, Option<Estimate>, Option<f64>) {
        let low: Vec<usize> = self.excited.iter().copied().filter(|k| *k < self.frames / 16).collect();
        let (mut ppm, mut drift) = (start_ppm, 0.0);
        let mut periods = self.resample(placed, ppm, drift);
        let mut own = None;
        for round in 0..ROUNDS {
            let coarse = round == 0 && !near && !low.is_empty();
            let lines = periods.lines();
            let offset = if coarse { self.fit_clock_from(&low, lines) } else { self.fit_clock(lines) };
            let Some(offset) = offset else { break };
            own = Some(offset.estimate(ppm));
            let bend = offset.drift_seen(placed.periods).filter(|_| !coarse);
            if !coarse && offset.ppm.abs() < CONVERGED_PPM && bend.is_none() {
                break;
            }
            ppm += offset.ppm;
            drift += bend.unwrap_or(0.0);
            // Their memory is the next ones'.
            drop(periods);
            periods = self.resample(placed, ppm, drift);
        }
        (periods, own, (drift != 0.0).then_some(drift))
    }
}
