//! An output that this computer cannot drive: a telephone, a games console, another computer. The whole plan of a session is
//! written as one sound file, somebody plays it there, and the bench follows it on the capture side alone, live or from a
//! recording. What is cut out of it becomes takes, and takes become a session like any other.
//!
//! ```text
//!  SoundPlan ─► sound file + plan file       played elsewhere       live capture │ recording
//!      └──────────────────────────────────────────────────────► Follower (marks → takes) ─► analysis ─► session
//! ```
//!
//! Nothing is played by the bench here, so no ceiling can be kept: it can only be stated, watched, and said out loud.

mod follow;
mod heard;
mod layout;
mod sound_file;
mod sound_plan;
mod words;

pub use follow::{Follower, News, SlotTake, SpeedFinder};
pub use heard::{ChannelHeard, HeardElsewhere, HeardFrom, MarkHeard, flaws, not_determined};
pub use layout::{Asked, BadLayout, MARK_NUMBERS, sound_plan};
pub use sound_file::{SoundFileError, plan_path, read_plan, write};
pub use sound_plan::{CAUTIONS, SampleFormat, Slot, SlotKind, SlotOfTake, SoundPlan};
pub use words::{in_words, is_alarm};

use super::chain::Chain;
use super::plan::{HeadroomRule, ListeningLevel};
use crate::card::CardId;
use std::path::PathBuf;

/// What to follow, and what to make of it.
#[derive(Clone, Debug)]
pub struct ElsewhereRequest {
    /// What is played elsewhere.
    pub sound: SoundPlan,
    /// A recording; `None`: what the capture card of the chain hears now.
    pub recording: Option<PathBuf>,
    /// The chain from the coupler on; its playback side is not used.
    pub chain: Chain,
    /// How loud the person listens.
    pub listening: Option<ListeningLevel>,
    /// The rule the verdict follows.
    pub rule: HeadroomRule,
    /// Folder that sessions are kept in.
    pub sessions: PathBuf,
    /// Name of the session's folder; made from the time where absent.
    pub id: Option<String>,
}

impl ElsewhereRequest {
    /// The chain as the session keeps it: what plays is none of this computer's cards, and figures of such a card do not hold.
    pub fn chain_of_session(&self) -> Chain {
        let mut chain = self.chain.clone();
        chain.routing.playback = CardId::elsewhere();
        chain.routing.playback_rate = self.sound.rate;
        chain.routing.playback_channels = (0..self.sound.channels).collect();
        chain.drop_changed_electrical();
        chain
    }
}
