//! Which sessions were cut short?

use super::{FileSystem, names, open};
use crate::session::record::{Record, SessionHead};
use std::path::{Path, PathBuf};

/// A session that could be taken up.
#[derive(Clone, Debug, PartialEq)]
pub struct Unfinished {
    /// Name of its folder inside the folder of sessions.
    pub name: String,
    /// Its head.
    pub head: SessionHead,
}

/// Folders of all sessions in `sessions`, by name; what is no session is passed over.
pub fn all_sessions(sessions: &Path) -> Vec<PathBuf> {
    let folders = open::list_or_nothing(&FileSystem, sessions).unwrap_or_default();
    let named = folders.into_iter().filter(|name| names::can_name_a_session(name)).map(|name| sessions.join(name));
    let mut found: Vec<PathBuf> = named.filter(|folder| folder.join(names::HEAD).is_file()).collect();
    found.sort();
    found
}

/// Sessions in `sessions` that were cut short, the latest first. Steps are not read; what cannot be read is passed over
/// (opening it says why).
pub fn unfinished(sessions: &Path) -> Vec<Unfinished> {
    let folders = open::list_or_nothing(&FileSystem, sessions).unwrap_or_default();
    let cut_short = |name: String| {
        let folder = sessions.join(&name);
        let head = open::head(&FileSystem, &folder).ok()?;
        let (events, _) = open::events(&FileSystem, &folder).ok()?;
        let record = Record { events, ..Record::new(head) };
        record.can_go_on().then_some(Unfinished { name, head: record.head })
    };
    let mut found: Vec<Unfinished> =
        folders.into_iter().filter(|name| names::can_name_a_session(name)).filter_map(cut_short).collect();
    found.sort_by(|a, b| b.head.started_at.cmp(&a.head.started_at));
    found
}
