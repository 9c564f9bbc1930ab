//! What is asked after a session, or instead of one: the next headphone, a further seat, an outside source, a volume
//! control, a session to go on with.

use super::{Desk, Page};
use crate::card::{SimulatedDevices, known_name};
use crate::gui::StartState;
use crate::gui::digest::Digest;
use crate::gui::form::Form;
use crate::gui::view::Phase;
use crate::session::plan::Extent;
use crate::session::protocol::Command;
use crate::session::record::SessionHead;
use crate::session::storage::{Glance, unfinished};
use eframe::egui::Id;
use std::sync::Arc;

/// A session to be taken up.
#[derive(Clone, Debug, Default)]
pub struct ToGoOn {
    /// Its name in the folder of sessions, or the path of its folder.
    pub name: String,
    /// Those that could be, the latest first; `None` while they are looked for.
    pub found: Option<Vec<Glance>>,
}

/// Where the name of the next headphone is typed.
pub fn next_headphone_id() -> Id {
    Id::unique("next-headphone-name")
}

/// Where the session to go on with is typed.
pub fn to_go_on_id() -> Id {
    Id::unique("session-to-go-on-with")
}

impl Desk {
    /// What the chosen playback card can simulate; `None` for a real card.
    pub(in crate::gui) fn simulated(&self) -> Option<&SimulatedDevices> {
        self.form.simulated(self.view.cards.as_ref().map_or(&[][..], |c| &c.found))
    }

    /// A name as typed; on the simulated bench `closed 80 ohm` is the device that it knows.
    pub(super) fn known_headphone(&self, typed: &str) -> String {
        let simulated = self.simulated().map_or(&[][..], |devices| &devices.headphones);
        known_name(typed, simulated.iter().map(String::as_str)).unwrap_or(typed.trim()).into()
    }

    pub(super) fn ask_next_headphone(&mut self) {
        if self.view.phase == Phase::SwapNow {
            // A series asks for it anyway.
            self.page = Page::Climb;
            self.wants_focus = Some(super::series_name_id());
            return;
        }
        if self.view.phase.is_busy() {
            self.refused =
                Some("Plug and unplug only while silent: press Esc first, then take the next headphone.".into());
            return;
        }
        self.page = Page::Climb;
        self.to_go_on = None;
        (self.asking, self.own.open, self.elsewhere.open) = (true, false, false);
        self.next_headphone = Some(String::new());
        self.wants_focus = Some(next_headphone_id());
    }

    /// Takes over the name that was typed; everything else stays.
    pub(super) fn take_next_headphone(&mut self) {
        if let Some(name) = self.next_headphone.take().filter(|n| !n.trim().is_empty()) {
            self.form.chain.headphone = self.known_headphone(&name);
            self.view.forget_session();
            self.pinned = None;
            self.changed();
        }
    }

    /// Another seat of the session shown: noise is held until the same key says that the headphone sits.
    pub(super) fn seat(&mut self) {
        match self.view.phase {
            Phase::Seating | Phase::Turning | Phase::Matching => self.ready_now(),
            Phase::Idle => {
                let Some(folder) = self.view.folder.clone().filter(|_| self.can_add()) else {
                    self.refused = Some("A further seat is added to a finished session; run one first.".into());
                    return;
                };
                self.view.put_aside_failure();
                self.page = Page::Climb;
                self.asking = false;
                self.send(Command::Seat { folder, hold: true });
            }
            _ => self.refused = Some(self.busy_because()),
        }
    }

    /// Holds noise while the output's volume control is turned, for the session shown.
    pub(super) fn turn(&mut self) {
        let Some(folder) = self.view.folder.clone().filter(|_| self.view.phase == Phase::Idle) else { return };
        self.view.put_aside_failure();
        self.send(Command::Positions { folder });
    }

    /// Listens to an outside source for the session shown.
    pub(super) fn listen(&mut self, covered: bool) {
        let Some(folder) = self.view.folder.clone().filter(|_| self.view.phase == Phase::Idle) else { return };
        self.view.put_aside_failure();
        self.send(Command::Listen { folder, covered });
    }

    /// True where the session shown can have a further seat, or an outside source.
    pub fn can_add(&self) -> bool {
        let record = |d: &Arc<Digest>| !d.record.can_go_on() && !d.record.is_from_elsewhere() && d.record.judgeable();
        let finished = |d: &Arc<Digest>| d.finished && record(d);
        self.view.folder.is_some() && self.view.digest.as_ref().is_some_and(finished)
    }

    pub(super) fn ask_session_to_go_on(&mut self) {
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        self.page = Page::Climb;
        self.next_headphone = None;
        (self.asking, self.own.open, self.elsewhere.open) = (true, false, false);
        self.to_go_on = Some(ToGoOn::default());
        let sessions = self.form.sessions().to_path_buf();
        if let Err(error) = self.looking.begin("unfinished", &self.wake, move || unfinished(&sessions)) {
            self.refused = Some(format!("The sessions could not be read: {error}."));
        }
        self.wants_focus = Some(to_go_on_id());
    }

    /// Takes up the session that was named.
    pub(super) fn go_on(&mut self) {
        let Some(asked) = self.to_go_on.take().filter(|s| !s.name.trim().is_empty()) else { return };
        let folder = self.form.sessions().join(asked.name.trim());
        self.view.put_aside_failure();
        self.pinned = None;
        self.goes_on = true;
        self.send(Command::Continue { folder, confirmed: None });
    }

    /// What is asked is what the session that was taken up had been asked.
    pub(super) fn show_as_asked(&mut self, head: &SessionHead) {
        self.goes_on = false;
        let (chain, plan, sessions) = (head.chain.clone(), head.plan.clone(), self.form.sessions().to_path_buf());
        self.form = Form::new(StartState { chain, plan, ..StartState::simulated(sessions) });
        self.changed();
    }

    pub(super) fn other_extent(&mut self) {
        if self.view.phase.is_busy() {
            self.refused = Some(self.busy_because());
            return;
        }
        self.form.extent = match self.form.extent {
            Extent::QuickLook => Extent::Session,
            Extent::Session | Extent::PathCheck | Extent::Swap => Extent::QuickLook,
        };
        self.changed();
    }
}
