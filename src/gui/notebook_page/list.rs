//! The list: a row per session, only those in sight are drawn. A row chooses its session, its box marks it.

use crate::account::document::Cell;
use crate::account::notebook;
use crate::gui::desk::Desk;
use crate::gui::parts;
use crate::gui::theme::{self, SMALL, STEP, TEXT};
use crate::stock::notebook::{Entry, SortBy};
use eframe::egui::text::{LayoutJob, TextWrapping};
use eframe::egui::{
    Color32, FontId, Id, Key, Rect, Role, ScrollArea, Sense, Stroke, StrokeKind, Ui, WidgetInfo, pos2, vec2,
};

/// Height of a row, points.
const ROW: f32 = 3.5 * STEP;
/// Width of the box that marks a session.
const BOX: f32 = 3.5 * STEP;

/// A column: its cell in the account's table, its head, what it sorts by, its share of the width, and from which width on it is
/// shown, points.
struct Column {
    cell: usize,
    head: &'static str,
    by: Option<SortBy>,
    share: f32,
    from: f32,
}

/// Cells of the account's table.
const KIND: usize = 5;
const HEADROOM: usize = 8;
const VERDICT: usize = 9;

const COLUMNS: [Column; 7] = [
    Column { cell: 1, head: "begun", by: Some(SortBy::Date), share: 0.175, from: 0.0 },
    Column { cell: 2, head: "output", by: Some(SortBy::Output), share: 0.265, from: 0.0 },
    Column { cell: 3, head: "headphone", by: Some(SortBy::Headphone), share: 0.125, from: 0.0 },
    Column { cell: HEADROOM, head: "headroom, dB", by: Some(SortBy::Headroom), share: 0.2, from: 0.0 },
    Column { cell: VERDICT, head: "verdict", by: Some(SortBy::Verdict), share: 0.18, from: 76.0 * STEP },
    Column { cell: KIND, head: "kind", by: None, share: 0.16, from: 120.0 * STEP },
    Column { cell: 10, head: "doubts", by: Some(SortBy::Doubts), share: 0.06, from: 120.0 * STEP },
];

/// Places of the columns that there is room for.
fn places(width: f32) -> Vec<(&'static Column, f32, f32)> {
    let shown: Vec<&Column> = COLUMNS.iter().filter(|column| width >= column.from).collect();
    let all: f32 = shown.iter().map(|column| column.share).sum();
    let room = (width - BOX).max(STEP);
    let mut left = BOX;
    let place = |column: &'static Column| {
        let wide = room * column.share / all;
        left += wide;
        (column, left - wide, wide)
    };
    shown.into_iter().map(place).collect()
}

/// Draws it.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    let places = places(ui.available_width() - 1.5 * STEP);
    heads(desk, ui, &places);
    arrows(desk, ui);
    let (entries, shown) = desk.notebook.shown();
    if shown.is_empty() {
        parts::quiet(ui, "No session has all of these words in it.");
        return;
    }
    ScrollArea::vertical().id_salt("notebook-list").auto_shrink(false).show_viewport(ui, |ui, view| {
        ui.set_height(shown.len() as f32 * ROW);
        let (left, top, width) = (ui.max_rect().left(), ui.max_rect().top(), ui.available_width());
        let rect = |i: usize| Rect::from_min_size(pos2(left, top + i as f32 * ROW), vec2(width, ROW));
        let first = (view.top() / ROW).floor().max(0.0) as usize;
        let last = ((view.bottom() / ROW).ceil().max(0.0) as usize).min(shown.len());
        for i in first.min(last)..last {
            one(desk, ui, rect(i), &entries[shown[i]], &places);
        }
        if std::mem::take(&mut desk.notebook.is_news)
            && let Some(i) = shown.iter().position(|p| Some(&entries[*p].folder) == desk.notebook.chosen.as_ref())
        {
            ui.scroll_to_rect(rect(i), None);
        }
    });
}

/// Up and down choose the next session, where no field has the keyboard.
fn arrows(desk: &mut Desk, ui: &Ui) {
    if ui.ctx().memory(|memory| memory.focused().is_some()) {
        return;
    }
    for (key, by) in [(Key::ArrowDown, 1), (Key::ArrowUp, -1), (Key::PageDown, 10), (Key::PageUp, -10)] {
        if ui.input(|i| i.key_pressed(key)) {
            desk.notebook.step(by);
        }
    }
}

fn heads(desk: &mut Desk, ui: &mut Ui, places: &[(&'static Column, f32, f32)]) {
    let t = theme::tokens(ui);
    let (all, _) = ui.allocate_exact_size(vec2(ui.available_width(), 3.0 * STEP), Sense::hover());
    for (column, left, wide) in places {
        let rect = Rect::from_min_size(pos2(all.left() + left, all.top()), vec2(wide - STEP, all.height()));
        let chosen = column.by == Some(desk.notebook.by);
        let ink = if chosen { t.text } else { t.quiet };
        words(ui, rect, column.head, FontId::proportional(SMALL + 0.5), ink);
        let Some(by) = column.by else { continue };
        let response = ui.interact(rect, Id::unique(("notebook-head", column.head)), Sense::click());
        let says = format!("Sort by {}", column.head);
        response.widget_info(|| WidgetInfo::selected(Role::Button, true, chosen, &says));
        if chosen || response.has_focus() {
            let (line, ink) = if response.has_focus() { (2.0, t.text) } else { (3.0, t.level) };
            ui.painter().hline(rect.x_range(), rect.bottom() - 2.0, Stroke::new(line, ink));
        }
        if response.clicked() && !chosen {
            desk.notebook.by = by;
            desk.arrange_notebook();
        }
    }
    ui.painter().hline(all.x_range(), all.bottom(), Stroke::new(1.0, t.rule));
}

/// Words in one line, cut by dots where they do not fit.
fn words(ui: &Ui, rect: Rect, text: &str, font: FontId, ink: Color32) {
    let mut job = LayoutJob::simple_singleline(text.into(), font, ink);
    job.wrap = TextWrapping::truncate_at_width(rect.width());
    let galley = ui.painter().layout_job(job);
    let at = pos2(rect.left(), rect.center().y - 0.5 * galley.size().y);
    ui.painter().galley(at, galley, ink);
}

fn one(desk: &mut Desk, ui: &mut Ui, rect: Rect, entry: &Entry, places: &[(&'static Column, f32, f32)]) {
    let t = theme::tokens(ui);
    let table = notebook::table(std::slice::from_ref(entry));
    let Some(cells) = table.rows.first() else { return };
    let chosen = desk.notebook.chosen.as_ref() == Some(&entry.folder);
    let response = ui.interact(rect, Id::unique(("notebook-row", &entry.name)), Sense::click());
    let says = table.row_words(cells);
    response.widget_info(|| WidgetInfo::selected(Role::Button, true, chosen, &says));
    if chosen {
        ui.painter().rect_filled(rect, 2.0, t.level.gamma_multiply(0.18));
        let bar = Rect::from_min_max(rect.min, pos2(rect.left() + 3.0, rect.bottom()));
        ui.painter().rect_filled(bar, 0.0, t.level);
    }
    if response.has_focus() {
        ui.painter().rect_stroke(rect.shrink(1.0), 2.0, Stroke::new(2.0, t.text), StrokeKind::Inside);
        response.scroll_to_me(None);
    }
    let counts = entry.measured().is_some_and(|m| m.set_aside.is_none());
    let ink = if counts { t.text } else { t.quiet };
    for (column, left, wide) in places {
        let place = Rect::from_min_size(pos2(rect.left() + left, rect.top()), vec2(wide - STEP, rect.height()));
        let text = cell_words(cells, column.cell, places);
        let numbers = matches!(column.cell, 1 | HEADROOM | 10);
        let font = if numbers { theme::figures(SMALL) } else { FontId::proportional(TEXT - 0.5) };
        words(ui, place, &text, font, ink);
    }
    mark(desk, ui, rect, entry);
    // The keyboard goes from row to row; a second Enter opens.
    let again = response.double_clicked() || response.has_focus() && chosen && ui.input(|i| i.key_pressed(Key::Enter));
    if again && entry.session.is_ok() {
        desk.open_session(entry.folder.clone());
    } else if (response.clicked() || response.gained_focus()) && !chosen {
        desk.notebook.choose(entry);
    }
}

/// What a cell says. A session that has no headroom, as a path check or a swap, shows its kind in the last column of the
/// answer, so that every row says what it is.
fn cell_words(cells: &[Cell], cell: usize, places: &[(&'static Column, f32, f32)]) -> String {
    let words = |cell: usize| match &cells[cell] {
        Cell::Empty => String::new(),
        cell => cell.words(),
    };
    let shows = |cell: usize| places.iter().any(|(column, ..)| column.cell == cell);
    let answers = if shows(VERDICT) { VERDICT } else { HEADROOM };
    match words(cell) {
        empty if empty.is_empty() && cell == answers && !shows(KIND) => words(KIND),
        stated => stated,
    }
}

/// The box that marks a session to be compared.
fn mark(desk: &mut Desk, ui: &mut Ui, rect: Rect, entry: &Entry) {
    if entry.session.is_err() {
        return;
    }
    let t = theme::tokens(ui);
    let place = Rect::from_min_size(rect.min, vec2(BOX, ROW));
    let marked = desk.notebook.marked.contains(&entry.folder);
    let response = ui.interact(place, Id::unique(("notebook-mark", &entry.name)), Sense::click());
    let says = format!("Compare {}", entry.name);
    response.widget_info(|| WidgetInfo::selected(Role::CheckBox, true, marked, &says));
    let square = Rect::from_center_size(place.center() + vec2(2.0, 0.0), vec2(12.0, 12.0));
    let ink = if response.has_focus() { t.text } else { t.quiet };
    ui.painter().rect_stroke(
        square,
        1.0,
        Stroke::new(if response.has_focus() { 2.0 } else { 1.0 }, ink),
        StrokeKind::Inside,
    );
    if marked {
        ui.painter().rect_filled(square.shrink(3.0), 0.0, t.level);
    }
    if response.clicked() {
        desk.notebook.mark(&entry.folder);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A path check has neither headroom nor verdict: its row says what it is.
    #[test]
    fn a_session_without_an_answer_shows_its_kind() {
        let cells = |kind: &str, verdict: &str| {
            let mut cells = vec![Cell::Empty; 12];
            (cells[KIND], cells[VERDICT]) = (Cell::text(kind), Cell::text(verdict));
            cells
        };
        for width in [60.0 * STEP, 100.0 * STEP] {
            let all = places(width);
            let last = if width < 76.0 * STEP { HEADROOM } else { VERDICT };
            assert_eq!(cell_words(&cells("path check", ""), last, &all), "path check", "{width}");
            assert_eq!(cell_words(&cells("session", "ample"), VERDICT, &all), "ample");
        }
        // Where kinds have a column of their own it is not said twice.
        assert_eq!(cell_words(&cells("path check", ""), VERDICT, &places(130.0 * STEP)), "");
    }
}
