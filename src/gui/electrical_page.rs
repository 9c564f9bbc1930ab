//! Volts and impedances as they are drawn, under the chain.

use super::chain_page::abreast;
use super::desk::Desk;
use super::electrical::{Kind, reading_id};
use super::keys::Action;
use super::parts;
use super::theme::{SMALL, STEP};
use super::view::Phase;
use crate::asked::{Field, choice};
use crate::card::CardId;
use crate::session::electrical::CAUTIONS;
use crate::session::plan::UNCALIBRATED_CEILING;
use eframe::egui::{Align, Button, Label, ProgressBar, RichText, TextEdit, Ui};

/// Draws the section.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let top = eframe::egui::Rect::from_min_size(ui.cursor().min, eframe::egui::vec2(1.0, 1.0));
    parts::heading(ui, "Volts and impedances");
    if std::mem::take(&mut desk.view.electrical_is_news) {
        ui.scroll_to_rect(top, Some(Align::Min));
    }
    let free = desk.view.phase == Phase::Idle && desk.guide.on_its_way.is_none();
    ui.horizontal_wrapped(|ui| {
        for (kind, name) in Kind::ALL {
            ui.add_enabled_ui(free, |ui| {
                if parts::choice(ui, desk.guide.kind == Some(kind), name).clicked() {
                    desk.guide.kind = Some(kind);
                    (desk.guide.wrong, desk.guide.failure) = (None, None);
                    desk.guide.stated.clear();
                }
            });
        }
    });
    let Some(kind) = desk.guide.kind else {
        parts::quiet(
            ui,
            "Measured here or typed above: with them every drive is stated in volts and milliwatts at the load too.",
        );
        return;
    };
    parts::quiet(ui, kind.about());
    ui.add_space(0.5 * STEP);
    abreast(desk, ui, [stated, steps, result]);
}

fn field(ui: &mut Ui, desk: &mut Desk, which: Field, label: &str) {
    parts::edit(ui, label, false, desk.guide.typed.edit(which));
    message(ui, desk, which);
}

fn message(ui: &mut Ui, desk: &Desk, which: Field) {
    if let Some(wrong) = desk.guide.wrong.as_ref().filter(|wrong| wrong.field == which) {
        parts::wrong(ui, &wrong.to_string());
    }
}

/// What is stated before anything sounds.
fn stated(desk: &mut Desk, ui: &mut Ui) {
    let Some(kind) = desk.guide.kind else { return };
    let free = desk.view.phase == Phase::Idle && desk.guide.on_its_way.is_none();
    ui.add_enabled_ui(free, |ui| {
        match kind {
            Kind::Volts => {
                meter(desk, ui);
                let places = [(false, "open output".to_string()), (true, "at the headphone".to_string())];
                if let Some(loaded) = parts::list(ui, "Meter reads", &desk.guide.loaded, &places) {
                    desk.guide.loaded = loaded;
                }
            }
            Kind::InputVolts => {
                if let Some(role) = parts::chosen(ui, "Which input", &desk.guide.role, choice::ELECTRICAL_INPUT) {
                    desk.guide.role = role;
                }
                meter(desk, ui);
                field(ui, desk, Field::Divider, "Divider, ×  ±");
                parts::quiet(ui, "Where the meter reads behind a divider or probe, at the input itself; else empty.");
            }
            Kind::Source => {
                field(ui, desk, Field::Resistor, "Known load, Ω");
                field(ui, desk, Field::SecondResistor, "Lighter one, Ω");
                field(ui, desk, Field::Tolerance, "Tolerance, %");
                field(ui, desk, Field::InputResistance, "Input, Ω");
                field(ui, desk, Field::Readings, "Or readings, V V");
                parts::quiet(ui, "Lighter: a second load instead of the open output. Input: the witness' own resistance, or the meter's.");
            }
            Kind::Load => {
                field(ui, desk, Field::SeriesResistor, "In series, Ω");
                field(ui, desk, Field::CheckResistor, "Check first, Ω");
                field(ui, desk, Field::Tolerance, "Tolerance, %");
                field(ui, desk, Field::InputResistance, "Witness, Ω");
                field(ui, desk, Field::Cable, "Cable, Ω ±Ω");
                parts::quiet(ui, "A resistor in the headphone's place first shows that the set-up reads true. Witness: its own resistance.");
            }
        }
        field(ui, desk, Field::Drive, "Drive, dBFS RMS");
        let raised = desk.guide.typed.number(Field::Drive).is_ok_and(|d| d > UNCALIBRATED_CEILING.db());
        if raised || desk.guide.wrong.as_ref().is_some_and(|wrong| wrong.field == Field::DriveAgain) {
            field(ui, desk, Field::DriveAgain, "The drive again");
        }
    });
}

fn meter(desk: &mut Desk, ui: &mut Ui) {
    if let Some(meter) = parts::chosen(ui, "Voltmeter", &desk.guide.meter, choice::METER) {
        desk.guide.meter = meter;
    }
    field(ui, desk, Field::MeterAccuracy, "Its accuracy, %");
    field(ui, desk, Field::ToneFrequency, "Tone, Hz");
    field(ui, desk, Field::ToneSeconds, "Tone length, s");
    parts::quiet(ui, "Most handheld meters are wrong at 1 kHz. Empty: 50 Hz, or 1 kHz for a meter made for it.");
}

/// What to do now, and what went wrong of it.
fn steps(desk: &mut Desk, ui: &mut Ui) {
    now(desk, ui);
    if let Some(message) = &desk.guide.failure {
        parts::wrong(ui, message);
    }
}

fn now(desk: &mut Desk, ui: &mut Ui) {
    let playing = desk.view.phase == Phase::Electrical;
    let idle = desk.view.phase == Phase::Idle;
    let simulated = desk.form.chain.routing.playback == CardId::simulated();
    let Some(way) = &desk.guide.on_its_way else {
        for caution in CAUTIONS {
            parts::quiet(ui, caution);
        }
        if ui.add_enabled(idle, Button::new(format!("Begin  {}", Action::Electrical.key()))).clicked() {
            desk.ask(Action::Electrical);
        }
        return;
    };
    let all = way.procedure.steps();
    let (asks, next, remarks) = (way.procedure.meter().copied(), way.next(), way.remarks.clone());
    let number = way.heard.len() + 1;
    for remark in &remarks {
        parts::quiet(ui, remark);
    }
    if let Some(step) = &next {
        let words = format!("Step {number} of {}: {}", all.len(), step.purpose);
        ui.add(Label::new(RichText::new(words).strong()).wrap());
        if playing {
            progress(desk, ui);
        } else {
            ui.add(Label::new(format!("Plug in: {}. Nothing sounds.", step.hookup)).wrap());
            if simulated {
                parts::quiet(ui, "The simulated bench plugs it in by itself.");
            }
            if ui
                .add_enabled(idle, Button::new(format!("It is plugged in: play  {}", Action::Electrical.key())))
                .clicked()
            {
                desk.ask(Action::Electrical);
            }
        }
    }
    if asks.is_some() && (playing || next.is_none()) {
        reading(desk, ui);
        if next.is_none() {
            if ui.add_enabled(idle, Button::new(format!("Keep it  {}", Action::Electrical.key()))).clicked() {
                desk.ask(Action::Electrical);
            }
            if ui.add_enabled(idle, Button::new("Play it again")).clicked()
                && let Some(way) = &mut desk.guide.on_its_way
            {
                way.heard.clear();
                desk.ask(Action::Electrical);
            }
        }
    }
    if !playing && ui.add_enabled(idle, Button::new("Leave it")).clicked() {
        desk.guide.on_its_way = None;
    }
}

fn reading(desk: &mut Desk, ui: &mut Ui) {
    parts::named(ui, "Meter shows, V", false, |ui, name| {
        let width = ui.available_width() - 1.5 * STEP;
        let edit =
            ui.add(TextEdit::singleline(desk.guide.typed.edit(Field::Reading)).id(reading_id()).desired_width(width));
        if desk.wants_focus == Some(reading_id()) {
            edit.request_focus();
            desk.wants_focus = None;
        }
        edit.labelled_by(name);
    });
    message(ui, desk, Field::Reading);
}

fn progress(desk: &Desk, ui: &mut Ui) {
    let Some((done_s, total_s)) = desk.view.playing else {
        parts::quiet(ui, "The cards are being opened.");
        return;
    };
    let left_s = (total_s - done_s).max(0.0);
    let words = format!("sounds, about {left_s:.0} s left; {} ends it", Action::Stop.key());
    ui.add(ProgressBar::new((done_s / total_s.max(1e-9)).clamp(0.0, 1.0) as f32).text(words));
}

/// What came of it.
fn result(desk: &mut Desk, ui: &mut Ui) {
    let Some((first, more)) = desk.guide.stated.split_first() else { return };
    let label = ui.add(Label::new(RichText::new(first).strong()).wrap());
    ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(eframe::egui::accesskit::Live::Polite));
    for line in more {
        ui.label(RichText::new(line).monospace().size(SMALL));
    }
    parts::quiet(ui, "Kept in the chain; it stands above, in the nodes.");
}
