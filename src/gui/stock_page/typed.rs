//! What a data sheet says, typed: an output or a headphone that nobody has measured yet.

use crate::asked::Field;
use crate::gui::app::Desk;
use crate::gui::parts;
use crate::gui::theme::STEP;
use crate::stock::sensitivity::Per;
use crate::stock::{Figure, HeadphoneEntry, OutputEntry, RatedPower, Sensitivity, folder};
use eframe::egui::{TextEdit, Ui};

/// Fields of both.
#[derive(Clone, Debug)]
pub struct Typed {
    /// Name of the output.
    pub output: String,
    volts: String,
    source_ohm: String,
    milliwatts: String,
    into_ohm: String,
    /// Name of the headphone.
    pub headphone: String,
    sensitivity: String,
    per: Per,
    at_hz: String,
    ohm: String,
    source: String,
    replace: bool,
}

impl Default for Typed {
    fn default() -> Typed {
        let empty = String::new;
        Typed {
            output: empty(),
            volts: empty(),
            source_ohm: empty(),
            milliwatts: empty(),
            into_ohm: empty(),
            headphone: empty(),
            sensitivity: empty(),
            per: Per::Milliwatt,
            at_hz: "1000".into(),
            ohm: empty(),
            source: "data sheet".into(),
            replace: false,
        }
    }
}

/// Draws the fields.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "From a data sheet");
    let mut keep_output = false;
    let mut keep_headphone = false;
    let typed = &mut desk.stock.typed;
    field(ui, "Where the figures come from", &mut typed.source, 24.0);
    ui.horizontal_wrapped(|ui| {
        field(ui, "Output", &mut typed.output, 22.0);
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
    let to = folder::beside(desk.form.sessions());
    let result = if keep_output {
        Some(typed.output_entry().and_then(|e| folder::keep_output(&to, &e, typed.replace).map_err(|e| e.to_string())))
    } else if keep_headphone {
        Some(
            typed
                .headphone_entry()
                .and_then(|e| folder::keep_headphone(&to, &e, typed.replace).map_err(|e| e.to_string())),
        )
    } else {
        None
    };
    if let Some(result) = result {
        let kept = result.map(|path| format!("Kept in {}.", path.display()));
        if kept.is_ok() {
            desk.read_stock(&ui.ctx().clone());
        }
        desk.stock.kept = Some(kept.map_err(|why| crate::gui::form::sentence(&why)));
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
    ui.horizontal(|ui| {
        let name = parts::quiet(ui, label);
        ui.add(TextEdit::singleline(value).desired_width(steps * STEP)).labelled_by(name.id);
    });
}

impl Typed {
    fn figure(&self, typed: &str, field: Field) -> Result<Option<Figure>, String> {
        if typed.trim().is_empty() {
            return Ok(None);
        }
        let value = field.read(typed).map_err(|wrong| wrong.to_string())?;
        Ok(Some(Figure { value, half_width: None, source: self.source.trim().into(), date: None }))
    }

    fn output_entry(&self) -> Result<OutputEntry, String> {
        let power = self.figure(&self.milliwatts, Field::SheetPower)?;
        let ohm = self.figure(&self.into_ohm, Field::SheetPowerInto)?;
        let power = match (power, ohm) {
            (Some(milliwatts), Some(ohm)) => vec![RatedPower { ohm: ohm.value, milliwatts }],
            (None, None) => Vec::new(),
            _ => return Err("A highest power needs the resistance that it goes into, and the other way round.".into()),
        };
        Ok(OutputEntry {
            name: self.output.trim().into(),
            volts_per_full_scale: self.figure(&self.volts, Field::SheetVolts)?,
            source_ohm: self.figure(&self.source_ohm, Field::SheetSource)?,
            power,
            ..OutputEntry::default()
        })
    }

    fn headphone_entry(&self) -> Result<HeadphoneEntry, String> {
        let at_hz = Field::SensitivityFrequency.read(&self.at_hz).map_err(|wrong| wrong.to_string())?;
        let level = self.figure(&self.sensitivity, Field::HeadphoneSensitivity)?;
        Ok(HeadphoneEntry {
            name: self.headphone.trim().into(),
            sensitivity: level.map(|level| Sensitivity { level, per: self.per, at_hz }),
            impedance_ohm: self.figure(&self.ohm, Field::HeadphoneImpedance)?,
            ..HeadphoneEntry::default()
        })
    }
}
