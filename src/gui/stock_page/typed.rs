//! What a data sheet says, typed: an output or a headphone that nobody has measured yet.

use crate::gui::desk::Desk;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::theme::{SMALL, STEP};
use crate::stock::sensitivity::Per;
use eframe::egui::{TextEdit, Ui};

/// Draws the fields.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "From a data sheet");
    parts::quiet(
        ui,
        "As it is printed: 2 Vrms, < 1 Ω, 150 mW @ 32 Ω; 98 ±3 dB/mW @ 1 kHz, 32 Ω ±15 %. Without a frequency a sensitivity is one at 1 kHz.",
    );
    let mut keep_output = false;
    let mut keep_headphone = false;
    let typed = &mut desk.stock.typed;
    field(ui, "Where the figures come from", &mut typed.source, 24.0);
    ui.horizontal_wrapped(|ui| {
        field(ui, "Output", &mut typed.output, 22.0);
        field(ui, "At volume", &mut typed.positions, 14.0);
        field(ui, "Volts RMS at 0 dBFS, open", &mut typed.volts, 8.0);
        field(ui, "Source impedance, Ω", &mut typed.source_ohm, 8.0);
        field(ui, "Highest power, mW", &mut typed.milliwatts, 8.0);
        field(ui, "into, Ω", &mut typed.into_ohm, 8.0);
        keep_output = ui.button("Keep this output").clicked();
    });
    ui.horizontal_wrapped(|ui| {
        field(ui, "Headphone", &mut typed.headphone, 22.0);
        field(ui, "Sensitivity, dB SPL", &mut typed.sensitivity, 8.0);
        for per in [Per::Milliwatt, Per::Volt] {
            if parts::choice(ui, typed.per == per, per.unit()).clicked() {
                typed.per = per;
            }
        }
        field(ui, "at, Hz", &mut typed.at_hz, 8.0);
        field(ui, "Impedance, Ω", &mut typed.ohm, 8.0);
        keep_headphone = ui.button("Keep this headphone").clicked();
    });
    ui.checkbox(&mut typed.replace, "Replace one that is kept under the same name");
    if keep_output {
        desk.ask(Action::KeepOutput);
    } else if keep_headphone {
        desk.ask(Action::KeepHeadphone);
    }
    match &desk.stock.kept {
        Some(Ok(kept)) => {
            parts::quiet(ui, kept.clone());
        }
        Some(Err(why)) => parts::wrong(ui, why),
        None => {
            parts::quiet(
                ui,
                "A session on a chain that knows volts and both impedances teaches more than any data sheet; where both exist the measurement counts.",
            );
        }
    }
}

fn field(ui: &mut Ui, label: &str, value: &mut String, steps: f32) {
    parts::together(ui, label, SMALL, steps * STEP, |ui, name| {
        ui.add(TextEdit::singleline(value).desired_width(steps * STEP)).labelled_by(name);
    });
}
