//! The matrix: a column per output, a row per headphone, best of the output looked at first. Measured cells have a solid
//! frame, predicted ones a dashed one; both say so.

use crate::gui::parts;
use crate::gui::stock::{Drawn, cell_words};
use crate::gui::theme::{self, SMALL, STEP};
use crate::stats::Reading;
use crate::stock::{Cell, OutputName, Pairing, reading_words};
use eframe::egui::{
    Align, Button, Grid, Key, Label, Layout, Rect, RichText, Role, ScrollArea, Sense, Stroke, StrokeKind, Ui,
    UiBuilder, Vec2, WidgetInfo, pos2, vec2,
};

/// Height of a cell, points.
const HIGH: f32 = 9.5 * STEP;
/// Ends of its width: as the page has room.
const WIDE: [f32; 2] = [20.5 * STEP, 30.0 * STEP];
/// Width of the headphones' names, points.
const NAMES: f32 = 12.0 * STEP;

/// What was picked.
pub enum Picked {
    /// An output is looked at.
    Output(OutputName),
    /// The evidence of a pairing is opened.
    Pairing(OutputName, String),
}

/// Draws it; what was picked, if anything was.
pub fn show(drawn: &Drawn, chosen_cell: Option<&(OutputName, String)>, ui: &mut Ui) -> Option<Picked> {
    let outputs = drawn.matrix.outputs.len().max(1) as f32;
    let width = ((ui.available_width() - NAMES) / outputs - 1.25 * STEP).clamp(WIDE[0], WIDE[1]);
    let mut picked = None;
    let matrix = &drawn.matrix;
    let rows: Vec<&str> = match &drawn.looked_at {
        Some(output) => matrix.ranking(output).iter().map(|cell| cell.headphone.as_str()).collect(),
        None => matrix.headphones.iter().map(String::as_str).collect(),
    };
    ScrollArea::horizontal().id_salt("matrix").auto_shrink([false, true]).show(ui, |ui| {
        Grid::new("matrix").spacing(vec2(STEP, STEP)).show(ui, |ui| {
            ui.allocate_ui(vec2(NAMES, 2.0 * STEP), |ui| {
                ui.set_min_width(NAMES);
                parts::quiet(ui, "solid: measured · dashed: predicted");
            });
            for output in &matrix.outputs {
                let chosen = drawn.looked_at.as_ref() == Some(output);
                let name = Button::new(RichText::new(output.words()).strong()).selected(chosen).wrap();
                let response = ui.add_sized(vec2(width, 5.0 * STEP), name);
                if chosen {
                    let r = response.rect;
                    let line = Rect::from_min_max(pos2(r.left(), r.bottom() - 3.0), r.right_bottom());
                    ui.painter().rect_filled(line, 0.0, theme::tokens(ui).level);
                }
                let words = format!("Look at {}", output.words());
                response.widget_info(|| WidgetInfo::selected(Role::Button, true, chosen, words.clone()));
                if response.clicked() {
                    picked = Some(Picked::Output(output.clone()));
                }
            }
            ui.end_row();
            for headphone in rows {
                ui.allocate_ui(vec2(NAMES, HIGH), |ui| {
                    ui.set_min_width(NAMES);
                    ui.add(Label::new(headphone).wrap());
                });
                for output in &matrix.outputs {
                    let of = |c: &&Cell| c.output == *output && c.headphone == headphone;
                    let is_chosen = chosen_cell.is_some_and(|(o, h)| o == output && h == headphone);
                    if let Some(cell) = matrix.cells.iter().find(of)
                        && one(cell, vec2(width, HIGH), is_chosen, ui)
                    {
                        picked = Some(Picked::Pairing(output.clone(), headphone.into()));
                    }
                }
                ui.end_row();
            }
        });
    });
    picked
}

/// One pairing; true where it was picked.
fn one(cell: &Cell, size: Vec2, chosen: bool, ui: &mut Ui) -> bool {
    let t = theme::tokens(ui);
    let (rect, response) = ui.allocate_exact_size(size, Sense::click());
    let best = cell.best();
    let painter = ui.painter();
    painter.rect_filled(rect, 2.0, t.ground);
    let stated = !matches!(best.level_spl, Reading::NotDetermined(_));
    let edge = if stated { t.level } else { t.rule };
    if cell.measured.is_some() {
        painter.rect_stroke(rect, 2.0, Stroke::new(2.0, edge), StrokeKind::Inside);
    } else {
        let r = rect.shrink(1.0);
        let corners = [r.left_top(), r.right_top(), r.right_bottom(), r.left_bottom(), r.left_top()];
        for pair in corners.windows(2) {
            parts::dashes(ui, rect, pair[0], pair[1], Stroke::new(1.5, edge), 5.0, 4.0);
        }
    }
    if chosen {
        // As every choice: a bar under it.
        let line =
            Rect::from_min_max(pos2(rect.left() + 2.0, rect.bottom() - 5.0), rect.right_bottom() - vec2(2.0, 2.0));
        painter.rect_filled(line, 0.0, t.level);
    }
    if response.gained_focus() {
        response.scroll_to_me(None);
    }
    if response.has_focus() {
        ui.painter().rect_stroke(rect.expand(2.0), 3.0, Stroke::new(2.0, t.text), StrokeKind::Outside);
    }
    let inner = rect.shrink2(vec2(STEP, 0.5 * STEP));
    let mut child = ui.new_child(UiBuilder::new().max_rect(inner).layout(Layout::top_down(Align::Min)));
    child.spacing_mut().item_spacing.y = 1.0;
    child.spacing_mut().interact_size.y = 2.0 * STEP;
    if let Some(why) = best.missing().filter(|_| !stated) {
        // Said once, and why in the room of the other lines.
        child.add(Label::new(RichText::new("not determined").size(SMALL).strong()).truncate().selectable(false));
        let why = RichText::new(why).size(SMALL).color(t.quiet);
        child.add(Label::new(why).wrap().selectable(false));
    } else {
        figures(&mut child, best);
    }
    let words = cell_words(cell);
    response.widget_info(|| WidgetInfo::selected(Role::Button, true, chosen, words.clone()));
    let entered = response.has_focus() && ui.input(|i| i.key_pressed(Key::Enter) || i.key_pressed(Key::Space));
    response.on_hover_text(words).clicked() || entered
}

/// Level, verdict, headroom and share of full scale of a pairing, a line each.
fn figures(child: &mut Ui, best: &Pairing) {
    let t = theme::tokens(child);
    child.add(
        Label::new(RichText::new(reading_words(&best.level_spl)).font(theme::figures(theme::TEXT - 1.5)))
            .truncate()
            .selectable(false),
    );
    child.horizontal(|ui| {
        parts::verdict_shape(ui, best.verdict.answer);
        ui.add(Label::new(RichText::new(best.verdict.to_string()).size(SMALL).strong()).truncate().selectable(false));
    });
    let share = best.share_of_full.map(|_| format!("uses {}", best.share_words()));
    let headroom = format!("headroom {}", reading_words(&best.headroom_db));
    let last = match best.missing() {
        Some(missing) => [Some(missing.to_string()), None],
        None => [Some(headroom), share],
    };
    for words in last.into_iter().flatten() {
        child.add(Label::new(RichText::new(words).size(SMALL).color(t.quiet)).truncate().selectable(false));
    }
}
