//! What page Notebook knows: every session at a glance, which of them are shown in which order, and what is typed beside the one
//! that is chosen. Reading, sorting and finding run on a thread: a page of five thousand sessions changes in one picture.

use super::work::{Lost, Wake, Work};
use crate::account::document::Section;
use crate::account::notebook;
use crate::session::record::Named;
use crate::stock::notebook::{Entry, Measured, SortBy, Trend, read, sort};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Sessions that are compared.
const COMPARED: usize = 2;

/// What is typed beside a session.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Typed {
    /// A note.
    pub note: String,
    /// Output, headphone and volume, to be corrected.
    pub names: [String; 3],
    /// Only the spelling was wrong.
    pub spelling: bool,
    /// Why it is set aside.
    pub because: String,
}

/// The names that can be corrected, in the order of [`Typed::names`].
pub const NAMES: [Named; 3] = [Named::Output, Named::Headphone, Named::Volume];

/// All sessions in order, and those that are shown.
#[derive(Clone, Default)]
struct Arranged {
    entries: Arc<Vec<Entry>>,
    by: SortBy,
    shown: Arc<Vec<usize>>,
}

/// What page Notebook knows.
#[derive(Default)]
pub struct Notebook {
    arranged: Option<Arranged>,
    /// Words that every session shown has in it.
    pub filter: String,
    /// What they are sorted by.
    pub by: SortBy,
    /// Folder of the session that is looked at.
    pub chosen: Option<PathBuf>,
    /// It must be seen wherever the list stands.
    pub(super) is_news: bool,
    /// Folders of those that are to be compared, at most two.
    pub marked: Vec<PathBuf>,
    /// What is typed beside the session that is looked at.
    pub typed: Typed,
    /// What was written last, or why not.
    pub said: Option<Result<String, String>>,
    trend: Option<(PathBuf, Option<Section>)>,
    reading: Work<Vec<Entry>>,
    arranging: Work<Arranged>,
    writing: Work<Result<String, String>>,
}

impl Notebook {
    /// These sessions, as they were read elsewhere, all of them shown.
    pub fn of(entries: Vec<Entry>) -> Notebook {
        let shown = Arc::new((0..entries.len()).collect());
        let arranged = Arranged { entries: Arc::new(entries), by: SortBy::Date, shown };
        Notebook { arranged: Some(arranged), ..Notebook::default() }
    }

    /// Reads all sessions anew.
    pub(super) fn read(&mut self, sessions: &Path, wake: &Wake) {
        let sessions = sessions.to_path_buf();
        if let Err(error) = self.reading.begin("notebook", wake, move || read(&sessions)) {
            self.said = Some(Err(format!("The sessions could not be read: {error}.")));
        }
    }

    /// Finds and sorts anew, as typed and chosen now.
    pub(super) fn arrange(&mut self, wake: &Wake) {
        let Some(Arranged { entries, by, .. }) = self.arranged.clone() else { return };
        self.arrange_these(entries, Some(by), wake);
    }

    fn arrange_these(&mut self, entries: Arc<Vec<Entry>>, sorted: Option<SortBy>, wake: &Wake) {
        let (words, by): (Vec<String>, SortBy) = (self.filter.split_whitespace().map(String::from).collect(), self.by);
        let arrange = move || {
            let entries = if sorted == Some(by) {
                entries
            } else {
                let mut entries = entries.to_vec();
                sort(&mut entries, by);
                Arc::new(entries)
            };
            let shown = entries.iter().enumerate().filter(|(_, entry)| entry.matches(&words)).map(|(i, _)| i).collect();
            Arranged { entries, by, shown: Arc::new(shown) }
        };
        if let Err(error) = self.arranging.begin("notebook-order", wake, arrange) {
            self.said = Some(Err(format!("The sessions could not be sorted: {error}.")));
        }
    }

    /// Takes what threads have read, found or written. True where a session was written into, so that it must be read anew.
    pub(super) fn look(&mut self, wake: &Wake) -> bool {
        match self.reading.look() {
            Some(Ok(entries)) => self.arrange_these(Arc::new(entries), None, wake),
            Some(Err(Lost)) => self.said = Some(Err("The sessions could not be read: the reader ended.".into())),
            None => {}
        }
        if let Some(Ok(arranged)) = self.arranging.look() {
            (self.arranged, self.trend) = (Some(arranged), None);
            let there = |folder: &&PathBuf| self.entry(folder).is_some();
            let marked = self.marked.iter().filter(there).cloned().collect();
            let chosen = self.chosen.as_ref().filter(there).cloned();
            (self.marked, self.chosen) = (marked, chosen);
        }
        let Some(looked) = self.writing.look() else { return false };
        let said = looked.unwrap_or_else(|Lost| Err("nothing was written: the writer ended".into()));
        let written = said.is_ok();
        self.said = Some(said.map_err(|why| super::form::sentence(&why)));
        if written {
            (self.typed.note, self.typed.because) = (String::new(), String::new());
        }
        written
    }

    /// Writes into a session on a thread.
    pub(super) fn write(&mut self, wake: &Wake, write: impl FnOnce() -> Result<String, String> + Send + 'static) {
        self.said = None;
        if let Err(error) = self.writing.begin("notebook-write", wake, write) {
            self.said = Some(Err(format!("Nothing was written: {error}.")));
        }
    }

    /// True while something is read, sorted or written.
    pub fn is_working(&self) -> bool {
        self.reading.is_under_way() || self.arranging.is_under_way() || self.writing.is_under_way()
    }

    /// True once they were read.
    pub fn is_read(&self) -> bool {
        self.arranged.is_some()
    }

    /// All sessions in order, and the places of those that are shown.
    pub(super) fn shown(&self) -> (Arc<Vec<Entry>>, Arc<Vec<usize>>) {
        self.arranged.as_ref().map_or_else(Default::default, |a| (a.entries.clone(), a.shown.clone()))
    }

    /// The session in this folder.
    pub(super) fn entry(&self, folder: &Path) -> Option<&Entry> {
        self.arranged.as_ref()?.entries.iter().find(|entry| entry.folder == folder)
    }

    /// The session that is looked at.
    pub(super) fn chosen_entry(&self) -> Option<&Entry> {
        self.entry(self.chosen.as_ref()?)
    }

    /// The session that is looked at, for the clipboard.
    pub(super) fn chosen_words(&self) -> Option<String> {
        let lines = notebook::lines(self.chosen_entry()?);
        Some(lines.into_iter().map(|(name, words)| format!("{name}: {words}")).collect::<Vec<_>>().join("\n"))
    }

    /// The trend of the pairing that is looked at, where it was measured more than once; worked out once.
    pub(super) fn trend(&mut self) -> Option<Section> {
        let folder = self.chosen.clone()?;
        if self.trend.as_ref().is_none_or(|(of, _)| *of != folder) {
            let (entries, _) = self.shown();
            let like = entries.iter().find(|entry| entry.folder == folder)?;
            let trend = Trend::of(&entries, like).filter(|trend| trend.rows.len() > 1);
            self.trend = Some((folder, trend.map(|trend| notebook::trend(&trend))));
        }
        self.trend.as_ref().and_then(|(_, section)| section.clone())
    }

    /// Looks at a session; its names are put into the fields.
    pub(super) fn choose(&mut self, entry: &Entry) {
        self.chosen = Some(entry.folder.clone());
        self.typed = Typed { names: entry.measured().map(names_of).unwrap_or_default(), ..Typed::default() };
        self.said = None;
    }

    /// Moves down (or up) by so many of those that are shown.
    pub(super) fn step(&mut self, by: isize) {
        let (entries, shown) = self.shown();
        let at = shown.iter().position(|place| Some(&entries[*place].folder) == self.chosen.as_ref());
        let last = shown.len() as isize - 1;
        let next = at.map_or(if by > 0 { 0 } else { last }, |at| (at as isize + by).clamp(0, last.max(0)));
        if let Some(place) = shown.get(next.max(0) as usize) {
            self.choose(&entries[*place]);
            self.is_news = true;
        }
    }

    /// Marks a session to be compared, or not any more; the third takes the place of the first.
    pub(super) fn mark(&mut self, folder: &Path) {
        match self.marked.iter().position(|marked| marked == folder) {
            Some(at) => drop(self.marked.remove(at)),
            None => self.marked.push(folder.to_path_buf()),
        }
        if self.marked.len() > COMPARED {
            self.marked.remove(0);
        }
    }
}

/// As they stand now.
pub(super) fn names_of(measured: &Measured) -> [String; 3] {
    [measured.output.clone(), measured.headphone.clone(), measured.volume.clone()]
}
