//! What is heard of a sound that is played elsewhere, in words for every front end.

use crate::session::protocol::Following;
use crate::session::step::Purpose;
use crate::units::tidy;

/// True where somebody has to act at once.
pub fn is_alarm(now: &Following) -> bool {
    matches!(now, Following::Level { level, ceiling, .. } if level.db() > ceiling.db())
}

/// What is heard now; `None` where there is nothing to say.
pub fn in_words(now: &Following) -> Option<String> {
    Some(match now {
        Following::Listening { begun: true, .. } => return None,
        Following::Listening { seconds, begun: false } => {
            format!("listening for the sound, {seconds:.0} s so far: start it on the player")
        }
        Following::Mark(mark) => match (mark.purpose, mark.drive) {
            (Some(Purpose::Climb), Some(drive)) => format!("hears the step at {drive}"),
            (Some(purpose), _) => format!("hears the {purpose}"),
            (None, _) => return None,
        },
        Following::Level { role, level, ceiling } if is_alarm(now) => format!(
            "STOP THE PLAYER NOW: {level} at the {}, the ceiling is {ceiling}. The bench cannot stop it.",
            role.in_words()
        ),
        Following::Level { role, level, ceiling } => {
            format!("{level} at the {} (ceiling {})", role.in_words(), tidy(ceiling.db(), 1))
        }
        Following::Clips { drive } => {
            format!("It clips at {drive}. Louder steps show nothing more: the player may be stopped now.")
        }
    })
}
