//! The coupler: what the headphone sits on, which point its sound level stands for, and where it stands for an ear.
//!
//! Kinds by part of IEC 60318. The ranges are those of the parts' scopes, from memory: 100 Hz to 10 kHz for the ear
//! simulators (parts 1 and 4; part 4 calls itself a coupler outside), 125 Hz to 8 kHz for the acoustic couplers (parts 3
//! and 5).

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
    /// Acoustic coupler for supra-aural headphones, IEC 60318-3.
    #[serde(rename = "iec60318-3")]
    AcousticCoupler603183,
    /// 2 cm³ coupler for earphones with ear inserts, IEC 60318-5.
    #[serde(rename = "iec60318-5")]
    Coupler603185,
    /// Head and torso simulator or manikin with ear simulators (IEC 60318-7, ITU-T P.58).
    Manikin,
    /// Microphone in a flat plate.
    FlatPlate,
    /// No coupler, or one of no standard.
    Other,
}

/// The point that a sound level stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Point {
    /// Eardrum reference point.
    Eardrum,
    /// Ear reference point, at the entrance of the ear canal.
    EarReferencePoint,
    /// The microphone's own place; it stands for no point of an ear.
    Microphone,
}

impl Point {
    /// Its name.
    pub fn words(self) -> &'static str {
        match self {
            Point::Eardrum => "eardrum",
            Point::EarReferencePoint => "ear reference point",
            Point::Microphone => "microphone",
        }
    }
}

impl fmt::Display for Point {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

impl Coupler {
    /// All kinds with the word that names each in files and on the command line.
    pub const ALL: [(Coupler, &'static str); 7] = [
        (Coupler::EarSimulator603184, "iec60318-4"),
        (Coupler::EarSimulator603181, "iec60318-1"),
        (Coupler::AcousticCoupler603183, "iec60318-3"),
        (Coupler::Coupler603185, "iec60318-5"),
        (Coupler::Manikin, "manikin"),
        (Coupler::FlatPlate, "flat-plate"),
        (Coupler::Other, "other"),
    ];

    /// What it is, in words.
    pub fn words(self) -> &'static str {
        match self {
            Coupler::EarSimulator603184 => "occluded-ear simulator, IEC 60318-4",
            Coupler::EarSimulator603181 => "ear simulator, IEC 60318-1",
            Coupler::AcousticCoupler603183 => "acoustic coupler, IEC 60318-3",
            Coupler::Coupler603185 => "2 cm³ coupler, IEC 60318-5",
            Coupler::Manikin => "manikin with ear simulators",
            Coupler::FlatPlate => "microphone in a flat plate",
            Coupler::Other => "no coupler, or one of no standard",
        }
    }

    /// The point its sound level stands for.
    pub fn point(self) -> Point {
        match self {
            Coupler::EarSimulator603184 | Coupler::Manikin => Point::Eardrum,
            Coupler::EarSimulator603181 => Point::EarReferencePoint,
            Coupler::AcousticCoupler603183 | Coupler::Coupler603185 | Coupler::FlatPlate | Coupler::Other => {
                Point::Microphone
            }
        }
    }

    /// Range in which it keeps what its standard states, Hz; `None` without a standard.
    pub fn valid_hz(self) -> Option<(f64, f64)> {
        match self {
            Coupler::EarSimulator603184 | Coupler::EarSimulator603181 | Coupler::Manikin => Some((100.0, 10_000.0)),
            Coupler::AcousticCoupler603183 | Coupler::Coupler603185 => Some((125.0, 8_000.0)),
            Coupler::FlatPlate | Coupler::Other => None,
        }
    }

    /// Range of the level that is given beside the full one, Hz.
    pub fn stated_hz(self) -> (f64, f64) {
        self.valid_hz().unwrap_or((100.0, 10_000.0))
    }

    /// The same in words.
    pub fn stated_words(self) -> String {
        let (low, high) = self.stated_hz();
        format!("{low:.0} Hz to {:.0} kHz", high / 1000.0)
    }

    /// The limit of validity as a note: it never softens a verdict.
    pub fn note(self) -> Flaw {
        let range = self.stated_words();
        match self {
            Coupler::EarSimulator603184 | Coupler::EarSimulator603181 | Coupler::Manikin => Flaw::note(
                "coupler-range",
                format!("The coupler represents an ear from {range}; the level is also given for that range alone."),
            ),
            Coupler::AcousticCoupler603183 | Coupler::Coupler603185 => Flaw::note(
                "coupler-range",
                format!(
                    "The coupler is defined from {range} and has no ear's impedance: levels compare between headphones on it, not with an ear. The level is also given for that range alone."
                ),
            ),
            Coupler::FlatPlate | Coupler::Other => Flaw::note(
                "no-ear",
                "This coupler represents no ear: levels hold for its microphone only and compare only with the same set-up.",
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
