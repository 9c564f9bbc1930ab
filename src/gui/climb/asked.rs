//! What is asked beside the question, and what can be added to an answer.

use crate::card::pair_in_words;
use crate::gui::chain_page::abreast;
use crate::gui::desk::{Desk, next_headphone_id, to_go_on_id};
use crate::gui::form::Field;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::theme::{self, SMALL, STEP};
use crate::gui::view::Phase;
use crate::session::plan::Extent;
use eframe::egui::{Button, Id, Key, Rect, RichText, TextEdit, Ui, Window, pos2, vec2};

/// Sessions that could be taken up, shown at most.
const MOST_SHOWN: usize = 3;

/// What the question itself does not ask.
pub fn more(desk: &mut Desk, ui: &mut Ui) {
    let parts: [fn(&mut Desk, &mut Ui); 3] = [limits, sounds, levels];
    abreast(desk, ui, parts);
}

fn limits(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "How far and how long");
    ceiling(desk, ui);
    extent(desk, ui);
}

fn ceiling(desk: &mut Desk, ui: &mut Ui) {
    let label = if desk.form.is_calibrated() { "Ceiling, dB SPL" } else { "Ceiling, dBFS" };
    if parts::number(ui, desk, desk.form.ceiling(), label) {
        desk.form.typed.set(Field::CeilingAgain, "");
        desk.changed();
    }
    if desk.form.ceiling_is_raised() {
        parts::number(ui, desk, Field::CeilingAgain, "Ceiling again");
    }
}

fn extent(desk: &mut Desk, ui: &mut Ui) {
    let options = [
        (Extent::QuickLook, "quick look, under 20 s of sound"),
        (Extent::Session, "session, under 2 minutes of sound"),
    ];
    for (extent, words) in options {
        if ui.radio(desk.form.extent == extent, words).clicked() && desk.form.extent != extent {
            desk.form.extent = extent;
            desk.changed();
        }
    }
    parts::quiet(ui, format!("{} changes between the two", Action::Extent.key()));
}

/// Sines and other sounds.
fn sounds(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "Further stimuli");
    parts::number(ui, desk, Field::Sines, "Sines, Hz");
    ui.horizontal_wrapped(|ui| {
        for sound in desk.form.sounds() {
            let name = sound.to_string();
            if ui.checkbox(&mut desk.form.beside.contains(&sound), &name).changed() {
                desk.form.toggle(&sound);
                desk.changed();
            }
        }
    });
}

/// The levels at which they are played.
fn levels(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "At which levels");
    let label = if desk.form.is_calibrated() { "At, dB SPL" } else { "At, dBFS" };
    parts::number(ui, desk, desk.form.levels(), label);
    parts::quiet(ui, "Levels of pink noise, separated by spaces. Leave empty for every step of the climb.");
}

/// The next headphone, or a session to go on with, while its name is typed: over the page, so that nothing moves.
pub fn opened(desk: &mut Desk, ui: &mut Ui, page: Rect) {
    if desk.next_headphone.is_none() && desk.to_go_on.is_none() {
        return;
    }
    let opened = desk.wants_focus.take().is_some();
    let width = (page.width() - 6.0 * STEP).clamp(20.0 * STEP, 60.0 * STEP);
    let corner = pos2(page.center().x - 0.5 * width, page.top() + STEP);
    let window = Window::new("Asked").title_bar(false).resizable(false).collapsible(false);
    window.fixed_pos(corner).fixed_size(vec2(width, 0.0)).constrain_to(page).show(ui.ctx(), |ui| {
        if desk.next_headphone.is_some() {
            next_headphone(desk, ui, opened);
        } else {
            to_go_on(desk, ui, opened);
        }
    });
}

/// The next seat of the session shown. While noise is held the filled button says that it sits.
pub fn seat(desk: &mut Desk, ui: &mut Ui, holds: bool) {
    if !holds
        && desk.can_add()
        && ui.add_enabled(!desk.view.phase.is_busy(), Button::new(Action::Seat.button())).clicked()
    {
        desk.ask(Action::Seat);
    }
}

/// Which seat it is, and what else can be added to the session shown.
pub fn added(desk: &mut Desk, ui: &mut Ui) {
    let holds = matches!(desk.view.phase, Phase::Seating | Phase::Turning);
    let Some(record) = desk.view.digest.as_ref().filter(|_| holds || desk.can_add()).map(|d| d.record.clone()) else {
        return;
    };
    let seats = format!("seat {} of {}", record.seat(), record.head.plan.seats.max(record.seat()));
    ui.label(RichText::new(seats).size(SMALL).color(theme::tokens(ui).quiet));
    if !holds {
        outside(desk, ui);
    }
}

/// An outside source at the open and the covered ear, and the output's own volume control.
fn outside(desk: &mut Desk, ui: &mut Ui) {
    let idle = !desk.view.phase.is_busy();
    let ways = [
        ("open ear", Action::ListenOpen, "Something else sounds, steadily; the bench listens for 11 s, once at each."),
        (
            "covered ear",
            Action::ListenCovered,
            "Something else sounds, steadily; the bench listens for 11 s, once at each.",
        ),
        (
            "volume control",
            Action::Turn,
            "Quiet noise is held while you turn the output's volume control; every position is found by itself.",
        ),
    ];
    for (words, action, says) in ways {
        if ui.add_enabled(idle, Button::new(RichText::new(words).size(SMALL))).on_hover_text(says).clicked() {
            desk.ask(action);
        }
    }
}

/// Everything else stays.
fn next_headphone(desk: &mut Desk, ui: &mut Ui, opened: bool) {
    let simulated = desk.simulated().map(|devices| devices.headphones.join(", "));
    let Some(name) = &mut desk.next_headphone else { return };
    let done = name_typed(ui, "Name of the next one", next_headphone_id(), name, opened);
    parts::quiet(ui, format!("Enter takes it, {} leaves it; all the rest stays", Action::Stop.key()));
    if let Some(names) = simulated {
        parts::quiet(ui, format!("The simulated bench has {names}."));
    }
    if done {
        desk.ask(Action::TakeNextHeadphone);
    }
}

/// Finished steps stay as they are, the rest is played.
fn to_go_on(desk: &mut Desk, ui: &mut Ui, opened: bool) {
    let Some(asked) = &mut desk.to_go_on else { return };
    let done = name_typed(ui, "Session or its folder", to_go_on_id(), &mut asked.name, opened);
    parts::quiet(ui, format!("Enter plays the rest of it, {} leaves it", Action::Stop.key()));
    match &asked.found {
        None => parts::quiet(ui, "The sessions are looked through."),
        Some(found) if found.is_empty() => parts::quiet(ui, "No session here was cut short."),
        Some(_) => parts::quiet(ui, "Cut short, the latest first:"),
    };
    for session in asked.found.iter().flatten().take(MOST_SHOWN) {
        let chain = &session.head.chain;
        parts::quiet(ui, format!("{}: {}", session.name, pair_in_words(&chain.output, &chain.headphone)));
    }
    if done {
        desk.ask(Action::TakeUp);
    }
}

/// A named field that takes the keyboard; true once Enter was pressed in it.
fn name_typed(ui: &mut Ui, label: &str, id: Id, name: &mut String, opened: bool) -> bool {
    let words = ui.label(label);
    let edit = TextEdit::singleline(name).id(id).desired_width(ui.available_width() - 2.0 * STEP);
    let response = ui.add(edit).labelled_by(words.id);
    if opened {
        response.request_focus();
    }
    response.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter))
}
