//! The path check on the chain as it stands.

use super::Desk;
use crate::gui::view::Phase;
use crate::session::plan::Plan;
use crate::session::protocol::{Command, SessionRequest};

impl Desk {
    /// Plays the path check on the chain as it stands in the form.
    pub(super) fn check_path(&mut self) {
        self.view.path_failure = None;
        if self.view.phase != Phase::Idle {
            self.view.path_failure = Some(self.busy_because());
            return;
        }
        let Some((asked, chain)) = self.form.ready() else {
            self.view.path_failure = Some(self.not_ready_because());
            return;
        };
        let check = Plan::path_check(chain.routing.playback_rate);
        let plan = Plan { listening: asked.listening, ceilings: asked.ceilings, ..check };
        self.track.checked_on(chain);
        let (chain, sessions) = (chain.clone(), self.form.sessions().to_path_buf());
        self.send(Command::Run(Box::new(SessionRequest { plan, chain, sessions, id: None })));
    }
}
