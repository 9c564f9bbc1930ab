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

/// What follows once a stored session is read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::gui) enum AfterOpening {
    /// It is shown.
    #[default]
    Show,
    /// A report of it is written.
    Report,
    /// It is judged for the listener that the question asks for, as `judge` does.
    Judge,
}

/// A session as it was read.
pub(super) struct Opened {
    digest: Arc<Digest>,
    folder: PathBuf,
}

impl Desk {
    /// Reads a stored session and shows it.
    pub fn open_session(&mut self, folder: PathBuf) {
        self.open_and(folder, AfterOpening::Show);
    }

    /// The same with the session that is looked at in the notebook.
    pub(super) fn open_chosen(&mut self, then: AfterOpening) {
        match self.notebook.chosen.clone() {
            Some(folder) => self.open_and(folder, then),
            None => self.refused = Some("Choose a session of the notebook first.".into()),
        }
    }

    fn open_and(&mut self, folder: PathBuf, then: AfterOpening) {
        (self.refused, self.notice) = (None, None);
        self.after_opening = then;
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        let asked = self.form.ready().filter(|_| then == AfterOpening::Judge);
        let asked = asked.map(|(plan, _)| (plan.listening, plan.rule));
        let read = move || {
            let mut record = Storage::open(&folder).map(|(_, record)| record).map_err(|error| error.to_string())?;
            if let Some((listening, rule)) = asked {
                let plan = &mut record.head.plan;
                (plan.listening, plan.rule) = (listening.or(plan.listening), rule);
            }
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
                if self.after_opening == AfterOpening::Report {
                    self.report();
                }
            }
        }
    }

    /// The question asks for this pairing; everything else stays.
    pub fn ask_for(&mut self, output: &OutputName, headphone: &str) {
        (self.refused, self.notice) = (None, None);
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
