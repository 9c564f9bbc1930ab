//! The chain as it stands on the desk: cards, output, headphone, coupler, microphone, and what is known of each.

mod ages;
mod check;
mod electrical;
mod instrument;
mod offsets;
mod output_side;
mod seen_clean;

pub use crate::calibration::{Coupler, Point};
pub use ages::{Aged, AgedPart};
pub use check::limits;
pub use electrical::{ChangedElectrical, ElectricalPart, OutputSetting, pink_spectrum};
pub use instrument::{Fitted, Instrument};
pub use offsets::{ChangedOffset, InputSetting};
pub use output_side::{ChainCeilings, Driven, OutputSide, Supply, Wiring};
pub use seen_clean::SeenClean;

use crate::analysis::Correction;
use crate::calibration::electrical::InputVolts;
use crate::calibration::{Acoustic, AgeLimits, Curve};
use crate::card::{CaptureChannel, CardId, DEFAULT_BLOCK_FRAMES, InputRole, Routing};
use crate::units::SampleRate;
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
    /// A note on volume positions and gain switches, in words (`knob at 12 o'clock, gain low`).
    #[serde(default)]
    pub volume: String,
    /// The same one by one, and what else decides what the output can do.
    #[serde(default, skip_serializing_if = "is_default")]
    pub output_side: OutputSide,
    /// Headphone on the coupler, in words.
    pub headphone: String,
    /// What the headphone sits on.
    pub coupler: Coupler,
    /// Point that levels stand for, where it is not the coupler's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<Point>,
    /// Gain setting of the input, in words (`+20 dB, pad off`).
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub gain: String,
    /// Microphone per ear.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub microphones: BTreeMap<InputRole, Instrument>,
    /// The sound calibrator.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibrator: Option<Instrument>,
    /// Where it is fitted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fitted: Option<Fitted>,
    /// How old calibrations may be before they are doubted.
    #[serde(default, skip_serializing_if = "is_default")]
    pub ages: AgeLimits,
    /// Calibration offset per ear, where known.
    #[serde(default)]
    pub acoustic: BTreeMap<InputRole, Acoustic>,
    /// The input that each offset was taken on.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub taken_on: BTreeMap<InputRole, InputSetting>,
    /// Volts at full scale of the electrical inputs, where known.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub input_volts: BTreeMap<InputRole, InputVolts>,
    /// The input that each was taken on.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub inputs_taken_on: BTreeMap<InputRole, InputSetting>,
    /// How loud each input was once heard clean.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub seen_clean: BTreeMap<InputRole, SeenClean>,
    /// Correction curves per ear, all of them applied to what that ear's microphone captured.
    #[serde(default)]
    pub curves: BTreeMap<InputRole, Curves>,
    /// Highest level the microphone takes, dB SPL peak, from its data sheet.
    #[serde(default)]
    pub microphone_max_db_spl: Option<f64>,
    /// Distortion of the capture card itself, dB re what it captures, from its data sheet or a loop of its own; without
    /// it no figure allows for any.
    #[serde(default)]
    pub card_distortion_db: Option<f64>,
}

/// Correction curves of one ear, each with where it came from.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Curves(pub Vec<Curve>);

fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

impl Chain {
    /// A chain of which only the cards are known.
    pub fn fresh(playback: &str, capture: &str) -> Chain {
        Chain {
            name: "desk".into(),
            routing: Routing {
                playback: CardId(playback.into()),
                playback_channels: vec![0, 1],
                playback_rate: SampleRate::DEFAULT,
                capture: CardId(capture.into()),
                capture_channels: vec![CaptureChannel { channel: 0, role: InputRole::LeftEar }],
                capture_rate: SampleRate::DEFAULT,
                block_frames: DEFAULT_BLOCK_FRAMES,
            },
            output: "the output".into(),
            volume: String::new(),
            output_side: OutputSide::default(),
            headphone: "the headphone".into(),
            coupler: Coupler::Other,
            point: None,
            gain: String::new(),
            microphones: BTreeMap::new(),
            calibrator: None,
            fitted: None,
            ages: AgeLimits::default(),
            acoustic: BTreeMap::new(),
            taken_on: BTreeMap::new(),
            input_volts: BTreeMap::new(),
            inputs_taken_on: BTreeMap::new(),
            seen_clean: BTreeMap::new(),
            curves: BTreeMap::new(),
            microphone_max_db_spl: None,
            card_distortion_db: None,
        }
    }

    /// The point that its levels stand for.
    pub fn point(&self) -> Point {
        self.point.unwrap_or(self.coupler.point())
    }

    /// Volume positions and switches as noted, in words; empty where none is.
    pub fn positions(&self) -> String {
        self.output_side.positions(&self.volume)
    }

    /// Takes an offset into force for the input as it is set now.
    pub fn take_offset(&mut self, role: InputRole, acoustic: Acoustic) {
        self.acoustic.insert(role, acoustic);
        self.offsets_belong_here([role]);
    }

    /// All curves of a role as one: dB to add to what it captured.
    pub fn correction(&self, role: InputRole) -> Correction {
        let curves = self.curves.get(&role).map_or(&[][..], |curves| &curves.0);
        curves.iter().fold(Correction::none(), |sum, curve| sum.plus(&curve.correction))
    }

    /// Half width that the curves of a role leave to a level, dB, as their certificates state it; `None` where one of
    /// them states none, or there is no curve.
    pub fn curve_half_width_db(&self, role: InputRole) -> Option<f64> {
        let curves = &self.curves.get(&role)?.0;
        curves
            .iter()
            .try_fold(0.0f64, |sum, curve| Some(sum.hypot(curve.half_width_db?)))
            .filter(|_| !curves.is_empty())
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
            .filter(|(_, role)| role.is_ear())
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

    /// All inputs that see limits: the electrical witness alone where there is one, else every ear.
    pub fn limit_inputs(&self) -> Vec<usize> {
        if self.has_witness() { vec![self.limit_input()] } else { self.ears().map(|(input, _)| input).collect() }
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
