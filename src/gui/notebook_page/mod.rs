//! Page Notebook: every session in a list that is found by typing, sorted by its heads, and beside it the one that is chosen with
//! everything that can be done with it.

mod chosen;
mod list;

use super::climb::WIDE;
use super::desk::Desk;
use super::keys::Action;
use super::parts;
use super::theme::{SMALL, STEP};
use eframe::egui::{
    CentralPanel, Frame, Id, Key, Margin, Modifiers, Panel, RichText, ScrollArea, Spinner, TextEdit, Ui,
};

/// Where the words to find are typed.
pub fn filter_id() -> Id {
    Id::unique("notebook-filter")
}

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let frame = Frame::central_panel(ui.style()).inner_margin(Margin::same(STEP as i8));
    let size = ui.available_size();
    let wide = size.x >= WIDE;
    let some = desk.notebook.is_read() && !desk.notebook.shown().0.is_empty();
    if some && wide {
        Panel::right("notebook-chosen").resizable(false).exact_size((0.30 * size.x).max(44.0 * STEP)).show(ui, |ui| {
            ScrollArea::vertical().id_salt("notebook-chosen").auto_shrink(false).show(ui, |ui| chosen::show(desk, ui));
        });
    } else if some {
        let height = 0.46 * size.y;
        Panel::bottom("notebook-chosen").resizable(false).exact_size(height).show(ui, |ui| {
            ScrollArea::vertical().id_salt("notebook-chosen").auto_shrink(false).show(ui, |ui| chosen::show(desk, ui));
        });
    }
    CentralPanel::default().frame(frame).show(ui, |ui| {
        if !desk.notebook.is_read() {
            ui.horizontal(|ui| {
                ui.add(Spinner::new());
                parts::quiet(ui, "The sessions are read.");
            });
            return;
        }
        if !some {
            return empty(desk, ui);
        }
        head(desk, ui);
        list::show(desk, ui);
    });
}

/// The words to find, and how many have them.
fn head(desk: &mut Desk, ui: &mut Ui) {
    ui.horizontal(|ui| {
        let label = ui.label("Find");
        let room = ui.available_width();
        let width = (0.45 * room).clamp(16.0 * STEP, 60.0 * STEP);
        let edit = TextEdit::singleline(&mut desk.notebook.filter).id(filter_id()).desired_width(width);
        let response = ui.add(edit).labelled_by(label.id);
        if response.changed() {
            desk.arrange_notebook();
        }
        if std::mem::take(&mut desk.wants_filter) {
            response.request_focus();
        }
        let down = [Key::ArrowDown, Key::Enter];
        let leaves = || ui.input_mut(|i| down.into_iter().any(|key| i.consume_key(Modifiers::NONE, key)));
        if (response.has_focus() || response.lost_focus()) && leaves() {
            response.surrender_focus();
            desk.notebook.step(1);
        }
        let (entries, shown) = desk.notebook.shown();
        let words = match (shown.len(), entries.len()) {
            (1, 1) => "1 session".into(),
            (n, all) if n == all => format!("{all} sessions"),
            (n, all) => format!("{n} of {all} sessions"),
        };
        parts::quiet(ui, words);
        if desk.notebook.is_working() {
            ui.add(Spinner::new());
        }
    });
    ui.horizontal_wrapped(|ui| {
        let marked = desk.notebook.marked.len();
        let words = RichText::new("Compare the two marked").size(SMALL);
        if ui.add_enabled(marked == 2, eframe::egui::Button::new(words)).clicked() {
            desk.ask(Action::CompareMarked);
        }
        parts::quiet(
            ui,
            "A box marks a session to be compared; the heads sort; words find output, headphone, date, verdict, notes.",
        );
    });
}

/// What the page is for, and its next step.
fn empty(desk: &mut Desk, ui: &mut Ui) {
    ui.add_space(2.0 * STEP);
    ui.label(RichText::new("No session is kept yet").size(22.0));
    ui.add_space(STEP / 2.0);
    parts::quiet(ui, "Everything that is measured is kept as a session, and found again here.");
    ui.add_space(STEP);
    if parts::main_button(ui, true, "Measure a pairing", &Action::Climb.key()).clicked() {
        desk.ask(Action::AskAgain);
    }
}
