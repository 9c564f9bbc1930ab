//! What stands under the picture: the steps, the clipping curve, the responses, distortion by band.

use super::own_music;
use crate::account::picture::Picture;
use crate::account::write::columns::{Room, blocks};
use crate::gui::account;
use crate::gui::desk::{Desk, Table};
use crate::gui::digest::Digest;
use crate::gui::parts;
use crate::gui::theme::{self, SMALL, STEP};
use eframe::egui::{Button, RichText, ScrollArea, TextWrapMode, Ui};

/// Draws the chosen one.
pub fn show(desk: &mut Desk, ui: &mut Ui, height: f32) {
    let Some(digest) = desk.view.digest.clone() else {
        parts::quiet(ui, "Appears with the first finished step.");
        return;
    };
    match desk.table {
        Table::Steps => steps(desk, ui, &digest, height),
        Table::Curve => {
            drawn(ui, &digest.curve, "The clipping curve needs a step above the quiet reference.", height);
        }
        Table::Response => drawn(ui, &digest.response, "The response comes with the quiet reference.", height),
        Table::Bands => drawn(ui, &digest.bands, "Distortion by band comes with the first clean step.", height),
        Table::Sweep => drawn(ui, &digest.sweep, NO_SWEEP, height),
        Table::Sounds => match &digest.sounds {
            Some(section) => {
                let down = ScrollArea::vertical().id_salt("sounds-down").max_height(height).auto_shrink(false);
                down.show(ui, |ui| account::section(ui, section));
            }
            None => nothing(ui, NO_SOUNDS),
        },
        Table::Music => {
            let asked = own_music::show(&mut desk.music, ui, height);
            desk.judge_music(asked);
        }
    }
}

/// A picture, or why there is none.
fn drawn(ui: &mut Ui, picture: &Option<Picture>, otherwise: &str, height: f32) {
    match picture {
        Some(picture) => account::picture(ui, picture, height),
        None => nothing(ui, otherwise),
    }
}

fn nothing(ui: &mut Ui, why: &str) {
    parts::quiet(ui, why);
}

/// What to do where no sweep was played.
const NO_SWEEP: &str =
    "The harmonics of a sweep come with its first take: choose it under \u{201c}Beside the noise\u{201d}.";
/// What to do where nothing was played beside the noise.
const NO_SOUNDS: &str =
    "No sine and no other sound was played yet: choose them under \u{201c}Beside the noise\u{201d}.";

/// A row for each step, which pins its values.
fn steps(desk: &mut Desk, ui: &mut Ui, digest: &Digest, height: f32) {
    let Some(table) = &digest.steps else { return };
    let top = ui.cursor().top();
    parts::quiet(ui, format!("{}; a row pins its values", table.title));
    ScrollArea::horizontal().id_salt("steps-across").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        for block in blocks(table, Room { letters: usize::MAX, aside: true }) {
            account::head(ui, &block);
            let left = (height - (ui.cursor().top() - top)).max(5.0 * STEP);
            let rows =
                ScrollArea::vertical().id_salt("steps-down").max_height(left).auto_shrink(false).stick_to_bottom(true);
            rows.show(ui, |ui| {
                ui.spacing_mut().interact_size.y = 2.0 * STEP;
                ui.spacing_mut().button_padding = eframe::egui::vec2(0.0, 1.0);
                for (row, lines) in &block.rows {
                    one_step(desk, ui, digest.record.steps[*row].step.number, &lines.join("\n"));
                }
            });
        }
    });
}

fn one_step(desk: &mut Desk, ui: &mut Ui, step: usize, words: &str) {
    let pinned = desk.pinned == Some(step);
    let line =
        Button::selectable(pinned, RichText::new(words).font(theme::figures(SMALL))).wrap_mode(TextWrapMode::Extend);
    if ui.add(line).clicked() {
        desk.pinned = (!pinned).then_some(step);
    }
}
