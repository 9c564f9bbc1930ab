//! What the user writes into a stored session: notes, corrected names, set aside and back. Each is an event of its own in the
//! session's folder; nothing that was there before is changed or removed.

use super::record::{Happening, Named, Record};
use super::storage::{Storage, StorageError};
use std::path::Path;

/// Longest note, letters: what is longer belongs into a file of its own.
pub const LONGEST_NOTE: usize = 2000;
/// Longest name, letters.
pub const LONGEST_NAME: usize = 200;

/// Why nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum NotWritten {
    /// A folder.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// Nothing to write.
    #[error("the {0} is empty; type some words")]
    Empty(&'static str),
    /// Too much of it.
    #[error("the {what} has {letters} letters; up to {most} are kept")]
    TooLong {
        /// Note or name.
        what: &'static str,
        /// As typed.
        letters: usize,
        /// As many as are kept.
        most: usize,
    },
    /// Nothing to undo.
    #[error("{id} has no note, corrected name or setting aside that could be undone")]
    NothingToUndo {
        /// The session.
        id: String,
    },
}

/// Adds a note.
///
/// # Errors
/// [`NotWritten`].
pub fn note(folder: &Path, text: &str, at: &str) -> Result<Record, NotWritten> {
    let text = checked("note", text, LONGEST_NOTE)?;
    Storage::annotate(folder, at, |_| Ok(Some(Happening::Noted { text })))
}

/// Corrects a name. Where `same_device` is false, another device was measured than the session says: volts and impedances that
/// were taken on the named one are left out from then on.
///
/// # Errors
/// [`NotWritten`].
pub fn rename(folder: &Path, what: Named, name: &str, same_device: bool, at: &str) -> Result<Record, NotWritten> {
    let now = match what {
        // No note on the volume is a note, too.
        Named::Volume if name.trim().is_empty() => String::new(),
        _ => checked("name", name, LONGEST_NAME)?,
    };
    Storage::annotate(folder, at, |record| {
        let was = what.of(&record.head.chain).to_string();
        Ok((was != now).then_some(Happening::Renamed { what, was, now, same_device }))
    })
}

/// Sets a session aside: it does not count any more, and nothing of it is lost.
///
/// # Errors
/// [`NotWritten`].
pub fn set_aside(folder: &Path, because: &str, at: &str) -> Result<Record, NotWritten> {
    let because = if because.trim().is_empty() { String::new() } else { checked("reason", because, LONGEST_NOTE)? };
    Storage::annotate(folder, at, |record| Ok(record.set_aside().is_none().then_some(Happening::SetAside { because })))
}

/// Takes a session back that was set aside.
///
/// # Errors
/// [`NotWritten`].
pub fn take_back(folder: &Path, at: &str) -> Result<Record, NotWritten> {
    Storage::annotate(folder, at, |record| Ok(record.set_aside().map(|_| Happening::TakenBack)))
}

/// Undoes what was written last: note, corrected name, set aside or taken back. Returns what that was.
///
/// # Errors
/// [`NotWritten`]; where nothing is left to undo, that.
pub fn undo(folder: &Path, at: &str) -> Result<(Record, Happening), NotWritten> {
    let mut undone = None;
    let record = Storage::annotate(folder, at, |record| {
        undone = record.written().last().map(|event| event.what.clone());
        Ok::<_, NotWritten>(undone.as_ref().map(|_| Happening::Undone))
    })?;
    match undone {
        Some(what) => Ok((record, what)),
        None => Err(NotWritten::NothingToUndo { id: record.head.id }),
    }
}

/// Words of one line or several; control characters are nobody's words.
fn checked(what: &'static str, text: &str, most: usize) -> Result<String, NotWritten> {
    let clean: String = text.trim().chars().filter(|c| !c.is_control() || matches!(c, '\n' | '\t')).collect();
    match clean.chars().count() {
        0 => Err(NotWritten::Empty(what)),
        letters if letters > most => Err(NotWritten::TooLong { what, letters, most }),
        _ => Ok(clean),
    }
}
