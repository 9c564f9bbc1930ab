//! What is heard of a sound that is played elsewhere, as the window shows it: the step, the level against the ceiling, and what
//! the person at the player has to do.

use crate::session::elsewhere::{in_words, is_alarm};
use crate::session::protocol::Following;

/// Said on this route before it begins and while it runs.
pub const NOT_KEPT: &str = "the bench cannot stop this sound: ceilings are stated, not kept; stop it at the player";

/// What was heard last of each kind.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Followed {
    /// A recording is gone through; else the bench listens.
    pub recording: bool,
    /// Listened for so long, seconds.
    pub seconds: f64,
    /// A mark was heard.
    pub begun: bool,
    /// The step that sounds.
    pub step: Option<String>,
    /// Level of the last half second against its ceiling.
    pub level: Option<String>,
    /// It is too loud now.
    pub alarm: Option<String>,
    /// It clips: louder steps show nothing more.
    pub clips: Option<String>,
}

impl Followed {
    /// Takes what was heard.
    pub fn hear(&mut self, now: &Following) {
        let words = in_words(now);
        match now {
            Following::Listening { seconds, begun } => {
                self.seconds = *seconds;
                self.begun |= *begun;
            }
            Following::Mark(_) => {
                self.begun = true;
                self.step = words.or(self.step.take());
            }
            Following::Level { .. } if is_alarm(now) => (self.alarm, self.level) = (words, None),
            Following::Level { .. } => (self.alarm, self.level) = (None, words),
            Following::Clips { .. } => self.clips = words,
        }
    }

    /// What has to be known first: stop the player, else that it may be stopped, else what is heard.
    pub fn first(&self) -> String {
        let first = self.alarm.as_ref().or(self.clips.as_ref()).or(self.step.as_ref()).cloned();
        first.unwrap_or_else(|| match self.recording {
            true => "looking for the sound in the recording".into(),
            false => format!("listening for the sound, {:.0} s so far: start it on the player", self.seconds),
        })
    }
}
