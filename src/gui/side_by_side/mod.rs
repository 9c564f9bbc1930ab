//! Page Side by side: two outputs by turns on one seat, guided, or two stored sessions of one headphone at matched level. The answer first, then the difference of the
//! responses, the distortion of both, and a table with a word for each.

mod asked;
mod swap;

use super::desk::Desk;
use super::keys::Action;
use super::parts;
use super::theme::{self, SMALL, STEP};
use super::view::Phase;
use super::{account, climb, text};
use crate::session::swap::DEFAULT_ROUNDS;
use eframe::egui::accesskit::Live;
use eframe::egui::{Button, CentralPanel, Frame, Label, Margin, Panel, RichText, ScrollArea, Ui};

/// Width of what is asked, points.
const ASKED: f32 = 33.0 * STEP;

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let frame = Frame::central_panel(ui.style()).inner_margin(Margin::same(STEP as i8));
    if ui.available_width() >= climb::WIDE {
        Panel::left("side-by-side-asked").resizable(false).exact_size(ASKED).show(ui, |ui| {
            ScrollArea::vertical()
                .id_salt("side-by-side-fields")
                .auto_shrink(false)
                .show(ui, |ui| asked::show(desk, ui));
        });
        CentralPanel::default().frame(frame).show(ui, |ui| {
            ScrollArea::vertical().id_salt("side-by-side").auto_shrink(false).show(ui, |ui| {
                swap::guide(desk, ui);
                said(desk, ui);
                drawn(desk, ui);
            });
        });
    } else {
        CentralPanel::default().frame(frame).show(ui, |ui| {
            ScrollArea::vertical().id_salt("side-by-side").auto_shrink(false).show(ui, |ui| {
                swap::guide(desk, ui);
                said(desk, ui);
                asked::show(desk, ui);
                ui.separator();
                drawn(desk, ui);
            });
        });
    }
}

/// True while the outputs are heard by turns.
fn swaps(desk: &Desk) -> bool {
    desk.side.swap.turns.as_ref().is_some_and(|turns| turns.next(DEFAULT_ROUNDS).is_some())
}

/// The answer, or what to do for one.
fn said(desk: &mut Desk, ui: &mut Ui) {
    if swaps(desk) {
        return;
    }
    if desk.view.phase == Phase::Matching {
        turning(desk, ui);
    }
    match &desk.side.answer {
        None if desk.side.swap.turns.is_none() => empty(desk, ui),
        None => nothing_yet(desk, ui),
        Some(Err(why)) => parts::wrong(ui, why),
        Some(Ok(drawn)) => {
            let label = ui.add(Label::new(RichText::new(&drawn.sentence).strong()).wrap());
            ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
            if let Some(key) = drawn.key.as_ref().filter(|_| desk.side.revealed) {
                ui.add(Label::new(key).wrap());
            }
            open_either(desk, ui);
            if desk.side.swap.turns.is_none() && are_named(desk) {
                begin(desk, ui);
            }
        }
    }
}

/// Both sessions open from here; not while their names are hidden.
fn open_either(desk: &mut Desk, ui: &mut Ui) {
    let [Some(first), Some(second)] = desk.side.chosen.clone() else { return };
    if desk.side.hidden && !desk.side.revealed {
        return;
    }
    let idle = desk.view.phase == Phase::Idle && !desk.is_reopening();
    ui.horizontal_wrapped(|ui| {
        for (words, folder) in [("Open the first session", first), ("Open the second session", second)] {
            if ui.add_enabled(idle, Button::new(RichText::new(words).size(SMALL))).clicked() {
                desk.open_session(folder);
            }
        }
    });
}

/// Pictures and tables under it.
fn drawn(desk: &Desk, ui: &mut Ui) {
    // What was compared before is not the result of the swap that runs.
    let Some(Ok(drawn)) = desk.side.answer.as_ref().filter(|_| !swaps(desk)) else { return };
    account::sections(ui, &drawn.sections);
}

/// What the page is for, and its next step.
fn empty(desk: &mut Desk, ui: &mut Ui) {
    ui.add_space(2.0 * STEP);
    ui.label(RichText::new("What differs between two outputs, and does it matter?").size(22.0));
    ui.add_space(STEP);
    parts::quiet(
        ui,
        match are_named(desk) {
            true => "Both outputs are named. Nothing sounds before you say that the first one is plugged in.",
            false => {
                "Name both outputs: they are then heard by turns on one seat of the headphone. Or choose two stored sessions."
            }
        },
    );
    ui.add_space(STEP);
    begin(desk, ui);
    ui.add_space(2.0 * STEP);
    nothing_yet(desk, ui);
}

/// True where both outputs of a swap are named.
fn are_named(desk: &Desk) -> bool {
    desk.side.swap.names.iter().all(|name| !name.trim().is_empty())
}

fn begin(desk: &mut Desk, ui: &mut Ui) {
    let idle = desk.view.phase == Phase::Idle && !desk.side.is_working();
    if parts::main_button(ui, are_named(desk) && idle, "Begin the swap", "Enter").clicked() {
        desk.ask(Action::Next);
    }
}

/// What to do next.
fn nothing_yet(desk: &Desk, ui: &mut Ui) {
    let side = &desk.side;
    let words = match (&side.found, &side.chosen) {
        _ if side.is_working() => "The sessions are read.".to_string(),
        (Some(found), _) if found.len() < 2 => format!(
            "A comparison needs two finished sessions of one headphone on two outputs; {} so far. Run one on page {}.",
            match found.len() {
                0 => "there is none",
                _ => "there is one",
            },
            Action::Climb.button()
        ),
        (_, [Some(_), Some(_)]) => "Set the fields right; then both are compared.".into(),
        _ => "Choose the sessions of the first and of the second output.".into(),
    };
    parts::quiet(ui, words);
}

/// The figure to turn a knob by, in large type.
fn turning(desk: &Desk, ui: &mut Ui) {
    ui.label(RichText::new("Turn the knob of the output until 0.0").strong());
    let figure = desk.view.turned_off_db.map_or("listening".into(), |off| {
        let sign = if off >= 0.05 { "+" } else { "" };
        format!("{sign}{} dB", text::db(off))
    });
    let large = ui.label(RichText::new(&figure).font(theme::figures(theme::large(ui.ctx().content_rect().height()))));
    ui.ctx().accesskit_node_builder(large.id, |node| node.set_live(Live::Polite));
    parts::quiet(ui, format!("{} when it is right, {} leaves it.", Action::Match.key(), Action::Stop.key()));
}
