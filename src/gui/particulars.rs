//! Page Chain, below: what else is known of the chain, as `chain new` takes it: the output side, instruments with their
//! certificates, ages, and correction curves read from plain text.

use super::chain_page::abreast;
use super::desk::Desk;
use super::form::{Field, Form, curve_words};
use super::keys::Action;
use super::parts;
use crate::asked::choice::{self, Choice};
use crate::session::chain::Instrument;
use eframe::egui::Ui;

/// The section.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "What else is known of the chain");
    ui.add_enabled_ui(!desk.view.phase.is_busy(), |ui| {
        abreast(desk, ui, [output_side, instruments, curves]);
    });
}

/// A list of what may be noted or not; what stands for `None` first.
fn choose<T: Copy + PartialEq>(
    desk: &mut Desk,
    ui: &mut Ui,
    label: &str,
    pick: fn(&mut Form) -> &mut Option<T>,
    (not, all): (&str, &[Choice<T>]),
) {
    let all = all.iter().map(|choice| (Some(choice.value), choice.words.to_string()));
    let all: Vec<_> = std::iter::once((None, not.to_string())).chain(all).collect();
    if let Some(chosen) = parts::list(ui, label, pick(&mut desk.form), &all) {
        *pick(&mut desk.form) = chosen;
        desk.changed();
    }
}

pub(super) fn output_side(desk: &mut Desk, ui: &mut Ui) {
    parts::field(ui, desk, None, "System volume", |d| &mut d.form.chain.output_side.system_volume);
    parts::field(ui, desk, None, "Hardware volume", |d| &mut d.form.chain.output_side.hardware_volume);
    parts::field(ui, desk, None, "Knob at", |d| &mut d.form.chain.output_side.knob);
    parts::field(ui, desk, None, "Gain switch", |d| &mut d.form.chain.output_side.gain_switch);
    choose(desk, ui, "Wiring", |f| &mut f.chain.output_side.wiring, ("not noted", choice::WIRING));
    choose(desk, ui, "Driven", |f| &mut f.chain.output_side.driven, ("not noted", choice::DRIVEN));
    choose(desk, ui, "Supply", |f| &mut f.chain.output_side.supply, ("not noted", choice::SUPPLY));
    choose(desk, ui, "Plugged in", |f| &mut f.chain.output_side.replugged_with_load, ("not noted", choice::REPLUGGED));
    parts::number(ui, desk, Field::ChainCeilingSpl, "Own ceiling, dB SPL");
    parts::number(ui, desk, Field::ChainCeilingDrive, "Own ceiling, dBFS");
}

pub(super) fn instruments(desk: &mut Desk, ui: &mut Ui) {
    parts::quiet(ui, format!("Microphone of the {}:", desk.form.ear.in_words()));
    parts::field(ui, desk, None, "Microphone", |d| &mut microphone(d).name);
    parts::field(ui, desk, None, "Its serial", |d| &mut microphone(d).serial);
    parts::field(ui, desk, Some(Field::Certificate), "Certificate of", |d| {
        microphone(d).certificate.get_or_insert_default()
    });
    parts::field(ui, desk, None, "Calibrator", |d| &mut d.form.chain.calibrator.get_or_insert_default().name);
    parts::field(ui, desk, None, "Serial of it", |d| &mut d.form.chain.calibrator.get_or_insert_default().serial);
    parts::field(ui, desk, None, "Its certificate of", |d| &mut d.form.particulars.calibrator_certificate);
    choose(desk, ui, "Fitted", |f| &mut f.chain.fitted, ("not noted", choice::FITTED));
    choose(desk, ui, "Point", |f| &mut f.chain.point, ("the coupler's own", choice::POINT));
    parts::field(ui, desk, None, "Input gain note", |d| &mut d.form.chain.gain);
    parts::number(ui, desk, Field::CardDistortion, "Card's own dist., dB");
}

fn microphone(desk: &mut Desk) -> &mut Instrument {
    desk.form.chain.microphones.entry(desk.form.ear).or_default()
}

pub(super) fn curves(desk: &mut Desk, ui: &mut Ui) {
    let ear = desk.form.ear;
    parts::quiet(ui, format!("Correction curves of the {}:", ear.in_words()));
    let kept: Vec<String> =
        desk.form.chain.curves.get(&ear).map_or(Vec::new(), |c| c.0.iter().map(curve_words).collect());
    if kept.is_empty() {
        parts::quiet(ui, "None: the microphone is taken as flat.");
    }
    for (i, words) in kept.iter().enumerate() {
        ui.label(words);
        if ui.button(format!("Leave out curve {}", i + 1)).clicked() {
            desk.removes(&format!("Curve {} was left out.", i + 1));
            let empty = desk.form.chain.curves.get_mut(&ear).is_some_and(|curves| {
                curves.0.remove(i);
                curves.0.is_empty()
            });
            if empty {
                desk.form.chain.curves.remove(&ear);
            }
            desk.changed();
            break;
        }
    }
    parts::field(ui, desk, None, "Curve file", |d| &mut d.form.particulars.curve_file);
    choose(desk, ui, "Its dB are", |f| &mut f.particulars.stated.column, ("not said", choice::COLUMN));
    choose(desk, ui, "Decimal mark", |f| &mut f.particulars.stated.decimal, ("as the file shows", choice::DECIMAL));
    choose(
        desk,
        ui,
        "Frequencies",
        |f| &mut f.particulars.stated.frequencies,
        ("as the file shows", choice::FREQUENCIES),
    );
    parts::number(ui, desk, Field::CurveHalfWidth, "± dB of it, stated");
    if ui.button("Read the curve").clicked() {
        desk.ask(Action::ReadCurve);
    }
    match &desk.form.particulars.read {
        Some(Ok(remarks)) => {
            for remark in remarks {
                parts::quiet(ui, remark.clone());
            }
        }
        Some(Err(why)) => parts::wrong(ui, why),
        None => {}
    }
    parts::quiet(ui, "Older calibrations are a doubt:");
    parts::number(ui, desk, Field::CertificateMonths, "Good for, months");
    parts::number(ui, desk, Field::OffsetHours, "Offset good for, h");
}
