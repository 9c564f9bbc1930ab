//! The listener's own level: measured at their volume position, kept, and asked for from then on.

use super::{Desk, Page};
use crate::account;
use crate::gui::form::sentence;
use crate::gui::own_level::Own;
use crate::gui::stock::{Kept, Replaced};
use crate::gui::view::Phase;
use crate::session::own_level::{OwnLevelAsk, not_calibrated};
use crate::session::protocol::{Command, Event};
use crate::stock::{MeasuredLevel, folder};
use crate::units::tidy;

impl Desk {
    /// Shows it in place of the question, or the question again.
    pub(super) fn own_level(&mut self) {
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        let was = self.own.open && self.page == Page::Climb && self.asking;
        (self.page, self.asking) = (Page::Climb, true);
        (self.next_headphone, self.to_go_on, self.elsewhere.open) = (None, None, false);
        self.own = Own { open: !was, by_music: self.own.by_music, ..Own::default() };
    }

    /// Enter on it: listen, or keep what was heard. True where it is shown.
    pub(super) fn own_level_enter(&mut self) -> bool {
        if !self.own.open || !self.asking {
            return false;
        }
        if self.view.phase == Phase::Idle {
            if self.own.can_be_kept() { self.keep_own_level() } else { self.measure_own_level() }
        }
        true
    }

    fn measure_own_level(&mut self) {
        self.own.heard = None;
        let Some((_, chain)) = self.form.ready().cloned() else {
            self.own.wrong = Some(self.not_ready_because());
            return;
        };
        if let Some(ear) = self.form.deciding_ear().filter(|ear| chain.acoustic(*ear).is_none()) {
            self.own.wrong = Some(sentence(&not_calibrated(ear)));
            return;
        }
        match self.own.how() {
            Err(wrong) => self.own.wrong = Some(wrong),
            Ok(how) => {
                self.own.wrong = None;
                self.own.asked = Some(Box::new(chain.clone()));
                self.view.put_aside_failure();
                self.send(Command::OwnLevel(Box::new(OwnLevelAsk { chain, how })));
            }
        }
    }

    /// What one event means for it.
    pub(super) fn own_level_hears(&mut self, event: &Event) {
        match event {
            Event::OwnLevel(own) => self.own.heard = self.own.asked.take().map(|chain| (own.clone(), chain)),
            Event::Failed(failure) if self.own.asked.take().is_some() => {
                self.own.wrong = Some(sentence(&failure.message));
            }
            _ => {}
        }
    }

    /// The level becomes the listener's own, and the question asks for it.
    fn keep_own_level(&mut self) {
        let Some((own, chain)) = self.own.heard.take() else { return };
        let (listening, _) = own.listening();
        self.removes("The listening level was replaced.");
        let shown = tidy(listening.level.db(), 1);
        self.form.typed.set(crate::asked::Field::Listening, shown);
        self.form.weighting = (listening.weighting, listening.field);
        self.changed();
        self.own.open = false;
        let (to, now) = (folder::beside(self.form.sessions()), self.now.clone());
        let measured = MeasuredLevel::of(&own, &chain);
        self.write_stock(move || {
            let before = folder::listener(&to).map_err(|error| error.to_string())?.map(Box::new);
            folder::keep_level(&to, now, listening, Some(measured)).map_err(|error| error.to_string())?;
            let kept = folder::listener(&to).map_err(|error| error.to_string())?;
            let words = kept.map_or(String::new(), |kept| account::own_level::kept(&kept));
            Ok(Kept { words, replaced: Some(Replaced::Listener { before, asked_too: true }) })
        });
    }
}
