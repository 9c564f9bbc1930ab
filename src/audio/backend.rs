//! A back end finds cards, opens one playback and one capture direction, and calls our callbacks.
//!
//! Two kinds: cards that run by themselves on their own threads (cpal), and cards that their caller drives block by
//! block (the simulated bench). Everything else is the same for both.

#[cfg(feature = "sound-card")]
pub mod cpal;

use super::callback::{CaptureCallback, PlaybackCallback};
use super::error::AudioError;
use super::faults::Faults;
use crate::card::{CardDescription, CardId, Direction, Granted, Hookup, Routing};
use std::sync::Arc;
use std::time::Duration;

/// Runs the work of a callback; tests wrap it, the program does not.
pub type Around = fn(&mut dyn FnMut());

/// Does the work and nothing else.
pub fn plainly(work: &mut dyn FnMut()) {
    work();
}

/// What a back end must call.
pub struct Callbacks {
    /// When the playback card wants frames.
    pub playback: PlaybackCallback,
    /// When the capture card has frames.
    pub capture: CaptureCallback,
    /// When a host reports anything.
    pub faults: Arc<Faults>,
    /// Every call of `playback` and `capture` goes through this.
    pub around: Around,
}

/// Finds and opens cards.
pub trait Backend: Send {
    /// Short name (`simulated`, `sound-card`).
    fn name(&self) -> &str;

    /// True if cards of this name are this back end's, whether they exist or not.
    fn owns(&self, id: &CardId) -> bool;

    /// All cards, both directions.
    ///
    /// # Errors
    /// [`AudioError`] where no host can be asked.
    fn list(&self) -> Result<Vec<CardDescription>, AudioError>;

    /// Opens both directions, silent; callbacks may begin at once.
    ///
    /// # Errors
    /// [`AudioError`]: unknown card (names those that exist), missing channel, rate not offered, or refused by the host.
    fn open(&self, routing: &Routing, callbacks: Callbacks) -> Result<Box<dyn OpenCards>, AudioError>;

    /// The same bench with the devices of these names, where they can be had without a person (the simulated bench).
    /// `None`: it knows neither name, or its devices stand on a desk; they stay what they are.
    fn with_devices(&self, _output: &str, _headphone: &str) -> Option<Box<dyn Backend>> {
        None
    }

    /// The same bench with the headphone on another seat, where that can be had without a person (the simulated bench).
    fn with_seat(&self, _seat: u32) -> Option<Box<dyn Backend>> {
        None
    }

    /// The same bench with a source outside the headphone, which is on the ear or not, where that can be had without a
    /// person (the simulated bench).
    fn with_outside_source(&self, _covered: bool) -> Option<Box<dyn Backend>> {
        None
    }

    /// The same bench with a sound calibrator of this level and frequency on the microphone, where that can be had
    /// without a person (the simulated bench).
    fn with_calibrator(&self, _level_db_spl: f64, _frequency_hz: f64) -> Option<Box<dyn Backend>> {
        None
    }

    /// The same bench whose output is driven by a player of its own with these frames, whatever the program plays,
    /// where that can be had without a person (the simulated bench).
    fn with_player(&self, _frames: &dyn Fn() -> Vec<[f32; 2]>) -> Option<Box<dyn Backend>> {
        None
    }

    /// The same bench with this plugged into its output, likewise.
    fn with_hookup(&self, _hookup: &Hookup) -> Option<Box<dyn Backend>> {
        None
    }
}

/// Two open directions. Dropping it closes both.
pub trait OpenCards: Send {
    /// What the playback side granted.
    fn playback(&self) -> &Granted;

    /// What the capture side granted.
    fn capture(&self) -> &Granted;

    /// True for cards that only move when [`OpenCards::advance`] is called.
    fn is_caller_driven(&self) -> bool {
        false
    }

    /// Lets about one playback block pass; only for caller-driven cards.
    fn advance(&mut self) -> Advance {
        Advance::Wait(Duration::from_millis(10))
    }
}

/// What a caller-driven card did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Advance {
    /// Moved; its own clock now shows this, seconds.
    Moved {
        /// Bench time.
        t_s: f64,
    },
    /// Is ahead of the wall clock; try again after this.
    Wait(Duration),
}

/// Finds a card by its exact name in a list.
///
/// # Errors
/// [`AudioError::UnknownCard`], which names what exists.
pub fn find<'a>(
    cards: &'a [CardDescription],
    id: &CardId,
    direction: Direction,
) -> Result<&'a CardDescription, AudioError> {
    cards.iter().find(|card| card.id == *id && card.direction == direction).ok_or_else(|| {
        let known = cards.iter().filter(|card| card.direction == direction).map(|card| card.id.0.clone());
        AudioError::UnknownCard { asked: id.clone(), direction: direction.into(), known: known.collect() }
    })
}
