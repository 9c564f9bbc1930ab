//! A stored session opened again: read and judged by a thread, then shown where its kind is shown.

use super::{Desk, Evidence, Page};
use crate::gui::digest::Digest;
use crate::gui::form::sentence;
use crate::gui::view::Phase;
use crate::gui::work::Lost;
use crate::session::plan::{Extent, Order};
use crate::session::storage::Storage;
use crate::session::swap::folder_of;
use crate::stock::OutputName;
use std::path::PathBuf;
use std::sync::Arc;

/// A session as it was read.
pub(super) struct Opened {
    digest: Arc<Digest>,
    folder: PathBuf,
}

impl Desk {
    /// Reads a stored session and shows it.
    pub fn open_session(&mut self, folder: PathBuf) {
        (self.refused, self.told) = (None, None);
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        let read = move || {
            let record = Storage::open(&folder).map(|(_, record)| record).map_err(|error| error.to_string())?;
            Ok(Opened { digest: Arc::new(Digest::of(&Arc::new(record))), folder })
        };
        if let Err(error) = self.reopening.begin("open-session", &self.wake, read) {
            self.refused = Some(format!("The session was not opened: {error}."));
        }
    }

    /// True while a stored session is read.
    pub fn is_reopening(&self) -> bool {
        self.reopening.is_under_way()
    }

    /// Takes what was read.
    pub(super) fn look_at_reopened(&mut self) {
        let Some(looked) = self.reopening.look() else { return };
        let opened = match looked.unwrap_or_else(|Lost| Err("the session could not be read: its reader ended".into())) {
            Err(why) => return self.refused = Some(sentence(&why)),
            // Something else was begun meanwhile.
            Ok(_) if self.view.phase != Phase::Idle => return,
            Ok(opened) => opened,
        };
        let Opened { digest, folder } = opened;
        let plan = &digest.record.head.plan;
        match (plan.extent, &plan.swap) {
            (Extent::PathCheck, _) => {
                (self.view.path, self.view.path_is_news) = (digest.path.clone(), true);
                self.page = Page::Chain;
            }
            (Extent::Swap, Some(swap)) => {
                let half = |order| folder.with_file_name(folder_of(&swap.pair, order));
                self.side.chosen = [Some(half(Order::First)), Some(half(Order::Second))];
                self.page = Page::SideBySide;
                self.side.keeps_chosen = true;
                self.list_sessions();
            }
            _ => {
                self.view.show(digest, folder);
                (self.page, self.asking, self.enlarged) = (Page::Climb, false, false);
                (self.pinned, self.evidence, self.large) = (None, Evidence::Level, None);
            }
        }
    }

    /// The question asks for this pairing; everything else stays.
    pub fn ask_for(&mut self, output: &OutputName, headphone: &str) {
        (self.refused, self.told) = (None, None);
        if self.view.phase.is_busy() {
            self.refused = Some(self.busy_because());
            return;
        }
        self.form.chain.output = output.name.clone();
        self.form.chain.headphone = headphone.into();
        (self.page, self.asking) = (Page::Climb, true);
        self.changed();
    }
}
