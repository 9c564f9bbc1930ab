//! The front end of every analysis: from the samples of one input to lines on the played clock.
//!
//! ```text
//! samples → align → clock → resample → continuity → hum → clean periods → mean, variance → curve → common time base
//! ```

use super::clock::{self, Offset, WRONG_RATE_PPM};
use super::finding::{ClockFit, Common, Flaw, HumLine, Window};
use super::periods::{self, Periods};
use super::played::{Played, played};
use super::resample::{Fine, Path, Resampler};
use super::spectra::{Reference, Spectra};
use super::{Context, align, continuity, fft, hum, level, overload};
use crate::signal::{FADE_S, LineKind};
use crate::stats::Estimate;
use crate::take::Take;
use crate::units::PeakDb;
use realfft::num_complex::Complex;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::Arc;

/// Why nothing could be measured at all. (What was measured but is doubtful or void is a [`Flaw`].)
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AnalysisError {
    /// The take has no such input.
    #[error("this take has no input {0}")]
    NoSuchInput(usize),
    /// Not enough samples.
    #[error("the capture holds {have} samples but {need} are needed for two periods; record it again")]
    TooShort {
        /// Captured samples.
        have: usize,
        /// Samples needed.
        need: usize,
    },
    /// A sample is infinite or not a number.
    #[error("captured sample {0} is not a number; the file or the driver is faulty")]
    NotFinite(usize),
    /// No analysis for this stimulus.
    #[error("a take of this stimulus ({0}) cannot be analysed")]
    NoMethod(&'static str),
}

/// What pink and sine analyses start from.
#[derive(Clone, Debug)]
pub struct Prepared {
    /// Lines on the played clock, curve applied, time base common with the reference where there is one.
    pub spectra: Spectra,
    /// Window, clock, peak, hum, overload and the flaws found on the way.
    pub common: Common,
    /// Gain of the last clean period less that of the first in the middle of the band, dB.
    pub drift_db: Option<Estimate>,
}

/// Dof over which noise is pooled where it only serves as a weight.
const WEIGHT_DOF: f64 = 100.0;
/// Sound is taken as settled after this even where the plan's settling does not fit any more, seconds.
const LEAST_SETTLE_S: f64 = 0.1;
/// Longest route delay looked for, seconds.
const LONGEST_DELAY_S: f64 = 2.5;
/// Jump of the delay between half-overlapping windows that only lost samples make, frames.
const JUMP_FRAMES: f64 = 3.0;
/// From a clock within this of the true one all lines can be fitted at once, ppm: those at 20 kHz then turn by a seventh
/// between two halves of a period, and less than half a turn is unmistakable.
const NEAR_PPM: f64 = 10.0;
/// Half width of an offset read from correlation alone, ppm: half a frame in half a period.
const COARSE_PPM: f64 = 15.0;
/// Power of the stimulus over the noise from which its clock is believed to be wrong: 10 dB.
const CLEAR: f64 = 10.0;
/// Rounds of fitting and resampling at most, and the correction under which they end, ppm.
const ROUNDS: usize = 5;
const CONVERGED_PPM: f64 = 5e-4;
/// Hum on a line that stands this far under the whole stimulus changes its level by less than 0.05 dB: a note.
const HUM_IS_SMALL_DB: f64 = -45.0;
/// Hum under this, re the stimulus in its band, is not worth a word: it moves the level of the band by 0.009 dB at most, dB.
const HUM_IS_NOTHING_DB: f64 = -60.0;
/// Frames on either side of the window that are looked at for lost samples.
const WIDENED: usize = 4096;
/// An offset under this share of the RMS of what moves changes nothing (−20 dB) …
const DC_SHARE: f64 = 0.1;
/// … what is constant is the same in so many stretches of a take within a fifth …
const DC_STRETCHES: usize = 8;
const DC_STANDS: f64 = 5.0;
/// … and over this of full scale is named (−60 dB).
const DC_NAMED: f64 = 1e-3;
/// A run of exact zeros of this share of a period means that the input is muted.
const MUTED_SHARE: f64 = 0.25;

/// Takes off a constant offset where it is large: beside a quiet sound it would swamp every comparison of periods.
fn take_off_dc(captured: &mut [f64]) -> Option<Flaw> {
    let count = captured.len().max(1) as f64;
    let mean = captured.iter().sum::<f64>() / count;
    let moving = captured.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / count;
    // Noise under 20 Hz has a mean, too, but another one in each stretch.
    let stretches = captured.chunks(captured.len().div_ceil(DC_STRETCHES).max(1));
    let wanders = stretches.map(|s| (s.iter().sum::<f64>() / s.len() as f64 - mean).abs()).fold(0.0, f64::max);
    if mean.powi(2) <= DC_SHARE.powi(2) * moving || mean.abs() <= DC_STANDS * wanders {
        return None;
    }
    captured.iter_mut().for_each(|x| *x -= mean);
    (mean.abs() > DC_NAMED).then(|| {
        Flaw::note(
            "dc",
            format!(
                "The input carries a constant offset (DC) of {:.2} % of full scale. It is left out of every figure, but takes as much room from the peaks. Look for a plug-in or a preamplifier that adds it; at a direct-coupled output, measure with a voltmeter before anything is plugged in.",
                100.0 * mean
            ),
        )
    })
}

/// Brings one input of a take onto the played clock and averages it.
///
/// # Errors
/// [`AnalysisError`] where there is nothing to analyse.
pub fn prepare(take: &Take, input: usize, context: &Context) -> Result<Prepared, AnalysisError> {
    let raw = &take.inputs.get(input).ok_or(AnalysisError::NoSuchInput(input))?.samples;
    if let Some(bad) = raw.iter().position(|x| !x.is_finite()) {
        return Err(AnalysisError::NotFinite(bad));
    }
    let mut captured: Vec<f64> = raw.iter().map(|x| f64::from(*x)).collect();
    let dc = take_off_dc(&mut captured);
    let bench = Bench::new(take, &captured);
    let found = bench.find(context.mains_lines);
    let placed = bench.place(context, found.as_ref())?;
    let mut flaws: Vec<Flaw> = dc.into_iter().collect();
    let muted = !bench.silent && bench.is_muted(&placed);
    if muted {
        flaws.push(Flaw::void(
            "zero-input",
            "The input was exactly zero while the stimulus played, so nothing was measured. It is muted, or the program may not record.",
        ));
    }
    let (mut periods, clock) = bench.on_played_clock(context, found.as_ref(), &placed);
    flaws.extend((!muted && placed.blind && found.is_some()).then(onset_not_seen));
    // Hum beside a sine or two turns its phase as lost samples would, so it goes first; beside many lines it cannot, unless it
    // is as loud as they are.
    let mean_square = captured.iter().map(|x| x * x).sum::<f64>() / captured.len().max(1) as f64;
    let many = bench.excited.len() > 2 && !hum::matters(context.mains_lines, mean_square);
    if many && !muted {
        flaws.extend(bench.broken(&periods, found.as_ref(), &placed, &clock));
    }
    let hidden = hum::dominates(context.mains_lines, mean_square);
    let mut hums = hum::remove(&mut periods, bench.played_hz, !bench.silent);
    if !many && !muted && !hidden {
        flaws.extend(bench.broken(&periods, found.as_ref(), &placed, &clock));
    }
    let clean = periods::clean_periods(periods.samples(), bench.frames, bench.played.odd);
    let too_few = clean.iter().filter(|c| **c).count() < 2 && !bench.silent;
    let moves_db = too_few.then(|| periods::gain_moves_db(periods.samples(), bench.frames)).flatten();
    let kept = keep_clean(&mut flaws, &clean, bench.silent, moves_db);
    let lines: Vec<Vec<Complex<f64>>> =
        periods.into_lines().into_iter().zip(&kept).filter(|(_, keep)| **keep).map(|(lines, _)| lines).collect();
    let mut spectra = bench.spectra(context, &lines);
    let drift_db = level::drift_db(&lines, &spectra);
    bench.settle_time_base(&mut spectra, context.reference, found.as_ref(), &placed, clock.used_ppm);
    bench.judge_hum(&mut spectra, &mut hums, context.mains_lines, &mut flaws);
    let spacing = bench.played_hz / bench.frames as f64;
    let stimulus = level::usable(&spectra, LineKind::Excited, level::all(&spectra));
    flaws.extend(context.correction.outside(stimulus.map(|k| (k as f64 * spacing, spectra.mean[k].norm_sqr()))));
    let peak = bench.peak(&placed);
    // A take void for its disturbances has used none of the disturbed periods, whatever its numbers were made of.
    let used = if bench.silent { lines.len() } else { clean.iter().filter(|c| **c).count() };
    let window = Window {
        start_frame: placed.start * bench.ratio,
        periods: used,
        left_out: kept.len() - used,
        delay_s: placed.delay_s,
    };
    let common = Common {
        window,
        clock,
        peak: PeakDb::from_amplitude(peak),
        hum: hums,
        overload: overload::overload(raw),
        flaws,
    };
    Ok(Prepared { spectra, common, drift_db })
}

/// What a window placed by luck means.
fn onset_not_seen() -> Flaw {
    Flaw::doubt(
        "onset-not-seen",
        "The sound stands so little over the noise that its beginning is not seen; some silence may be in the window, and the level read up to 1 dB low. A louder take shows it.",
    )
}

/// Which periods stay; says so where too few are clean (then all stay, and the take is void).
fn keep_clean(flaws: &mut Vec<Flaw>, clean: &[bool], silent: bool, moves_db: Option<f64>) -> Vec<bool> {
    let count = clean.iter().filter(|c| **c).count();
    if count >= 2 {
        return clean.to_vec();
    }
    if let Some(db) = moves_db {
        flaws.push(Flaw::void(
            "gain-moves",
            format!(
                "Repetitions of the same sound came back with gains up to {db:.2} dB apart: an automatic gain (compressor, limiter, loudness control) follows the sound. Switch it off, at the output and at the input."
            ),
        ));
        return vec![true; clean.len()];
    }
    let text = format!(
        "Only {count} of {} periods are undisturbed (a door, a voice), so they cannot be averaged. Wait for quiet and repeat.",
        clean.len()
    );
    // Silence is there to hear the surroundings: a disturbance is part of the answer, and said.
    flaws.push(if silent { Flaw::note("disturbed", text) } else { Flaw::void("disturbed", text) });
    vec![true; clean.len()]
}

/// Everything about a take that does not change during its analysis.
pub struct Bench<'a> {
    take: &'a Take,
    captured: &'a [f64],
    played: Played,
    frames: usize,
    played_hz: f64,
    captured_hz: f64,
    /// Captured samples per played frame, nominal.
    ratio: f64,
    resampler: Arc<Resampler>,
    silent: bool,
    excited: Vec<usize>,
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
    late: bool,
    /// True where neither the onset is seen nor the route delay known.
    blind: bool,
    /// The window and what is looked at around it, ready to be resampled.
    fine: Fine,
}

impl<'a> Bench<'a> {
    /// For the samples of one input.
    pub fn new(take: &'a Take, captured: &'a [f64]) -> Bench<'a> {
        let head = &take.head;
        let played = played(&head.stimulus, head.played_rate);
        let (played_hz, captured_hz) = (head.played_rate.hz(), head.captured_rate.hz());
        let excited: Vec<usize> = played.period.lines.of(LineKind::Excited).collect();
        Bench {
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

    /// Where in the capture the stimulus is; `None` for silence and where it does not stand over the noise.
    /// `hum` is what the silence holds: taken off, since a window's hum does not come back with its period.
    pub fn find(&self, hum: &[HumLine]) -> Option<align::Found> {
        let head = &self.take.head;
        let heard = || hum::taken_off(self.nominal(), self.played_hz, hum);
        (!self.silent).then(|| align::find(&heard(), &self.played, head.played_frames, self.pre_roll()))?
    }

    /// Nominal played frames before the gain opened.
    fn pre_roll(&self) -> usize {
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

    fn fine(&self, start: f64, periods: usize) -> Fine {
        let start = (start - WIDENED as f64) * self.ratio;
        let frames = periods * self.frames + 2 * WIDENED;
        Fine::new(self.captured, self.captured_hz, self.played_hz, highest_hz(), start, frames)
    }

    /// True where a long stretch of the window is exactly zero.
    fn is_muted(&self, placed: &Placed) -> bool {
        let from = (placed.start * self.ratio) as usize;
        let to = ((placed.start + (placed.periods * self.frames) as f64) * self.ratio) as usize;
        let limit = MUTED_SHARE * self.frames as f64 * self.ratio;
        let mut run = 0usize;
        self.captured[from.min(self.captured.len())..to.min(self.captured.len())].iter().any(|x| {
            run = if *x == 0.0 { run + 1 } else { 0 };
            run as f64 >= limit
        })
    }

    fn path(&self, start: f64, ppm: f64, drift_ppm_per_period: f64, periods: usize) -> Path {
        // The offset holds at the middle of the window; drift turns around it.
        let at_start = ppm - 0.5 * drift_ppm_per_period * periods as f64;
        Path {
            start: start * self.ratio,
            step: self.ratio * (1.0 + at_start * 1e-6),
            bend: self.ratio * drift_ppm_per_period * 1e-6 / self.frames as f64,
        }
    }

    fn resample(&self, placed: &Placed, ppm: f64, drift: f64) -> Periods {
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
    fn averaged(&self, lines: &[Vec<Complex<f64>>]) -> (Vec<Complex<f64>>, Vec<f64>) {
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

    /// Any input of the same take, along the path that `clock` tells.
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

    /// True where the stimulus stands well over what does not repeat: only then may its clock void the take.
    fn stands_clear(&self, lines: &[Vec<Complex<f64>>]) -> bool {
        let (mean, variance) = self.averaged(lines);
        let (Some(first), Some(last)) = (self.excited.first(), self.excited.last()) else { return false };
        let stimulus: f64 = self.excited.iter().map(|k| mean[*k].norm_sqr()).sum();
        stimulus > CLEAR * variance[*first..=*last].iter().sum::<f64>()
    }

    /// True where the delay between windows jumps; a clock offset blurs the delay of a window by as much as it moves.
    fn jumps(&self, found: &align::Found) -> bool {
        found.largest_jump
            > JUMP_FRAMES
                + (found.coarse_ppm * 1e-6 * self.frames as f64).abs().min(self.frames as f64 * WRONG_RATE_PPM * 1e-6)
    }

    /// Flaws of the clock and of the continuity.
    fn broken(
        &self,
        periods: &Periods,
        found: Option<&align::Found>,
        placed: &Placed,
        clock: &ClockFit,
    ) -> Option<Flaw> {
        let found = found?;
        let lost = |what: String| {
            Flaw::void(
                "lost-samples",
                format!(
                    "Samples were lost or repeated on the way ({what}), so the take is void. Close other programs or ask for larger blocks."
                ),
            )
        };
        if found.interrupted {
            return Some(lost("the sound is missing for a while".into()));
        }
        if found.sounds_before {
            return Some(lost("what sounds at first does not fit the rest, unless something else was as loud".into()));
        }
        if placed.late {
            return Some(lost("the sound begins too late or was interrupted".into()));
        }
        if self.jumps(found) {
            return Some(lost(format!("the signal jumps by {:.0} frames", found.largest_jump)));
        }
        if clock.used_ppm.abs() > WRONG_RATE_PPM && self.stands_clear(periods.lines()) {
            return Some(Flaw::void(
                "wrong-rate",
                format!(
                    "The two cards run {:+.0} ppm apart, more than two clocks ever do: one is not at the rate it was asked for. Set both cards to one rate.",
                    clock.used_ppm
                ),
            ));
        }
        let (mean, variance) = self.averaged(periods.lines());
        let (widened, before) = self.widened(periods.samples(), found, placed, clock);
        let stretch = continuity::Stretch { samples: &widened, before, frames: self.frames, odd: self.played.odd };
        continuity::broken(&stretch, &mean, &variance, &self.excited).map(lost)
    }

    /// The window with the settled sound around it (of a sine, whose hum is taken off in the window alone, just that), and the number of frames before it.
    fn widened(&self, samples: &[f64], found: &align::Found, placed: &Placed, clock: &ClockFit) -> (Vec<f64>, usize) {
        let Some(opened) = found.opened.filter(|_| self.excited.len() > 1) else { return (samples.to_vec(), 0) };
        let settled = placed.start - opened - LEAST_SETTLE_S * self.played_hz;
        let before = (settled.max(0.0) as usize).min(WIDENED);
        let closing = opened + self.take.head.played_frames as f64 - (FADE_S + 0.01) * self.played_hz;
        let after = closing - placed.start - (samples.len() as f64) * (1.0 + WRONG_RATE_PPM * 1e-6);
        let after = (after.max(0.0) as usize).min(WIDENED);
        let path = self.path(placed.start, clock.used_ppm, 0.0, placed.periods);
        let part = |from: f64, count: usize| {
            let path = Path { start: path.at(from), ..path };
            placed.fine.along(&path, count)
        };
        let mut widened = Vec::with_capacity(before + samples.len() + after);
        widened.extend(part(-(before as f64), before));
        widened.extend_from_slice(samples);
        widened.extend(part(samples.len() as f64, after));
        (widened, before)
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
    fn settle_time_base(
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
        let lag = super::transfer::coarse_lag(&spectra.mean, &target, &self.excited, self.frames, reference.is_some());
        fft::delay(&mut spectra.mean, -lag, self.frames);
        if reference.is_some() {
            for _ in 0..3 {
                let lag = super::transfer::fine_lag(spectra, &target, &self.excited);
                fft::delay(&mut spectra.mean, -lag, self.frames);
            }
        }
    }

    /// Leaves out lines near mains harmonics seen in silence or here; says what cannot be separated.
    fn judge_hum(&self, spectra: &mut Spectra, hums: &mut Vec<HumLine>, seen: &[HumLine], flaws: &mut Vec<Flaw>) {
        if self.silent {
            return;
        }
        let spacing = self.played_hz / self.frames as f64;
        for hum in seen {
            if hum::lies_on_line(hum.frequency_hz, spacing, spectra.periods)
                && !hums.iter().any(|h| (h.frequency_hz - hum.frequency_hz).abs() < spacing)
            {
                hums.push(HumLine { on_line: true, ..*hum });
            }
        }
        for hum in seen.iter().chain(hums.iter()) {
            let nu = hum.frequency_hz / spacing;
            for k in (nu - 1.0).ceil().max(1.0) as usize..=(nu + 1.0).floor() as usize {
                if self.played.period.lines.kind(k) != LineKind::Excited {
                    spectra.usable.get_mut(k).into_iter().for_each(|usable| *usable = false);
                }
            }
        }
        for hum in hums.iter().filter(|h| h.on_line) {
            flaws.extend(self.inseparable(spectra, hum, spacing));
            let line = (hum.frequency_hz / spacing).round() as usize;
            if self.played.period.lines.kind(line) == LineKind::Excited {
                spectra.hum.insert(line, hum.level.rms().powi(2));
            }
        }
    }

    /// `None` where it changes nothing that is told.
    fn inseparable(&self, spectra: &Spectra, hum: &HumLine, spacing: f64) -> Option<Flaw> {
        let line = (hum.frequency_hz / spacing).round() as usize;
        let kind = self.played.period.lines.kind(line);
        let band = super::band::band_of(hum.frequency_hz);
        let power = |counts: &dyn Fn(usize) -> bool| -> f64 {
            self.excited.iter().filter(|k| counts(**k)).map(|k| spectra.mean[*k].norm_sqr()).sum()
        };
        let in_band = power(&|k| super::band::band_of(k as f64 * spacing) == band);
        let hum_ms = hum.level.rms().powi(2);
        let under = crate::units::db_from_power(hum_ms / in_band);
        let under_all = crate::units::db_from_power(hum_ms / power(&|_| true));
        if under.is_some_and(|db| db < HUM_IS_NOTHING_DB) {
            return None;
        }
        let what = if hum::is_mains(hum.frequency_hz) { "Mains hum" } else { "A steady tone" };
        let text = format!(
            "{what} of {:.1} at {:.2} Hz falls on a line of the stimulus and cannot be told from it ({}); the intervals allow for it. Find where it comes from: supplies, cables, a bus-powered card.",
            hum.level,
            hum.frequency_hz,
            under.map_or("its band has no stimulus".into(), |db| format!("{db:+.0} dB re the stimulus in its band")),
        );
        let matters = kind == LineKind::Excited && under_all.is_none_or(|db| db > HUM_IS_SMALL_DB);
        Some(if matters { Flaw::doubt("hum-on-line", text) } else { Flaw::note("hum-on-line", text) })
    }

    fn peak(&self, placed: &Placed) -> f64 {
        let from = (placed.start * self.ratio) as usize;
        let to = ((placed.start + (placed.periods * self.frames) as f64) * self.ratio).ceil() as usize;
        self.resampler.true_peak(self.captured, from, to)
    }
}

/// Upper edge of the highest band: up to there resampling is exact.
fn highest_hz() -> f64 {
    super::band::lower_edge_hz(super::band::BANDS.end() + 1)
}
