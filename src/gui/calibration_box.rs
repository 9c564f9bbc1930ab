//! Under the chain: the calibration offset, from a sound calibrator, from the microphone's sensitivity, or typed.

use super::chain_page::abreast;
use super::desk::Desk;
use super::form::{Field, sentence};
use super::keys::Action;
use super::parts;
use super::theme::STEP;
use super::view::{Listening, Phase};
use crate::calibration::{Acoustic, STEADY_S};
use crate::card::InputRole;
use eframe::egui::{Align, Button, RichText, Ui};

/// Under the chain, as wide as it: the calibrator as stated, what is heard of it, and the ways without one.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "Calibration offset of the microphone and coupler");
    let busy = desk.view.phase.is_busy() && desk.view.phase != Phase::Calibrating;
    ui.add_enabled_ui(!busy, |ui| {
        let ways: [fn(&mut Desk, &mut Ui); 3] = [with_calibrator, listen, without_calibrator];
        abreast(desk, ui, ways);
    });
}

fn with_calibrator(desk: &mut Desk, ui: &mut Ui) {
    let ears: Vec<(InputRole, String)> = desk.form.ears().map(|e| (e, e.in_words().to_string())).collect();
    if let Some(ear) = parts::list(ui, "Ear", &desk.form.ear, &ears) {
        desk.form.ear = ear;
    }
    parts::number(ui, desk, Field::CalibratorLevel, "Calibrator, dB SPL");
    parts::number(ui, desk, Field::CalibratorFrequency, "Its frequency, Hz");
    ui.horizontal_wrapped(|ui| {
        for (level, frequency, name) in
            [("94", "1000", "94 dB, 1 kHz"), ("114", "1000", "114 dB, 1 kHz"), ("124", "250", "124 dB, 250 Hz")]
        {
            let typed = &mut desk.form.typed;
            let chosen =
                typed.text(Field::CalibratorLevel) == level && typed.text(Field::CalibratorFrequency) == frequency;
            if parts::choice(ui, chosen, name).clicked() {
                typed.set(Field::CalibratorLevel, level);
                typed.set(Field::CalibratorFrequency, frequency);
                desk.changed();
            }
        }
    });
    parts::number(ui, desk, Field::CalibratorHalfWidth, "± dB of it");
    parts::number(ui, desk, Field::LevelCorrection, "Add to it, dB");
    parts::quiet(ui, "Static pressure where a pistonphone needs it, or the volume of an adapter; else 0.");
}

fn listen(desk: &mut Desk, ui: &mut Ui) {
    let idle = desk.view.phase == Phase::Idle;
    let offset = desk.form.acoustic.get(&desk.form.ear);
    let fitted = offset.is_some_and(Acoustic::is_from_calibrator);
    if desk.view.phase == Phase::Calibrating {
        heard(desk, ui);
    } else if let Some(offset) = offset {
        ui.label(RichText::new(format!("{:.2} dB", offset.offset.value)).size(3.0 * STEP).monospace().strong());
        parts::quiet(
            ui,
            format!(
                "0 dBFS at the {}, ±{:.2} dB, {}",
                desk.form.ear.in_words(),
                offset.offset.half_width(),
                offset.source
            ),
        );
    } else {
        parts::quiet(ui, "No offset for this ear: levels are in dBFS. Fit the calibrator, then listen.");
    }
    if let Some(not_used) = desk.form.not_used.clone() {
        parts::wrong(ui, &not_used);
        if ui.button("It still holds").clicked() {
            desk.form.offsets_still_hold();
            desk.changed();
        }
    }
    if let Some(checked) = &desk.view.checked {
        parts::quiet(ui, checked);
    }
    if let Some(message) = &desk.view.calibration_failure {
        parts::wrong(ui, &sentence(message));
    }
    if ui.add_enabled(idle, Button::new(Action::Calibrate.button())).clicked() {
        desk.ask(Action::Calibrate);
    }
    let again = ui.add_enabled(idle && fitted, Button::new("Fitted again: one more reading"));
    if again.on_hover_text("The mean of all fittings is used, and their spread.").clicked() {
        desk.ask(Action::CalibrateAgain);
    }
    let session = desk.view.folder.is_some() && desk.view.digest.is_some();
    let check = ui.add_enabled(idle && session, Button::new(Action::CheckAfter.button()));
    if check.on_hover_text("What has moved since goes into the session's intervals.").clicked() {
        desk.ask(Action::CheckAfter);
    }
    let ear = desk.form.ear;
    if desk.form.acoustic.contains_key(&ear) && ui.add_enabled(idle, Button::new("Forget the offset")).clicked() {
        desk.removes(&format!("The offset of the {} was forgotten.", ear.in_words()));
        desk.form.chain.acoustic.remove(&ear);
        desk.changed();
    }
}

fn without_calibrator(desk: &mut Desk, ui: &mut Ui) {
    let idle = desk.view.phase == Phase::Idle;
    parts::quiet(ui, "Where no calibrator fits, from the microphone's certificate:");
    parts::number(ui, desk, Field::Sensitivity, "Mic, mV/Pa");
    parts::number(ui, desk, Field::InputVolts, "Full scale, V RMS");
    let filled = |field| desk.form.typed.filled(field).is_some();
    let (stated, typed) = (filled(Field::Sensitivity) && filled(Field::InputVolts), filled(Field::Offset));
    if ui.add_enabled(idle && stated, Button::new("Use the sensitivity")).clicked() {
        desk.ask(Action::TakeSensitivity);
    }
    parts::quiet(ui, "or type it, as taken elsewhere:");
    parts::number(ui, desk, Field::Offset, "Offset, dB");
    parts::number(ui, desk, Field::OffsetHalfWidth, "± dB, 95 %");
    if ui.add_enabled(idle && typed, Button::new("Use typed offset")).clicked() {
        desk.ask(Action::TakeOffset);
    }
}

/// What is heard of the calibrator, readable from where it is held.
fn heard(desk: &Desk, ui: &mut Ui) {
    let Some(Listening { tone, steady_s, because }) = &desk.view.listening else {
        // Wherever the page stands: what is asked for now must be seen.
        ui.scroll_to_cursor(Some(Align::Center));
        parts::quiet(ui, format!("Listening: fit the calibrator and switch it on. {} ends it.", Action::Stop.key()));
        return;
    };
    let large = |ui: &mut Ui, words: String| {
        ui.label(RichText::new(words).size(2.5 * STEP).monospace().strong());
    };
    match tone.and_then(|t| Some((t, t.level?))) {
        None => large(ui, "no tone yet".into()),
        Some((tone, level)) => {
            large(ui, format!("{} dBFS", crate::units::tidy(level.value, 2)));
            large(ui, format!("{:.1} Hz", tone.frequency_hz));
            let thd = tone
                .thd_db
                .map_or("under the noise".into(), |db| format!("{:.2} %", 100.0 * crate::units::amplitude_from_db(db)));
            let hum = tone
                .hum
                .map_or("none seen".into(), |hum| format!("{:.0} dB at {:.0} Hz", hum.level_db, hum.frequency_hz));
            parts::quiet(ui, format!("THD {thd} · hum {hum}"));
        }
    }
    let progress = eframe::egui::ProgressBar::new((steady_s / STEADY_S).clamp(0.0, 1.0) as f32);
    ui.add(progress.text(format!("steady for {steady_s:.1} of {STEADY_S:.0} s")));
    if let Some(because) = because {
        parts::wrong(ui, &sentence(because));
    }
    parts::quiet(ui, format!("{} ends it.", Action::Stop.key()));
}
