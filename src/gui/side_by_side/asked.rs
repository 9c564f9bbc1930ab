//! What is compared: two sessions, the level, what counts as the same, and the labels.

use super::swap;
use crate::gui::desk::Desk;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::theme::STEP;
use crate::gui::view::Phase;
use crate::judgement::comparison::MatchedOn;
use eframe::egui::{Button, TextEdit, Ui};
use std::path::PathBuf;

pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    swap::asked(desk, ui);
    ui.separator();
    parts::heading(ui, "Or compare two stored sessions");
    let mut changed = sessions(desk, ui);
    changed |= level(desk, ui);
    changed |= hears(desk, ui);
    let side = &mut desk.side;
    changed |= ui.checkbox(&mut side.same_seat, "the headphone stayed on the coupler").changed();
    changed |= ui.checkbox(&mut side.hidden, "hide the names").changed();
    if side.hidden {
        ui.checkbox(&mut side.revealed, "show which output has which label");
    }
    ui.add_enabled_ui(!side.hidden, |ui| {
        changed |= ui.checkbox(&mut side.subtract, "subtract one take from the other").changed();
    });
    if let Some(wrong) = &side.wrong {
        parts::wrong(ui, wrong);
    }
    if changed {
        if !desk.side.hidden {
            desk.side.revealed = false;
        }
        desk.ask(Action::CompareAgain);
    }
    matching(desk, ui);
}

fn sessions(desk: &mut Desk, ui: &mut Ui) -> bool {
    let found = desk.side.found.clone().unwrap_or_default();
    let mut all: Vec<(Option<PathBuf>, String)> = vec![(None, "choose a session".into())];
    all.extend(found.into_iter().map(|c| (Some(c.folder), c.words)));
    // Halves of a swap are no sessions that climbed, so that the list does not have them.
    let halves = desk.side.swap.turns.iter().flat_map(|turns| &turns.halves);
    all.extend(halves.filter_map(|half| Some((Some(half.folder()?.into()), format!("swap: {}", half.chain().output)))));
    // Nor halves that were opened from the notebook.
    for folder in desk.side.chosen.iter().flatten() {
        if !all.iter().any(|(listed, _)| listed.as_ref() == Some(folder)) {
            let name = folder.file_name().map_or_else(String::new, |name| name.to_string_lossy().into());
            all.push((Some(folder.clone()), name));
        }
    }
    let mut changed = false;
    for (i, name) in ["First output", "Second output"].into_iter().enumerate() {
        if let Some(chosen) = parts::list(ui, name, &desk.side.chosen[i], &all) {
            desk.side.chosen[i] = chosen;
            changed = true;
        }
    }
    all[0].1 = "none".into();
    if let Some(third) = parts::list(ui, "Third session", &desk.side.third, &all) {
        desk.side.third = third;
        changed = true;
    }
    parts::quiet(
        ui,
        "A third one helps to show where the distortion of the first comes from: another input gain, another headphone.",
    );
    changed
}

fn level(desk: &mut Desk, ui: &mut Ui) -> bool {
    let side = &mut desk.side;
    let on = [MatchedOn::Pink, MatchedOn::OneKilohertz].map(|on| (on, on.in_words().to_string()));
    let mut changed = false;
    if let Some(chosen) = parts::list(ui, "Matched on", &side.on, &on) {
        side.on = chosen;
        changed = true;
    }
    changed |= typed(ui, "Level, dB", &mut side.at);
    if side.at.trim().is_empty() {
        parts::quiet(ui, "No level: the highest clean one of the weaker output.");
    }
    changed | typed(ui, "Same within, dB", &mut side.within)
}

/// Limits of the person who listens, where they know them.
fn hears(desk: &mut Desk, ui: &mut Ui) -> bool {
    let labels = ["You hear response from, dB", "distortion from, dB", "noise from, dB SPL"];
    let side = &mut desk.side;
    let changed =
        labels.into_iter().zip(&mut side.hears).fold(false, |all, (label, text)| all | typed(ui, label, text));
    if side.hears.iter().all(|text| text.trim().is_empty()) {
        parts::quiet(ui, "Empty: your own limits as kept with your level, else published ones.");
    }
    changed
}

fn typed(ui: &mut Ui, label: &str, text: &mut String) -> bool {
    ui.horizontal(|ui| {
        let name = ui.label(label);
        ui.add(TextEdit::singleline(text).desired_width(12.0 * STEP)).labelled_by(name.id).changed()
    })
    .inner
}

/// The level of the first, played on the second.
fn matching(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "Play the level");
    parts::quiet(
        ui,
        "With the second output on the desk, the bench plays the level of the first session, so that nothing is interpolated between steps. Do not wear the headphones.",
    );
    let turning = desk.view.phase == Phase::Matching;
    ui.add_enabled_ui(!desk.view.phase.is_busy(), |ui| {
        ui.checkbox(&mut desk.side.by_hand, "the output has a knob: turn it first");
    });
    let words = if turning { format!("It is right  {}", Action::Match.key()) } else { Action::Match.button() };
    if ui.add_enabled(turning || !desk.view.phase.is_busy(), Button::new(words)).clicked() {
        desk.ask(Action::Match);
    }
}
