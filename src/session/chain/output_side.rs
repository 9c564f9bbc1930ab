//! The output side: everything that decides what the output under test can do, as it was set.

use super::electrical::OutputSetting;
use crate::calibration::electrical::{Impedance, OutputVolts};
use crate::stats::Estimate;
use crate::units::{DbSpl, Dbfs};
use serde::{Deserialize, Serialize};

/// The output as it was set and loaded. What is not noted is empty or `None`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct OutputSide {
    /// Volume of the operating system, in words (`100 %`).
    #[serde(skip_serializing_if = "String::is_empty")]
    pub system_volume: String,
    /// Volume of the card or device, in words.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub hardware_volume: String,
    /// Position of a knob, in words (`12 o'clock`).
    #[serde(skip_serializing_if = "String::is_empty")]
    pub knob: String,
    /// Position of a gain switch, in words.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub gain_switch: String,
    /// How the headphone is connected.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wiring: Option<Wiring>,
    /// Which channels drive a load.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub driven: Option<Driven>,
    /// What feeds the output.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply: Option<Supply>,
    /// Plugged in again with this load (some outputs set their gain by the load that they sense then).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replugged_with_load: Option<bool>,
    /// Volts RMS, open, of a sine at 0 dBFS.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volts_per_full_scale: Option<Estimate>,
    /// Where they came from; `None`: typed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volts_from: Option<OutputVolts>,
    /// The output that they were taken on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volts_taken_on: Option<OutputSetting>,
    /// Magnitude of the source impedance at 1 kHz, ohm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source_impedance_ohm: Option<Estimate>,
    /// The same as measured, over frequency; `None`: typed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<Impedance>,
    /// The output that it was taken on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source_taken_on: Option<OutputSetting>,
    /// Magnitude of the load's impedance at 1 kHz, ohm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load_impedance_ohm: Option<Estimate>,
    /// The same as measured, over frequency; `None`: typed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load: Option<Impedance>,
    /// The headphone that it was taken on, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load_taken_on: Option<String>,
    /// Ceilings of this chain; a session takes the lower of these and its own.
    #[serde(skip_serializing_if = "ChainCeilings::is_none")]
    pub ceilings: ChainCeilings,
}

/// How a headphone is connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wiring {
    /// Two driven wires per ear.
    Balanced,
    /// One driven wire and a common return.
    SingleEnded,
}

/// Which channels drive a load.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Driven {
    /// Both, each with its load: as in use.
    Both,
    /// One.
    One,
}

/// What feeds the output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Supply {
    /// A mains supply.
    Mains,
    /// Its battery.
    Battery,
    /// The bus it is plugged into (USB).
    Bus,
}

/// Ceilings of a chain: beside a session's own the lower one holds. `None` leaves it to the session; volts and milliwatts
/// act once the output's volts (and source and load impedance) are known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ChainCeilings {
    /// At the calibrated point.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spl: Option<DbSpl>,
    /// On the drive.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drive: Option<Dbfs>,
    /// Volts RMS.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volts: Option<f64>,
    /// Milliwatts in the load.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub milliwatts: Option<f64>,
}

impl ChainCeilings {
    /// True where none is stated.
    pub fn is_none(&self) -> bool {
        *self == ChainCeilings::default()
    }
}

impl OutputSide {
    /// Volume positions and switches that are noted, in words; `note` comes first.
    pub fn positions(&self, note: &str) -> String {
        let named = [
            ("", note),
            ("system volume ", &self.system_volume),
            ("hardware volume ", &self.hardware_volume),
            ("knob at ", &self.knob),
            ("gain ", &self.gain_switch),
        ];
        let noted = named.into_iter().filter(|(_, words)| !words.is_empty());
        noted.map(|(name, words)| format!("{name}{words}")).collect::<Vec<_>>().join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_noted_is_said() {
        let side = OutputSide { knob: "12 o'clock".into(), gain_switch: "low".into(), ..OutputSide::default() };
        assert_eq!(side.positions("as in the studio"), "as in the studio, knob at 12 o'clock, gain low");
        assert_eq!(OutputSide::default().positions(""), "");
    }
}
