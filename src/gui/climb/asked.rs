//! What is asked: output, headphone, levels, ceiling, extent.

use crate::gui::app::Desk;
use crate::gui::form::Field;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::STEP;
use crate::session::plan::{Extent, Weighting};
use eframe::egui::{Id, Key, TextEdit, Ui};

/// Where the name of the next headphone is typed.
pub fn next_headphone_id() -> Id {
    Id::unique("next-headphone-name")
}

/// All fields of the session.
pub fn fields(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "What is asked");
    let busy = desk.view.phase.is_busy();
    ui.add_enabled_ui(!busy, |ui| {
        parts::field(ui, desk, Some(Field::Output), "Output", |d| &mut d.form.output);
        parts::field(ui, desk, None, "Volume note", |d| &mut d.form.volume);
        parts::field(ui, desk, Some(Field::Headphone), "Headphone", |d| &mut d.form.headphone);
        parts::field(ui, desk, Some(Field::Listening), "Listening, dB SPL", |d| &mut d.form.listening);
        let weightings =
            [(Weighting::Z, "Z"), (Weighting::A, "A"), (Weighting::C, "C")].map(|(w, n)| (w, n.to_string()));
        if let Some(chosen) = parts::list(ui, "Weighting", &desk.form.weighting, &weightings) {
            desk.form.weighting = chosen;
            desk.changed();
        }
        parts::field(ui, desk, Some(Field::Wanted), "Headroom, dB", |d| &mut d.form.wanted);
        ceiling(desk, ui);
        extent(desk, ui);
        parts::field(ui, desk, Some(Field::Sines), "Sines, Hz", |d| &mut d.form.sines);
    });
    if !desk.form.is_calibrated() {
        let text = format!(
            "No calibration yet: levels are in dBFS. Calibrate on page {}, or go on without dB SPL.",
            Action::Chain.button()
        );
        parts::quiet(ui, text);
    }
    if let Some((field, message)) = desk.form.wrong.iter().find(|(f, _)| of_page_chain(**f)) {
        let message = format!("On page Chain ({}): {message}", Action::Chain.key());
        let _ = field;
        parts::wrong(ui, &message);
    }
}

fn of_page_chain(field: Field) -> bool {
    matches!(field, Field::Cards | Field::PlaybackChannels | Field::CaptureChannels | Field::MicrophoneMax)
}

fn ceiling(desk: &mut Desk, ui: &mut Ui) {
    let changed = if desk.form.is_calibrated() {
        parts::field(ui, desk, Some(Field::Ceiling), "Ceiling, dB SPL", |d| &mut d.form.ceiling_spl)
    } else {
        parts::field(ui, desk, Some(Field::Ceiling), "Ceiling, dBFS", |d| &mut d.form.ceiling_drive)
    };
    if changed {
        desk.form.again.clear();
        desk.changed();
    }
    if desk.form.ceiling_is_raised() {
        parts::field(ui, desk, Some(Field::Again), "Ceiling again", |d| &mut d.form.again);
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

/// One key and a name: everything else stays.
pub fn next_headphone(desk: &mut Desk, ui: &mut Ui) {
    let ctx = ui.ctx().clone();
    let Some(name) = &mut desk.next_headphone else {
        if ui
            .add_enabled(!desk.view.phase.is_busy(), eframe::egui::Button::new(Action::NextHeadphone.button()))
            .clicked()
        {
            desk.act(Action::NextHeadphone, &ctx);
        }
        return;
    };
    let mut done = false;
    ui.horizontal(|ui| {
        let words = ui.label("Name of the next one");
        let edit = TextEdit::singleline(name).id(next_headphone_id()).desired_width(ui.available_width() - 2.0 * STEP);
        let response = ui.add(edit).labelled_by(words.id);
        done = response.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter));
        if desk.wants_focus.take().is_some() {
            response.request_focus();
        }
    });
    parts::quiet(ui, format!("Enter takes it, {} leaves it; all the rest stays", Action::Stop.key()));
    if done {
        desk.take_next_headphone();
    }
}

/// `listening level 70.0 dB SPL` for the axis.
pub fn listening_words(level: f64) -> String {
    format!("listening level {} dB SPL, Z", text::db(level))
}
