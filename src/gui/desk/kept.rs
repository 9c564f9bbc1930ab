//! What is kept for the next time and what comes back: the chain of the desk, and what was removed last.

use super::Desk;
use crate::card::CardId;
use crate::gui::form;
use crate::gui::form::Form;
use crate::gui::stock::Replaced;
use crate::session::chain::Chain;
use crate::session::chain_file;
use crate::session::record::Record;
use crate::stock::{KeptListener, folder};
use std::path::PathBuf;

/// What can come back.
pub(super) enum Removed {
    /// Everything typed, as it was before.
    Typed(Box<Form>),
    /// The listener's own level; `None`: none was kept. With everything typed as it was before, where that changed too.
    Listener(Option<Box<KeptListener>>, Option<Box<Form>>),
    /// An output or a headphone of the stock: its name, its file, and what that held.
    Entry(String, PathBuf, String),
}

impl Desk {
    /// Before something is removed: what is typed now can come back.
    pub(in crate::gui) fn removes(&mut self, what: &str) {
        self.removed = Some((what.into(), Removed::Typed(Box::new(self.form.clone()))));
        self.refused = None;
    }

    /// What was removed last, in words.
    pub fn removed(&self) -> Option<&str> {
        self.removed.as_ref().map(|(what, _)| what.as_str())
    }

    /// What the stock kept before can come back, and with a listener what the question asked for.
    pub(super) fn can_restore(&mut self, replaced: Replaced) {
        let (before, asked_too) = match replaced {
            Replaced::Listener { before, asked_too } => (before, asked_too),
            Replaced::Entry { name, path, before } => {
                let what = format!("What was kept of {name} was replaced.");
                self.removed = Some((what, Removed::Entry(name, path, before)));
                return;
            }
        };
        let typed = match self.removed.take() {
            Some((_, Removed::Typed(form))) if asked_too => Some(form),
            _ => None,
        };
        let what = match &before {
            Some(kept) => format!("A new own level is kept; it was {} before.", kept.listening),
            None => "An own level is kept; there was none before.".into(),
        };
        self.removed = Some((what, Removed::Listener(before, typed)));
    }

    pub(super) fn undo(&mut self) {
        if self.view.phase.is_busy() {
            self.refused = Some(self.busy_because());
            return;
        }
        match self.removed.take() {
            Some((_, Removed::Listener(kept, typed))) => {
                let to = folder::beside(self.form.sessions());
                self.write_stock(move || {
                    Ok(match kept {
                        Some(kept) => {
                            folder::keep_listener(&to, &kept).map_err(|error| error.to_string())?;
                            format!("{} is your own level again.", kept.listening)
                        }
                        None => {
                            folder::forget_listener(&to).map_err(|error| error.to_string())?;
                            "Your own level is no longer kept.".to_string()
                        }
                    }
                    .into())
                });
                if let Some(form) = typed {
                    self.typed_again(*form);
                }
            }
            Some((_, Removed::Entry(name, path, before))) => self.write_stock(move || {
                let path = folder::put_back(path, &before).map_err(|error| error.to_string())?;
                Ok(format!("{name} is kept as before, in {}.", path.display()).into())
            }),
            Some((_, Removed::Typed(form))) => self.typed_again(*form),
            None => self.refused = Some("Nothing was removed that could come back.".into()),
        }
    }

    fn typed_again(&mut self, form: Form) {
        self.form = form;
        self.changed();
        self.keep_chain();
    }

    /// Keeps the chain for the next time; a chain of simulated cards is not kept, so that no command takes it for the
    /// desk.
    pub(in crate::gui) fn keep_chain(&mut self) {
        let Some((_, chain)) = self.form.ready() else { return };
        let chain = chain.clone();
        if chain.routing.playback == CardId::simulated() {
            return;
        }
        self.write_chain(chain);
    }

    pub(super) fn write_chain(&mut self, chain: Chain) {
        let Some(path) = self.chain_file.clone() else { return };
        if self.keeping.is_under_way() {
            self.kept_next = Some(chain);
            return;
        }
        let keep = move || chain_file::save(&path, &chain).map_err(|error| form::sentence(&error.to_string()));
        if let Err(error) = self.keeping.begin("keep-chain", &self.wake, keep) {
            self.refused = Some(format!("The chain could not be kept: {error}."));
        }
    }

    /// What a session has shown of the inputs is kept with the chain.
    pub(super) fn learn(&mut self, record: &Record) {
        let Some(mut chain) = self.form.ready().map(|(_, chain)| chain.clone()) else { return };
        if chain.learn_seen_clean(record) {
            self.form.chain.seen_clean = chain.seen_clean;
            self.changed();
            self.keep_chain();
        }
    }
}
