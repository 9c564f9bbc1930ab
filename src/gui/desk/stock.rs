//! The stock: read, and added to, by threads.

use super::Desk;
use crate::gui::form::sentence;
use crate::gui::work::Lost;
use crate::stock::{Listener, folder};

impl Desk {
    /// Opens page Stock and reads it anew.
    pub(super) fn read_stock(&mut self) {
        let sessions = self.form.sessions().to_path_buf();
        self.stock.read(&sessions, &self.wake);
    }

    pub(in crate::gui) fn listener(&self) -> Listener {
        let plan = self.form.ready().map(|(plan, _)| plan);
        Listener {
            level: plan.and_then(|p| p.listening),
            level_from: Default::default(),
            rule: plan.map(|p| p.rule).unwrap_or_default(),
        }
    }

    /// Keeps what is typed of an output or a headphone.
    pub(super) fn keep_typed(&mut self, output: bool) {
        let (to, typed) = (folder::beside(self.form.sessions()), self.stock.typed.clone());
        let keep = move || {
            let kept = match output {
                true => folder::keep_output(&to, &typed.output_entry()?, typed.replace),
                false => folder::keep_headphone(&to, &typed.headphone_entry()?, typed.replace),
            };
            kept.map(|path| format!("Kept in {}.", path.display())).map_err(|e| e.to_string())
        };
        self.stock.kept = None;
        if let Err(error) = self.stock.writing.begin("keep-stock", &self.wake, keep) {
            self.stock.kept = Some(Err(format!("Not kept: {error}.")));
        }
    }

    /// Takes what threads have read or written.
    pub(super) fn look_at_stock(&mut self) {
        self.stock.look();
        let Some(looked) = self.stock.writing.look() else { return };
        let kept = looked.unwrap_or_else(|Lost| Err("Not kept: its writer ended".into()));
        if kept.is_ok() {
            self.read_stock();
        }
        self.stock.kept = Some(kept.map_err(|why| sentence(&why)));
    }
}
