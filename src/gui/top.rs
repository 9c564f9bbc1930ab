//! The line over every page: pages, Start and Stop, and the chain in words.

use super::climb;
use super::desk::{Desk, Page};
use super::keys::Action;
use super::parts;
use super::theme::{self, STEP};
use eframe::egui::{RichText, ScrollArea, Ui};

pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    let narrow = ui.available_width() < climb::WIDE;
    ui.add_space(STEP / 2.0);
    ui.horizontal(|ui| {
        // Where there is little room Stop comes before what may be cut off.
        if narrow {
            parts::start_stop(desk, ui);
            ui.separator();
        }
        for (page, action) in [
            (Page::Chain, Action::Chain),
            (Page::Climb, Action::Climb),
            (Page::SideBySide, Action::SideBySide),
            (Page::Stock, Action::Stock),
        ] {
            if parts::choice(ui, desk.page == page, &action.button()).clicked() {
                desk.ask(action);
            }
        }
        ui.separator();
        if !narrow && desk.page != Page::Climb {
            parts::start_stop(desk, ui);
            ui.separator();
        }
        ScrollArea::horizontal().id_salt("top-words").show(ui, |ui| {
            ui.horizontal(|ui| {
                for action in [Action::Cautions, Action::Theme, Action::Report] {
                    if ui.button(action.button()).clicked() {
                        desk.ask(action);
                    }
                }
                ui.label(RichText::new(chain_in_words(desk)).color(theme::tokens(ui).quiet));
            });
        });
    });
    ui.add_space(STEP / 2.0);
    if desk.cautions_open {
        parts::cautions(ui);
    }
    if let Some(refused) = &desk.refused {
        parts::wrong(ui, refused);
    }
    if desk.writing.is_under_way() {
        parts::quiet(ui, "A report is being written.");
    }
    match &desk.writing.said {
        None => {}
        Some(Ok(words)) => {
            parts::quiet(ui, words.clone());
        }
        Some(Err(why)) => parts::wrong(ui, why),
    }
}

fn chain_in_words(desk: &Desk) -> String {
    let calibration = desk.form.deciding_ear().and_then(|ear| desk.form.acoustic.get(&ear));
    let offset = calibration.map_or("not calibrated: levels are in dBFS".into(), |a| {
        format!("offset {} dB, taken {}", super::text::db(a.offset.value), parts::moment(&a.taken_at))
    });
    let name = if desk.form.chain.name.is_empty() { "chain" } else { &desk.form.chain.name };
    format!("{name} · {offset}")
}
