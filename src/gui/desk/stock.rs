//! The stock: read, and added to, by threads.

use super::Desk;
use super::kept::Removed;
use crate::gui::form::sentence;
use crate::gui::stock::{Kept, Replaced};
use crate::gui::work::Lost;
use crate::stock::Listener;
use crate::stock::folder::{self, Written};

impl Desk {
    /// Opens page Stock and reads it anew.
    pub(super) fn read_stock(&mut self) {
        let sessions = self.form.sessions().to_path_buf();
        self.stock.read(&sessions, &self.wake);
    }

    /// Who listens: the level that the question asks for, else the one that is kept with the stock.
    pub(in crate::gui) fn listener(&self) -> Listener {
        let plan = self.form.ready().map(|(plan, _)| plan);
        let rule = plan.map(|p| p.rule).unwrap_or_default();
        let asked = plan.and_then(|p| p.listening);
        match self.stock.stock() {
            // The same level is the listener's own, whoever typed it.
            Some(stock) => stock.listener(asked.filter(|asked| Some(*asked) != self.stock.kept_level()), rule),
            None => Listener { level: asked, level_from: Default::default(), half_width_db: 0.0, rule },
        }
    }

    /// Keeps the level that the question asks for as the listener's own.
    pub(super) fn keep_listener(&mut self) {
        let Some(listening) = self.form.ready().and_then(|(plan, _)| plan.listening) else {
            self.stock.kept = Some(Err("Not kept: the question asks for no listening level.".into()));
            return;
        };
        let (to, now) = (folder::beside(self.form.sessions()), self.now.clone());
        self.write_stock(move || {
            let before = folder::listener(&to).map_err(|error| error.to_string())?.map(Box::new);
            let path = folder::keep_level(&to, now, listening, None).map_err(|error| error.to_string())?;
            let words = format!("{listening} is kept as your own level in {}.", path.display());
            Ok(Kept { words, replaced: Some(Replaced::Listener { before, asked_too: false }) })
        });
    }

    /// Forgets the level that is kept.
    pub(super) fn forget_listener(&mut self) {
        let from = folder::beside(self.form.sessions());
        if let Some(kept) = self.stock.stock().and_then(|stock| stock.listener.clone()) {
            let what = format!("Your own level, {}, was forgotten.", kept.listening);
            self.removed = Some((what, Removed::Listener(Some(Box::new(kept)), None)));
        }
        self.write_stock(move || {
            let was = folder::forget_listener(&from).map_err(|error| error.to_string())?;
            Ok(if was { "Your own level is forgotten." } else { "No level was kept." }.to_string().into())
        });
    }

    /// Keeps what is typed of an output or a headphone.
    pub(super) fn keep_typed(&mut self, output: bool) {
        let (to, typed) = (folder::beside(self.form.sessions()), self.stock.typed.clone());
        let keep = move || {
            let kept = match output {
                true => folder::keep_output(&to, &typed.output_entry()?, typed.replace),
                false => folder::keep_headphone(&to, &typed.headphone_entry()?, typed.replace),
            };
            let Written { path, before } = kept.map_err(|error| error.to_string())?;
            let words = format!("Kept in {}.", path.display());
            let name = if output { typed.output } else { typed.headphone };
            Ok(Kept { words, replaced: before.map(|before| Replaced::Entry { name, path, before }) })
        };
        self.write_stock(keep);
    }

    pub(super) fn write_stock(&mut self, keep: impl FnOnce() -> Result<Kept, String> + Send + 'static) {
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
        self.stock.kept = Some(match kept {
            Ok(Kept { words, replaced }) => {
                self.read_stock();
                if let Some(replaced) = replaced {
                    self.can_restore(replaced);
                }
                Ok(words)
            }
            Err(why) => Err(sentence(&why)),
        });
    }
}
