//! What a pairing stands on: its sessions, which open from here, or how to measure it.

use crate::gui::desk::Desk;
use crate::gui::parts;
use crate::gui::stock::in_window;
use crate::gui::theme::{self, SMALL, STEP};
use crate::gui::view::Phase;
use crate::stock::{Cell, reading_words};
use eframe::egui::{Button, Label, RichText, Ui};

/// Draws it.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    let Some(cell) = desk.stock.chosen_cell().cloned() else {
        parts::quiet(ui, "Choose a pairing: its sessions open from here, and a predicted one can be measured.");
        return;
    };
    parts::heading(ui, &format!("{} with {}", cell.output.words(), cell.headphone));
    said(&cell, ui);
    let idle = desk.view.phase == Phase::Idle && !desk.is_reopening();
    match &cell.measured {
        Some((lead, _)) => {
            session(desk, ui, lead, None, idle);
            for (other, why) in &cell.others {
                session(desk, ui, other, Some(why), idle);
            }
        }
        None => {
            parts::quiet(ui, "Predicted from the sessions and figures of its output and of its headphone.");
        }
    }
    let words = if cell.measured.is_some() { "Measure it again" } else { "Measure this pairing" };
    if ui.add_enabled(idle, Button::new(words)).clicked() {
        desk.ask_for(&cell.output, &cell.headphone);
    }
}

fn said(cell: &Cell, ui: &mut Ui) {
    let best = cell.best();
    ui.horizontal_wrapped(|ui| {
        let level = format!("{} dB SPL", reading_words(&best.level_spl));
        ui.label(RichText::new(level).font(theme::figures(theme::TEXT + 2.0)).strong());
        parts::quiet(ui, format!("headroom {} dB, {}", reading_words(&best.headroom_db), cell.from_words()));
    });
    let stopped = best.stopped_by.map(|by| format!("Stopped by {}.", by.words()));
    let missing = best.missing().map(|why| format!("Not determined: {why}."));
    let remarks = best.remarks.iter().map(|remark| crate::asked::sentence(remark));
    for line in missing.into_iter().chain(stopped).chain(remarks) {
        parts::quiet(ui, in_window(&line));
    }
}

/// A session with its button; `behind`: what speaks for the one that leads.
fn session(desk: &mut Desk, ui: &mut Ui, id: &str, behind: Option<&String>, idle: bool) {
    ui.horizontal_wrapped(|ui| {
        if ui.add_enabled(idle, Button::new(RichText::new(format!("Open {id}")).size(SMALL))).clicked() {
            let folder = desk.form.sessions().join(id);
            desk.open_session(folder);
        }
        let words = match behind {
            None => "the session that this result comes from".to_string(),
            Some(why) => format!("not used; the session above was preferred: {why}"),
        };
        ui.add(Label::new(RichText::new(words).size(SMALL).color(theme::tokens(ui).quiet)).wrap());
    });
    ui.add_space(STEP / 4.0);
}
