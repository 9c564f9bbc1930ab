//! What can be shown: the pages, the nodes of the chain, and what bears an answer out.

use serde::{Deserialize, Serialize};

/// Pages there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Page {
    /// Cards, routing, calibration.
    Chain,
    /// Run and watch a session.
    Climb,
    /// Two outputs at matched level.
    SideBySide,
    /// Known outputs and headphones.
    Stock,
    /// Every session.
    Notebook,
}

/// A node of the chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChainPart {
    /// The card that plays.
    Playback,
    /// The output under test.
    Output,
    /// The headphone.
    Headphone,
    /// Coupler and microphone.
    Coupler,
    /// The card that records.
    Capture,
}

impl ChainPart {
    /// All, as the sound goes.
    pub const ALL: [ChainPart; 5] =
        [ChainPart::Playback, ChainPart::Output, ChainPart::Headphone, ChainPart::Coupler, ChainPart::Capture];

    /// Its place in the chain.
    pub fn place(self) -> usize {
        ChainPart::ALL.iter().position(|part| *part == self).unwrap_or(0)
    }
}

/// What bears the answer out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evidence {
    /// Level against drive.
    Level,
    /// Distortion against drive.
    Distortion,
    /// The responses.
    Response,
    /// Distortion by band.
    Bands,
    /// The clipping curve.
    Curve,
    /// Harmonics of a sweep.
    Sweep,
    /// The steps.
    Steps,
    /// Sines and other sounds.
    Sounds,
    /// Every number of the answer, its interval and what is wrong or limited.
    Numbers,
    /// What is heard now.
    Now,
    /// The listener's own music.
    Music,
}

impl Evidence {
    /// All, each with its name and its digit.
    pub const ALL: [(Evidence, &'static str, &'static str); 11] = [
        (Evidence::Level, "level", "1"),
        (Evidence::Distortion, "distortion", "2"),
        (Evidence::Response, "response", "3"),
        (Evidence::Bands, "by band", "4"),
        (Evidence::Curve, "clipping curve", "5"),
        (Evidence::Sweep, "sweep", "6"),
        (Evidence::Steps, "steps", "7"),
        (Evidence::Sounds, "other sounds", "8"),
        (Evidence::Numbers, "numbers", "9"),
        (Evidence::Now, "now", "0"),
        (Evidence::Music, "own music", ""),
    ];

    /// Its place among all, with name and digit.
    pub fn row(self) -> (Evidence, &'static str, &'static str) {
        Evidence::ALL.into_iter().find(|(e, ..)| *e == self).unwrap_or(Evidence::ALL[0])
    }
}
