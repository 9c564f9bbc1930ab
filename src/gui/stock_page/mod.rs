//! Page Stock: known outputs × headphones, measured solid and predicted outlined; under it the map of the output that is
//! looked at and what is known of it; then fields for what a data sheet says.

mod matrix;
mod typed;

use super::account;
use super::desk::Desk;
use super::keys::Action;
use super::parts;
use super::stock::Drawn;
use super::theme::STEP;
use crate::account::stock::map_picture;
use crate::stock::{Cell, Listener, Stock};
use eframe::egui::{CentralPanel, Frame, Margin, ScrollArea, Spinner, Ui};

/// Height of the map, points.
const MAP: f32 = 44.0 * STEP;
/// Narrower than this the map's words stand under it, points.
const NARROW: f32 = 110.0 * STEP;

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let listener = desk.listener();
    let frame = Frame::central_panel(ui.style()).inner_margin(Margin::same(2 * STEP as i8));
    CentralPanel::default().frame(frame).show(ui, |ui| {
        ScrollArea::vertical().id_salt("stock").auto_shrink(false).show(ui, |ui| {
            head(desk, &listener, ui);
            let picked = match desk.stock.draw_for(&listener) {
                None => None,
                Some(drawn) if drawn.matrix.cells.is_empty() => {
                    parts::quiet(
                        ui,
                        format!("Nothing in stock yet: run a session ({}), or type below what a data sheet says of an output and a headphone.", Action::Start.key()),
                    );
                    None
                }
                Some(drawn) => {
                    let picked = matrix::show(drawn, ui);
                    ui.add_space(2.0 * STEP);
                    below(drawn, ui);
                    picked
                }
            };
            if let Some(output) = picked {
                desk.stock.look_at(&output);
            }
            ui.add_space(2.0 * STEP);
            typed::show(desk, ui);
        });
    });
}

fn head(desk: &mut Desk, listener: &Listener, ui: &mut Ui) {
    ui.horizontal_wrapped(|ui| {
        let level = listener.level.map_or("no listening level stated: headroom is not determined".into(), |l| {
            format!(
                "listening level {l}, ample from {} dB, borderline from {} dB (common practice, no source)",
                listener.rule.ample_db, listener.rule.borderline_db
            )
        });
        parts::quiet(ui, format!("Highest clean level of pink noise, Z at the point, dB SPL; {level}"));
        if desk.stock.is_reading() {
            ui.add(Spinner::new());
            parts::quiet(ui, "reading the sessions");
        } else if ui.button("Read again").clicked() {
            desk.ask(Action::Stock);
        }
    });
    if let Some(failure) = &desk.stock.failure {
        parts::wrong(ui, failure);
    }
    if desk.stock.stock.as_ref().is_some_and(Stock::is_invented) {
        parts::quiet(ui, "Sessions of the simulated bench: these devices are invented.");
    }
    for (path, why) in &desk.stock.passed_over {
        parts::quiet(ui, format!("Passed over: {}: {why}", path.display()));
    }
    ui.add_space(STEP);
}

fn below(drawn: &Drawn, ui: &mut Ui) {
    let Some(output) = &drawn.looked_at else { return };
    parts::heading(ui, &format!("Map of {}", output.words()));
    let words = |ui: &mut Ui| {
        for (name, line) in &drawn.lines {
            parts::quiet(ui, if name.is_empty() { line.clone() } else { format!("{name}: {line}") });
        }
    };
    let picture = |ui: &mut Ui| match &drawn.map {
        Ok(map) => {
            if let Some(picture) = map_picture(1, map) {
                account::picture(ui, &picture, MAP);
            }
        }
        Err(why) => {
            parts::quiet(ui, format!("No map: {why}."));
        }
    };
    if ui.available_width() < NARROW {
        picture(ui);
        words(ui);
        return;
    }
    ui.columns(2, |columns| {
        picture(&mut columns[0]);
        words(&mut columns[1]);
    });
}

/// What one pairing says, for people who hear it and for the hover.
fn cell_words(cell: &Cell) -> String {
    let best = cell.best();
    let why = best.missing().map_or(String::new(), |why| format!(" ({why})"));
    let stopped = best.stopped_by.map_or(String::new(), |by| format!("; stopped by {}", by.words()));
    let remarks = if best.remarks.is_empty() { String::new() } else { format!("; {}", best.remarks.join("; ")) };
    format!(
        "{} with {}: {} dB SPL, headroom {} dB, {}{why}; the listening level takes {} of the full drive{stopped}; {}{remarks}",
        cell.output.words(),
        cell.headphone,
        crate::stock::reading_words(&best.level_spl),
        crate::stock::reading_words(&best.headroom_db),
        best.verdict,
        best.share_words(),
        cell.from_words(),
    )
}
