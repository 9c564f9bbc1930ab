//! Draws which of two outputs wears the blue label. The key is an event like any other: kept, never changed, and shown
//! only where it is asked for.

use super::{Storage, StorageError};
use crate::session::record::{Happening, Record, SessionEvent};
use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::Path;

impl Storage {
    /// Draws for a comparison of the session in this folder with session `other` and keeps the key; a key that another program
    /// has drawn meanwhile stays.
    ///
    /// # Errors
    /// [`StorageError`].
    pub fn draw_labels(folder: &Path, other: &str, at: &str) -> Result<Vec<SessionEvent>, StorageError> {
        let drawn = |event: &SessionEvent| matches!(&event.what, Happening::LabelsDrawn { other: o, .. } if o == other);
        Storage::annotate(folder, at, |record: &Record| -> Result<_, StorageError> {
            // The standard library seeds each such state from the system's own randomness.
            let blue = RandomState::new().build_hasher().finish() & 1 == 1;
            let is_drawn = record.events.iter().any(drawn);
            Ok((!is_drawn).then(|| Happening::LabelsDrawn { other: other.into(), blue }))
        })
        .map(|record| record.events)
    }
}
