//! The chain as it stands on the desk: cards, output, headphone, coupler, microphone, and what is known of each.

pub use crate::calibration::Coupler;

use crate::analysis::Correction;
use crate::calibration::{Acoustic, Curve};
use crate::card::{InputRole, Routing};
use serde::de::value::{MapAccessDeserializer, SeqAccessDeserializer};
use serde::de::{MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
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
    /// Correction curves per ear, all of them applied to what that ear's microphone captured.
    #[serde(default)]
    pub curves: BTreeMap<InputRole, Curves>,
    /// Highest level the microphone takes, dB SPL peak, from its data sheet.
    #[serde(default)]
    pub microphone_max_db_spl: Option<f64>,
}

/// Correction curves of one ear, each with where it came from.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Curves(pub Vec<Curve>);

impl Chain {
    /// All curves of a role as one: dB to add to what it captured.
    pub fn correction(&self, role: InputRole) -> Correction {
        let curves = self.curves.get(&role).map_or(&[][..], |curves| &curves.0);
        curves.iter().fold(Correction::none(), |sum, curve| sum.plus(&curve.correction))
    }

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

/// A list of curves; the first version of a chain had one without its origin.
impl<'de> Deserialize<'de> for Curves {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Curves, D::Error> {
        struct ListOrOne;

        impl<'de> Visitor<'de> for ListOrOne {
            type Value = Curves;

            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str("a list of correction curves")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, list: A) -> Result<Curves, A::Error> {
                Vec::deserialize(SeqAccessDeserializer::new(list)).map(Curves)
            }

            fn visit_map<A: MapAccess<'de>>(self, one: A) -> Result<Curves, A::Error> {
                Correction::deserialize(MapAccessDeserializer::new(one))
                    .map(|c| Curves(vec![Curve::of_unknown_origin(c)]))
            }
        }

        from.deserialize_any(ListOrOne)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_of_the_first_version_is_read_and_a_wrong_one_is_named() {
        let read = |text: &str| serde_json::from_str::<Curves>(text);
        let one = read(r#"{"points":[[20.0,1.0],[1000.0,0.0]]}"#).unwrap();
        assert!((one.0[0].correction.db_at(20.0) - 1.0).abs() < 1e-12 && one.0.len() == 1, "{one:?}");
        let stored = serde_json::to_string(&one).unwrap();
        assert_eq!(read(&stored).unwrap(), one, "{stored}");
        for wrong in [
            r#"{"points":[[20.0,1.0],[10.0,0.0]]}"#,
            r#"[{"name":"x","column":"gain","points":[[2.0,0.0],[1.0,0.0]]}]"#,
        ] {
            assert!(read(wrong).unwrap_err().to_string().contains("rise"), "{wrong}");
        }
    }
}
