//! What can go wrong with a session folder: every message says what, where, and the way out.

use std::io;
use std::path::PathBuf;

/// Something about a session folder could not be done. Finished steps are never touched by a failure.
#[derive(Debug, thiserror::Error)]
pub enum StorageError {
    /// The system refused.
    #[error("could not {doing} {path}: {source}; {}", way_out(source), path = path.display())]
    Io {
        /// `write`, `read`, `list` …
        doing: &'static str,
        /// Where.
        path: PathBuf,
        /// Why, in the system's words.
        source: io::Error,
    },
    /// A session of this name exists.
    #[error("{} exists already and is not overwritten; choose another name, or take it up again with `loudenough run --continue`", .0.display())]
    Exists(PathBuf),
    /// Another program writes there.
    #[error("{} is in use by another loudenough, and two in one session would overwrite each other; wait until that one is done or end it", .0.display())]
    InUse(PathBuf),
    /// A name that is no folder name on every system.
    #[error(
        "{0:?} cannot name a session; use up to 100 letters, digits, `-`, `_` and `.`, beginning with a letter or digit"
    )]
    BadName(String),
    /// No `session.json`.
    #[error("{} is not a session folder: it holds no session.json; give the folder that directly holds that file", .0.display())]
    NotASession(PathBuf),
    /// Written by a newer program.
    #[error("{} was written in version {found} of the session format, this program reads up to version {ours}; use a newer loudenough", path.display())]
    Newer {
        /// Which file.
        path: PathBuf,
        /// Major version in the file.
        found: u64,
        /// Highest major version read here.
        ours: u64,
    },
    /// JSON, but not ours.
    #[error("{} does not begin with a session schema ({found}); it was not written by loudenough: move it out of the session folder or restore it from a copy", path.display())]
    NotOurs {
        /// Which file.
        path: PathBuf,
        /// What stands there instead.
        found: String,
    },
    /// Half a JSON, no JSON, or JSON without what belongs in it.
    #[error("{} cannot be read ({detail}); {way_out}", path.display())]
    Unreadable {
        /// Which file.
        path: PathBuf,
        /// What the parser says.
        detail: String,
        /// What to do.
        way_out: String,
    },
    /// NaN or an infinity, or anything else that would not read back as it stands.
    #[error(
        "{what} holds a value that is not a finite number and would not read back, so it was not stored ({detail}); please report this"
    )]
    NotFinite {
        /// Which part of which step.
        what: String,
        /// First difference.
        detail: String,
    },
    /// A take's file is not what was recorded.
    #[error("{} is not the recording that was made: {why}; restore it from a copy, or move the folder of this step and all later ones elsewhere and run the session with --continue", path.display())]
    WrongRecording {
        /// Which file.
        path: PathBuf,
        /// What differs.
        why: String,
    },
    /// The stored period is not the one this program plays.
    #[error("{} is not the period this program plays for the {stimulus} ({why}); later steps would not compare with the earlier ones: begin a new session", path.display())]
    WrongPeriod {
        /// Which file.
        path: PathBuf,
        /// Which stimulus.
        stimulus: String,
        /// What differs.
        why: String,
    },
    /// A finished step lies behind a gap.
    #[error("step {missing} in {} is missing although step {later} is finished; put it back, or move step {later} and all later ones elsewhere", folder.display())]
    Gap {
        /// Session folder.
        folder: PathBuf,
        /// First that is missing.
        missing: usize,
        /// First after it.
        later: usize,
    },
    /// A step out of turn: a fault of the program, caught before anything is overwritten.
    #[error("step {asked} cannot be stored in {}: {why}; please report this", folder.display())]
    OutOfTurn {
        /// Session folder.
        folder: PathBuf,
        /// Step asked for.
        asked: usize,
        /// What stands against it.
        why: String,
    },
    /// A take that no WAV can hold.
    #[error("a take cannot be stored as {}: {why}", path.display())]
    NoWav {
        /// Which file.
        path: PathBuf,
        /// Why not.
        why: String,
    },
}

/// What a user can do about a system error.
fn way_out(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "the disk is full; finished steps are kept: free some space and take the session up again with `loudenough run --continue`"
        }
        io::ErrorKind::FileTooLarge => {
            "files may not grow that large here (`ulimit -f`); finished steps are kept: raise the limit and take the session up again with `loudenough run --continue`"
        }
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            "check who may write there, or choose another place with LOUDENOUGH_HOME"
        }
        io::ErrorKind::NotFound => "check that the folder is still there and its disk connected",
        io::ErrorKind::NotADirectory | io::ErrorKind::IsADirectory => {
            "something else stands in its place: move that elsewhere"
        }
        _ => "finished steps are kept; check the disk and take the session up again with `loudenough run --continue`",
    }
}
