//! Moves samples between rings and the rest, and watches the cards: on two threads of its own for cards that run by
//! themselves, inside [`Pump::turn`] for cards that their caller drives.
//!
//! ```text
//! own threads     generator thread: fill      capture thread: drain, supervise
//! caller-driven   turn: fill → card advances by a block → drain → supervise       (deterministic, faster than time)
//! ```

use super::backend::{Advance, OpenCards};
use super::callback::{Shared, Trip};
use super::capture::Capture;
use super::faults::{Faults, StormWatch};
use super::generator::Generator;
use crossbeam_channel::{Receiver, bounded};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Sleep of the capture thread between two drains.
const DRAIN_EVERY: Duration = Duration::from_millis(5);
/// Sleep of the generator thread between two fills.
const FILL_EVERY: Duration = Duration::from_millis(20);
/// Cards that are given up live on for the fade, at most so long, seconds: a failing host may keep a processor busy.
const LAST_FADE_S: f64 = 0.15;
/// Longest wait for a host to close its streams.
const CLOSE_WAIT: Duration = Duration::from_secs(2);

/// Everything the engine and its threads share.
pub struct Pump {
    /// Atomics of the callbacks.
    pub shared: Arc<Shared>,
    faults: Arc<Faults>,
    generator: Mutex<Generator>,
    capture: Mutex<Capture>,
    cards: Mutex<Option<Box<dyn OpenCards>>>,
    storm: Mutex<StormWatch>,
    lost: OnceLock<(f64, String)>,
    end: AtomicBool,
    started: Instant,
    bench_time: AtomicU64,
    caller_driven: bool,
}

/// A lock that a panicking thread left behind still guards usable data: counts and samples, no half-made state.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Pump {
    /// Around open cards.
    pub fn new(
        shared: Arc<Shared>,
        faults: Arc<Faults>,
        generator: Generator,
        capture: Capture,
        cards: Box<dyn OpenCards>,
    ) -> Pump {
        Pump {
            shared,
            faults,
            generator: Mutex::new(generator),
            capture: Mutex::new(capture),
            caller_driven: cards.is_caller_driven(),
            cards: Mutex::new(Some(cards)),
            storm: Mutex::new(StormWatch::new(0.0)),
            lost: OnceLock::new(),
            end: AtomicBool::new(false),
            started: Instant::now(),
            bench_time: AtomicU64::new(0),
        }
    }

    /// The filling end.
    pub fn generator(&self) -> MutexGuard<'_, Generator> {
        lock(&self.generator)
    }

    /// The draining end.
    pub fn capture(&self) -> MutexGuard<'_, Capture> {
        lock(&self.capture)
    }

    /// Why the cards were given up, if they were.
    pub fn lost(&self) -> Option<&str> {
        self.lost.get().map(|(_, why)| why.as_str())
    }

    /// True for cards that move only in [`Pump::turn`].
    pub fn is_caller_driven(&self) -> bool {
        self.caller_driven
    }

    /// Seconds on the clock that the frame counters are held against.
    pub fn now_s(&self) -> f64 {
        if self.caller_driven {
            f64::from_bits(self.bench_time.load(Ordering::Relaxed))
        } else {
            self.started.elapsed().as_secs_f64()
        }
    }

    /// Starts the threads, where the cards run by themselves.
    pub fn spawn(self: &Arc<Pump>) -> Vec<JoinHandle<()>> {
        if self.caller_driven {
            return Vec::new();
        }
        let (fill, drain) = (Arc::clone(self), Arc::clone(self));
        let generator = move || fill.repeat(FILL_EVERY, |pump| pump.generator().fill());
        let capture = move || {
            drain.repeat(DRAIN_EVERY, |pump| {
                pump.capture().drain(pump.now_s());
                pump.supervise();
            });
        };
        [("generator", Box::new(generator) as Box<dyn FnOnce() + Send>), ("capture", Box::new(capture))]
            .into_iter()
            .filter_map(|(name, work)| match std::thread::Builder::new().name(name.into()).spawn(work) {
                Ok(handle) => Some(handle),
                Err(error) => {
                    self.give_up(Trip::Thread, format!("the system refused a thread ({error}); close other programs"));
                    None
                }
            })
            .collect()
    }

    fn repeat(&self, every: Duration, work: impl Fn(&Pump)) {
        let _closes_the_gain = EndOnPanic(self);
        while !self.end.load(Ordering::Acquire) {
            work(self);
            std::thread::sleep(every);
        }
    }

    /// One round of a caller-driven card; for others, a short sleep. Never longer than `at_most`.
    pub fn turn(&self, at_most: Duration) {
        if !self.caller_driven {
            std::thread::sleep(at_most.min(DRAIN_EVERY));
            return;
        }
        let _closes_the_gain = EndOnPanic(self);
        self.generator().fill();
        let advanced = lock(&self.cards).as_mut().map(|cards| cards.advance());
        match advanced {
            Some(Advance::Moved { t_s }) => self.bench_time.store(t_s.to_bits(), Ordering::Relaxed),
            Some(Advance::Wait(wait)) => std::thread::sleep(wait.min(at_most)),
            None => std::thread::sleep(at_most.min(DRAIN_EVERY)),
        }
        self.capture().drain(self.now_s());
        self.supervise();
    }

    /// True while cards are open.
    pub fn has_cards(&self) -> bool {
        lock(&self.cards).is_some()
    }

    /// Gives the cards up at the first fatal report or at a storm of any; drops them once the fade is out.
    fn supervise(&self) {
        let now_s = self.now_s();
        if let Some((since_s, _)) = self.lost.get() {
            if !self.shared.is_open() || now_s - since_s > LAST_FADE_S {
                drop_elsewhere(lock(&self.cards).take());
            }
        } else if let Some(why) = lock(&self.storm).check(&self.faults, now_s) {
            self.give_up(Trip::Card, why);
        }
    }

    /// Closes the gain; the cards follow.
    fn give_up(&self, trip: Trip, why: String) {
        self.shared.trip(trip);
        // A reason given before stands.
        let _ = self.lost.set((self.now_s(), why));
    }

    /// Ends the threads and closes the cards.
    pub fn close(&self) {
        self.end.store(true, Ordering::Release);
        if let Some(done) = drop_elsewhere(lock(&self.cards).take()) {
            // Either it is done, or the host hangs and is left behind.
            let _ = done.recv_timeout(CLOSE_WAIT);
        }
    }
}

/// Dropping cards may wait for a host's thread, so it gets a thread of its own; the receiver hears of its end.
fn drop_elsewhere(cards: Option<Box<dyn OpenCards>>) -> Option<Receiver<()>> {
    let cards = cards?;
    let (tell, done) = bounded(1);
    let close = move || {
        drop(cards);
        let _ = tell.send(());
    };
    // If no thread can be had, the closure is dropped right here, and the cards with it.
    std::thread::Builder::new().name("card close".into()).spawn(close).ok()?;
    Some(done)
}

/// A thread that dies takes the sound with it.
struct EndOnPanic<'a>(&'a Pump);

impl Drop for EndOnPanic<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            self.0.give_up(Trip::Thread, "a part of the program failed; please report this".into());
        }
    }
}
