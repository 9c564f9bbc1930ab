//! One take set up: what does not change while it is analysed, and where in it the window lies.

use super::AnalysisError;
use crate::analysis::clock::WRONG_RATE_PPM;
use crate::analysis::finding::HumLine;
use crate::analysis::periods;
use crate::analysis::played::{Played, played};
use crate::analysis::resample::{Fine, Path, Resampler};
use crate::analysis::spectra::{Reference, Spectra};
use crate::analysis::{Context, align, band, fft, hum, transfer};
use crate::signal::LineKind;
use crate::take::Take;
use realfft::num_complex::Complex;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::Arc;

/// Sound is taken as settled after this even where the plan's settling does not fit any more, seconds.
pub(super) const LEAST_SETTLE_S: f64 = 0.1;
/// Longest route delay looked for, seconds.
const LONGEST_DELAY_S: f64 = 2.5;
/// Frames on either side of the window that are looked at for lost samples.
pub(super) const WIDENED: usize = 4096;
/// A run of exact zeros of this share of a period means that the input is muted.
const MUTED_SHARE: f64 = 0.25;

/// Everything about a take that does not change during its analysis.
pub struct Setup<'a> {
    pub(super) take: &'a Take,
    pub(super) captured: &'a [f64],
    pub(super) played: Played,
    pub(super) frames: usize,
    pub(super) played_hz: f64,
    pub(super) captured_hz: f64,
    /// Captured samples per played frame, nominal.
    pub(super) ratio: f64,
    pub(super) resampler: Arc<Resampler>,
    pub(super) silent: bool,
    pub(super) excited: Vec<usize>,
}

/// Window chosen, in nominal played frames.
pub struct Placed {
    /// First frame of the first period.
    pub start: f64,
    /// Periods that fit.
    pub periods: usize,
    /// Route delay, where the onset is seen, seconds.
    pub delay_s: Option<f64>,
    /// True where the sound began too late for the window to fit after it.
    pub(super) late: bool,
    /// True where neither the onset is seen nor the route delay known.
    pub(super) blind: bool,
    /// The window and what is looked at around it, ready to be resampled.
    pub(super) fine: Fine,
}

impl<'a> Setup<'a> {
    /// For the samples of one input.
    pub fn new(take: &'a Take, captured: &'a [f64]) -> Setup<'a> {
        let head = &take.head;
        let played = played(&head.stimulus, head.played_rate);
        let (played_hz, captured_hz) = (head.played_rate.hz(), head.captured_rate.hz());
        let excited: Vec<usize> = played.period.lines.of(LineKind::Excited).collect();
        Setup {
            take,
            captured,
            frames: played.period.samples.len(),
            played,
            played_hz,
            captured_hz,
            ratio: captured_hz / played_hz,
            resampler: Resampler::cached(captured_hz, played_hz, highest_hz()),
            silent: head.stimulus.is_silent(),
            excited,
        }
    }

    /// The whole capture at the played rate, clocks taken as nominal.
    pub fn nominal(&self) -> Cow<'a, [f64]> {
        if self.take.head.played_rate == self.take.head.captured_rate {
            return Cow::Borrowed(self.captured);
        }
        let count = (self.captured.len() as f64 / self.ratio) as usize;
        Cow::Owned(self.resampler.along(self.captured, &Path { start: 0.0, step: self.ratio, bend: 0.0 }, count))
    }

    /// Where in the capture the stimulus is; `None` for silence and where it is not above the noise.
    /// `hum` is what the silence holds: taken off, since a window's hum does not come back with its period.
    pub fn find(&self, hum: &[HumLine]) -> Option<align::Found> {
        let head = &self.take.head;
        let heard = || hum::taken_off(self.nominal(), self.played_hz, hum);
        (!self.silent).then(|| align::find(&heard(), &self.played, head.played_frames, self.pre_roll()))?
    }

    /// Nominal played frames before the gain opened.
    pub(super) fn pre_roll(&self) -> usize {
        (self.take.head.pre_roll as f64 / self.ratio) as usize
    }

    /// Chooses the window: after settling where the onset is seen or the route delay known, else as late as fits.
    ///
    /// # Errors
    /// [`AnalysisError::TooShort`].
    pub fn place(&self, context: &Context, found: Option<&align::Found>) -> Result<Placed, AnalysisError> {
        let head = &self.take.head;
        let pre_roll = self.pre_roll() as f64;
        // A fast capture clock makes periods longer; 300 ppm are allowed for.
        let length = |periods: usize| (periods * self.frames) as f64 * (1.0 + WRONG_RATE_PPM * 1e-6) + 2.0;
        let last = (self.captured.len() as f64 - self.resampler.reach() as f64) / self.ratio;
        let opened = found.and_then(|f| f.opened);
        let sure = opened.filter(|_| found.is_some_and(|f| !f.unsure));
        let delay_s = sure.map(|at| (at - pre_roll) / self.played_hz);
        let expected = context.route_delay_s.map(|d| pre_roll + d * self.played_hz);
        let known = sure.or(expected).or(opened);
        let wanted = head.periods.max(2);
        let reach = self.resampler.reach() as f64;
        let settle = head.settle as f64;
        let blind = || {
            let latest = pre_roll + LONGEST_DELAY_S * self.played_hz + settle;
            (pre_roll + settle, latest.min(last - length(wanted)))
        };
        let (earliest, preferred) = match known {
            _ if self.silent => (reach, pre_roll + settle),
            Some(opened) => (opened + LEAST_SETTLE_S * self.played_hz, opened + settle),
            None => blind(),
        };
        let fit = |earliest: f64, preferred: f64, late: bool| {
            let earliest = earliest.max(reach);
            (2..=wanted).rev().find(|periods| last - length(*periods) >= earliest).map(|periods| {
                // Whole frames: a digital loop then stays as it is, to rounding.
                let start = preferred.clamp(earliest, last - length(periods)).floor();
                let blind = !self.silent && sure.or(expected).is_none();
                Placed { start, periods, delay_s, late, blind, fine: self.fine(start, periods) }
            })
        };
        let need = ((pre_roll + settle + length(2)) * self.ratio).ceil() as usize + self.resampler.reach();
        fit(earliest, preferred, false)
            .or_else(|| {
                let (earliest, preferred) = blind();
                fit(earliest, preferred, true)
            })
            .ok_or(AnalysisError::TooShort { have: self.captured.len(), need })
    }

    pub(super) fn fine(&self, start: f64, periods: usize) -> Fine {
        let start = (start - WIDENED as f64) * self.ratio;
        let frames = periods * self.frames + 2 * WIDENED;
        Fine::new(self.captured, self.captured_hz, self.played_hz, highest_hz(), start, frames)
    }

    /// True where a long stretch of the window is exactly zero.
    pub(super) fn is_muted(&self, placed: &Placed) -> bool {
        let from = (placed.start * self.ratio) as usize;
        let to = ((placed.start + (placed.periods * self.frames) as f64) * self.ratio) as usize;
        let limit = MUTED_SHARE * self.frames as f64 * self.ratio;
        let mut run = 0usize;
        self.captured[from.min(self.captured.len())..to.min(self.captured.len())].iter().any(|x| {
            run = if *x == 0.0 { run + 1 } else { 0 };
            run as f64 >= limit
        })
    }

    /// Mean and variance with the curve applied.
    pub fn spectra(&self, context: &Context, lines: &[Vec<Complex<f64>>]) -> Spectra {
        let (mut mean, mut scatter) = periods::mean_and_scatter(lines);
        let (mut variance, dof) =
            periods::pooled_variance(&scatter, lines.len(), &self.played.period.lines, periods::POOLED_DOF);
        let spacing = self.played_hz / self.frames as f64;
        let highest = 0.49 * self.captured_hz.min(self.played_hz);
        let usable = (0..mean.len()).map(|k| k > 0 && (k as f64 * spacing) < highest).collect();
        if !context.correction.is_none() {
            for k in 1..mean.len() {
                let gain = crate::units::amplitude_from_db(context.correction.db_at(k as f64 * spacing));
                mean[k] *= gain;
                variance[k] *= gain * gain;
                scatter[k] *= gain * gain;
            }
        }
        let gain = self.take.head.drive.gain();
        Spectra {
            period: Arc::clone(&self.played.period),
            gain,
            played: self.played.lines.iter().map(|l| l * gain).collect(),
            mean,
            variance,
            scatter,
            dof,
            usable,
            hum: BTreeMap::new(),
            periods: lines.len(),
        }
    }

    /// Moves the mean lines to the time base of the reference, else to the peak of their own impulse response.
    pub(super) fn settle_time_base(
        &self,
        spectra: &mut Spectra,
        reference: Option<&Reference>,
        found: Option<&align::Found>,
        placed: &Placed,
        ppm: f64,
    ) {
        let Some(found) = found else { return };
        let into_period = (placed.start - found.origin) / (1.0 + ppm * 1e-6);
        fft::delay(&mut spectra.mean, into_period, self.frames);
        let target: Vec<Complex<f64>> = match reference {
            Some(r) if r.response.len() == spectra.played.len() => {
                spectra.played.iter().zip(&r.response).map(|(u, h)| u * h).collect()
            }
            _ => spectra.played.clone(),
        };
        if let Some(line) = self.played.tone {
            let turn = TAU * line as f64 / self.frames as f64;
            let phase = (spectra.mean[line] * target[line].conj()).arg();
            fft::delay(&mut spectra.mean, phase / turn, self.frames);
            return;
        }
        let lag = transfer::coarse_lag(&spectra.mean, &target, &self.excited, self.frames, reference.is_some());
        fft::delay(&mut spectra.mean, -lag, self.frames);
        if reference.is_some() {
            for _ in 0..3 {
                let lag = transfer::fine_lag(spectra, &target, &self.excited);
                fft::delay(&mut spectra.mean, -lag, self.frames);
            }
        }
    }

    pub(super) fn peak(&self, placed: &Placed) -> f64 {
        let from = (placed.start * self.ratio) as usize;
        let to = ((placed.start + (placed.periods * self.frames) as f64) * self.ratio).ceil() as usize;
        self.resampler.true_peak(self.captured, from, to)
    }
}

/// Upper edge of the highest band: up to there resampling is exact.
pub(super) fn highest_hz() -> f64 {
    band::lower_edge_hz(band::BANDS.end() + 1)
}
