//! The line over every page: pages, Start and Stop, and the chain in words.

use super::app::{Desk, Page};
use super::climb;
use super::keys::Action;
use super::parts;
use super::theme::{self, STEP};
use eframe::egui::{RichText, ScrollArea, Ui};

impl Desk {
    pub(super) fn top(&mut self, ui: &mut Ui) {
        let narrow = ui.available_width() < climb::WIDE;
        ui.add_space(STEP / 2.0);
        ui.horizontal(|ui| {
            // Where there is little room Stop comes before what may be cut off.
            if narrow {
                parts::start_stop(self, ui);
                ui.separator();
            }
            for (page, action) in [
                (Page::Chain, Action::Chain),
                (Page::Climb, Action::Climb),
                (Page::SideBySide, Action::SideBySide),
                (Page::Stock, Action::Stock),
            ] {
                if parts::choice(ui, self.page == page, &action.button()).clicked() {
                    self.act(action, &ui.ctx().clone());
                }
            }
            ui.separator();
            if !narrow && self.page != Page::Climb {
                parts::start_stop(self, ui);
                ui.separator();
            }
            ScrollArea::horizontal().id_salt("top-words").show(ui, |ui| {
                ui.horizontal(|ui| {
                    let ctx = ui.ctx().clone();
                    for action in [Action::Cautions, Action::Theme, Action::Report] {
                        if ui.button(action.button()).clicked() {
                            self.act(action, &ctx);
                        }
                    }
                    ui.label(RichText::new(self.chain_in_words()).color(theme::tokens(ui).quiet));
                });
            });
        });
        ui.add_space(STEP / 2.0);
        if self.cautions_open {
            parts::cautions(ui);
        }
        if let Some(refused) = &self.refused {
            parts::wrong(ui, refused);
        }
        if self.writing.is_under_way() {
            parts::quiet(ui, "A report is being written.");
        }
        match &self.writing.said {
            None => {}
            Some(Ok(words)) => {
                parts::quiet(ui, words.clone());
            }
            Some(Err(why)) => parts::wrong(ui, why),
        }
    }

    fn chain_in_words(&self) -> String {
        let calibration = self.form.deciding_ear().and_then(|ear| self.form.acoustic.get(&ear));
        let offset = calibration.map_or("not calibrated: levels are in dBFS".into(), |a| {
            format!("offset {} dB, taken {}", super::text::db(a.offset.value), parts::moment(&a.taken_at))
        });
        let name = if self.form.chain.name.is_empty() { "chain" } else { &self.form.chain.name };
        format!("{name} · {offset}")
    }
}
