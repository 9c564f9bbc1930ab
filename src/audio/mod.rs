//! Cards and threads: plays a stimulus, records what comes back, and says when that went wrong. Knows nothing of
//! sessions or analysis.
//!
//! ```text
//! TakeRequest ─► generator ─► playback ring ─► callback (the one gain stage) ─► CARD
//!                                                                                │
//!        Take ◄─ running ◄─ capture (live picture, guard) ◄─ capture ring ◄──────┘
//! ```
//!
//! Start reading at [`Engine`], then `running` (the order of events), `callback` (all code on the audio thread).
//! Every way out (end of a take, Stop, a fault, a panic, dropping the engine) ends in the same fade.

pub mod backend;
pub mod callback;
mod capture;
mod error;
mod faults;
mod generator;
mod guard;
mod pump;
mod ring;
mod running;
pub mod simulated;

pub use backend::{Advance, Around, Backend, Callbacks, OpenCards, plainly};
pub use capture::{Heard, Live};
pub use error::{AudioError, Side};
pub use faults::{FaultKind, Faults, STORM_PER_S};
pub use guard::{Guard, GuardedInput};
pub use running::TakeRequest;

use crate::card::{Direction, Granted, Routing};
use crate::signal::{Period, Stimulus};
use crate::take::Take;
use callback::{CaptureCallback, PlaybackCallback, Shared};
use capture::Capture;
use generator::Generator;
use pump::Pump;
use running::Running;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Longest take, seconds.
pub const LONGEST_TAKE_S: f64 = 120.0;
/// Longest wait for the last fade when the engine is dropped, seconds.
const LAST_FADE_S: f64 = 0.5;
/// Longest wait for what the card and its server still hold when the engine is dropped, seconds.
const LONGEST_WAY_S: f64 = 1.0;

/// How far a take is.
#[derive(Debug)]
pub enum Progress {
    /// None is running.
    Idle,
    /// It is on its way.
    Playing {
        /// Seconds so far.
        done_s: f64,
        /// Seconds in all.
        total_s: f64,
    },
    /// It has ended, void or not.
    Done(Box<Take>),
}

/// Fades out at once, from any thread.
#[derive(Clone)]
pub struct StopHandle(Arc<Shared>);

impl StopHandle {
    /// Begins the fade in the next callback. The running take becomes void, and no other starts until
    /// [`Engine::clear_stop`].
    pub fn stop(&self) {
        self.0.stop();
    }

    /// True from [`StopHandle::stop`] to [`Engine::clear_stop`].
    pub fn is_stopped(&self) -> bool {
        self.0.stopped()
    }
}

/// One playback and one capture direction, open and silent for a whole session; plays one take after another.
pub struct Engine {
    pump: Arc<Pump>,
    threads: Vec<JoinHandle<()>>,
    routing: Routing,
    playback: Granted,
    capture: Granted,
    running: Option<Running>,
    period: Option<(Stimulus, Arc<Period>)>,
    /// Until a take is heard to its end, its fade may still be on its way to the card: for this long, seconds.
    on_its_way_s: f64,
}

impl Engine {
    /// Opens both directions. `live` gets every captured block, per kept channel, on the capture thread.
    ///
    /// # Errors
    /// [`AudioError`] for unknown cards, missing channels, rates not offered, and whatever the host refuses.
    pub fn open(backend: &dyn Backend, routing: &Routing, live: Live) -> Result<Engine, AudioError> {
        check(routing)?;
        let kept: Vec<u16> = routing.capture_channels.iter().map(|c| c.channel).collect();
        let shared = Arc::new(Shared::new(routing.playback_rate));
        let faults = Arc::new(Faults::default());
        let (unit_in, unit_out) = ring::ring(routing.playback_rate.frames_in(ring::CAPACITY_S));
        let (heard_in, heard_out) = ring::ring(routing.capture_rate.frames_in(ring::CAPACITY_S) * kept.len());
        let callbacks = Callbacks {
            playback: PlaybackCallback::new(Arc::clone(&shared), unit_out, &routing.playback_channels),
            capture: CaptureCallback::new(Arc::clone(&shared), heard_in, &kept),
            faults: Arc::clone(&faults),
            around: plainly,
        };
        let cards = backend.open(routing, callbacks)?;
        let (playback, capture) = (cards.playback().clone(), cards.capture().clone());
        let generator = Generator::new(unit_in, Arc::clone(&shared), routing.playback_rate);
        let drain = Capture::new(heard_out, kept.len(), Arc::clone(&shared), Arc::clone(&faults), live);
        let pump = Arc::new(Pump::new(shared, faults, generator, drain, cards));
        let threads = pump.spawn();
        Ok(Engine {
            pump,
            threads,
            routing: routing.clone(),
            playback,
            capture,
            running: None,
            period: None,
            on_its_way_s: 0.0,
        })
    }

    /// What the cards granted: playback, capture.
    pub fn granted(&self) -> (&Granted, &Granted) {
        (&self.playback, &self.capture)
    }

    /// Largest blocks seen so far, frames: playback, capture.
    pub fn largest_blocks(&self) -> (usize, usize) {
        self.pump.shared.largest_blocks()
    }

    /// A handle that stops from any thread.
    pub fn stop_handle(&self) -> StopHandle {
        StopHandle(Arc::clone(&self.pump.shared))
    }

    /// Allows takes again after a stop.
    pub fn clear_stop(&mut self) {
        self.pump.shared.clear_stop();
    }

    /// Begins a take; [`Engine::poll`] brings it to its end.
    ///
    /// # Errors
    /// [`AudioError`]: a take is running, stopped, the cards are lost, the only channel is not a driven one, or longer
    /// than [`LONGEST_TAKE_S`].
    pub fn start(&mut self, request: TakeRequest) -> Result<(), AudioError> {
        if self.running.is_some() {
            return Err(AudioError::AlreadyPlaying);
        }
        if self.pump.shared.stopped() {
            return Err(AudioError::Stopped);
        }
        if let Some(why) = self.pump.lost() {
            return Err(AudioError::Lost(why.into()));
        }
        if let Some(channel) = request.only.filter(|only| !self.routing.playback_channels.contains(only)) {
            return Err(AudioError::NoSuchChannel {
                card: self.routing.playback.clone(),
                direction: Direction::Playback.into(),
                channel,
                has: self.playback.channels,
            });
        }
        let period = self.period_of(&request.stimulus);
        self.on_its_way_s = request.delay_s.end;
        self.running = Some(Running::new(request, period, &self.pump, &self.routing)?);
        Ok(())
    }

    /// Lets up to `timeout` pass (of bench time on a caller-driven card) and says how far the take is. Returns early
    /// when it has ended.
    ///
    /// # Errors
    /// [`AudioError::Lost`] when the cards are gone and no take is left to be handed over.
    pub fn poll(&mut self, timeout: Duration) -> Result<Progress, AudioError> {
        let end_s = self.pump.now_s() + timeout.as_secs_f64();
        let began = Instant::now();
        loop {
            let left = Duration::from_secs_f64((end_s - self.pump.now_s()).clamp(0.0, 3600.0));
            self.pump.turn(left);
            let Some(running) = &mut self.running else {
                return match self.pump.lost() {
                    Some(why) => Err(AudioError::Lost(why.into())),
                    None if self.pump.now_s() < end_s && began.elapsed() < timeout => continue,
                    None => Ok(Progress::Idle),
                };
            };
            if running.step(&self.pump, &self.routing) {
                let take = self.running.take().map(|running| running.finish(&self.pump, &self.routing));
                if take.as_ref().is_some_and(|take| take.head.void.is_none()) {
                    self.on_its_way_s = 0.0;
                }
                return Ok(take.map_or(Progress::Idle, |take| Progress::Done(Box::new(take))));
            }
            // A bench paced by the wall clock may stand still; the wall does not.
            if self.pump.now_s() >= end_s || began.elapsed() > timeout.saturating_add(Duration::from_secs(1)) {
                let (done_s, total_s) = running.progress(&self.pump, self.routing.capture_rate);
                return Ok(Progress::Playing { done_s, total_s });
            }
        }
    }

    fn period_of(&mut self, stimulus: &Stimulus) -> Arc<Period> {
        match &self.period {
            Some((kept, period)) if kept == stimulus => Arc::clone(period),
            _ => {
                let period = stimulus.period(self.routing.playback_rate);
                self.period = Some((stimulus.clone(), Arc::clone(&period)));
                period
            }
        }
    }
}

impl Drop for Engine {
    /// Fades, waits until the fade is out of the card's buffers, which closing would empty, and closes.
    fn drop(&mut self) {
        let sounding = self.pump.shared.is_open();
        self.pump.shared.stop();
        let (block, _) = self.pump.shared.largest_blocks();
        let buffered_s = (2.0 * block as f64 / self.routing.playback_rate.hz()).min(LONGEST_WAY_S);
        let began = Instant::now();
        while self.pump.shared.is_open()
            && self.pump.has_cards()
            && began.elapsed().as_secs_f64() < LAST_FADE_S + buffered_s
        {
            self.pump.turn(Duration::from_millis(5));
        }
        if (sounding || self.on_its_way_s > 0.0) && !self.pump.is_caller_driven() && self.pump.has_cards() {
            std::thread::sleep(Duration::from_secs_f64(buffered_s.max(self.on_its_way_s.min(LONGEST_WAY_S))));
        }
        self.pump.close();
        for thread in self.threads.drain(..) {
            // A thread that panicked has already closed the gain; there is nobody left to tell.
            let _ = thread.join();
        }
    }
}

fn check(routing: &Routing) -> Result<(), AudioError> {
    if routing.playback_channels.is_empty() {
        return Err(AudioError::NoChannel(Direction::Playback.into()));
    }
    if routing.capture_channels.is_empty() {
        return Err(AudioError::NoChannel(Direction::Capture.into()));
    }
    Ok(())
}

#[cfg(test)]
mod tests;
