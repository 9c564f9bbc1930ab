//! One step: grant the drive, play each stimulus up to three times, analyse, store, commit.

use super::super::climb::{Climb, LOOK_PERIODS, Next, OVER_NOISE_DB, over_noise_db};
use super::super::plan::{ATTEMPTS, ATTEMPTS_AFTER_LOSSES, SETTLE_S};
use super::super::program::ARITHMETIC;
use super::super::protocol::Event;
use super::super::record::{Happening, Record, SessionEvent, StepResult, TakeResult};
use super::super::step::{Purpose, Step, StopReason};
use super::super::storage::Storage;
use super::expected::expected_steps;
use super::known::Known;
use super::{RunError, Worker};
use crate::analysis::Finding;
use crate::analysis::live::Expected;
use crate::audio::{AudioError, Engine, Progress};
use crate::card::InputRole;
use crate::signal::{Period, Stimulus};
use crate::take::{Take, VoidReason};
use crate::units::{Dbfs, SampleRate};
use crossbeam_channel::Sender;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The delay allowed for once a take ended as if the sound had come too late, seconds.
pub(super) const LONG_DELAY_UNKNOWN_S: f64 = 2.5;
/// Times a probe that finds exact zeros is played: a gate or few bits may leave nothing of it, and the next one is louder.
const ATTEMPTS_AT_ZERO: usize = 2;
/// Margin either side of the measured delay, seconds.
pub(super) const DELAY_MARGIN_S: f64 = 0.1;
/// For so long a failed card is opened again and again.
const HEALING: Duration = Duration::from_secs(8);
/// Sound libraries complain of each failure on their own.
const BETWEEN_OPENINGS: Duration = Duration::from_secs(2);
/// Blocks become so many times as long at most.
const MOST_BLOCKS: u32 = 8;
/// After a protective trip the noise is heard this much lower first, dB.
const AFTER_TRIP_DB: f64 = 10.0;
/// … and is as predicted within this, dB.
const AS_PREDICTED_DB: f64 = 1.0;
/// Longest wait for news from the cards.
pub(super) const POLL: Duration = Duration::from_millis(50);

/// Why a step did not finish.
pub(super) enum StepError {
    /// The user stopped.
    Stopped,
    /// A card was lost.
    Card(String),
    /// What was faded out before is not heard as predicted 10 dB lower either.
    NotAsPredicted,
    /// Anything else.
    Run(RunError),
}

impl<E: Into<RunError>> From<E> for StepError {
    fn from(error: E) -> StepError {
        StepError::Run(error.into())
    }
}

/// Open cards, and the way to tell the live picture what will play.
pub(super) type Opened = (Engine, Sender<Option<Expected>>);
/// Opens the same cards again, with blocks so many times as long.
pub(super) type Reopen<'a> = Box<dyn Fn(u32) -> Result<Opened, RunError> + 'a>;

pub(super) struct StepRunner<'a> {
    pub(super) worker: &'a Worker,
    /// `None` only while the cards are opened again.
    engine: Option<Engine>,
    reopen: Reopen<'a>,
    /// Blocks are so many times as long as asked for.
    blocks: u32,
    /// Nothing was heard through them since: the delay of the streams before says nothing.
    pub(super) reopened: bool,
    /// The sound may have come too late for a take: the next ones wait longer while the delay is not known.
    pub(super) late: bool,
    storage: Storage,
    pub(super) record: Record,
    pub(super) period: Arc<Period>,
    tell_live: Sender<Option<Expected>>,
    pub(super) known: Known,
    /// Seat of the headphone that is played on.
    pub(super) seat: u32,
    /// The session ended in a protective trip: the first sound is heard 10 dB lower before it is played.
    pub(super) look_first: bool,
}

/// What the machine loses says nothing of the sound, and comes again on a busy one.
fn attempts_at(reason: &VoidReason, purpose: Purpose) -> usize {
    match reason {
        VoidReason::ZeroInput if purpose == Purpose::Probe => ATTEMPTS_AT_ZERO,
        VoidReason::LostSamples { .. } | VoidReason::Stalled { .. } | VoidReason::NotFinite { .. } => {
            ATTEMPTS_AFTER_LOSSES
        }
        _ => ATTEMPTS,
    }
}

impl<'a> StepRunner<'a> {
    pub(super) fn new(
        worker: &'a Worker,
        (engine, tell_live): Opened,
        reopen: Reopen<'a>,
        storage: Storage,
        record: Record,
        period: Arc<Period>,
    ) -> Result<Self, RunError> {
        let mut known = Known::new();
        for step in record.steps.iter().filter(|s| s.step.purpose.teaches()) {
            for take in step.takes.iter().filter(|t| t.void.is_none()) {
                let loaded = storage.load_take(step.step.number, take, &roles(&record))?;
                known.analyse(&record, step.step.purpose, &loaded, (take.pooled_ppm, take.route_delay_s))?;
            }
        }
        Ok(StepRunner {
            worker,
            engine: Some(engine),
            reopen,
            blocks: 1,
            reopened: false,
            late: false,
            storage,
            record,
            period,
            tell_live,
            known,
            seat: 1,
            look_first: false,
        })
    }

    /// The open cards, for whoever plays on; `None` where they are closed.
    pub(super) fn into_opened(self) -> Option<Opened> {
        Some((self.engine?, self.tell_live))
    }

    pub(super) fn climb(&self) -> Climb<'_> {
        let head = &self.record.head;
        Climb { plan: &head.plan, chain: &head.chain, period: &self.period, results: &self.record.steps }
    }

    pub(super) fn next(&self) -> Next {
        self.climb().next()
    }

    /// Sound and silence still to come, by plan, seconds.
    pub(super) fn left_s(&self, next: &Step) -> f64 {
        let steps = expected_steps(&self.record, next).saturating_sub(next.number) as f64;
        let (stimuli, periods) = (self.climb().stimuli(Purpose::Climb), self.record.head.plan.climb_periods);
        self.take_s(next) + steps * self.take_s(&Step { stimuli, periods, ..next.clone() })
    }

    pub(super) fn take_s(&self, step: &Step) -> f64 {
        let seconds =
            |s: &Stimulus| (s.periods_for(step.periods) * s.period_frames(self.rate())) as f64 / self.rate().hz();
        step.stimuli.iter().map(|s| seconds(s) + SETTLE_S + DELAY_MARGIN_S).sum()
    }

    /// Plays, analyses, stores and commits one step.
    pub(super) fn run(&mut self, step: Step) -> Result<(), StepError> {
        if step.drive.is_some() && std::mem::take(&mut self.look_first) && !self.heard_as_predicted(&step)? {
            return Err(StepError::NotAsPredicted);
        }
        let (mut takes, mut tripped) = (Vec::new(), false);
        for stimulus in &step.stimuli {
            self.storage.save_period(stimulus, &stimulus.period(self.rate()))?;
            for attempt in 1..=ATTEMPTS_AFTER_LOSSES {
                let take = match self.play(&step, stimulus) {
                    Err(StepError::Card(what)) if attempt < ATTEMPTS_AFTER_LOSSES => {
                        self.heal(&what)?;
                        continue;
                    }
                    other => other?,
                };
                let result = self.take_result(&step, take)?;
                let void = result.void.clone();
                self.reopened &= void.is_some();
                takes.push(result);
                match void {
                    None => break,
                    Some(VoidReason::Stopped) => return Err(StepError::Stopped),
                    Some(VoidReason::Card { what }) if attempt == ATTEMPTS_AFTER_LOSSES => {
                        return Err(StepError::Card(what));
                    }
                    Some(VoidReason::Card { what }) => self.heal(&what)?,
                    // What tripped the protection at this drive is played again at it only once, and only where the same noise 10 dB
                    // lower was heard as predicted: then a door or a voice tripped it.
                    Some(reason @ VoidReason::Protection { .. }) => {
                        if tripped || !self.heard_as_predicted(&step)? {
                            break;
                        }
                        tripped = true;
                        self.worker.tell(Event::Repeated { reason });
                    }
                    Some(reason) => {
                        if matches!(reason, VoidReason::Disturbed { .. } | VoidReason::ZeroInput) {
                            self.wait_for_what_is_late()?;
                        }
                        if attempt >= attempts_at(&reason, step.purpose) {
                            break;
                        }
                        // A stream that delivers nothing, or no numbers, twice running does not come back by itself.
                        let no_numbers = matches!(reason, VoidReason::NotFinite { .. });
                        if attempt > 1 && (no_numbers || matches!(reason, VoidReason::Stalled { .. })) {
                            // A plug-in of a server that makes no numbers of one block size may make some of another.
                            if no_numbers {
                                self.blocks = (2 * self.blocks).min(MOST_BLOCKS);
                            }
                            self.heal(&reason.to_string())?;
                        } else {
                            self.worker.tell(Event::Repeated { reason });
                        }
                    }
                }
            }
            if takes.last().is_some_and(|t| t.void.is_some()) {
                break;
            }
        }
        self.commit(step, takes)
    }

    /// While the route's delay is not known, a take may have ended before its sound had come: the next ones wait longer, and the
    /// sound that is still on its way is let pass, or it would be taken for theirs.
    fn wait_for_what_is_late(&mut self) -> Result<(), StepError> {
        if Known::pooled(&self.record).1.is_some() {
            return Ok(());
        }
        self.late = true;
        let Some(engine) = &mut self.engine else { return Ok(()) };
        for _ in 0..(LONG_DELAY_UNKNOWN_S / POLL.as_secs_f64()) as usize {
            if self.worker.stop.is_asked() {
                return Err(StepError::Stopped);
            }
            match engine.poll(POLL) {
                Err(AudioError::Lost(what)) => return Err(StepError::Card(what)),
                other => other?,
            };
        }
        Ok(())
    }

    /// After a trip: does every ear hear the stepped noise as predicted, [`AFTER_TRIP_DB`] lower? Not where nothing was heard
    /// before, or where hands are at the coupler. A look, not kept: no number comes of it.
    fn heard_as_predicted(&mut self, step: &Step) -> Result<bool, StepError> {
        let Some(drive) = step.drive.filter(|_| !step.purpose.is_added()) else { return Ok(false) };
        let stimulus = self.record.head.plan.pink.clone();
        let look = Step {
            purpose: Purpose::Probe,
            drive: Some(Dbfs(drive.db() - AFTER_TRIP_DB)),
            stimuli: vec![stimulus.clone()],
            periods: LOOK_PERIODS,
            ..step.clone()
        };
        let take = self.play(&look, &stimulus)?;
        if take.head.void.is_some() {
            return Ok(false);
        }
        let pooled = Known::pooled(&self.record);
        let (heard, void) = self.known.clone().analyse(&self.record, Purpose::Probe, &take, pooled)?;
        let climb = self.climb();
        let as_predicted = |input: usize| {
            let Some(Finding::Pink(pink)) = heard.get(input).map(|result| &result.finding) else { return false };
            let predicted = climb.gain_db(input).zip(pink.gain_db);
            over_noise_db(pink) >= OVER_NOISE_DB
                && predicted.is_some_and(|(p, now)| (now.value - p).abs() < AS_PREDICTED_DB)
        };
        Ok(void.is_none() && self.record.head.chain.ears().all(|(input, _)| as_predicted(input)))
    }

    /// Closes the cards and opens them again: a stream that failed stays failed, a server that lives gives a fresh one.
    pub(super) fn heal(&mut self, what: &str) -> Result<(), StepError> {
        self.worker
            .tell(Event::Repeated { reason: VoidReason::Card { what: format!("{what}; the cards are opened again") } });
        self.engine = None;
        let began = Instant::now();
        loop {
            if self.worker.stop.is_asked() {
                return Err(StepError::Stopped);
            }
            match (self.reopen)(self.blocks) {
                Ok((engine, tell_live)) => {
                    (self.engine, self.tell_live, self.reopened) = (Some(engine), tell_live, true);
                    return Ok(());
                }
                Err(error) if began.elapsed() > HEALING => {
                    return Err(StepError::Card(format!("{what}; opening it again failed: {error}")));
                }
                Err(_) => std::thread::sleep(BETWEEN_OPENINGS),
            }
        }
    }

    /// Keeps a take that was played already as a step of its own.
    pub(super) fn keep(&mut self, step: Step, take: Take) -> Result<(), StepError> {
        self.storage.save_period(&take.head.stimulus, &take.head.stimulus.period(self.rate()))?;
        let result = self.take_result(&step, take)?;
        self.commit(step, vec![result])
    }

    fn commit(&mut self, step: Step, takes: Vec<TakeResult>) -> Result<(), StepError> {
        let result =
            StepResult { step, seat: self.seat, finished_at: (self.worker.now)(), arithmetic: Some(ARITHMETIC), takes };
        self.record.steps.push(result.clone());
        self.storage.commit_step(&result, &self.record)?;
        Ok(())
    }

    pub(super) fn rate(&self) -> SampleRate {
        self.record.head.chain.routing.playback_rate
    }

    fn take_result(&mut self, step: &Step, take: Take) -> Result<TakeResult, StepError> {
        let file = self.storage.save_take(step, &take)?;
        let pooled = Known::pooled(&self.record);
        let (inputs, void) = match take.head.void.clone() {
            Some(void) => (Vec::new(), Some(void)),
            None => self.known.analyse(&self.record, step.purpose, &take, pooled)?,
        };
        Ok(TakeResult { file, head: take.head, void, pooled_ppm: pooled.0, route_delay_s: pooled.1, inputs })
    }

    pub(super) fn play(&mut self, step: &Step, stimulus: &Stimulus) -> Result<Take, StepError> {
        if self.worker.stop.is_asked() {
            return Err(StepError::Stopped);
        }
        let request = self.request(step, stimulus)?;
        // A picture that is not told what to expect shows no distortion, nothing worse.
        let _ = self.tell_live.try_send(self.expected(stimulus));
        let Some(engine) = &mut self.engine else { return Err(StepError::Card("the cards are closed".into())) };
        match engine.start(request) {
            Err(AudioError::Lost(what)) => return Err(StepError::Card(what)),
            // Stop was pressed since it was looked at above.
            Err(AudioError::Stopped) => return Err(StepError::Stopped),
            other => other?,
        }
        loop {
            match engine.poll(POLL) {
                Ok(Progress::Done(take)) => return Ok(*take),
                Ok(Progress::Playing { done_s, total_s }) => self.worker.tell(Event::Playing { done_s, total_s }),
                Ok(Progress::Idle) => {}
                Err(AudioError::Lost(what)) => return Err(StepError::Card(what)),
                Err(error) => return Err(error.into()),
            }
        }
    }

    /// Writes the end.
    pub(super) fn end(&mut self, stop: StopReason, at: String) -> Result<Record, RunError> {
        self.note(SessionEvent { at, what: Happening::Ended { stop } })?;
        Ok(self.record.clone())
    }

    /// Writes what happened around the steps.
    pub(super) fn note(&mut self, event: SessionEvent) -> Result<(), RunError> {
        self.storage.append_event(&event)?;
        self.record.events.push(event);
        Ok(())
    }
}

fn roles(record: &Record) -> Vec<InputRole> {
    record.head.chain.routing.capture_channels.iter().map(|c| c.role).collect()
}
