//! One step: grant the drive, play each stimulus up to three times, analyse, store, commit.

use super::super::climb::{Climb, LOOK_PERIODS, Next, OVER_NOISE_DB, Purpose, Step, StopReason, over_noise_db};
use super::super::evaluate::evaluate;
use super::super::path;
use super::super::plan::{ATTEMPTS, ATTEMPTS_AFTER_LOSSES, Extent, SETTLE_S};
use super::super::protocol::Event;
use super::super::record::{Happening, InputResult, Record, SessionEvent, StepResult, TakeResult};
use super::super::storage::Storage;
use super::{RunError, Worker, loudness};
use crate::analysis::live::{Expected, NoiseFloor};
use crate::analysis::{self, AnalysisError, Context, Finding, HumLine, Reference, Weight};
use crate::audio::{AudioError, Engine, Guard, GuardedInput, Progress, TakeRequest};
use crate::card::InputRole;
use crate::signal::{Drive, Period, Stimulus};
use crate::stats::Estimate;
use crate::take::{Take, VoidReason};
use crate::units::{Dbfs, SampleRate, db_from_power, power_from_db};
use crossbeam_channel::Sender;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Route delay allowed for before it is measured, seconds.
const DELAY_UNKNOWN_S: f64 = 1.0;
/// The same once a take ended as if the sound had come too late, seconds.
const LONG_DELAY_UNKNOWN_S: f64 = 2.5;
/// A probe that finds exact zeros is played so often: a gate or few bits may leave nothing of it, and the next one is louder.
const ATTEMPTS_AT_ZERO: usize = 2;
/// Margin either side of the measured delay, seconds.
const DELAY_MARGIN_S: f64 = 0.1;
/// For so long a failed card is opened again and again.
const HEALING: Duration = Duration::from_secs(8);
/// Sound libraries complain of each failure on their own.
const BETWEEN_OPENINGS: Duration = Duration::from_secs(2);
/// Blocks become so many times as long at most.
const MOST_BLOCKS: u32 = 8;
/// Distortion is about the same within so much drive, dB.
const NEAR_DRIVE_DB: f64 = 6.0;
/// After a protective trip the noise is heard this much lower first, dB (method 5).
const AFTER_TRIP_DB: f64 = 10.0;
/// … and is as predicted within this, dB.
const AS_PREDICTED_DB: f64 = 1.0;
/// Longest wait for news from the cards.
const POLL: Duration = Duration::from_millis(50);

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
    reopened: bool,
    /// The sound may have come too late for a take: the next ones wait longer while the delay is not known.
    late: bool,
    storage: Storage,
    pub(super) record: Record,
    period: Arc<Period>,
    tell_live: Sender<Option<Expected>>,
    pub(super) known: Known,
    /// Seat of the headphone that is played on.
    pub(super) seat: u32,
    /// The session ended in a protective trip: the first sound is heard 10 dB lower before it is played.
    pub(super) look_first: bool,
}

/// What later takes are analysed with: rebuilt from the stored takes when a session is taken up again.
#[derive(Clone)]
pub(crate) struct Known {
    /// Quiet reference per input.
    pub(crate) references: BTreeMap<usize, Reference>,
    /// Mains hum and other steady tones seen in the silence take per input.
    pub(crate) hum: BTreeMap<usize, Vec<HumLine>>,
}

impl Known {
    /// Nothing yet.
    pub(crate) fn new() -> Known {
        Known { references: BTreeMap::new(), hum: BTreeMap::new() }
    }

    /// Clock and delay for the next take, from the finished steps. A path check is short by plan: under the noise hum can
    /// look like an onset that is late, and no take of it is made longer for that.
    pub(crate) fn pooled(record: &Record) -> (Option<Estimate>, Option<f64>) {
        let takes = record.steps.iter().flat_map(|s| &s.takes).filter(|t| t.void.is_none());
        let usable = || takes.clone().flat_map(|t| &t.inputs).map(|i| &i.finding);
        let fits: Vec<Estimate> = usable().filter_map(|f| f.common().clock.own_ppm).collect();
        let is_short = record.head.plan.extent == Extent::PathCheck;
        let counts = |finding: &&Finding| !(is_short && is_under_noise(finding));
        let delay = usable().rev().filter(counts).find_map(|f| f.common().window.delay_s);
        (analysis::pool_clock(&fits), delay)
    }

    /// Analyses every input of a take. Returns the results and the reason why the take is void, if the analysis finds one.
    pub(crate) fn analyse(
        &mut self,
        record: &Record,
        purpose: Purpose,
        take: &Take,
        pooled: (Option<Estimate>, Option<f64>),
    ) -> Result<(Vec<InputResult>, Option<VoidReason>), RunError> {
        let chain = &record.head.chain;
        let mut results = Vec::new();
        for (input, heard) in take.inputs.iter().enumerate() {
            let correction = chain.correction(heard.role);
            let context = Context {
                correction: &correction,
                pooled_clock: pooled.0,
                route_delay_s: pooled.1,
                reference: self.references.get(&input).filter(|_| uses_reference(record.head.plan.extent, purpose)),
                mains_lines: self.hum.get(&input).map_or(&[], Vec::as_slice),
                card_distortion_db: chain.card_distortion_db,
            };
            let measured = match analysis::measure(take, input, &context) {
                // A fresh stream may begin with samples that nobody wrote; the next take has none of them.
                Err(AnalysisError::NotFinite(frame)) => {
                    return Ok((Vec::new(), Some(VoidReason::NotFinite { frame })));
                }
                other => other?,
            };
            if let Some(void) = void_of(&measured.finding, purpose) {
                return Ok((Vec::new(), Some(void)));
            }
            if let (Purpose::Silence, Finding::Silence(silence)) = (purpose, &measured.finding) {
                self.hum.insert(input, silence.steady());
            }
            let reference = self.references.get(&input);
            results.push(evaluate(measured.finding, heard.role, chain, reference));
            if let (Purpose::Reference, Some(spectra)) = (purpose, &measured.spectra) {
                self.references.insert(input, Reference::from_spectra(spectra));
            }
        }
        Ok((results, None))
    }
}

fn is_under_noise(finding: &Finding) -> bool {
    matches!(finding, Finding::Pink(pink) if over_noise_db(pink) < OVER_NOISE_DB)
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

/// Steps up to the reference are measured without one, and so is another seat: the reference is the first seat's. A swap has
/// one seat.
fn uses_reference(extent: Extent, purpose: Purpose) -> bool {
    let on_one_seat = extent == Extent::Swap && purpose == Purpose::Matched;
    on_one_seat || !matches!(purpose, Purpose::Silence | Purpose::Probe | Purpose::Reference) && !purpose.is_added()
}

/// A flaw of weight void makes the take void; not where one channel sounds alone and this input does not hear it.
pub(super) fn void_of(finding: &Finding, purpose: Purpose) -> Option<VoidReason> {
    if purpose.is_alone() && !matches!(finding, Finding::Pink(pink) if over_noise_db(pink) >= OVER_NOISE_DB) {
        return None;
    }
    let flaw = finding.common().flaws.iter().find(|f| f.weight == Weight::Void)?;
    Some(match flaw.code.as_str() {
        "zero-input" => VoidReason::ZeroInput,
        "wrong-rate" => {
            VoidReason::WrongRate { ppm: finding.common().clock.own_ppm.map_or(f64::INFINITY, |e| e.value) }
        }
        "gain-moves" => VoidReason::GainMoves { what: flaw.text.trim_end_matches('.').into() },
        "disturbed" => VoidReason::Disturbed { clean: finding.common().window.periods },
        _ => VoidReason::LostSamples { what: flaw.text.clone() },
    })
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
        for step in record.steps.iter().filter(|s| matches!(s.step.purpose, Purpose::Silence | Purpose::Reference)) {
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

    pub(super) fn climb(&self) -> Climb<'_> {
        let head = &self.record.head;
        Climb { plan: &head.plan, chain: &head.chain, period: &self.period, results: &self.record.steps }
    }

    pub(super) fn next(&self) -> Next {
        self.climb().next()
    }

    /// Sound and silence still to come, by plan, seconds.
    pub(super) fn left_s(&self, next: &Step) -> f64 {
        let steps = super::expected_steps(&self.record, next).saturating_sub(next.number) as f64;
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
        let result = StepResult { step, seat: self.seat, finished_at: (self.worker.now)(), takes };
        self.record.steps.push(result.clone());
        self.storage.commit_step(&result, &self.record)?;
        Ok(())
    }

    fn rate(&self) -> SampleRate {
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

    fn request(&self, step: &Step, stimulus: &Stimulus) -> Result<TakeRequest, RunError> {
        let climb = self.climb();
        let mut ceiling = climb.ceiling();
        let drive = match step.drive {
            None => Drive::SILENT,
            Some(asked) => {
                let period = stimulus.period(self.rate());
                // A sound of higher crest factor than the stepped noise reaches full scale at a lower drive.
                let full = period.full_drive().filter(|_| *stimulus != self.record.head.plan.pink);
                let mut asked = Dbfs(asked.db().min(full.map_or(f64::INFINITY, |full| full.db())));
                if *stimulus != self.record.head.plan.pink
                    && let Some(own) = loudness::ceiling(&climb, &self.known, stimulus, &period, &self.period)
                {
                    asked = Dbfs(asked.db().min(own.rms.db()));
                    ceiling = if own.rms.db() < ceiling.rms.db() { own } else { ceiling };
                }
                Drive::grant(asked, &period, &ceiling)?
            }
        };
        let (_, delay) = Known::pooled(&self.record);
        let delay = delay.filter(|_| !self.reopened);
        // A session takes a delay from under the noise as well, which may be too long: its takes may be heard earlier.
        let (unknown, least_s) = match self.record.head.plan.extent {
            Extent::PathCheck => (path::DELAY_ALLOWED_S, delay.map_or(0.0, |d| d - DELAY_MARGIN_S)),
            Extent::Session | Extent::QuickLook | Extent::Swap => (DELAY_UNKNOWN_S, 0.0),
        };
        let unknown = if self.late { LONG_DELAY_UNKNOWN_S } else { unknown };
        Ok(TakeRequest {
            stimulus: stimulus.clone(),
            drive,
            periods: stimulus.periods_for(step.periods),
            settle_s: SETTLE_S,
            delay_s: least_s..delay.map_or(unknown, |d| d + DELAY_MARGIN_S),
            guard: self.guard(&climb, &drive, stimulus, step.purpose),
            only: self.only(step.purpose),
        })
    }

    /// The one channel that a step of this purpose drives.
    fn only(&self, purpose: Purpose) -> Option<u16> {
        let channels = &self.record.head.chain.routing.playback_channels;
        match purpose {
            Purpose::LeftAlone => channels.first().copied(),
            Purpose::RightAlone => channels.get(1).copied(),
            _ => None,
        }
    }

    /// What the live picture needs to tell distortion; `None` before the clocks are known.
    fn expected(&self, stimulus: &Stimulus) -> Option<Expected> {
        if stimulus.is_silent() {
            return None;
        }
        let clock_ppm = Known::pooled(&self.record).0?.value;
        let silence = self.record.last(Purpose::Silence);
        let inputs = self.record.head.chain.routing.capture_channels.len();
        let noise = (0..inputs).map(|input| Some(NoiseFloor::of(silence?.silence(input)?))).collect();
        Some(Expected { period: stimulus.period(self.rate()), clock_ppm, noise })
    }

    /// What the capture thread trips the gain at.
    fn guard(&self, climb: &Climb, drive: &Drive, stimulus: &Stimulus, purpose: Purpose) -> Guard {
        let chain = &self.record.head.chain;
        let silence = self.record.steps.iter().find(|s| s.step.purpose == Purpose::Silence);
        let inputs = chain.ears().map(|(input, role)| {
            let noise_dbfs = silence.and_then(|s| s.silence(input)?.everything_dbfs());
            // How loud another seat or volume position is, or what an ear hears of one channel alone, nobody knows; it is quiet, and the
            // ceiling still holds.
            let unknown = matches!(purpose, Purpose::Seat | Purpose::Position) || purpose.is_alone();
            let known = matches!(stimulus, Stimulus::Pink(_)) && !unknown;
            let curve_db = self.curve_effect_db(input, role);
            let expected = drive.rms().filter(|_| known).zip(climb.gain_db(input));
            let products_db = drive.rms().map_or(0.0, |drive| self.products_db(input, drive));
            let steady = matches!(stimulus, Stimulus::Sine(_) | Stimulus::TwoTones(_)) && !unknown;
            let of_tones = drive.rms().filter(|_| steady).and_then(|drive| {
                let reference = self.known.references.get(&input)?;
                Some(
                    drive.db()
                        + loudness::gain_db(reference, self.period.line_spacing_hz(), &stimulus.period(self.rate()))?,
                )
            });
            GuardedInput {
                input,
                name: role.in_words(),
                roughly_dbfs: of_tones.map(|dbfs| dbfs - curve_db),
                expected_dbfs: expected.map(|(d, gain)| d.db() + gain + products_db - curve_db),
                ceiling_dbfs: chain.acoustic(role).map(|a| a.dbfs(climb.spl_ceiling()).db() - curve_db),
                noise_dbfs,
            }
        });
        Guard { inputs: inputs.collect() }
    }

    /// What distortion added to the level of the lines when they were heard last, dB: the capture thread hears all of it. At a
    /// drive far from that nobody knows.
    fn products_db(&self, input: usize, drive: Dbfs) -> f64 {
        let near =
            |step: &&StepResult| step.step.drive.is_some_and(|then| (then.db() - drive.db()).abs() < NEAR_DRIVE_DB);
        let last = self.record.steps.iter().rev().find(|step| step.pink(input).is_some());
        let Some((pink, _)) = last.filter(near).and_then(|step| step.pink(input)) else { return 0.0 };
        let told = [&pink.even, &pink.odd].into_iter().filter_map(|reading| reading.told());
        db_from_power(1.0 + told.map(|e| power_from_db(e.value)).sum::<f64>()).unwrap_or(0.0)
    }

    /// What the correction curves add to the level of pink noise at this input, dB: the capture thread hears without
    /// them. Before a take has told the spectrum it is the most that they can add.
    fn curve_effect_db(&self, input: usize, role: InputRole) -> f64 {
        let correction = self.record.head.chain.correction(role);
        let last = self.record.steps.iter().rev().find_map(|step| step.pink(input));
        let most = correction.points().iter().map(|(_, db)| *db).reduce(f64::max).unwrap_or(0.0);
        let Some((pink, _)) = last.filter(|_| !correction.is_none()) else { return most };
        let bands =
            || pink.bands.iter().filter_map(|band| Some((analysis::band::centre_hz(band.x), band.level?.value)));
        let corrected: f64 = bands().map(|(_, db)| power_from_db(db)).sum();
        let heard: f64 = bands().map(|(f_hz, db)| power_from_db(db - correction.db_at(f_hz))).sum();
        db_from_power(corrected / heard).unwrap_or(most)
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
