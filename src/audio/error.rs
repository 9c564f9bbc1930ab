//! Why sound cannot be played or recorded. Says what happened and what to try.

use crate::card::{CardId, Direction};
use crate::signal::DriveRefused;
use crate::units::SampleRate;
use std::fmt;

/// Direction of a card in words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Side(Direction);

impl From<Direction> for Side {
    fn from(direction: Direction) -> Side {
        Side(direction)
    }
}

impl fmt::Display for Side {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            Direction::Playback => "playback",
            Direction::Capture => "capture",
        })
    }
}

/// What keeps the engine from playing or recording.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AudioError {
    /// No card of that name.
    #[error("there is no {direction} card named {asked}; {}", one_of(.known))]
    UnknownCard {
        /// Name asked for.
        asked: CardId,
        /// Playback or capture.
        direction: Side,
        /// Names that exist.
        known: Vec<String>,
    },
    /// The card has fewer channels.
    #[error("{card} has {has} {direction} channels, so there is no channel {}; choose one from 1 to {has}", .channel + 1)]
    NoSuchChannel {
        /// The card.
        card: CardId,
        /// Playback or capture.
        direction: Side,
        /// Channel asked for, from 0.
        channel: u16,
        /// Channels it has.
        has: u16,
    },
    /// No channel chosen at all.
    #[error("no {0} channel is chosen; choose at least one")]
    NoChannel(Side),
    /// The card does not offer the rate.
    #[error("{card} does not offer {asked} for {direction}; {}", one_of(.offers))]
    RateNotOffered {
        /// The card.
        card: CardId,
        /// Playback or capture.
        direction: Side,
        /// Rate asked for.
        asked: SampleRate,
        /// Rates it offers, in words.
        offers: Vec<String>,
    },
    /// The host said no.
    #[error("{card} could not be opened for {direction}: {what}")]
    Refused {
        /// The card.
        card: CardId,
        /// Playback or capture.
        direction: Side,
        /// The host's words and what to try.
        what: String,
    },
    /// A host could not be asked.
    #[error("the sound system {host} cannot be reached: {what}")]
    Host {
        /// Its name.
        host: String,
        /// Its words.
        what: String,
    },
    /// A drive that must not be played.
    #[error(transparent)]
    Drive(#[from] DriveRefused),
    /// Longer than a take may be.
    #[error("a take of {asked_s:.0} s is too long; {most_s:.0} s are allowed: take fewer periods")]
    TooLong {
        /// Length asked for.
        asked_s: f64,
        /// Most allowed.
        most_s: f64,
    },
    /// A take is running.
    #[error("a take is already running")]
    AlreadyPlaying,
    /// Stop was pressed.
    #[error("stopped by the user")]
    Stopped,
    /// The cards are gone; open them again.
    #[error("{0}")]
    Lost(String),
}

fn one_of(names: &[String]) -> String {
    if names.is_empty() { "there is none".into() } else { format!("choose one of: {}", names.join(", ")) }
}
