//! What is known of a sound card, as data: the audio layer makes it, sessions store it, people read it.

use crate::units::SampleRate;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Stable name of a card, `host:device`, as the audio layer gave it (stored with every session).
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct CardId(pub String);

impl CardId {
    /// The card of the simulated bench.
    pub fn simulated() -> CardId {
        CardId("simulated:bench".into())
    }

    /// What plays is none of this computer's cards.
    pub fn elsewhere() -> CardId {
        CardId("elsewhere:player".into())
    }
}

impl fmt::Display for CardId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Which way a card moves sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// Sound leaves through it.
    Playback,
    /// Sound comes in through it.
    Capture,
}

/// One direction of one card as listed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CardDescription {
    /// Name to ask for it by.
    pub id: CardId,
    /// Host it is reached through (`simulated`, `alsa`, `jack`, …).
    pub host: String,
    /// Name for people.
    pub name: String,
    /// Playback or capture.
    pub direction: Direction,
    /// Most channels it offers.
    pub channels: u16,
    /// Usual rates it claims (44.1 to 192 kHz); a claim, not a promise.
    pub rates: Vec<SampleRate>,
    /// Why samples may be resampled on the way, where they may; `None` for a route that cannot.
    pub may_resample: Option<String>,
    /// Devices that stand behind a simulated card; `None` for a real one.
    pub simulates: Option<SimulatedDevices>,
}

/// Invented devices that a simulated card can stand for, by name. The first of each stands in for any other name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SimulatedDevices {
    /// Outputs.
    pub outputs: Vec<String>,
    /// Headphones.
    pub headphones: Vec<String>,
}

/// A pair of devices in words: `console phones socket with closed 80 Ω`.
pub fn pair_in_words(output: &str, headphone: &str) -> String {
    format!("{output} with {headphone}")
}

/// The name among `known` that is meant. Few keyboards have an Ω, so only letters and digits of ASCII count, in any
/// case: `open 300` and `Open 300 ohm` mean `open 300 Ω`.
pub fn known_name<'a>(asked: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let letters = |name: &str| {
        let plain: String = name.chars().filter(char::is_ascii_alphanumeric).collect();
        plain.to_ascii_lowercase().trim_end_matches("ohm").to_string()
    };
    known.into_iter().find(|name| letters(name) == letters(asked))
}

/// What a card granted when it was opened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Granted {
    /// The card.
    pub id: CardId,
    /// Rate the host says it runs at.
    pub rate: SampleRate,
    /// Channels per frame.
    pub channels: u16,
    /// Frames per callback as announced; `None` where the host does not say.
    pub block_frames: Option<u32>,
    /// Sample format on the wire, in words (`f32`, `i16 dithered`).
    pub format: String,
    /// As in [`CardDescription::may_resample`].
    pub may_resample: Option<String>,
    /// Devices that were simulated behind it ([`pair_in_words`]); `None` for a real card.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub simulates: Option<String>,
}

/// What to open: one playback and one capture direction and the channels used on each.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Routing {
    /// Card that plays.
    pub playback: CardId,
    /// Channels driven with the stimulus (from 0); others stay silent.
    pub playback_channels: Vec<u16>,
    /// Rate asked for.
    pub playback_rate: SampleRate,
    /// Card that records.
    pub capture: CardId,
    /// Channels kept, in the order of the take's inputs, with their roles.
    pub capture_channels: Vec<CaptureChannel>,
    /// Rate asked for.
    pub capture_rate: SampleRate,
    /// Frames per callback asked for on both sides (a measurement needs no low latency).
    pub block_frames: u32,
}

/// Block size asked for where nothing else is said.
pub const DEFAULT_BLOCK_FRAMES: u32 = 2048;

/// One captured channel and what is connected to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CaptureChannel {
    /// Channel of the capture card, from 0.
    pub channel: u16,
    /// What is connected.
    pub role: InputRole,
}

/// What an input listens to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InputRole {
    /// Microphone of the left ear's coupler.
    LeftEar,
    /// Microphone of the right ear's coupler.
    RightEar,
    /// Across the headphone through a divider: sees the output without the headphone.
    Witness,
    /// The playback card's own output, straight back.
    Loopback,
    /// Before the series resistor, on the side of the output: with the witness behind it, it sees the current.
    SourceSide,
}

impl InputRole {
    /// For people.
    pub fn in_words(self) -> &'static str {
        match self {
            InputRole::LeftEar => "left ear",
            InputRole::RightEar => "right ear",
            InputRole::Witness => "witness across the headphone",
            InputRole::Loopback => "loopback of the output",
            InputRole::SourceSide => "source side of the series resistor",
        }
    }

    /// True for an ear's microphone: levels in dB SPL are taken there.
    pub fn is_ear(self) -> bool {
        matches!(self, InputRole::LeftEar | InputRole::RightEar)
    }
}

/// What is plugged into the output for an electrical measurement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hookup {
    /// What the output ends in.
    pub load: PluggedLoad,
    /// Resistor between source side and witness, ohm; `None`: both see the same point.
    pub series_ohm: Option<f64>,
}

/// What the output ends in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PluggedLoad {
    /// Nothing.
    Open,
    /// The headphone.
    Headphone,
    /// A resistor of this value, ohm.
    Resistor(f64),
}

impl fmt::Display for Hookup {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.load {
            PluggedLoad::Open => f.write_str("nothing plugged into the output but the inputs")?,
            PluggedLoad::Headphone => f.write_str("the headphone")?,
            PluggedLoad::Resistor(ohm) => write!(f, "a resistor of {ohm} Ω instead of the headphone")?,
        }
        match self.series_ohm {
            Some(ohm) => write!(
                f,
                ", behind {ohm} Ω in series: the source side before that resistor, the witness behind it, at the plug"
            ),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_known_without_the_sign_of_the_ohm() {
        let known = ["closed 80 Ω", "open 300 Ω"];
        for asked in ["open 300 Ω", "open 300", "Open 300 ohm", " open300ω "] {
            assert_eq!(known_name(asked, known), Some("open 300 Ω"), "{asked}");
        }
        for other in ["open 30", "my own", ""] {
            assert_eq!(known_name(other, known), None, "{other}");
        }
    }
}
