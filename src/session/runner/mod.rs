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
mod elsewhere;
mod error;
mod expected;
mod handles;
mod known;
mod loudness;
mod matched;
mod own_level;
mod positions;
mod request;
mod series;
mod step;
mod swap;

pub use error::RunError;
pub use handles::{Latest, Ready, Stop};
pub(crate) use known::Known;

use super::chain::Chain;
use super::climb::Next;
use super::plan::Extent;
use super::program;
use super::protocol::{Command, Event, Failure, SessionRequest};
use super::record::{Happening, Record, SCHEMA, SessionEvent, SessionHead};
use super::step::StopReason;
use super::storage::{Storage, StorageError, name_of_time};
use crate::analysis::live::{Expected, LiveAnalyser};
use crate::audio::{Backend, Engine};
use crate::card::Routing;
use crate::take::VoidReason;
use added::Addition;
use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};
use expected::expected_steps;
use series::Series;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use step::{Opened, StepError, StepRunner};

/// Expectations that may queue for a capture thread that hears nothing.
const EXPECTATIONS_WAITING: usize = 16;
/// Sessions that may share the name of one second.
const MOST_OF_ONE_SECOND: u32 = 1000;
/// Events that may wait for a slow front end.
const EVENTS_WAITING: usize = 256;
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
                Command::Series(command) => match self.series(command, inbox) {
                    Ok(Series::Over) => Ok(()),
                    Ok(Series::Quit) => return,
                    Err(error) => Err(error),
                },
                Command::OwnLevel(asked) => self.own_level(&asked),
                Command::Electrical(take) => self.electrical(&take),
                Command::Elsewhere(request) => self.elsewhere(&request, &mut kept),
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
        if routing.playback == crate::card::CardId::elsewhere() {
            return Err(RunError::Elsewhere(
                "the sound of this session was played elsewhere: nothing can be added to it from here".into(),
            ));
        }
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
        let (tell, stated) = bounded(EXPECTATIONS_WAITING);
        let live = self.live.clone();
        let roles = routing.capture_channels.iter().map(|channel| channel.role);
        let mut analyser = LiveAnalyser::new(routing.capture_rate, roles);
        let engine = Engine::open(
            backend,
            routing,
            Box::new(move |heard| {
                if let Some(expected) = stated.try_iter().last() {
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
        check_request(request)?;
        let opened = self.open_chain(&request.chain)?;
        let (storage, record) = self.begin_on(&opened, request)?;
        Ok((opened, storage, record))
    }

    /// Makes the folder of a new session on open cards.
    fn begin_on(&self, (engine, _): &Opened, request: &SessionRequest) -> Result<(Storage, Record), RunError> {
        let SessionRequest { plan, chain, sessions, id } = request;
        let rate = chain.routing.playback_rate;
        let started_at = (self.now)();
        let (playback, capture) = engine.granted();
        let mut head = SessionHead {
            schema: SCHEMA.into(),
            id: id.clone().unwrap_or_else(|| name_of_time(&started_at)),
            started_at,
            program: program::program(),
            plan: plan.clone(),
            chain: chain.clone(),
            playback: playback.clone(),
            capture: capture.clone(),
        };
        let mut storage = match id {
            Some(_) => Storage::create(sessions, &head)?,
            None => named_by_time(sessions, &mut head)?,
        };
        storage.save_period(&plan.pink, &plan.pink.period(rate))?;
        Ok((storage, Record::new(head)))
    }

    fn carry_on(&self, folder: &Path, confirmed: Option<f64>, kept: &mut Option<PathBuf>) -> Result<(), RunError> {
        let (mut storage, mut record) = take_up(folder, confirmed)?;
        if record.head.plan.extent == Extent::Swap {
            return Err(RunError::OneOfASwap(folder.display().to_string()));
        }
        *kept = Some(folder.to_path_buf());
        let engine = self.open_chain(&record.chain_as_begun())?;
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
        let chain = record.chain_as_begun();
        self.runner_of(engine, storage, record, chain)
    }

    /// Plays steps on the cards of `chain`, which it opens again where they fail.
    fn runner_of(
        &self,
        engine: Opened,
        storage: Storage,
        record: Record,
        chain: Chain,
    ) -> Result<StepRunner<'_>, RunError> {
        let period = record.head.plan.pink.period(chain.routing.playback_rate);
        let reopen = Box::new(move |blocks| {
            let routing = with_blocks(&chain.routing, blocks);
            self.open_chain(&Chain { routing, ..chain.clone() })
        });
        StepRunner::new(self, engine, reopen, storage, record, period)
    }

    /// Plays step after step until the climb is done; after a protective trip the first sound is heard 10 dB lower first.
    fn climb(&self, engine: Opened, storage: Storage, record: Record, tripped: bool) -> Result<(), RunError> {
        let folder = storage.folder().to_path_buf();
        let mut steps = self.steps(engine, storage, record)?;
        steps.look_first = tripped;
        self.climb_with(&mut steps, folder)
    }

    /// The same on the runner of a session that has begun.
    fn climb_with(&self, steps: &mut StepRunner, folder: PathBuf) -> Result<(), RunError> {
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

/// A new session's plan is sound and hears an ear.
fn check_request(request: &SessionRequest) -> Result<(), RunError> {
    request.plan.check(request.chain.routing.playback_rate)?;
    match request.chain.ears().next() {
        Some(_) => Ok(()),
        None => Err(RunError::NoEar),
    }
}

/// A second session of the same second, or of an hour that a clock set back repeats, gets a number behind its time.
fn named_by_time(sessions: &Path, head: &mut SessionHead) -> Result<Storage, StorageError> {
    let time = head.id.clone();
    let mut number = 1;
    loop {
        match Storage::create(sessions, head) {
            Err(StorageError::Exists(_)) if number < MOST_OF_ONE_SECOND => {
                number += 1;
                head.id = format!("{time}-{number}");
            }
            other => return other,
        }
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
