//! The coupler: what the headphone sits on, which point its sound level stands for, and where it stands for an ear.

use crate::analysis::Flaw;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What the headphone sits on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Coupler {
    /// Occluded-ear simulator, IEC 60318-4.
    #[serde(rename = "iec60318-4", alias = "ear-simulator603184")]
    EarSimulator603184,
    /// Ear simulator for supra-aural and circumaural headphones, IEC 60318-1.
    #[serde(rename = "iec60318-1", alias = "ear-simulator603181")]
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
