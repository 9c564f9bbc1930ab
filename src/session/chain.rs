//! The chain as it stands on the desk: cards, output, headphone, coupler, microphone, and what is known of each.

use crate::analysis::{Correction, Flaw};
use crate::calibration::Acoustic;
use crate::card::{InputRole, Routing};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// Everything between the stimulus and the samples, stored whole with every session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Chain {
    /// Name for people.
    pub name: String,
    /// Cards and channels.
    pub routing: Routing,
    /// Output under test, in words.
    pub output: String,
    /// Volume positions and gain switches, in words (`knob at 12 o'clock, gain low`).
    #[serde(default)]
    pub volume: String,
    /// Headphone on the coupler, in words.
    pub headphone: String,
    /// What the headphone sits on.
    pub coupler: Coupler,
    /// Calibration offset per ear, where known.
    #[serde(default)]
    pub acoustic: BTreeMap<InputRole, Acoustic>,
    /// Microphone curve per ear: dB to add to the captured level.
    #[serde(default)]
    pub curves: BTreeMap<InputRole, Correction>,
    /// Highest level the microphone takes, dB SPL peak, from its data sheet.
    #[serde(default)]
    pub microphone_max_db_spl: Option<f64>,
}

/// What the headphone sits on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Coupler {
    /// Occluded-ear simulator, IEC 60318-4.
    EarSimulator603184,
    /// Ear simulator for supra-aural and circumaural headphones, IEC 60318-1.
    EarSimulator603181,
    /// Head and torso simulator or manikin with ear simulators.
    Manikin,
    /// Microphone in a flat plate.
    FlatPlate,
    /// No coupler, or one of no standard.
    Other,
}

impl Coupler {
    /// All kinds with the word that names each in files and on the command line.
    pub const ALL: [(Coupler, &'static str); 5] = [
        (Coupler::EarSimulator603184, "iec60318-4"),
        (Coupler::EarSimulator603181, "iec60318-1"),
        (Coupler::Manikin, "manikin"),
        (Coupler::FlatPlate, "flat-plate"),
        (Coupler::Other, "other"),
    ];

    /// The point its sound level stands for.
    pub fn point(self) -> &'static str {
        match self {
            Coupler::EarSimulator603184 | Coupler::Manikin => "eardrum",
            Coupler::EarSimulator603181 => "ear reference point",
            Coupler::FlatPlate | Coupler::Other => "microphone",
        }
    }

    /// Range in which it stands for an ear, Hz; `None` where it stands for none.
    pub fn valid_hz(self) -> Option<(f64, f64)> {
        match self {
            Coupler::EarSimulator603184 | Coupler::EarSimulator603181 | Coupler::Manikin => Some((100.0, 10_000.0)),
            Coupler::FlatPlate | Coupler::Other => None,
        }
    }

    /// The limit of validity as a note: it never softens a verdict.
    pub fn note(self) -> Flaw {
        match self.valid_hz() {
            Some((low, high)) => Flaw::note(
                "coupler-range",
                format!(
                    "The coupler stands for an ear from {low:.0} Hz to {:.0} kHz; the level is also given for that range alone.",
                    high / 1000.0
                ),
            ),
            None => Flaw::note(
                "no-ear",
                "This coupler stands for no ear: levels hold for its microphone only and compare only with the same set-up.",
            ),
        }
    }
}

impl fmt::Display for Coupler {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = Coupler::ALL.iter().find(|(kind, _)| kind == self).map_or("other", |(_, word)| word);
        f.write_str(word)
    }
}

impl Chain {
    /// Calibration offset of a role.
    pub fn acoustic(&self, role: InputRole) -> Option<&Acoustic> {
        self.acoustic.get(&role)
    }

    /// Inputs that hear an ear, in the order of the take's inputs.
    pub fn ears(&self) -> impl Iterator<Item = (usize, InputRole)> + '_ {
        self.routing
            .capture_channels
            .iter()
            .enumerate()
            .map(|(i, channel)| (i, channel.role))
            .filter(|(_, role)| matches!(role, InputRole::LeftEar | InputRole::RightEar))
    }

    /// The input whose level decides: the first ear.
    pub fn deciding_input(&self) -> usize {
        self.ears().next().map_or(0, |(i, _)| i)
    }

    /// The input that sees the output's limits: the electrical witness where there is one, else the first ear.
    pub fn limit_input(&self) -> usize {
        let witness = self.routing.capture_channels.iter().position(|c| c.role == InputRole::Witness);
        witness.unwrap_or_else(|| self.deciding_input())
    }

    /// True where an electrical witness sees the output without the headphone.
    pub fn has_witness(&self) -> bool {
        self.routing.capture_channels.iter().any(|c| c.role == InputRole::Witness)
    }

    /// True where the deciding ear has a calibration offset: levels are then in dB SPL.
    pub fn is_calibrated(&self) -> bool {
        self.ears().next().is_some_and(|(_, role)| self.acoustic.contains_key(&role))
    }
}
