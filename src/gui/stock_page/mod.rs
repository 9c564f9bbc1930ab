//! Page Stock: pictures of the output that is looked at first; beside them every output × headphone, measured solid and
//! predicted outlined, and the evidence of the pairing that is chosen; then fields for what a data sheet says.
//!
//! ```text
//!  highest clean level of each headphone │ matrix
//!  ──────────────────────────────────────│ evidence of one pairing: its sessions, or how to measure it
//!  map: which headphones it drives       │ what is known of the output
//!  from a data sheet …
//! ```

mod evidence;
mod matrix;
mod typed;

use super::account;
use super::climb::WIDE;
use super::desk::Desk;
use super::keys::Action;
use super::parts;
use super::stock::{Drawn, in_window};
use super::theme::{SMALL, STEP};
use crate::stock::{LevelFrom, Listener};
use eframe::egui::{Button, CentralPanel, Frame, Margin, RichText, ScrollArea, Spinner, Ui, vec2};

/// From this width on both pictures stand beside each other, points.
const WIDEST: f32 = 185.0 * STEP;
/// Least height of a picture, points.
const LEAST: f32 = 34.0 * STEP;

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let listener = desk.listener();
    let frame = Frame::central_panel(ui.style()).inner_margin(Margin::same(STEP as i8));
    CentralPanel::default().frame(frame).show(ui, |ui| {
        let height = ui.available_height();
        ScrollArea::vertical().id_salt("stock").auto_shrink(false).show(ui, |ui| {
            head(desk, &listener, ui);
            match desk.stock.draw_for(&listener, &desk.wake) {
                None if !desk.stock.is_loading() && desk.stock.failure.is_none() => drawing(ui),
                None => ui.add_space(2.0 * STEP),
                Some(drawn) if drawn.matrix.cells.is_empty() => empty(desk, ui),
                Some(drawn) => full(desk, &drawn, height - 7.0 * STEP, ui),
            }
            ui.add_space(2.0 * STEP);
            typed::show(desk, ui);
        });
    });
}

/// For whom, and whether it is read.
fn head(desk: &mut Desk, listener: &Listener, ui: &mut Ui) {
    ui.horizontal_wrapped(|ui| {
        let words = match (listener.level, listener.level_from) {
            (None, _) => "No listening level: headroom is not determined. Type one on page Climb.".into(),
            (Some(level), LevelFrom::Stated) => format!("For {level}, as typed on page Climb."),
            (Some(level), LevelFrom::Kept) => format!("For {level}, your own level as kept."),
        };
        ui.label(RichText::new(words).strong());
        let idle = !desk.stock.is_loading();
        let ways = [
            (
                "Keep as my level",
                Action::KeepListener,
                listener.level_from == LevelFrom::Stated && listener.level.is_some(),
            ),
            ("Forget my level", Action::ForgetListener, listener.level_from == LevelFrom::Kept),
        ];
        for (words, action, _) in ways.into_iter().filter(|(.., shown)| *shown) {
            if ui.add_enabled(idle, Button::new(RichText::new(words).size(SMALL))).clicked() {
                desk.ask(action);
            }
        }
        if !idle {
            ui.add(Spinner::new());
            parts::quiet(ui, "reading the sessions");
        } else if ui.button(RichText::new("Read again").size(SMALL)).clicked() {
            desk.ask(Action::Stock);
        }
    });
    parts::quiet(
        ui,
        format!(
            "Highest clean level of full-range pink noise, Z at the point, dB SPL. Ample from {} dB of headroom, borderline from {} dB (common practice, no source).",
            listener.rule.ample_db, listener.rule.borderline_db
        ),
    );
    if let Some(failure) = &desk.stock.failure {
        parts::wrong(ui, failure);
    }
    for (path, why) in &desk.stock.passed_over {
        parts::quiet(ui, format!("Passed over: {}: {why}", path.display()));
    }
    ui.add_space(STEP / 2.0);
}

/// Until the pictures are drawn.
fn drawing(ui: &mut Ui) {
    ui.horizontal(|ui| {
        ui.add(Spinner::new());
        parts::quiet(ui, "The pictures are drawn.");
    });
    ui.add_space(2.0 * STEP);
}

/// What the page will show, and its next step.
fn empty(desk: &mut Desk, ui: &mut Ui) {
    ui.add_space(2.0 * STEP);
    ui.label(RichText::new("Nothing in stock yet").size(22.0));
    ui.add_space(STEP / 2.0);
    parts::quiet(
        ui,
        "Every pairing that is measured appears here, and what its output and headphone would do with others is predicted from it.",
    );
    ui.add_space(STEP);
    if parts::main_button(ui, true, "Measure a pairing", &Action::Climb.key()).clicked() {
        desk.ask(Action::AskAgain);
    }
    parts::quiet(ui, "Or type below what a data sheet says of an output and of a headphone.");
}

fn full(desk: &mut Desk, drawn: &Drawn, height: f32, ui: &mut Ui) {
    let width = ui.available_width();
    if width < WIDE {
        pictures(drawn, ui, 0.6 * height, false);
        ui.add_space(STEP);
        beside(desk, drawn, ui);
        return;
    }
    let apart = width >= WIDEST;
    let left = if apart { 0.66 } else { 0.45 } * width - 2.0 * STEP;
    ui.horizontal_top(|ui| {
        ui.allocate_ui(vec2(left, height), |ui| {
            ui.vertical(|ui| {
                ui.set_width(left);
                let one = if apart { height } else { 0.5 * (height - STEP) };
                pictures(drawn, ui, one, apart);
            });
        });
        ui.add_space(STEP);
        ui.vertical(|ui| {
            ui.set_width(ui.available_width());
            beside(desk, drawn, ui);
        });
    });
}

/// The output that is looked at, twice: level by level, and as a map.
fn pictures(drawn: &Drawn, ui: &mut Ui, height: f32, apart: bool) {
    let height = height.max(LEAST);
    let levels = |ui: &mut Ui| match &drawn.levels {
        Some(picture) => account::picture(ui, picture, height),
        None => {
            parts::quiet(ui, "No level of this output is known yet.");
        }
    };
    let map = |ui: &mut Ui| match &drawn.map {
        Ok(picture) => account::picture(ui, picture, height),
        Err(why) => {
            parts::quiet(ui, format!("No map: {}.", in_window(why)));
        }
    };
    if apart {
        ui.columns(2, |columns| {
            levels(&mut columns[0]);
            map(&mut columns[1]);
        });
    } else {
        levels(ui);
        map(ui);
    }
}

/// The matrix, the pairing that is chosen, and what is known of the output.
fn beside(desk: &mut Desk, drawn: &Drawn, ui: &mut Ui) {
    if drawn.invented {
        parts::quiet(ui, "Sessions of the simulated bench: these devices are invented.");
    }
    let chosen = desk.stock.chosen.clone();
    match matrix::show(drawn, chosen.as_ref(), ui) {
        Some(matrix::Picked::Output(output)) => desk.stock.look_at(&output),
        Some(matrix::Picked::Pairing(output, headphone)) => desk.stock.choose(&output, &headphone),
        None => {}
    }
    ui.add_space(STEP);
    evidence::show(desk, ui);
    if let Some(output) = &drawn.looked_at {
        parts::heading(ui, &format!("What is known of {}", output.words()));
        for (name, line) in &drawn.lines {
            let line = in_window(line);
            parts::quiet(ui, if name.is_empty() { line } else { format!("{name}: {line}") });
        }
    }
}
