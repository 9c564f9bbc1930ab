//! Whose the first session's distortion is.

use super::table::line;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::STEP;
use crate::judgement::attribution::Attribution;
use crate::judgement::capital;
use eframe::egui::{ScrollArea, Ui};

pub(super) fn show(whose: &Attribution, ui: &mut Ui) {
    ui.add_space(STEP);
    parts::heading(ui, "Whose distortion");
    parts::quiet(ui, format!("{}.", capital(&whose.question())));
    ScrollArea::horizontal().id_salt("whose-distortion").show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        for product in whose.rows() {
            let row = format!(
                "{:>22} {:>8} ±{:<5} {:<16} {}",
                product.name(),
                text::db(product.size_db.value),
                text::db(product.size_db.half_width()),
                product.owner.to_string(),
                product.proofs_in_words()
            );
            line(ui, row, false);
        }
    });
    for words in whose.lines() {
        parts::quiet(ui, format!("{}.", capital(&words)));
    }
}
