//! Draws which of two outputs wears the blue label. The key is an event like any other: kept, never changed, and shown
//! only where it is asked for.

use super::{Storage, StorageError};
use crate::session::record::{Happening, SessionEvent};
use std::hash::{BuildHasher, Hasher, RandomState};

impl Storage {
    /// Draws for a comparison with session `other` and keeps the key.
    ///
    /// # Errors
    /// [`StorageError`].
    pub fn draw_labels(&mut self, other: &str, at: String) -> Result<SessionEvent, StorageError> {
        // The standard library seeds each such state from the system's own randomness.
        let blue = RandomState::new().build_hasher().finish() & 1 == 1;
        let event = SessionEvent { at, what: Happening::LabelsDrawn { other: other.into(), blue } };
        self.append_event(&event)?;
        Ok(event)
    }
}
