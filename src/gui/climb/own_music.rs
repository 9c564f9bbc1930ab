//! The listener's own music: the field, and a row per piece.

use crate::gui::account;
use crate::gui::music::MusicList;
use crate::gui::parts;
use crate::gui::theme::STEP;
use eframe::egui::{Id, Key, ScrollArea, TextEdit, Ui};
use std::path::PathBuf;

/// Where a path is typed.
fn file_id() -> Id {
    Id::unique("music-file")
}

/// The field, and a row per piece; returns the files that are to be read.
pub(super) fn show(list: &mut MusicList, ui: &mut Ui, height: f32) -> Vec<PathBuf> {
    let mut asked = Vec::new();
    ui.horizontal(|ui| {
        let label = ui.label("Own music, WAV or FLAC");
        let width = (ui.available_width() - 14.0 * STEP).max(10.0 * STEP);
        let edit =
            ui.add(TextEdit::singleline(&mut list.typed).id(file_id()).desired_width(width)).labelled_by(label.id);
        let entered = edit.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter));
        if (ui.button("Judge it").clicked() || entered) && !list.typed.trim().is_empty() {
            asked.push(PathBuf::from(list.typed.trim().trim_matches('"')));
            list.typed.clear();
        }
    });
    parts::quiet(
        ui,
        "Type a path, or drop files on the window. Nothing of the music is kept but figures, name and hash.",
    );
    ScrollArea::both().id_salt("music-rows").max_height((height - 6.0 * STEP).max(5.0 * STEP)).auto_shrink(false).show(
        ui,
        |ui| {
            if list.reading > 0 {
                parts::quiet(ui, format!("reading {} …", list.reading));
            }
            for wrong in &list.wrong {
                parts::wrong(ui, wrong);
            }
            if let Some(section) = crate::account::music::of(&list.pieces) {
                account::section(ui, &section);
            }
        },
    );
    asked
}
