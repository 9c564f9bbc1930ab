//! The session that is chosen: what it says, and what can be done with it.

use crate::account::notebook;
use crate::gui::account;
use crate::gui::desk::Desk;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::theme::{self, SMALL, STEP};
use crate::gui::view::Phase;
use crate::stock::notebook::{Entry, Kind};
use eframe::egui::accesskit::Live;
use eframe::egui::{Button, Grid, Label, RichText, Sense, Shape, Stroke, TextEdit, Ui, pos2, vec2};

/// Draws it.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    let Some(entry) = desk.notebook.chosen_entry().cloned() else {
        parts::quiet(ui, "Choose a session: by a click, or by the arrow keys.");
        return;
    };
    parts::heading(ui, &entry.name);
    buttons(desk, ui, &entry);
    if let Some(said) = &desk.notebook.said {
        match said {
            Ok(said) => {
                let label = parts::quiet(ui, said.clone());
                ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
            }
            Err(why) => parts::wrong(ui, why),
        }
    }
    curve(ui, &entry);
    Grid::new("notebook-lines").num_columns(2).spacing(vec2(STEP, 2.0)).show(ui, |ui| {
        for (name, words) in notebook::lines(&entry) {
            ui.add(Label::new(RichText::new(name).size(SMALL).color(theme::tokens(ui).quiet)));
            ui.add(Label::new(RichText::new(words).size(SMALL + 1.0)).wrap());
            ui.end_row();
        }
    });
    if entry.measured().is_some() {
        written(desk, ui, &entry);
        trend(desk, ui);
    }
}

fn buttons(desk: &mut Desk, ui: &mut Ui, entry: &Entry) {
    let idle = desk.view.phase == Phase::Idle && !desk.is_reopening();
    let measured = entry.measured();
    let climbed = measured.is_some_and(|m| matches!(m.kind, Kind::Full | Kind::Quick));
    let asks = desk.form.ready().and_then(|(plan, _)| plan.listening);
    let judge = asks.map_or("Judge for the question".into(), |level| format!("Judge for {level}"));
    let ways = [
        ("Go on with it".to_string(), measured.is_some_and(|m| m.interrupted), Action::ContinueChosen),
        (judge, climbed && asks.is_some(), Action::JudgeChosen),
        ("Report".into(), climbed, Action::ReportChosen),
    ];
    ui.horizontal_wrapped(|ui| {
        let t = theme::tokens(ui);
        let open = Button::new(RichText::new("Open  Enter").strong().color(t.ground)).fill(t.level);
        if ui.add_enabled(idle && measured.is_some(), open).clicked() {
            desk.ask(Action::OpenChosen);
        }
        for (words, can, action) in ways {
            if ui.add_enabled(idle && can, Button::new(words)).clicked() {
                desk.ask(action);
            }
        }
    });
}

/// The small curve of the climb: level against drive.
fn curve(ui: &mut Ui, entry: &Entry) {
    let Some(curve) = entry.measured().map(|m| &m.curve).filter(|curve| curve.len() > 1) else { return };
    let t = theme::tokens(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width().max(STEP), 8.0 * STEP), Sense::hover());
    ui.painter().rect_filled(rect, 2.0, t.ground);
    let ends = |of: fn(&(f64, f64)) -> f64| {
        let values = curve.iter().map(of).filter(|v| v.is_finite());
        let low = values.clone().fold(f64::INFINITY, f64::min);
        (low, (values.fold(f64::NEG_INFINITY, f64::max) - low).max(1.0))
    };
    let ((x, wide), (y, high)) = (ends(|p| p.0), ends(|p| p.1));
    let inner = rect.shrink(STEP);
    let points = curve.iter().map(|(drive, level)| {
        let (across, up) = ((drive - x) / wide, (level - y) / high);
        pos2(inner.left() + across as f32 * inner.width(), inner.bottom() - up as f32 * inner.height())
    });
    let points: Vec<_> = points.collect();
    ui.painter().add(Shape::line(points.clone(), Stroke::new(1.5, t.level)));
    ui.painter().extend(points.into_iter().map(|at| Shape::circle_filled(at, 2.5, t.level)));
    let (low, top) = (crate::gui::text::db(y), crate::gui::text::db(y + high));
    let says = format!("The climb at a glance: level from {low} to {top} dB over {} steps", curve.len());
    let _ = parts::announce(ui, rect, eframe::egui::Id::unique("notebook-curve"), &says, false);
}

/// Note, names, set aside, undo.
fn written(desk: &mut Desk, ui: &mut Ui, entry: &Entry) {
    parts::heading(ui, "Write beside it");
    let working = desk.notebook.is_working();
    ui.add_enabled_ui(!working, |ui| {
        let typed = &mut desk.notebook.typed;
        let mut asked = None;
        let note = line(ui, "Note", &mut typed.note);
        if ui.add_enabled(!typed.note.trim().is_empty(), Button::new("Keep the note")).clicked() || note {
            asked = Some(Action::KeepNote);
        }
        for (name, label) in typed.names.iter_mut().zip(["Output was", "Headphone was", "Volume was"]) {
            line(ui, label, name);
        }
        ui.checkbox(&mut typed.spelling, "only the spelling was wrong: volts and impedances still hold");
        if ui.button("Correct the names").clicked() {
            asked = Some(Action::CorrectNames);
        }
        let aside = entry.measured().is_some_and(|m| m.set_aside.is_some());
        if !aside {
            line(ui, "Set aside because", &mut typed.because);
        }
        ui.horizontal_wrapped(|ui| {
            if ui.button(if aside { "Take back: it counts again" } else { "Set aside: it no longer counts" }).clicked()
            {
                asked = Some(Action::SetAside);
            }
            if ui.button("Undo what was written last").clicked() {
                asked = Some(Action::UndoWritten);
            }
        });
        if let Some(action) = asked {
            desk.ask(action);
        }
    });
}

/// A named line; true where Enter was pressed in it.
fn line(ui: &mut Ui, label: &str, text: &mut String) -> bool {
    let response = parts::named(ui, label, true, |ui, name| {
        ui.add(TextEdit::singleline(text).desired_width(ui.available_width() - STEP)).labelled_by(name)
    });
    response.lost_focus() && ui.input(|i| i.key_pressed(eframe::egui::Key::Enter)) && !text.trim().is_empty()
}

/// The pairing over time, where there is more than one session of it.
fn trend(desk: &mut Desk, ui: &mut Ui) {
    if let Some(section) = desk.notebook.trend() {
        account::section(ui, &section);
    }
}
