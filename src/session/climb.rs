//! Which step comes next? Decided from the plan, the chain and the finished steps alone, so that a climb can be
//! replayed, resumed and tested without a card.
//!
//! ```text
//!  silence ─► probe −70, −60 … until the noise is passed ─► quiet reference
//!          ─► climb by 3 dB from 6 dB under the listening level ─► clip evidence ─► threshold step 1.25 dB above it
//!                                                             └─► gain change  ─► bisect to 0.25 dB
//!          ─► reference again ─► done, because …
//! ```

mod asked;
mod limits;

use super::chain::Chain;
use super::clean::{self, OTHER_DRIVE_DB, Unclean, clip_evident, limit_levels};
use super::listening::z_less_stated_by;
use super::path;
use super::plan::{Extent, Plan};
use super::record::{InputResult, StepResult};
use super::step::{Purpose, Step, StopReason};
use crate::analysis::{ClipLevel, PinkFinding};
use crate::signal::{Peaks, Period, Stimulus};
use crate::stats::Reading;
use crate::take::VoidReason;
use crate::units::{DbSpl, Dbfs, PeakDb};
pub use asked::NotAsAsked;
use limits::input_room_db;
pub use limits::{INPUT_ROOM_DB, MICROPHONE_ROOM_DB, drive_ceiling, spl_ceiling};

/// Drive of the first probe.
pub const FIRST_PROBE: Dbfs = Dbfs(-70.0);
/// Rise from one probe to the next, dB.
pub const PROBE_STEP_DB: f64 = 10.0;
/// The stimulus lines stand over the noise from here on, dB; below it no gain is believed and nothing is predicted.
pub const OVER_NOISE_DB: f64 = 10.0;
/// What does not repeat with the noise stands this far over the silence: it comes of the noise, and is another sound, dB.
const ANOTHER_SOUND_DB: f64 = 15.0;
/// A good reference stands this far over the noise, dB.
pub const REFERENCE_OVER_NOISE_DB: f64 = 60.0;
/// The reference stays this far under every limit, dB.
pub const REFERENCE_BELOW_LIMIT_DB: f64 = 20.0;
/// The least that does, where it would otherwise be louder than anybody listens, dB.
pub const LEAST_REFERENCE_OVER_NOISE_DB: f64 = 40.0;
/// Level of the reference where no listening level is stated.
pub(super) const QUIET: DbSpl = DbSpl(75.0);
/// Highest level while hands are at the coupler.
const AT_HANDS: DbSpl = DbSpl(85.0);
/// A quick look that no listening level was stated for goes up to here.
const QUICK_UNASKED: DbSpl = DbSpl(94.0);
/// Highest drive while a calibrated ear hears nothing and the output's volts are not known.
const UNHEARD_DRIVE: Dbfs = Dbfs(-40.0);
/// The climb starts this far under the listening level, dB.
pub const START_BELOW_LISTENING_DB: f64 = 6.0;
/// Start where no level is calibrated or no listening level is stated.
pub const START_UNKNOWN: Dbfs = Dbfs(-48.0);
/// The threshold step stands this far above the fitted clip level (1 to 1.5 dB).
pub const THRESHOLD_OVERDRIVE_DB: f64 = 1.25;
/// Odd-order distortion from which a probe is not believed, dB re the stimulus.
const COARSE_DB: f64 = -6.0;
/// Bisection ends here, dB.
pub const BISECTION_DB: f64 = 0.25;
/// The middle step of a quick look stands this far under its last, dB.
const MIDDLE_BELOW_LAST_DB: f64 = 10.0;
/// What a quick look goes beyond the wanted headroom and the calibration's interval for everything else, dB.
const QUICK_MARGIN_DB: f64 = 0.1;
/// Periods of a seat's one take at most: it stays under 6 s.
const SEAT_PERIODS: usize = 4;
/// Periods of one look while noise is held: a look every three to four seconds.
pub(in crate::session) const LOOK_PERIODS: usize = 2;
/// Periods for which an outside source is listened to, about 11 s: the lowest bands need them.
const OUTSIDE_PERIODS: usize = 8;
/// Steps closer than this are the same step, dB.
const SAME_DB: f64 = 0.05;

/// What to do next.
#[derive(Clone, Debug, PartialEq)]
pub enum Next {
    /// Play this.
    Step(Step),
    /// Nothing more.
    Done(StopReason),
}

/// All that a decision reads.
pub struct Climb<'a> {
    /// What is asked.
    pub plan: &'a Plan,
    /// The chain as used.
    pub chain: &'a Chain,
    /// The pink period at the playback rate.
    pub period: &'a Period,
    /// Finished steps.
    pub results: &'a [StepResult],
}

impl Climb<'_> {
    /// The next step, or why there is none.
    pub fn next(&self) -> Next {
        // A gate, or a format of few bits, may leave nothing of a probe: the next one is louder.
        let silenced = |step: &&StepResult| {
            let louder = step.step.drive.is_some_and(|drive| drive.db() < self.limit().0.db() - SAME_DB);
            step.step.purpose == Purpose::Probe && louder && step.given_up() == Some(&VoidReason::ZeroInput)
        };
        let last = self.results.last().filter(|step| !silenced(step));
        if let Some(reason) = last.and_then(StepResult::given_up) {
            return Next::Done(StopReason::given_up(reason));
        }
        if self.plan.extent == Extent::PathCheck {
            return path::next(self);
        }
        let Some(last) = self.results.last() else { return self.step(Purpose::Silence, None) };
        match last.step.purpose {
            Purpose::Silence => self.first_probe(),
            Purpose::Probe => self.after_probe(),
            Purpose::Reference | Purpose::Asked => self.asked().unwrap_or_else(|| self.first_climb()),
            Purpose::Climb | Purpose::Threshold | Purpose::Bisect => self.after_climb(last),
            Purpose::ReferenceAgain | Purpose::LeftAlone | Purpose::RightAlone => Next::Done(self.reason()),
            Purpose::Seat | Purpose::Matched | Purpose::OpenEar | Purpose::CoveredEar | Purpose::Position => {
                Next::Done(self.reason())
            }
        }
    }

    /// The quiet reference for another seat; `None` where the session has none.
    pub fn seat_step(&self) -> Option<Step> {
        let drive = Some(self.held_drive()?);
        let stimuli = self.stimuli(Purpose::Seat);
        let periods = self.plan.careful_periods.min(SEAT_PERIODS);
        Some(Step { number: self.results.len() + 1, purpose: Purpose::Seat, drive, stimuli, periods })
    }

    /// A look at one position of the volume control: the drive of the quiet reference; `None` where the session has none.
    pub fn position_step(&self) -> Option<Step> {
        let (drive, stimuli) = (Some(self.held_drive()?), self.stimuli(Purpose::Seat));
        Some(Step { number: self.results.len() + 1, purpose: Purpose::Position, drive, stimuli, periods: LOOK_PERIODS })
    }

    /// An outside source at the open or the covered ear.
    pub fn outside_step(&self, purpose: Purpose) -> Step {
        let stimuli = self.stimuli(purpose);
        Step { number: self.results.len() + 1, purpose, drive: None, stimuli, periods: OUTSIDE_PERIODS }
    }

    /// The top is reached: a session plays the reference again, a quick look is done.
    fn finish(&self) -> Next {
        match self.plan.extent {
            Extent::Session => self.step(Purpose::ReferenceAgain, self.reference_drive()),
            Extent::QuickLook | Extent::PathCheck | Extent::Swap => Next::Done(self.reason()),
        }
    }

    fn deciding(&self) -> usize {
        self.chain.deciding_input()
    }

    pub(super) fn step(&self, purpose: Purpose, drive: Option<Dbfs>) -> Next {
        let stimuli = self.stimuli(purpose);
        let periods = if purpose.is_short() { self.plan.climb_periods } else { self.plan.careful_periods };
        Next::Step(Step { number: self.results.len() + 1, purpose, drive, stimuli, periods })
    }

    /// What a step of this purpose plays.
    pub fn stimuli(&self, purpose: Purpose) -> Vec<Stimulus> {
        let pink = || vec![self.plan.pink.clone()];
        match purpose {
            Purpose::Silence | Purpose::OpenEar | Purpose::CoveredEar => {
                vec![Stimulus::Silence { doubled: matches!(&self.plan.pink, Stimulus::Pink(p) if p.doubled) }]
            }
            Purpose::Asked | Purpose::Matched => self.with_others(),
            Purpose::Climb | Purpose::Threshold | Purpose::Bisect if self.plan.asked.is_empty() => self.with_others(),
            Purpose::Climb | Purpose::Threshold | Purpose::Bisect => pink(),
            Purpose::Probe | Purpose::Reference | Purpose::ReferenceAgain => pink(),
            Purpose::Seat | Purpose::Position | Purpose::LeftAlone | Purpose::RightAlone => pink(),
        }
    }

    fn last_drive(&self) -> Dbfs {
        self.results.iter().rev().find_map(|r| r.step.drive).unwrap_or(FIRST_PROBE)
    }

    fn last_pink(&self) -> Option<(&PinkFinding, &InputResult)> {
        self.results.last()?.pink(self.deciding())
    }

    /// Why nothing was heard: silence, or another sound than the one that plays.
    pub(super) fn nothing_heard(&self) -> StopReason {
        let input = self.deciding();
        let silence = self.results.iter().find(|r| r.step.purpose == Purpose::Silence);
        let quiet =
            silence.and_then(|s| s.silence(input)).and_then(|s| s.noise_z).map_or(f64::NEG_INFINITY, |n| n.value);
        // Periods that do not repeat differ by their noise; a route that does not pass the noise on leaves it as it was.
        let loudest = self.results.iter().filter_map(|r| r.pink(input)?.0.noise).fold(f64::NEG_INFINITY, f64::max);
        if loudest > quiet + ANOTHER_SOUND_DB { StopReason::NotTheSound } else { StopReason::NoSignal }
    }

    /// The quietest probe.
    pub(super) fn first_probe(&self) -> Next {
        self.step(Purpose::Probe, Some(FIRST_PROBE))
    }

    pub(super) fn after_probe(&self) -> Next {
        let (limit, _) = self.limit();
        let drive = self.last_drive();
        let coarse = |pink: &PinkFinding| is_coarse(pink, Some(drive));
        let heard = |pink: &PinkFinding| if coarse(pink) { f64::NEG_INFINITY } else { over_noise_db(pink) };
        let over = self.last_pink().map_or(f64::NEG_INFINITY, |(pink, _)| heard(pink));
        if over < OVER_NOISE_DB {
            // A probe too quiet for the reference's distance may still pass: only the ceiling itself ends the search.
            let next = Dbfs(drive.db() + PROBE_STEP_DB);
            if drive.db() >= limit.db() - SAME_DB {
                return Next::Done(self.nothing_heard());
            }
            return self.step(Purpose::Probe, Some(Dbfs(next.db().min(limit.db()))));
        }
        let wanted = drive.db() + (REFERENCE_OVER_NOISE_DB - over).max(0.0);
        // No louder than somebody listens, or than noise demands.
        let listening = self.listening_drive().or_else(|| self.drive_at(QUIET)).map_or(f64::INFINITY, Dbfs::db);
        let quiet = listening.max(drive.db() + LEAST_REFERENCE_OVER_NOISE_DB - over);
        let highest = (limit.db() - REFERENCE_BELOW_LIMIT_DB).min(quiet).max(drive.db().min(limit.db()));
        // A path without noise may still have a coarse resolution, which matters less the louder the reference is.
        let wanted = if over.is_finite() { wanted } else { highest };
        self.step(Purpose::Reference, Some(Dbfs(wanted.min(highest))))
    }

    /// The listening level as RMS drive, where both are known.
    pub fn listening_drive(&self) -> Option<Dbfs> {
        let listening = self.plan.listening?;
        let input = self.deciding();
        let (_, role) = self.chain.ears().next()?;
        let offset = self.chain.acoustic(role)?.offset.value;
        let pinks = self.results.iter().rev().filter_map(|r| Some(r.pink(input)?.0));
        let z_less_stated = z_less_stated_by(pinks, &listening, self.chain.coupler).ok()?;
        Some(Dbfs(listening.level.db() + z_less_stated - offset - self.gain_db(input)?))
    }

    /// The stepped noise and everything played beside it.
    fn with_others(&self) -> Vec<Stimulus> {
        let sines = self.plan.sines_hz.iter().map(|f| Stimulus::sine(*f));
        std::iter::once(self.plan.pink.clone()).chain(sines).chain(self.plan.beside.iter().cloned()).collect()
    }

    fn first_climb(&self) -> Next {
        let (limit, _) = self.limit();
        let listening = self.listening_drive();
        let first = match (self.plan.extent, listening) {
            (Extent::Session, Some(l)) => l - START_BELOW_LISTENING_DB,
            (Extent::Session, None) => START_UNKNOWN,
            (Extent::QuickLook | Extent::PathCheck | Extent::Swap, _) => self.quick_look_top() - MIDDLE_BELOW_LAST_DB,
        };
        let first = first.db().max(self.lowest_telling_drive().db());
        self.step(Purpose::Climb, Some(Dbfs(first.min(limit.db()))))
    }

    /// Lowest drive at which the stimulus is above the noise: steps under it would tell nothing.
    fn lowest_telling_drive(&self) -> Dbfs {
        let over = self.last_pink().map_or(f64::INFINITY, |(pink, _)| over_noise_db(pink));
        if over.is_finite() { Dbfs(self.last_drive().db() - over + OVER_NOISE_DB) } else { FIRST_PROBE }
    }

    /// Last step of a quick look: listening level plus wanted headroom, or the limit.
    fn quick_look_top(&self) -> Dbfs {
        let (limit, _) = self.limit();
        match self.listening_drive() {
            // The calibration's interval on top: the lower end of what is shown must reach what is wanted.
            Some(l) => {
                let role = self.chain.ears().next().map(|(_, role)| role);
                let offset = role.and_then(|role| self.chain.acoustic(role)).map_or(0.0, |a| a.offset.half_width());
                Dbfs((l.db() + self.plan.wanted_headroom_db + offset + QUICK_MARGIN_DB).min(limit.db()))
            }
            None => Dbfs(limit.db().min(self.drive_at(QUICK_UNASKED).map_or(f64::INFINITY, Dbfs::db))),
        }
    }

    fn after_climb(&self, last: &StepResult) -> Next {
        if last.step.purpose == Purpose::Threshold {
            return self
                .soft_again(last)
                .map_or_else(|| self.finish(), |drive| self.step(Purpose::Threshold, Some(drive)));
        }
        if self.clips(last) {
            if self.plan.extent == Extent::QuickLook {
                return self.finish();
            }
            return self.step(Purpose::Threshold, Some(self.threshold_drive(last)));
        }
        if let Some((clean, unclean)) = self.bracket() {
            let decided = unclean - clean <= BISECTION_DB || self.plan.extent == Extent::QuickLook;
            let next = Dbfs(0.5 * (clean + unclean));
            return if decided { self.finish() } else { self.step(Purpose::Bisect, Some(next)) };
        }
        match self.rise() {
            Some(next) => self.step(Purpose::Climb, Some(next)),
            None => self.finish(),
        }
    }

    pub(super) fn reference_drive(&self) -> Option<Dbfs> {
        // Of a swap whose first round was played anew the later one counts.
        self.results.iter().rev().find(|r| r.step.purpose == Purpose::Reference).and_then(|r| r.step.drive)
    }

    /// The same where hands are at the coupler.
    fn held_drive(&self) -> Option<Dbfs> {
        let reference = self.reference_drive()?;
        let most = self.drive_at(AT_HANDS).map_or(f64::INFINITY, Dbfs::db);
        Some(Dbfs(reference.db().min(most)))
    }

    /// Next drive upward; `None` where something ends the rise.
    fn rise(&self) -> Option<Dbfs> {
        let last = self.last_drive();
        if self.blocked().is_some() {
            return None;
        }
        let (limit, _) = self.limit();
        let (limit, step) = match self.plan.extent {
            Extent::Session => (limit, self.plan.step_db),
            Extent::QuickLook | Extent::PathCheck | Extent::Swap => (self.quick_look_top(), 2.0 * MIDDLE_BELOW_LAST_DB),
        };
        // The input is filled as far as it goes: on a wire of unit gain its full scale is the output's.
        let ears = self.chain.ears().filter_map(|(input, _)| self.results.last()?.pink(input));
        let room = ears.map(|(pink, _)| input_room_db(pink)).fold(f64::INFINITY, f64::min);
        (limit.db() - last.db() > SAME_DB).then(|| Dbfs((last.db() + step.min(room)).min(limit.db())))
    }

    fn why_unclean(&self, result: &StepResult) -> Option<Unclean> {
        clean::why_unclean(self.results, result, self.chain, self.plan.distortion_limit_percent)
    }

    fn clips(&self, result: &StepResult) -> bool {
        clip_evident(self.results, result, self.chain)
    }

    /// Highest clean and lowest unclean drive where the gain (not clipping) decides.
    fn bracket(&self) -> Option<(f64, f64)> {
        let drives = |clean: bool| {
            self.results
                .iter()
                .filter(|r| r.step.purpose.brackets())
                .filter(|r| self.chain.limit_inputs().iter().any(|input| r.pink(*input).is_some()))
                .filter(move |r| self.why_unclean(r).is_none() == clean)
                .filter_map(|r| r.step.drive)
                .map(Dbfs::db)
        };
        let unclean = drives(false).reduce(f64::min)?;
        let clean = drives(true).filter(|d| *d < unclean).reduce(f64::max)?;
        Some((clean, unclean))
    }

    /// 1.25 dB above the fitted clip level, or 1.5 dB up where it is not determined; never above the limit.
    fn threshold_drive(&self, last: &StepResult) -> Dbfs {
        let (limit, _) = self.limit();
        let drives = limit_levels(self.results, last, self.chain).filter_map(|level| drive_at_clip(level, self.period));
        let fitted = drives.min_by(|a, b| a.db().total_cmp(&b.db()));
        let wanted = fitted.map_or(self.last_drive() + 1.5, |d| d + THRESHOLD_OVERDRIVE_DB);
        Dbfs(wanted.db().min(limit.db()))
    }

    /// A soft limit's level is determined only where two drives agree: a little higher, once, where only one has read it.
    fn soft_again(&self, last: &StepResult) -> Option<Dbfs> {
        let soft = |r: &StepResult| limit_levels(self.results, r, self.chain).any(|level| level.soft);
        let drive = last.step.drive?;
        let apart = |r: &&StepResult| r.step.drive.is_some_and(|d| (d.db() - drive.db()).abs() > OTHER_DRIVE_DB);
        let once = self.results.iter().filter(|r| r.step.purpose == Purpose::Threshold).count() == 1;
        let next = Dbfs((drive.db() + THRESHOLD_OVERDRIVE_DB).min(self.limit().0.db()));
        let room = next.db() - drive.db() > OTHER_DRIVE_DB && self.blocked().is_none();
        (once && room && soft(last) && !self.results.iter().filter(apart).any(soft)).then_some(next)
    }

    pub(super) fn reason(&self) -> StopReason {
        let climbed = |r: &&StepResult| r.step.purpose.climbs();
        let own = || self.results.iter().filter(|r| !r.step.purpose.is_added());
        let words = own().filter_map(|r| clean::bend_word(self.results, r, self.chain));
        match words.min_by_key(|word| *word != "clips") {
            Some("clips") => return StopReason::ClipEvidence,
            Some(_) => return StopReason::Bend,
            None => {}
        }
        if let Some((_, unclean)) = self.bracket() {
            let at = |r: &&StepResult| r.step.drive.is_some_and(|d| (d.db() - unclean).abs() < SAME_DB);
            let jumps = self.results.iter().filter(at).any(|r| self.why_unclean(r) == Some(Unclean::DistortionJumps));
            return if jumps { StopReason::DistortionJumps } else { StopReason::GainChange };
        }
        let Some(top) = self.results.iter().rev().find(climbed) else { return StopReason::NoSignal };
        let until_top = Climb { results: &self.results[..top.step.number], ..*self };
        let (limit, reason) = self.limit();
        let at = top.step.drive.map_or(limit.db(), Dbfs::db);
        if limit.db() - at <= SAME_DB {
            return reason;
        }
        until_top.blocked().unwrap_or(StopReason::WantedHeadroom)
    }
}

/// So little is left of the waveform that its gain means nothing: noise of a few steps of a coarse resolution. From the highest
/// unheard drive on even 8 bits leave enough to go by.
fn is_coarse(pink: &PinkFinding, drive: Option<Dbfs>) -> bool {
    let quiet = drive.is_some_and(|drive| drive.db() < UNHEARD_DRIVE.db() - SAME_DB);
    quiet && pink.odd.determined().is_some_and(|odd| odd.value > COARSE_DB)
}

/// Stimulus over noise, dB: without end on a digital loop, which has a level and no noise.
pub fn over_noise_db(pink: &PinkFinding) -> f64 {
    match (pink.over_noise_db, pink.level_z) {
        (Some(over), _) => over,
        (None, Some(_)) if pink.noise.is_none() => f64::INFINITY,
        _ => f64::NEG_INFINITY,
    }
}

/// RMS drive at which the period reaches the fitted limit, on the polarity that reaches it first.
pub fn drive_at_clip(level: &ClipLevel, period: &Period) -> Option<Dbfs> {
    let peaks = peaks_that_matter(level, period);
    let full = period.full_drive()?;
    let one = |reading: &Reading, peak: f64| {
        let limit = reading.determined()?.value;
        Some(full.db() + limit - PeakDb::from_amplitude(peak)?.db())
    };
    let drives = [one(&level.positive, peaks.positive), one(&level.negative, peaks.negative)];
    drives.into_iter().flatten().reduce(f64::min).map(Dbfs)
}

/// Sample peaks for a limit that acts on samples, waveform peaks otherwise.
pub fn peaks_that_matter(level: &ClipLevel, period: &Period) -> Peaks {
    match level.acts_on {
        crate::analysis::ActsOn::Samples => Peaks::of(&period.samples),
        _ => period.peaks,
    }
}

#[cfg(test)]
mod tests;
