//! A take: what was played, what came back, and what went wrong in between.
//!
//! This is the narrow waist of the program. Left of it are clocks, threads and hardware; right of it only pure
//! functions. Every stored number comes from a take that is complete.
//!
//! ```text
//! played    ......|fade in ~~~ settle ~~~|  P whole periods  | margin ~~ fade out|......
//! captured  pre-roll → |<- route delay ->|~~ settle ~~|  P periods  ...            tail|
//!           frame 0     gain opens (frame `pre_roll`, exact to a callback block)
//! ```

use crate::card::InputRole;
use crate::signal::{Drive, Stimulus};
use crate::units::{SampleRate, tidy_signed};
use serde::{Deserialize, Serialize};
use std::fmt;

/// One complete recording of one stimulus at one drive.
#[derive(Clone, Debug, PartialEq)]
pub struct Take {
    /// Everything but the samples.
    pub head: TakeHead,
    /// One entry per capture channel, all of the same length.
    pub inputs: Vec<Input>,
}

/// All of a take but its samples; stored beside the WAV.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TakeHead {
    /// What was played.
    pub stimulus: Stimulus,
    /// How loud, after the ceilings.
    pub drive: Drive,
    /// Nominal rate of the playback card.
    pub played_rate: SampleRate,
    /// Nominal rate of the capture card.
    pub captured_rate: SampleRate,
    /// Playback channels that carried the stimulus.
    pub driven: Vec<u16>,
    /// Captured frames before the gain opened, exact to one callback block.
    pub pre_roll: usize,
    /// Played frames from the opening of the gain to the first frame meant for analysis, not counting route delay.
    pub settle: usize,
    /// Whole stimulus periods meant for analysis.
    pub periods: usize,
    /// Played frames between opening and closing of the gain (fades included).
    pub played_frames: usize,
    /// What the hosts and the frame counters noticed.
    pub gaps: Vec<Gap>,
    /// Why the take must not be used, if so; a void take is kept and named void.
    pub void: Option<VoidReason>,
}

/// What one capture channel heard, in units of its full scale.
#[derive(Clone, Debug, PartialEq)]
pub struct Input {
    /// What is connected to the channel.
    pub role: InputRole,
    /// Samples at the captured rate.
    pub samples: Vec<f32>,
}

/// A place where samples were lost or repeated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// Who noticed.
    pub seen_by: GapWitness,
    /// Captured frame near which it happened.
    pub near_frame: usize,
    /// Frames lost (negative: repeated), where known.
    pub frames: Option<i64>,
}

/// The three ways in which lost samples are noticed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapWitness {
    /// The host reported an overrun or underrun.
    Host,
    /// Frames counted in callbacks do not agree with each other or with the rings.
    FrameCount,
    /// The signal itself is not continuous (found by the analysis).
    Signal,
}

/// Why a take cannot be used. Says what happened and what to try.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VoidReason {
    /// Samples were lost or repeated.
    LostSamples {
        /// What was noticed, in words.
        what: String,
    },
    /// No callback came for a second.
    Stalled {
        /// `playback` or `capture`.
        side: String,
    },
    /// The input was exactly zero while a stimulus played.
    ZeroInput,
    /// A sample above the true peak of the granted drive reached the gain stage.
    AboveGrantedPeak,
    /// Playback and capture differ by more than 300 ppm: one card does not run at the rate it was asked for.
    WrongRate {
        /// Difference found, ppm.
        ppm: f64,
    },
    /// The live level was wrong and the gain was closed.
    Protection {
        /// What was wrong, in words.
        what: String,
    },
    /// A gain on the way follows the sound.
    GainMoves {
        /// In words.
        what: String,
    },
    /// A sample is infinite or not a number.
    NotFinite {
        /// Which captured frame.
        frame: usize,
    },
    /// Too few undisturbed periods.
    Disturbed {
        /// Periods that were clean.
        clean: usize,
    },
    /// The user stopped it.
    Stopped,
    /// The card was lost or failed.
    Card {
        /// Plain message.
        what: String,
    },
}

impl fmt::Display for VoidReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            VoidReason::LostSamples { what } => {
                write!(f, "samples were lost or inserted ({what}); close other programs or ask for larger blocks")
            }
            VoidReason::Stalled { side } => {
                write!(f, "the {side} card stopped delivering for a second; check its cable and its server")
            }
            VoidReason::ZeroInput => write!(
                f,
                "the input was exactly zero while the stimulus played; it is muted or the program may not record"
            ),
            VoidReason::AboveGrantedPeak => {
                write!(f, "a sample above the granted peak reached the gain stage, so the sound was faded out")
            }
            VoidReason::WrongRate { ppm } => {
                write!(
                    f,
                    "the two cards run {} ppm apart; one of them is not at the rate it was asked for",
                    tidy_signed(*ppm, 0)
                )
            }
            VoidReason::Protection { what } => write!(f, "the sound was faded out: {what}"),
            VoidReason::Disturbed { clean } => write!(
                f,
                "only {clean} undisturbed periods: a noise nearby, or an effect on the path (reverberation, automatic gain, noise suppression); wait for quiet, and switch effects off"
            ),
            VoidReason::GainMoves { what } => write!(f, "{what}"),
            VoidReason::NotFinite { frame } => {
                write!(f, "captured sample {frame} is not a number; the driver or the sound server is faulty")
            }
            VoidReason::Stopped => write!(f, "stopped by the user"),
            VoidReason::Card { what } => write!(f, "{what}"),
        }
    }
}
