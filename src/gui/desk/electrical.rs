//! The one key of electrical calibrations: begins, plays, keeps.

use super::{ChainPart, Desk, Page};
use crate::asked::electrical;
use crate::gui::electrical::{Kind, reading_id};
use crate::gui::form::{Field, sentence};
use crate::gui::view::Phase;
use crate::session::protocol::{Command, ElectricalHeard, ElectricalTake};

impl Desk {
    /// The one key of the section: begins, plays what is plugged in, keeps what the meter showed.
    pub(super) fn electrical_step(&mut self) {
        self.page = Page::Chain;
        if matches!(self.open_part, ChainPart::Playback | ChainPart::Coupler) {
            self.open_part = ChainPart::Output;
        }
        self.view.electrical_is_news = true;
        self.guide.failure = None;
        if self.view.phase != Phase::Idle {
            self.guide.failure = Some(self.busy_because());
            return;
        }
        if self.guide.kind.is_none() {
            self.guide.kind = Some(Kind::Volts);
            return;
        }
        match &self.guide.on_its_way {
            None => self.begin_electrical(),
            Some(way) => match way.take() {
                Some(take) => self.play_electrical(take),
                None => self.finish_electrical(),
            },
        }
    }

    fn begin_electrical(&mut self) {
        let Some((_, chain)) = self.form.ready() else {
            self.guide.failure = Some(self.not_ready_because());
            return;
        };
        self.guide.begin(&chain.clone());
        // What asks for no take is done.
        if self.guide.on_its_way.as_ref().is_some_and(|way| way.procedure.steps().is_empty()) {
            self.finish_electrical();
        }
    }

    fn play_electrical(&mut self, take: ElectricalTake) {
        self.wants_focus = Some(reading_id());
        self.send(Command::Electrical(Box::new(take)));
    }

    /// A take is done.
    pub(super) fn electrical_heard(&mut self, heard: ElectricalHeard) {
        self.guide.failure = None;
        let Some(way) = &mut self.guide.on_its_way else { return };
        way.remarks.extend(heard.flaws.iter().map(|flaw| flaw.text.clone()));
        way.heard.push(heard);
        match way.procedure.so_far(&way.heard) {
            Ok(words) => way.remarks.extend(words),
            Err(refused) => {
                self.guide.failure = Some(sentence(&refused.to_string()));
                self.guide.on_its_way = None;
                return;
            }
        }
        if way.next().is_none() && way.procedure.meter().is_none() {
            self.finish_electrical();
        }
    }

    fn finish_electrical(&mut self) {
        let Some(way) = &self.guide.on_its_way else { return };
        self.guide.wrong = None;
        let reading = match way.procedure.meter().map(|_| electrical::reading(self.guide.typed.text(Field::Reading))) {
            None => None,
            Some(Ok(reading)) => Some(reading),
            Some(Err(wrong)) => {
                self.guide.wrong = Some(wrong);
                self.wants_focus = Some(reading_id());
                return;
            }
        };
        match way.procedure.result(&way.chain, &way.heard, reading, &self.now.clone()) {
            Ok(result) => {
                self.guide.on_its_way = None;
                self.guide.stated = result.words;
                self.form.take_electrical(result.part, &result.chain);
                self.changed();
                self.keep_chain();
            }
            Err(refused) => self.guide.failure = Some(sentence(&refused.to_string())),
        }
    }
}
