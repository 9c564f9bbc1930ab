//! What keeps an answer from being determined, and the one step that sets it right.

use super::{ChainPart, Desk, ToGoOn};
use crate::gui::keys::Action;
use crate::judgement::Answer;
use crate::session::record::Record;
use crate::session::step::StopReason;

impl Desk {
    /// For the session shown where it has no answer: what to do, by name; `None` where there is one.
    pub(in crate::gui) fn remedy(&self) -> Option<(&'static str, Action)> {
        let digest = self.view.digest.as_ref().filter(|d| d.finished)?;
        if digest.judgement.headroom.verdict.answer != Answer::NotDetermined {
            return None;
        }
        Some(remedy_of(&digest.record))
    }

    /// Takes up the session shown.
    pub(super) fn go_on_with_shown(&mut self) {
        let Some(folder) = self.view.folder.clone() else { return };
        self.to_go_on = Some(ToGoOn { name: folder.display().to_string(), found: None });
        self.go_on();
    }
}

fn remedy_of(record: &Record) -> (&'static str, Action) {
    let chain = &record.head.chain;
    match record.stop() {
        // Going on would hear as little.
        Some(stop) if stop.is_dead_input() => ("Choose another input", Action::OpenPart(ChainPart::Capture)),
        _ if record.can_go_on() => ("Go on with this session", Action::GoOnWithShown),
        Some(stop) if stop.is_of_cards() => ("Look at the cards", Action::OpenPart(ChainPart::Playback)),
        // No card of this computer played it: the path check would look at another path.
        _ if record.is_from_elsewhere() && chain.is_calibrated() && record.head.plan.listening.is_some() => {
            ("See what is wrong", Action::Flaws)
        }
        Some(StopReason::NoSignal | StopReason::NotTheSound | StopReason::TakesVoid { .. }) => {
            ("Check the path", Action::PathCheck)
        }
        _ if !chain.is_calibrated() => ("Calibrate the input", Action::Calibrate),
        Some(StopReason::InputOverload) => ("Lower the gain, calibrate", Action::Calibrate),
        _ if record.head.plan.listening.is_none() => ("State a listening level", Action::AskAgain),
        _ => ("See what is wrong", Action::Flaws),
    }
}
