//! What is asked: output, headphone, levels, ceiling, extent.

use crate::calibration;
use crate::card::pair_in_words;
use crate::gui::desk::{Desk, next_headphone_id, to_go_on_id};
use crate::gui::form::Field;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::STEP;
use crate::gui::view::Phase;
use crate::session::plan::{Extent, Weighting};
use eframe::egui::{Button, Id, Key, TextEdit, Ui};

/// Sessions that could be taken up, shown at most.
const MOST_SHOWN: usize = 3;

/// All fields of the session.
pub fn fields(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "What is asked");
    let busy = desk.view.phase.is_busy();
    ui.add_enabled_ui(!busy, |ui| {
        parts::field(ui, desk, Some(Field::Output), "Output", |d| &mut d.form.chain.output);
        parts::field(ui, desk, None, "Volume note", |d| &mut d.form.chain.volume);
        parts::field(ui, desk, Some(Field::Headphone), "Headphone", |d| &mut d.form.chain.headphone);
        parts::number(ui, desk, Field::Listening, "Listening, dB SPL");
        let weightings = [
            ((Weighting::Z, None), "Z"),
            ((Weighting::A, None), "A"),
            ((Weighting::C, None), "C"),
            ((Weighting::A, Some(calibration::Field::Diffuse)), "A, diffuse field"),
            ((Weighting::A, Some(calibration::Field::Free)), "A, free field"),
        ]
        .map(|(w, n)| (w, n.to_string()));
        if let Some(chosen) = parts::list(ui, "Weighting", &desk.form.weighting, &weightings) {
            desk.form.weighting = chosen;
            desk.changed();
        }
        parts::number(ui, desk, Field::Wanted, "Headroom, dB");
        ceiling(desk, ui);
        extent(desk, ui);
        beside(desk, ui);
    });
    if !desk.form.is_calibrated() {
        let text = format!(
            "No calibration yet: levels are in dBFS. Calibrate on page {}, or go on without dB SPL.",
            Action::Chain.button()
        );
        parts::quiet(ui, text);
    }
    if let Some(message) = desk.form.wrong_on_page_chain() {
        parts::wrong(ui, &format!("On page Chain ({}): {message}", Action::Chain.key()));
    }
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

/// Sines, other sounds, and the levels at which they are played.
fn beside(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "Beside the noise");
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
    let label = if desk.form.is_calibrated() { "At, dB SPL" } else { "At, dBFS" };
    parts::number(ui, desk, desk.form.levels(), label);
    parts::quiet(ui, "Levels of pink noise, parted by blanks; empty: at every step of the climb.");
}

/// The next headphone, or a session to go on with: one key and a name each.
pub fn what_next(desk: &mut Desk, ui: &mut Ui) {
    let opened = desk.wants_focus.take().is_some();
    let all = ui.scope(|ui| {
        if desk.next_headphone.is_some() {
            next_headphone(desk, ui, opened);
        } else if desk.to_go_on.is_some() {
            to_go_on(desk, ui, opened);
        } else {
            seat(desk, ui);
            for action in [Action::NextHeadphone, Action::GoOn] {
                if ui.add_enabled(!desk.view.phase.is_busy(), Button::new(action.button())).clicked() {
                    desk.ask(action);
                }
            }
        }
    });
    if opened {
        ui.scroll_to_rect(all.response.rect, None);
    }
}

/// The next seat of the session shown, and how many there are.
fn seat(desk: &mut Desk, ui: &mut Ui) {
    let holds = matches!(desk.view.phase, Phase::Seating | Phase::Turning);
    let Some(record) = desk.view.digest.as_ref().filter(|_| holds || desk.can_add()).map(|d| d.record.clone()) else {
        return;
    };
    let words = match desk.view.phase {
        Phase::Seating => format!("It sits  {}", Action::Seat.key()),
        Phase::Turning => format!("Done  {}", Action::Seat.key()),
        _ => Action::Seat.button(),
    };
    ui.horizontal(|ui| {
        if ui.add_enabled(holds || !desk.view.phase.is_busy(), Button::new(words)).clicked() {
            desk.ask(Action::Seat);
        }
        parts::quiet(ui, format!("seat {} of {}", record.seat(), record.head.plan.seats.max(record.seat())));
    });
    if !holds {
        outside(desk, ui);
    }
}

/// An outside source at the open and the covered ear.
fn outside(desk: &mut Desk, ui: &mut Ui) {
    ui.add_enabled_ui(!desk.view.phase.is_busy(), |ui| {
        ui.horizontal_wrapped(|ui| {
            parts::quiet(ui, "outside");
            for (covered, words) in [(false, "open ear"), (true, "covered ear")] {
                let says = "Something else sounds, steadily; the bench listens for 11 s, once at each.";
                if ui.button(words).on_hover_text(says).clicked() {
                    desk.ask(if covered { Action::ListenCovered } else { Action::ListenOpen });
                }
            }
            let says =
                "Quiet noise is held while you turn the output's volume control; every position is found by itself.";
            if ui.button("volume control").on_hover_text(says).clicked() {
                desk.ask(Action::Turn);
            }
        });
    });
}

/// Everything else stays.
fn next_headphone(desk: &mut Desk, ui: &mut Ui, opened: bool) {
    let cards = desk.view.cards.as_ref().map_or(&[][..], |c| &c.found);
    let simulated = desk.form.simulated(cards).map(|devices| devices.headphones.join(", "));
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

/// `listening level 70.0 dB SPL` for the axis.
pub fn listening_words(level: f64) -> String {
    format!("listening level {} dB SPL, Z", text::db(level))
}
