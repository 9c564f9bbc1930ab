//! What a data sheet says, as typed: an output or a headphone that nobody has measured yet.

use crate::asked::sheet::{self, SheetFigure};
use crate::asked::{Field, Read};
use crate::stock::sensitivity::Per;
use crate::stock::{Figure, HeadphoneEntry, OutputEntry, RatedPower, Sensitivity};

/// Fields of both.
#[derive(Clone, Debug)]
pub struct Typed {
    /// Name of the output.
    pub output: String,
    pub(in crate::gui) positions: String,
    pub(in crate::gui) volts: String,
    pub(in crate::gui) source_ohm: String,
    pub(in crate::gui) milliwatts: String,
    pub(in crate::gui) into_ohm: String,
    /// Name of the headphone.
    pub headphone: String,
    pub(in crate::gui) sensitivity: String,
    pub(in crate::gui) per: Per,
    pub(in crate::gui) at_hz: String,
    pub(in crate::gui) ohm: String,
    pub(in crate::gui) source: String,
    pub(in crate::gui) replace: bool,
}

impl Default for Typed {
    fn default() -> Typed {
        let empty = String::new;
        Typed {
            output: empty(),
            positions: empty(),
            volts: empty(),
            source_ohm: empty(),
            milliwatts: empty(),
            into_ohm: empty(),
            headphone: empty(),
            sensitivity: empty(),
            per: Per::Milliwatt,
            at_hz: empty(),
            ohm: empty(),
            source: "data sheet".into(),
            replace: false,
        }
    }
}

/// Frequency of a sensitivity where none is stated, Hz (common practice, no source).
const SENSITIVITY_HZ: f64 = 1000.0;

impl Typed {
    fn stated(&self, value: f64, half_width: Option<f64>) -> Figure {
        Figure { value, half_width, source: self.source.trim().into(), date: None }
    }

    /// A figure with its tolerance, read as the command line reads it; nothing where nothing is typed.
    fn figure(&self, typed: &str, read: impl FnOnce(&str) -> Read<SheetFigure>) -> Result<Option<Figure>, String> {
        if typed.trim().is_empty() {
            return Ok(None);
        }
        let read = read(typed).map_err(|wrong| wrong.to_string())?;
        Ok(Some(self.stated(read.value, read.half_width)))
    }

    /// A power with its resistance, both in one field or each in its own.
    fn power(&self) -> Result<Vec<RatedPower>, String> {
        let (power, into) = (self.milliwatts.trim(), self.into_ohm.trim());
        let read = match (power.is_empty(), into.is_empty()) {
            (true, true) => return Ok(Vec::new()),
            (true, false) => {
                return Err("A highest power needs the resistance that it goes into, and the other way round.".into());
            }
            (false, true) => sheet::power(power),
            (false, false) => sheet::power(&format!("{power} @ {into}")),
        };
        let [milliwatts, ohm] = read.map_err(|wrong| wrong.to_string())?;
        Ok(vec![RatedPower { ohm, milliwatts: self.stated(milliwatts, None) }])
    }

    pub(in crate::gui) fn output_entry(&self) -> Result<OutputEntry, String> {
        let limit = |field: Field, typed: &str| self.figure(typed, |typed| sheet::figure(field, typed));
        Ok(OutputEntry {
            name: self.output.trim().into(),
            positions: self.positions.trim().into(),
            volts_per_full_scale: self.figure(&self.volts, sheet::volts)?,
            source_ohm: limit(Field::SheetSource, &self.source_ohm)?,
            power: self.power()?,
            ..OutputEntry::default()
        })
    }

    pub(in crate::gui) fn headphone_entry(&self) -> Result<HeadphoneEntry, String> {
        Ok(HeadphoneEntry {
            name: self.headphone.trim().into(),
            sensitivity: self.sensitivity()?,
            impedance_ohm: self.figure(&self.ohm, |typed| sheet::figure(Field::HeadphoneImpedance, typed))?,
            ..HeadphoneEntry::default()
        })
    }

    /// As on the data sheet: what stands beside the number counts, else what is chosen beside the field.
    fn sensitivity(&self) -> Result<Option<Sensitivity>, String> {
        if self.sensitivity.trim().is_empty() {
            return Ok(None);
        }
        let read = sheet::sensitivity(&self.sensitivity).map_err(|wrong| wrong.to_string())?;
        let own = Some(self.at_hz.trim()).filter(|typed| !typed.is_empty());
        let own = own.map(|typed| Field::SensitivityFrequency.read(typed)).transpose();
        let own = own.map_err(|wrong| wrong.to_string())?;
        let at_hz = match (own, read.at_hz) {
            (Some(one), Some(other)) if (one - other).abs() > f64::EPSILON * other => {
                return Err(format!(
                    "The sensitivity is stated at {other} Hz, and the field beside it says {one} Hz: leave one of them out."
                ));
            }
            (one, other) => one.or(other).unwrap_or(SENSITIVITY_HZ),
        };
        let level = self.stated(read.level.value, read.level.half_width);
        Ok(Some(Sensitivity { level, per: read.per.unwrap_or(self.per), at_hz }))
    }
}
