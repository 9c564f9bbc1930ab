//! Page Climb: what is asked (left), level and distortion against drive (middle), now (right), the answer and the
//! status below. On a narrow window everything folds into one column.

mod answer;
mod asked;
mod now;
mod own_music;
mod picture;
mod tables;

use super::desk::{Desk, Table};
use super::keys::Action;
use super::parts;
use super::theme::STEP;
use eframe::egui::{CentralPanel, Frame, Margin, Panel, ScrollArea, Ui};

/// From this width on the sides stand beside the picture, points.
pub const WIDE: f32 = 1040.0;
/// Width of each side, points.
const SIDE: f32 = 33.0 * STEP;
/// Least height of the level picture, points.
const LEAST_PICTURE: f32 = 230.0;

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let size = ui.available_size();
    Panel::bottom("status").resizable(false).show(ui, |ui| answer::status(desk, ui));
    Panel::bottom("answer").resizable(false).exact_size((11.5 * STEP).min(0.28 * size.y)).show(ui, |ui| {
        ScrollArea::vertical().id_salt("answer-text").auto_shrink(false).show(ui, |ui| answer::answer(desk, ui));
    });
    if size.x >= WIDE { wide(desk, ui) } else { folded(desk, ui) }
}

fn wide(desk: &mut Desk, ui: &mut Ui) {
    Panel::left("asked").resizable(false).exact_size(SIDE).show(ui, |ui| {
        Panel::bottom("asked-actions").resizable(false).show_separator_line(false).frame(Frame::NONE).show(ui, |ui| {
            ui.add_space(STEP);
            ui.horizontal(|ui| parts::start_stop(desk, ui));
            asked::what_next(desk, ui);
            ui.add_space(STEP);
        });
        ScrollArea::vertical().id_salt("asked-fields").auto_shrink(false).show(ui, |ui| asked::fields(desk, ui));
    });
    Panel::right("now").resizable(false).exact_size(SIDE).show(ui, |ui| {
        ScrollArea::vertical().id_salt("now-figures").auto_shrink(false).show(ui, |ui| now::column(desk, ui));
    });
    CentralPanel::default().frame(Frame::central_panel(ui.style()).inner_margin(Margin::same(STEP as i8))).show(
        ui,
        |ui| {
            let height = ui.available_height();
            let (level, distortion, table) = shares(height);
            let middle = |desk: &mut Desk, ui: &mut Ui| {
                picture::level(desk, ui, level);
                picture::distortion(desk, ui, distortion);
                self::table(desk, ui, table);
            };
            if level + distortion + table > height + 1.0 {
                ScrollArea::vertical().id_salt("middle").auto_shrink(false).show(ui, |ui| middle(desk, ui));
            } else {
                middle(desk, ui);
            }
        },
    );
}

/// Heights of level picture, distortion picture and table: all of `height`, or more where it is too little.
fn shares(height: f32) -> (f32, f32, f32) {
    let height = height.max(LEAST_PICTURE / 0.47);
    let (level, distortion) = (0.47 * height, 0.23 * height);
    (level, distortion, height - level - distortion)
}

fn folded(desk: &mut Desk, ui: &mut Ui) {
    CentralPanel::default().frame(Frame::central_panel(ui.style()).inner_margin(Margin::same(STEP as i8))).show(
        ui,
        |ui| {
            ScrollArea::vertical().id_salt("folded").auto_shrink(false).show(ui, |ui| {
                now::strip(desk, ui);
                ui.separator();
                let height = ui.ctx().content_rect().height();
                let level = (0.36 * height).clamp(170.0, 420.0);
                picture::level(desk, ui, level);
                picture::distortion(desk, ui, 0.6 * level);
                ui.separator();
                asked::what_next(desk, ui);
                asked::fields(desk, ui);
                ui.separator();
                now::rest(desk, ui);
                ui.separator();
                table(desk, ui, (0.5 * height).max(220.0));
            });
        },
    );
}

fn table(desk: &mut Desk, ui: &mut Ui, height: f32) {
    ui.horizontal_wrapped(|ui| {
        for (table, name) in Table::ALL {
            if parts::choice(ui, desk.table == table, name).clicked() {
                desk.table = table;
            }
        }
        parts::quiet(ui, format!("{} next", Action::Details.key()));
    });
    tables::show(desk, ui, (height - 6.0 * STEP).max(10.0 * STEP));
}
