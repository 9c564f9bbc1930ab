//! An output that this computer cannot drive, in place of the question: its sound is written, followed while it plays elsewhere,
//! or taken from a recording. What cannot be kept on this route is said before any of it.

use super::{column, heard};
use crate::gui::desk::Desk;
use crate::gui::elsewhere::{Elsewhere, Part, Place};
use crate::gui::followed::{Followed, NOT_KEPT};
use crate::gui::form::{Field, RATES, sentence};
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP, TEXT};
use crate::gui::view::Phase;
use crate::session::elsewhere::{CAUTIONS, SampleFormat};
use crate::units::SampleRate;
use eframe::egui::accesskit::Live;
use eframe::egui::{Button, ComboBox, Key, Label, RichText, TextEdit, Ui};

/// Width of a list in a line of fields, points.
const LIST: f32 = 20.0 * STEP;

/// Its parts, with their names.
const PARTS: [(Part, &str); 3] = [
    (Part::Write, "1  Write the sound"),
    (Part::Listen, "2  Follow it live"),
    (Part::Recording, "or take in a recording of it"),
];

/// Picks one text of it.
type Pick = fn(&mut Elsewhere) -> &mut String;

/// Draws it.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    column(ui, "elsewhere", |ui| page(desk, ui));
}

fn page(desk: &mut Desk, ui: &mut Ui) {
    let height = ui.ctx().content_rect().height();
    let tall = height > 620.0;
    ui.add_space(if tall { 0.03 * height } else { 0.0 });
    let followed = desk.view.followed.clone();
    let large = match &followed {
        None => "An output elsewhere",
        Some(followed) if followed.recording => "Looking for the sound",
        Some(_) => "Start it on the player now",
    };
    let size = (if tall { 0.7 } else { 0.5 } * theme::large(height)).min(0.06 * ui.available_width());
    let label = ui.add(Label::new(RichText::new(large).size(size).strong()).extend());
    ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
    if let Some(followed) = &followed {
        return working(desk, followed, ui);
    }
    parts::quiet(
        ui,
        "A telephone, a games console, another computer: the session is a sound file that you play there.",
    );
    ui.add_space(STEP / 2.0);
    let free = desk.view.phase == Phase::Idle && !desk.elsewhere.is_at_work();
    ui.add_enabled_ui(free, |ui| {
        tabs(desk, ui);
        ui.add_space(STEP / 2.0);
        match desk.elsewhere.part {
            Part::Write => {
                cautions(ui);
                sound(desk, ui);
            }
            Part::Listen => {
                cautions(ui);
                listens(desk, ui);
            }
            Part::Recording => recording(desk, ui),
        }
    });
    ui.add_space(STEP);
    button(desk, ui, free);
    outcome(desk, ui);
}

fn tabs(desk: &mut Desk, ui: &mut Ui) {
    ui.horizontal_wrapped(|ui| {
        for (part, words) in PARTS {
            if parts::choice(ui, desk.elsewhere.part == part, words).clicked() && desk.elsewhere.part != part {
                desk.turn_to(part);
            }
        }
        if ui.button(format!("Back to the question  {}", Action::Elsewhere.key())).clicked() {
            desk.ask(Action::Elsewhere);
        }
    });
}

fn cautions(ui: &mut Ui) {
    for caution in CAUTIONS {
        ui.add(Label::new(RichText::new(caution).size(SMALL + 0.5)).wrap());
    }
    ui.add_space(STEP / 2.0);
}

/// What the file is to hold.
fn sound(desk: &mut Desk, ui: &mut Ui) {
    path(desk, ui, Place::Sound, "Sound file to write", |e| &mut e.sound);
    messages(desk, ui, &[Place::Sound]);
    ui.horizontal_wrapped(|ui| format(desk, ui));
    ui.horizontal_wrapped(|ui| {
        number(desk, ui, Place::Top, "Loudest step, dBFS", |e| &mut e.top);
        if desk.elsewhere.is_raised() {
            number(desk, ui, Place::Again, "Loudest step again", |e| &mut e.again);
        }
        number(desk, ui, Place::Step, "Steps, dB", |e| &mut e.step);
        number(desk, ui, Place::Reference, "Quiet reference, dBFS", |e| &mut e.reference);
        number(desk, ui, Place::From, "First step, dBFS", |e| &mut e.from);
    });
    messages(desk, ui, &[Place::Top, Place::Again, Place::Step, Place::Reference, Place::From, Place::Beside]);
    parts::quiet(
        ui,
        format!(
            "Choose the rate that the player plays without resampling; 16 bits suit any player; one channel cannot show swapped sides. {}",
            beside(desk)
        ),
    );
}

/// What else the file holds.
fn beside(desk: &Desk) -> String {
    let sines = desk.form.typed.text(Field::Sines).trim();
    let sines = (!sines.is_empty()).then(|| format!("sines at {sines} Hz"));
    let all: Vec<String> = sines.into_iter().chain(desk.form.beside.iter().map(ToString::to_string)).collect();
    match all.is_empty() {
        true => {
            "Sines and further sounds are chosen beside the question, under \u{201c}What else is asked\u{201d}.".into()
        }
        false => format!("In it too, as chosen beside the question: {}.", all.join(", ")),
    }
}

fn format(desk: &mut Desk, ui: &mut Ui) {
    let now = &mut desk.elsewhere;
    let rates: Vec<(u32, String)> = RATES.iter().map(|hz| (*hz, format!("{} kHz", f64::from(*hz) / 1000.0))).collect();
    let kinds = [SampleFormat::Bits16, SampleFormat::Bits24, SampleFormat::Float];
    let kinds = kinds.map(|kind| (kind, kind.in_words().to_string()));
    let channels = [(1, "one channel".to_string()), (2, "two channels".to_string())];
    let rate = pick(ui, "Rate", now.rate.get(), &rates).and_then(|hz| SampleRate::new(hz).ok());
    let kind = pick(ui, "Samples", now.format, &kinds);
    let count = pick(ui, "Channels", now.channels, &channels);
    if rate.is_some() || kind.is_some() || count.is_some() {
        now.rate = rate.unwrap_or(now.rate);
        now.format = kind.unwrap_or(now.format);
        now.channels = count.unwrap_or(now.channels);
        now.edited(Place::Sound);
    }
}

/// A named list in a line of fields; what was chosen anew.
fn pick<T: PartialEq + Copy>(ui: &mut Ui, label: &str, now: T, all: &[(T, String)]) -> Option<T> {
    let shown = all.iter().find(|(value, _)| *value == now).map_or("not listed", |(_, words)| words);
    let (mut chosen, mut picked) = (None, false);
    parts::together(ui, label, TEXT, LIST, |ui, name| {
        let list = ComboBox::from_id_salt(label).selected_text(shown).width(LIST - STEP);
        let list = list.show_ui(ui, |ui| {
            for (value, words) in all {
                if ui.selectable_label(*value == now, words).clicked() {
                    (chosen, picked) = (Some(*value).filter(|value| *value != now), true);
                    ui.close();
                }
            }
        });
        let list = list.response.labelled_by(name);
        if picked {
            list.request_focus();
        }
    });
    chosen
}

/// What is followed, and who listens.
fn listens(desk: &mut Desk, ui: &mut Ui) {
    path(desk, ui, Place::Plan, "Plan file (.json)", |e| &mut e.plan);
    messages(desk, ui, &[Place::Plan]);
    names(desk, ui);
    let ready = desk.form.ready().map(|(_, chain)| chain);
    let card = ready.map_or(String::new(), |chain| format!("Heard through {}. ", chain.routing.capture));
    parts::quiet(ui, format!("{card}{}", loudness(desk)));
}

/// Whether the level can be held against a ceiling.
fn loudness(desk: &Desk) -> &'static str {
    match desk.form.is_calibrated() {
        true => "The bench says stop where the level passes the ceiling. Begin here, then start the player.",
        false => {
            "Without a calibration offset nothing says how loud it is, and the bench cannot say stop: begin very low. Begin here, then start the player."
        }
    }
}

/// Output and volume, which are not those of the question, and the headphone, which is.
fn names(desk: &mut Desk, ui: &mut Ui) {
    ui.horizontal_wrapped(|ui| {
        wordy(desk, ui, Place::Output, "Output that plays it", 26.0, |e| &mut e.output);
        wordy(desk, ui, Place::Output, "at volume", 18.0, |e| &mut e.volume);
        let mut changed = false;
        parts::together(ui, "Headphone", TEXT, 26.0 * STEP, |ui, name| {
            let edit = TextEdit::singleline(&mut desk.form.chain.headphone).desired_width(26.0 * STEP);
            changed = ui.add(edit).labelled_by(name).changed();
        });
        if changed {
            desk.changed();
        }
    });
    messages(desk, ui, &[Place::Output]);
    if let Some(message) = desk.form.wrong.get(&Field::Headphone) {
        parts::wrong(ui, message);
    }
}

/// A recording, and what made it.
fn recording(desk: &mut Desk, ui: &mut Ui) {
    parts::quiet(
        ui,
        "The bench did not play this sound: no ceiling was kept while it was recorded, and what was too loud is only seen now.",
    );
    path(desk, ui, Place::Recording, "Recording, WAV or FLAC", |e| &mut e.recording);
    messages(desk, ui, &[Place::Recording]);
    path(desk, ui, Place::Plan, "Plan file (.json)", |e| &mut e.plan);
    messages(desk, ui, &[Place::Plan]);
    names(desk, ui);
    let before = desk.elsewhere.by_desk;
    ui.horizontal_wrapped(|ui| {
        ui.label("Recorded by");
        ui.radio_value(&mut desk.elsewhere.by_desk, true, "the input of this desk, set as it is now: its offset holds");
        ui.radio_value(&mut desk.elsewhere.by_desk, false, "another recorder");
    });
    if desk.elsewhere.by_desk != before {
        desk.elsewhere.edited(Place::Recorder);
    }
    messages(desk, ui, &[Place::Recorder]);
    if !desk.elsewhere.by_desk {
        ui.horizontal_wrapped(|ui| {
            wordy(desk, ui, Place::Recorder, "Its name", 10.0, |e| &mut e.recorder);
            wordy(desk, ui, Place::Ears, "Left ear on channel", 4.0, |e| &mut e.ears[0]);
            wordy(desk, ui, Place::Ears, "Right ear on channel", 4.0, |e| &mut e.ears[1]);
            number(desk, ui, Place::Offset, "Its offset, dB", |e| &mut e.offset[0]);
            number(desk, ui, Place::Half, "± dB", |e| &mut e.offset[1]);
        });
        messages(desk, ui, &[Place::Ears, Place::Offset, Place::Half]);
        parts::quiet(
            ui,
            "An offset belongs to one recorder at one gain: record the calibrator with it, or leave it empty and read levels in dBFS.",
        );
    }
    parts::quiet(
        ui,
        "Type a path, paste one, or drop the files on the window. The sound may begin anywhere in the recording.",
    );
}

fn path(desk: &mut Desk, ui: &mut Ui, place: Place, label: &str, pick: Pick) {
    let steps = ((ui.available_width() - 27.0 * STEP) / STEP).max(20.0);
    wordy(desk, ui, place, label, steps, pick);
}

fn number(desk: &mut Desk, ui: &mut Ui, place: Place, label: &str, pick: Pick) {
    wordy(desk, ui, place, label, 6.0, pick);
}

/// A named field; Enter in it does what the large button says.
fn wordy(desk: &mut Desk, ui: &mut Ui, place: Place, label: &str, steps: f32, pick: Pick) {
    parts::together(ui, label, TEXT, steps * STEP, |ui, name| {
        let edit = TextEdit::singleline(pick(&mut desk.elsewhere)).desired_width(steps * STEP);
        let response = ui.add(edit).labelled_by(name);
        if response.changed() {
            desk.elsewhere.edited(place);
        }
        if response.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter)) {
            desk.ask(Action::Next);
        }
    });
}

fn messages(desk: &Desk, ui: &mut Ui, places: &[Place]) {
    for message in places.iter().filter_map(|place| desk.elsewhere.wrong.get(place)) {
        parts::wrong(ui, message);
    }
}

fn button(desk: &mut Desk, ui: &mut Ui, free: bool) {
    let now = &desk.elsewhere;
    let words = match now.part {
        _ if now.writing.is_under_way() => "The sound is written",
        _ if now.reading.is_under_way() => "The files are read",
        Part::Write if now.written.is_some() => "Now follow it live",
        Part::Write => "Write the sound",
        Part::Listen => "Listen for it",
        Part::Recording => "Take in the recording",
    };
    if parts::main_button(ui, free, words, "Enter").clicked() {
        desk.ask(Action::Next);
    }
    ui.add_space(STEP / 2.0);
}

/// What came of it, or why nothing did.
fn outcome(desk: &Desk, ui: &mut Ui) {
    let said = |ui: &mut Ui, words: &str| {
        let label = ui.add(Label::new(RichText::new(words).size(TEXT)).wrap());
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
    };
    if let Some(failed) = &desk.elsewhere.failed {
        parts::wrong(ui, failed);
    }
    if let Some(written) = &desk.elsewhere.written {
        said(ui, written);
        said(ui, "Copy the WAV to the device as it is: what encodes it anew changes what is measured.");
    }
}

/// Until the first mark is heard.
fn working(desk: &mut Desk, followed: &Followed, ui: &mut Ui) {
    ui.add_space(STEP);
    match followed.recording || followed.begun || followed.alarm.is_some() {
        true => heard_of_it(desk, followed, ui),
        false => {
            ui.label(RichText::new(format!("Listening, {} so far.", text::seconds(followed.seconds))).size(TEXT + 5.0));
            level(desk, followed, ui);
        }
    }
    ui.add_space(STEP);
    if ui.add(Button::new(format!("Leave it  {}", Action::Stop.key()))).clicked() {
        desk.ask(Action::Stop);
    }
    ui.add_space(STEP);
    cautions(ui);
}

/// What is heard now: first what somebody has to do.
pub(super) fn heard_of_it(desk: &Desk, followed: &Followed, ui: &mut Ui) {
    let first = sentence(&followed.first());
    if followed.alarm.is_some() {
        parts::alarm(ui, &first);
    } else {
        let label = ui.add(Label::new(RichText::new(first).size(TEXT + 5.0).strong()).wrap());
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
    }
    let step = followed.step.as_ref().filter(|_| followed.clips.is_some() || followed.alarm.is_some());
    if let Some(step) = step {
        ui.add(Label::new(RichText::new(sentence(step)).size(TEXT)).wrap());
    }
    level(desk, followed, ui);
}

/// How loud it is against its ceiling, and that nothing keeps it; of a recording how far it is gone through.
fn level(desk: &Desk, followed: &Followed, ui: &mut Ui) {
    if followed.recording {
        if let Some((done, total)) = desk.view.playing {
            ui.label(format!("{} of {} of the recording", text::seconds(done), text::seconds(total)));
        }
        return;
    }
    match &followed.level {
        Some(level) => {
            ui.add(Label::new(RichText::new(sentence(level)).size(TEXT)).wrap());
        }
        None if followed.alarm.is_none() => {
            let (level, unit, _) = heard::held(desk);
            ui.label(format!("Level now {} {unit}.", level.map_or("–".into(), text::db)));
        }
        None => {}
    }
    parts::quiet(ui, sentence(NOT_KEPT));
}
