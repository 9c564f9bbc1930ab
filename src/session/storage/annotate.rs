//! Events that are added to a session from outside a measurement: notes, corrected names, labels. The steps are not read; the
//! lock is held from the look at what is there until the event stands, so that two programs at once lose nothing.

use super::{FileSystem, Storage, StorageError, open};
use crate::session::record::{Happening, Record, SessionEvent};
use std::path::Path;
use std::time::Duration;

/// A program that writes an event holds the lock for milliseconds: it is waited for, a measurement is not.
const ATTEMPTS: usize = 60;
/// Between two of them.
const PAUSE: Duration = Duration::from_millis(50);

impl Storage {
    /// Adds to the session what `what` makes of it (head and events, no steps); `None` adds nothing. Returns it as it is then.
    ///
    /// # Errors
    /// What `what` says; [`StorageError`], [`StorageError::InUse`] while another program measures in it.
    pub fn annotate<E: From<StorageError>>(
        folder: &Path,
        at: &str,
        what: impl FnOnce(&Record) -> Result<Option<Happening>, E>,
    ) -> Result<Record, E> {
        let (mut storage, stored) = Storage::lock_for_an_event(folder)?;
        let mut record = stored.clone();
        record.take_corrected_names();
        let Some(what) = what(&record)? else { return Ok(record) };
        let event = SessionEvent { at: at.into(), what };
        storage.append_event(&event)?;
        let mut record = stored;
        record.events.push(event);
        record.take_corrected_names();
        Ok(record)
    }

    /// Its names are those of its head.
    fn lock_for_an_event(folder: &Path) -> Result<(Storage, Record), StorageError> {
        let mut changed = Vec::new();
        // The head never changes, and shows that the lock is not made in somebody else's folder.
        let head = open::head(&FileSystem, folder, &mut changed)?;
        let mut storage = Storage::on(Box::new(FileSystem), folder.into(), &head);
        for attempt in 1.. {
            match storage.lock() {
                Err(StorageError::InUse(_)) if attempt < ATTEMPTS => std::thread::sleep(PAUSE),
                locked => {
                    locked?;
                    break;
                }
            }
        }
        let (events, next) = open::events(&FileSystem, folder, &mut changed)?;
        storage.next_event = next;
        Ok((storage, Record { events, changed, ..Record::new(head) }))
    }
}
