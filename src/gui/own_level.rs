//! The listener's own level: what is typed for it, and what was heard at their volume position.

use crate::asked::{Field, sentence, shown};
use crate::session::chain::Chain;
use crate::session::own_level::{How, LISTENED_S, OwnLevel, USUAL_MUSIC, listened};
use crate::units::Dbfs;

/// RMS drive of the pink noise, where no other is typed; a look 20 dB under it comes first.
const DRIVE: f64 = -40.0;

/// What is typed, and what was heard.
#[derive(Clone, Debug)]
pub struct Own {
    /// It is shown in place of the question.
    pub open: bool,
    /// The listener's own music goes on playing; else the bench plays pink noise.
    pub by_music: bool,
    /// Drive of the noise, dBFS.
    pub drive: String,
    /// Level of the music that the volume was set by, dBFS.
    pub music: String,
    /// How long the music is listened to, seconds.
    pub seconds: String,
    /// What is wrong with a field, or why nothing was heard.
    pub wrong: Option<String>,
    /// What was heard, and on which chain.
    pub heard: Option<(Box<OwnLevel>, Box<Chain>)>,
    /// The chain that is listened on.
    pub(super) asked: Option<Box<Chain>>,
}

impl Default for Own {
    fn default() -> Own {
        Own {
            open: false,
            by_music: false,
            drive: shown(DRIVE),
            music: shown(USUAL_MUSIC.db()),
            seconds: shown(LISTENED_S),
            wrong: None,
            heard: None,
            asked: None,
        }
    }
}

impl Own {
    /// How the level is to be taken.
    ///
    /// # Errors
    /// What is wrong with a field, as a sentence.
    pub(super) fn how(&self) -> Result<How, String> {
        if self.by_music {
            return Ok(How::Music { seconds: listened(&self.seconds).map_err(|why| sentence(&why))? });
        }
        let read = |typed: &str| Field::AskedDrive.read(typed).map(Dbfs).map_err(|wrong| wrong.to_string());
        Ok(How::Pink { drive: read(&self.drive)?, music: read(&self.music)? })
    }

    /// True where what was heard can be kept.
    pub fn can_be_kept(&self) -> bool {
        self.heard.as_ref().is_some_and(|(own, _)| own.flaws.is_empty())
    }
}
