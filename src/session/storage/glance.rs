//! Which sessions are there? Heads and events alone are read; what cannot be read is passed over (opening it says why).

use super::{Disk, FileSystem, StorageError, names, open};
use crate::session::record::{Record, SessionHead};
use std::path::{Path, PathBuf};

/// A session at a glance.
#[derive(Clone, Debug, PartialEq)]
pub struct Glance {
    /// Its folder.
    pub folder: PathBuf,
    /// Name of its folder inside the folder of sessions.
    pub name: String,
    /// Its head.
    pub head: SessionHead,
}

/// Folders of all sessions in `sessions`, by name; what is no session is passed over.
pub fn all_sessions(sessions: &Path) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = named(sessions).into_iter().map(|name| sessions.join(name)).collect();
    found.retain(|folder| folder.join(names::HEAD).is_file());
    found.sort();
    found
}

/// Sessions in `sessions` that were cut short and not set aside, the latest first.
pub fn unfinished(sessions: &Path) -> Vec<Glance> {
    glances(sessions, |record| record.set_aside().is_none() && record.can_go_on())
}

/// Finished sessions in `sessions` that climbed and were not set aside, the latest first.
pub fn finished(sessions: &Path) -> Vec<Glance> {
    let counts = |record: &Record| record.set_aside().is_none() && !record.can_go_on();
    glances(sessions, |record| counts(record) && record.head.plan.extent.climbs())
}

/// Head and events of one session, without its steps.
///
/// # Errors
/// [`StorageError`], as when it is opened.
pub fn at_a_glance(folder: &Path) -> Result<Record, StorageError> {
    let mut changed = Vec::new();
    let head = open::head(&FileSystem, folder, &mut changed)?;
    let (events, _) = open::events(&FileSystem, folder, &mut changed)?;
    let mut record = Record { events, changed, ..Record::new(head) };
    record.take_corrected_names();
    Ok(record)
}

fn named(sessions: &Path) -> Vec<String> {
    let folders = open::list_or_nothing(&FileSystem, sessions).unwrap_or_default();
    folders.into_iter().filter(|name| names::can_name_a_session(name)).collect()
}

/// When a session was begun; `None` where its head cannot be read.
pub fn began(folder: &Path) -> Option<jiff::Timestamp> {
    /// The one key that is wanted.
    #[derive(serde::Deserialize)]
    struct Began {
        started_at: String,
    }
    let head = FileSystem.read(&folder.join(names::HEAD)).ok()?;
    serde_json::from_slice::<Began>(&head).ok()?.started_at.parse().ok()
}

/// Those of which this holds; the record has no steps.
fn glances(sessions: &Path, holds: impl Fn(&Record) -> bool) -> Vec<Glance> {
    let glance = |name: String| {
        let folder = sessions.join(&name);
        let record = at_a_glance(&folder).ok()?;
        holds(&record).then_some(Glance { folder, name, head: record.head })
    };
    let mut found: Vec<Glance> = named(sessions).into_iter().filter_map(glance).collect();
    found.sort_by(|a, b| b.head.started_at.cmp(&a.head.started_at));
    found
}
