//! The only state machine: opens the cards, plays the steps that `climb` asks for, has each take analysed, stores it,
//! and tells the front end. It never touches a sample in real time.
//!
//! ```text
//!  front end ── Command ──► bench thread ── TakeRequest ──► Engine ──► Take
//!      ▲                        │  analysis → evaluate → storage
//!      └────── Event ───────────┘
//! ```

mod added;
mod calibrate;
mod electrical;
mod loudness;
mod matched;
mod positions;
mod step;
mod swap;

pub(crate) use step::Known;

use super::chain::Chain;
use super::climb::{Climb, FIRST_PROBE, Next, Purpose, START_BELOW_LISTENING_DB, START_UNKNOWN, StopReason};
use super::plan::{Extent, Plan, PlanError};
use super::protocol::{Command, Event, Failure, SessionRequest};
use super::record::{Happening, Record, SCHEMA, SessionEvent, SessionHead};
use super::storage::{Storage, StorageError, name_of_time};
use crate::analysis::live::{Expected, Live, LiveAnalyser};
use crate::audio::{AudioError, Backend, Engine, StopHandle};
use crate::card::Routing;
use crate::take::VoidReason;
use crate::units::Dbfs;
use added::Addition;
use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use step::{Opened, StepError, StepRunner};

/// What plays next may wait so often for a capture thread that hears nothing.
const EXPECTATIONS_WAITING: usize = 16;
/// Events that may wait for a slow front end.
const EVENTS_WAITING: usize = 256;

/// What can go wrong before or between steps.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The plan.
    #[error("the plan cannot run: {0}")]
    Plan(#[from] PlanError),
    /// The plan as stored.
    #[error("the stored session cannot be taken up: {0}")]
    Stored(String),
    /// Its ceiling was raised.
    #[error(
        "the session was begun under a raised ceiling of {ceiling}: such levels destroy hearing and can destroy the headphone. If you mean it, type it again: `loudenough run --continue \"{folder}\" --confirm-ceiling {ceiling}`"
    )]
    RaisedCeiling {
        /// As stored.
        ceiling: f64,
        /// Its folder.
        folder: String,
    },
    /// A level.
    #[error("the step cannot be played: {0}")]
    Drive(#[from] crate::signal::DriveRefused),
    /// A card.
    #[error(transparent)]
    Audio(#[from] AudioError),
    /// The session folder.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// No back end has the card.
    #[error("no card is called {0}; `loudenough cards` lists what can be asked for")]
    UnknownCard(String),
    /// No capture channel.
    #[error("the chain records no ear; choose a capture channel")]
    NoEar,
    /// The calibrator's tone.
    #[error("the calibration was refused: {0}")]
    Calibration(#[from] crate::calibration::CalibrationRefused),
    /// Nothing to check against.
    #[error(
        "the session has no calibration offset of the {0} from a sound calibrator; state the calibrator's level and frequency"
    )]
    NoCalibrator(&'static str),
    /// The recording of the calibrator's tone was void.
    #[error("the calibrator could not be recorded: {0}; try again")]
    CalibratorNotHeard(crate::take::VoidReason),
    /// An electrical input is missing.
    #[error("the chain has no {0}; name its capture channel, or choose it on page Chain")]
    NoInput(&'static str),
    /// An electrical take was void.
    #[error("the take cannot be used: {0}")]
    TakeVoid(crate::take::VoidReason),
    /// An electrical input was overloaded.
    #[error("the {0} is overloaded; lower its gain or the drive, or take a divider that divides more")]
    Overloaded(&'static str),
    /// The analysis.
    #[error(transparent)]
    Analysis(#[from] crate::analysis::AnalysisError),
    /// Simulated and real cards cannot be mixed.
    #[error("{0} and {1} belong to different kinds of card; choose both from one")]
    MixedBackends(String, String),
    /// A seat or an outside source before the climb is over.
    #[error("seats and outside sources are added to a finished session; this one is not finished, or heard nothing")]
    AddedTooEarly,
    /// A seat without a reference.
    #[error("the session has no quiet reference to hold a seat against")]
    NoReference,
    /// Nobody said that the headphone sits, or that the knob is right.
    #[error(
        "the noise was held for ten minutes and nobody said that it is right now; it is silent again, and nothing was added"
    )]
    HeldTooLong,
    /// Protection closed the gain while noise was held: it would trip again at the same level.
    #[error(
        "the sound was faded out: {0}. Nothing was added. Turn the output or the input gain back to where the session was \
         measured, then begin again"
    )]
    TooLoudToHold(String),
    /// Half of a swap.
    #[error("{0} is one output of a swap; go on with it by `loudenough swap --continue \"{0}\"`")]
    OneOfASwap(String),
    /// A round of something else.
    #[error("{0} is no output of a swap; begin one with `loudenough swap`")]
    NoSwap(String),
    /// The wrong output.
    #[error(
        "this sounds as the other output did, and {by} dB from how {wanted} sounded before: plug {wanted} in and go on"
    )]
    NotSwapped {
        /// The output that was expected.
        wanted: String,
        /// How far off it is, with its sign.
        by: String,
    },
    /// A round ended before its level.
    #[error("the round ended before its level was played: {0}")]
    RoundEnded(StopReason),
    /// The level of another session cannot be played.
    #[error(
        "the level of the other session takes a drive of {wanted}, but {because} at {limit}; match at a lower level"
    )]
    MatchOutOfReach {
        /// Drive it takes.
        wanted: Dbfs,
        /// Highest allowed.
        limit: Dbfs,
        /// What limits it.
        because: String,
    },
    /// The level does not follow the drive.
    #[error(
        "the level stays {0:.2} dB off that of the other session; check that nothing changes the volume while the bench plays"
    )]
    NotMatched(f64),
    /// A card was lost.
    #[error("the card failed: {0}; nothing was added to the session")]
    CardFailed(String),
    /// Stopped by the user.
    #[error("stopped")]
    Stopped,
}

/// The newest live picture; a slow reader misses some, never waits.
#[derive(Clone, Default)]
pub struct Latest(Arc<Mutex<Option<Arc<Live>>>>);

impl Latest {
    /// The newest, if there is one.
    pub fn get(&self) -> Option<Arc<Live>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Nothing is heard any more.
    fn clear(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    fn set(&self, picture: Live) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(picture));
    }
}

/// Stops whatever sounds, from any thread, at once.
#[derive(Clone, Default)]
pub struct Stop(Arc<Mutex<StopState>>);

#[derive(Default)]
struct StopState {
    handle: Option<StopHandle>,
    asked: bool,
}

impl Stop {
    /// Fades out; the running take becomes void, finished steps are kept.
    pub fn now(&self) {
        let mut state = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        state.asked = true;
        if let Some(handle) = &state.handle {
            handle.stop();
        }
    }

    /// True once asked, until the next session begins.
    pub fn is_asked(&self) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).asked
    }

    /// A command begins: what was asked of an earlier one is forgotten.
    fn begin(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = StopState::default();
    }

    /// The cards are open; a stop asked for while they were being opened acts now.
    fn arm(&self, handle: StopHandle) {
        let mut state = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if state.asked {
            handle.stop();
        }
        state.handle = Some(handle);
    }

    fn disarm(&self) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).handle = None;
    }
}

/// Says that the headphone sits, from any thread.
#[derive(Clone, Default)]
pub struct Ready(Arc<AtomicBool>);

impl Ready {
    /// It sits.
    pub fn now(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    fn is_asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    fn forget(&self) {
        self.0.store(false, Ordering::Relaxed);
    }
}

/// The bench as a front end sees it.
pub struct Bench {
    /// Ask.
    pub commands: Sender<Command>,
    /// Be told.
    pub events: Receiver<Event>,
    /// The live picture.
    pub live: Latest,
    /// Stop, at once.
    pub stop: Stop,
    /// Says that a headphone sits, while the bench holds noise for it.
    pub ready: Ready,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Bench {
    /// Starts the bench thread over these back ends. `now` gives the time of day (RFC 3339).
    pub fn spawn(backends: Vec<Box<dyn Backend>>, now: fn() -> String) -> Bench {
        let (commands, inbox) = bounded(16);
        let (outbox, events) = bounded(EVENTS_WAITING);
        let (live, stop, ready) = (Latest::default(), Stop::default(), Ready::default());
        let worker = Worker { backends, outbox, live: live.clone(), stop: stop.clone(), ready: ready.clone(), now };
        let thread = std::thread::Builder::new().name("bench".into()).spawn(move || worker.serve(&inbox)).ok();
        Bench { commands, events, live, stop, ready, thread }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.stop.now();
        let _ = self.commands.try_send(Command::Quit);
        // The bench may be waiting to tell something nobody hears any more.
        while self.thread.as_ref().is_some_and(|t| !t.is_finished()) {
            let _ = self.events.recv_timeout(std::time::Duration::from_millis(20));
            self.stop.now();
        }
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

struct Worker {
    backends: Vec<Box<dyn Backend>>,
    outbox: Sender<Event>,
    live: Latest,
    stop: Stop,
    ready: Ready,
    now: fn() -> String,
}

impl Worker {
    fn serve(&self, inbox: &Receiver<Command>) {
        while let Ok(command) = inbox.recv() {
            let mut kept = None;
            self.stop.begin();
            self.ready.forget();
            let outcome = match command {
                Command::Quit => return,
                Command::ListCards => {
                    self.list_cards();
                    Ok(())
                }
                Command::Run(request) => self.run(&request, &mut kept),
                Command::Continue { folder, confirmed } => self.carry_on(&folder, confirmed, &mut kept),
                Command::Seat { folder, hold } => self.add(&folder, Addition::Seat { hold }),
                Command::Positions { folder } => self.add(&folder, Addition::Positions),
                Command::Match { folder, target } => self.add(&folder, Addition::Matched(target)),
                Command::Round(request) => self.round(&request, &mut kept),
                Command::Listen { folder, covered } => self.add(&folder, Addition::Outside { covered }),
                Command::Calibrate { chain, role, calibrator } => self.calibrate(&chain, role, calibrator),
                Command::Electrical(take) => self.electrical(&take),
                Command::CheckCalibration { folder, role, calibrator } => {
                    self.check_calibration(&folder, role, calibrator)
                }
            };
            self.stop.disarm();
            self.live.clear();
            if let Err(error) = outcome {
                self.tell(Event::Failed(Failure { message: error.to_string(), kept }));
            }
        }
    }

    /// Sends what must arrive; progress may be dropped, nothing else.
    fn tell(&self, event: Event) {
        let droppable = matches!(event, Event::Playing { .. });
        match self.outbox.try_send(event) {
            Err(TrySendError::Full(event)) if !droppable => {
                let _ = self.outbox.send(event);
            }
            _ => {}
        }
    }

    fn list_cards(&self) {
        let (mut cards, mut failed) = (Vec::new(), Vec::new());
        for backend in &self.backends {
            match backend.list() {
                Ok(found) => cards.extend(found),
                Err(error) => failed.push(format!("{}: {error}", backend.name())),
            }
        }
        self.tell(Event::Cards { cards, failed });
    }

    /// The back end that has both cards.
    fn backend(&self, routing: &Routing) -> Result<&dyn Backend, RunError> {
        let of = |id: &crate::card::CardId| {
            self.backends.iter().position(|b| b.owns(id)).ok_or_else(|| RunError::UnknownCard(id.to_string()))
        };
        let (playback, capture) = (of(&routing.playback)?, of(&routing.capture)?);
        if playback != capture {
            return Err(RunError::MixedBackends(routing.playback.to_string(), routing.capture.to_string()));
        }
        Ok(self.backends[playback].as_ref())
    }

    /// Opens the cards of a chain; a simulated bench takes the devices that the chain names.
    fn open_chain(&self, chain: &Chain) -> Result<(Engine, Sender<Option<Expected>>), RunError> {
        let backend = self.backend(&chain.routing)?;
        let named = backend.with_devices(&chain.output, &chain.headphone);
        self.open(named.as_deref().unwrap_or(backend), &chain.routing)
    }

    /// Opens the cards. Through the sender the live picture is told what will play.
    fn open(&self, backend: &dyn Backend, routing: &Routing) -> Result<(Engine, Sender<Option<Expected>>), RunError> {
        let (tell, told) = bounded(EXPECTATIONS_WAITING);
        let live = self.live.clone();
        let roles = routing.capture_channels.iter().map(|channel| channel.role);
        let mut analyser = LiveAnalyser::new(routing.capture_rate, roles);
        let engine = Engine::open(
            backend,
            routing,
            Box::new(move |heard| {
                if let Some(expected) = told.try_iter().last() {
                    analyser.expect(expected);
                }
                if let Some(picture) = analyser.push(heard.inputs, heard.steady) {
                    live.set(picture);
                }
            }),
        )?;
        self.stop.arm(engine.stop_handle());
        Ok((engine, tell))
    }

    fn run(&self, request: &SessionRequest, kept: &mut Option<PathBuf>) -> Result<(), RunError> {
        let (engine, storage, record) = self.begin(request)?;
        *kept = Some(storage.folder().to_path_buf());
        self.climb(engine, storage, record, false)
    }

    /// Opens the cards for a new session and makes its folder.
    fn begin(&self, request: &SessionRequest) -> Result<(Opened, Storage, Record), RunError> {
        let SessionRequest { plan, chain, sessions, id } = request;
        let rate = chain.routing.playback_rate;
        plan.check(rate)?;
        if chain.ears().next().is_none() {
            return Err(RunError::NoEar);
        }
        let (engine, tell_live) = self.open_chain(chain)?;
        let started_at = (self.now)();
        let (playback, capture) = engine.granted();
        let head = SessionHead {
            schema: SCHEMA.into(),
            id: id.clone().unwrap_or_else(|| name_of_time(&started_at)),
            started_at,
            program: format!("loudenough {}", env!("CARGO_PKG_VERSION")),
            plan: plan.clone(),
            chain: chain.clone(),
            playback: playback.clone(),
            capture: capture.clone(),
        };
        let mut storage = Storage::create(sessions, &head)?;
        storage.save_period(&plan.pink, &plan.pink.period(rate))?;
        Ok(((engine, tell_live), storage, Record::new(head)))
    }

    fn carry_on(&self, folder: &Path, confirmed: Option<f64>, kept: &mut Option<PathBuf>) -> Result<(), RunError> {
        let (mut storage, mut record) = take_up(folder, confirmed)?;
        if record.head.plan.extent == Extent::Swap {
            return Err(RunError::OneOfASwap(folder.display().to_string()));
        }
        *kept = Some(folder.to_path_buf());
        let engine = self.open_chain(&record.head.chain)?;
        // A step that was given up is played again.
        if record.steps.last().is_some_and(|s| s.given_up().is_some()) {
            storage.withdraw_last_step()?;
            record.steps.pop();
        }
        storage.refresh_summary(&record)?;
        let tripped = matches!(record.stop(), Some(StopReason::TakesVoid { reason: VoidReason::Protection { .. } }));
        let event = SessionEvent { at: (self.now)(), what: Happening::Continued };
        storage.append_event(&event)?;
        record.events.push(event);
        self.climb(engine, storage, record, tripped)
    }

    /// Tells that a session begins and makes ready to play its steps.
    fn steps(&self, engine: Opened, storage: Storage, record: Record) -> Result<StepRunner<'_>, RunError> {
        let (playback, capture) = engine.0.granted();
        let granted = (playback.clone(), capture.clone());
        let folder = storage.folder().to_path_buf();
        self.tell(Event::Began { record: Arc::new(record.clone()), folder, granted });
        let chain = record.head.chain.clone();
        let reopen = Box::new(move |blocks| {
            let routing = with_blocks(&chain.routing, blocks);
            self.open_chain(&Chain { routing, ..chain.clone() })
        });
        let period = record.head.plan.pink.period(record.head.chain.routing.playback_rate);
        StepRunner::new(self, engine, reopen, storage, record, period)
    }

    /// Plays step after step until the climb is done; after a protective trip the first sound is heard 10 dB lower first.
    fn climb(&self, engine: Opened, storage: Storage, record: Record, tripped: bool) -> Result<(), RunError> {
        let folder = storage.folder().to_path_buf();
        let mut steps = self.steps(engine, storage, record)?;
        steps.look_first = tripped;
        let stop = loop {
            let next = match steps.next() {
                Next::Step(step) => step,
                Next::Done(reason) => break reason,
            };
            self.tell(Event::StepBegan {
                expected_steps: expected_steps(&steps.record, &next),
                left_s: steps.left_s(&next),
                step: next.clone(),
            });
            match steps.run(next) {
                Ok(()) => self.tell(Event::StepDone(Arc::new(steps.record.clone()))),
                Err(StepError::Stopped) => break StopReason::Stopped,
                Err(StepError::NotAsPredicted) => break not_as_predicted(),
                Err(StepError::Card(what)) => {
                    steps.end(StopReason::Card { what: what.clone() }, (self.now)())?;
                    let message = format!("the card failed: {what}");
                    self.tell(Event::Failed(Failure { message, kept: Some(folder) }));
                    return Ok(());
                }
                Err(StepError::Run(error)) => return Err(error),
            }
        };
        let record = steps.end(stop, (self.now)())?;
        self.tell(Event::Ended { record: Arc::new(record), folder });
        Ok(())
    }
}

/// The level is not what it was.
fn not_as_predicted() -> StopReason {
    let what = "10 dB lower the level at the microphone is still not what was predicted; turn volume and gain back to \
                where the session began";
    StopReason::TakesVoid { reason: VoidReason::Protection { what: what.into() } }
}

/// Takes up a stored session whose raised ceiling, if it has one, was typed again.
fn take_up(folder: &Path, confirmed: Option<f64>) -> Result<(Storage, Record), RunError> {
    let (storage, record) = Storage::take_up(folder)?;
    check_stored(&record)?;
    let raised = record.head.plan.ceilings.raised(record.head.chain.is_calibrated());
    match raised.filter(|raised| confirmed.is_none_or(|again| (again - raised).abs() > 1e-9)) {
        Some(ceiling) => Err(RunError::RaisedCeiling { ceiling, folder: folder.display().to_string() }),
        None => Ok((storage, record)),
    }
}

/// A stored plan and chain pass the checks of typed ones: a file may have been changed since.
fn check_stored(record: &Record) -> Result<(), RunError> {
    let head = &record.head;
    let plan = head.plan.check(head.chain.routing.playback_rate).map_err(|error| error.to_string());
    plan.and_then(|()| head.chain.check()).map_err(RunError::Stored)
}

/// The same cards with blocks so many times as long.
fn with_blocks(routing: &Routing, times: u32) -> Routing {
    Routing { block_frames: routing.block_frames.saturating_mul(times), ..routing.clone() }
}

/// Steps of a round, as far as is known before it.
fn swap_steps(record: &Record) -> usize {
    if record.last(Purpose::Reference).is_some() { 3 } else { 6 }
}

/// Steps in all, as far as the plan tells: an estimate for the status line.
fn expected_steps(record: &Record, next: &super::climb::Step) -> usize {
    let plan = &record.head.plan;
    let after = match (plan.extent, next.purpose) {
        (_, Purpose::Asked) => climb_steps(plan) + 3,
        (Extent::QuickLook, Purpose::Silence | Purpose::Probe) => plan.asked.len() + 3,
        (Extent::QuickLook, Purpose::Reference) => 2,
        (Extent::QuickLook, _) => usize::from(next.number < 6),
        (Extent::Session, Purpose::Silence | Purpose::Probe | Purpose::Reference) => {
            plan.asked.len() + climb_steps(plan) + 3
        }
        (Extent::PathCheck, Purpose::Silence) => 5,
        (Extent::PathCheck, Purpose::Probe) if record.last(Purpose::Reference).is_none() => 3,
        (Extent::PathCheck, Purpose::Probe) => 2,
        (Extent::PathCheck, Purpose::Reference) => {
            if next.number < 4 {
                3
            } else {
                2
            }
        }
        (Extent::PathCheck, _) => usize::from(next.purpose == Purpose::LeftAlone),
        (Extent::Swap, Purpose::Silence) => swap_steps(record) - 1,
        (Extent::Swap, Purpose::Probe) => 2,
        (Extent::Swap, Purpose::Reference | Purpose::ReferenceAgain) => 1,
        (Extent::Swap, _) => 0,
        (Extent::Session, Purpose::Climb) => steps_to_limit(record, next) + 1,
        (Extent::Session, Purpose::Threshold | Purpose::Bisect) => 1,
        (Extent::Session, _) => 0,
    };
    next.number + after
}

fn climb_steps(plan: &Plan) -> usize {
    let range = match plan.listening {
        Some(l) => plan.ceilings.spl.db() - l.level.db() + START_BELOW_LISTENING_DB,
        None => -super::plan::UNCALIBRATED_CEILING.db().min(0.0) - (FIRST_PROBE.db() - START_UNKNOWN.db()).abs() + 8.0,
    };
    (range / plan.step_db).ceil().clamp(1.0, 60.0) as usize
}

fn steps_to_limit(record: &Record, next: &super::climb::Step) -> usize {
    let plan = &record.head.plan;
    let period = plan.pink.period(record.head.chain.routing.playback_rate);
    let climb = Climb { plan, chain: &record.head.chain, period: &period, results: &record.steps };
    let (Some(drive), Some(full)) = (next.drive, period.full_drive()) else { return 0 };
    let limit = climb.ceiling().rms.db().min(full.db());
    (((limit - drive.db()) / plan.step_db).ceil().max(0.0) as usize).min(60)
}
