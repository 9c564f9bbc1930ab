//! What a data sheet says, as typed: an output or a headphone that nobody has measured yet.

use crate::asked::Field;
use crate::stock::sensitivity::Per;
use crate::stock::{Figure, HeadphoneEntry, OutputEntry, RatedPower, Sensitivity};

/// Fields of both.
#[derive(Clone, Debug)]
pub struct Typed {
    /// Name of the output.
    pub output: String,
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

impl Typed {
    fn figure(&self, typed: &str, field: Field) -> Result<Option<Figure>, String> {
        if typed.trim().is_empty() {
            return Ok(None);
        }
        let value = field.read(typed).map_err(|wrong| wrong.to_string())?;
        Ok(Some(Figure { value, half_width: None, source: self.source.trim().into(), date: None }))
    }

    pub(in crate::gui) fn output_entry(&self) -> Result<OutputEntry, String> {
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

    pub(in crate::gui) fn headphone_entry(&self) -> Result<HeadphoneEntry, String> {
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
