//! The notebook: what is done with a stored session.

use super::{Desk, Page, ToGoOn};
use crate::gui::notebook::NAMES;
use crate::gui::view::Phase;
use crate::session::notebook;
use crate::session::record::{Happening, Record};
use crate::session::storage::at_a_glance;
use std::path::Path;

impl Desk {
    /// Opens page Notebook and reads it anew.
    pub(super) fn read_notebook(&mut self) {
        let sessions = self.form.sessions().to_path_buf();
        self.notebook.read(&sessions, &self.wake);
    }

    /// What is typed or chosen of the list has changed.
    pub(in crate::gui) fn arrange_notebook(&mut self) {
        self.notebook.arrange(&self.wake);
    }

    /// Takes what threads have read or written.
    pub(super) fn look_at_notebook(&mut self) {
        if self.notebook.look(&self.wake) {
            self.read_notebook();
            // The stock counts what is not set aside, under its corrected name.
            if self.stock.stock().is_some() {
                self.read_stock();
            }
        }
    }

    /// Keeps the note that is typed.
    pub(super) fn keep_note(&mut self) {
        let text = self.notebook.typed.note.clone();
        self.write_into(move |folder, at| {
            notebook::note(folder, &text, at).map(|record| format!("Noted in {}.", record.head.id))
        });
    }

    /// Corrects the names that are typed otherwise than they stand.
    pub(super) fn correct_names(&mut self) {
        let typed = self.notebook.typed.clone();
        self.write_into(move |folder, at| {
            let before = at_a_glance(folder)?;
            let mut corrected = Vec::new();
            for (what, name) in NAMES.into_iter().zip(&typed.names) {
                // The field of the volume shows all positions; the note alone can be corrected.
                if name.trim() != what.of(&before.head.chain).trim() {
                    let record = notebook::rename(folder, what, name, typed.spelling, at)?;
                    corrected.push(format!("the {} is {}", what.word(), shown(what.of(&record.head.chain))));
                }
            }
            Ok(match corrected.is_empty() {
                true => "The names are already as typed; nothing was changed.".into(),
                false => format!("Corrected: {}.", corrected.join(", ")),
            })
        });
    }

    /// Sets the session aside, or takes it back.
    pub(super) fn set_aside(&mut self) {
        let because = self.notebook.typed.because.clone();
        self.write_into(move |folder, at| {
            let is_aside = at_a_glance(folder)?.set_aside().is_some();
            Ok(match is_aside {
                true => format!("{} counts again.", notebook::take_back(folder, at)?.head.id),
                false => format!(
                    "{} is set aside: it no longer counts, but all of it is kept.",
                    notebook::set_aside(folder, &because, at)?.head.id
                ),
            })
        });
    }

    /// Undoes what was written into it last.
    pub(super) fn undo_written(&mut self) {
        self.write_into(|folder, at| {
            let (record, undone) = notebook::undo(folder, at)?;
            Ok(format!("{} in {}.", undone_words(&undone), id(&record)))
        });
    }

    fn write_into(&mut self, write: impl FnOnce(&Path, &str) -> Result<String, notebook::NotWritten> + Send + 'static) {
        let Some(folder) = self.notebook.chosen.clone() else { return };
        let at = self.now.clone();
        self.notebook.write(&self.wake, move || write(&folder, &at).map_err(|error| error.to_string()));
    }

    /// Takes up the session that is looked at.
    pub(super) fn continue_chosen(&mut self) {
        let Some(folder) = self.notebook.chosen.clone() else { return };
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        (self.page, self.asking) = (Page::Climb, false);
        self.to_go_on = Some(ToGoOn { name: folder.display().to_string(), found: None });
        self.go_on();
    }

    /// Two marked sessions side by side.
    pub(super) fn compare_marked(&mut self) {
        let [first, second] = self.notebook.marked.as_slice() else {
            self.refused = Some("Mark two sessions first.".into());
            return;
        };
        self.side.chosen = [Some(first.clone()), Some(second.clone())];
        self.side.third = None;
        self.side.keeps_chosen = true;
        self.page = Page::SideBySide;
        self.list_sessions();
    }
}

fn id(record: &Record) -> &str {
    &record.head.id
}

fn shown(name: &str) -> &str {
    if name.is_empty() { "not noted" } else { name }
}

fn undone_words(undone: &Happening) -> String {
    match undone {
        Happening::Noted { text } => format!("The note \u{201c}{text}\u{201d} is removed"),
        Happening::Renamed { what, was, .. } => format!("The {} is {} again", what.word(), shown(was)),
        Happening::SetAside { .. } => "It is no longer set aside, and counts again".into(),
        _ => "It is set aside again".into(),
    }
}
