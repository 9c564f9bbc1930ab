//! The level of another session: what it is read on, and how near to it is near enough.

use crate::analysis::PinkFinding;
use crate::stats::Estimate;
use serde::{Deserialize, Serialize};

/// Levels this near are matched, dB (0.1 dB is what listening comparisons ask for; Clark 1982, as quoted in practice).
pub const MATCHED_DB: f64 = 0.1;

/// What the levels are matched on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MatchedOn {
    /// Pink noise, all of it.
    Pink,
    /// The one-third octave at 1 kHz.
    OneKilohertz,
}

impl MatchedOn {
    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            MatchedOn::Pink => "pink noise",
            MatchedOn::OneKilohertz => "the one-third octave at 1 kHz",
        }
    }

    /// Level of it, dBFS at the input.
    pub fn level_of(self, pink: &PinkFinding) -> Option<Estimate> {
        match self {
            MatchedOn::Pink => pink.level_z,
            MatchedOn::OneKilohertz => pink.band(0)?.level,
        }
    }
}

/// A level that a step is to be played at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// What it is read on.
    pub on: MatchedOn,
    /// As the deciding input hears it on the seat that is on the coupler, dBFS.
    pub level_dbfs: f64,
    /// RMS drive at which a knob is first turned until the level is right, dBFS; `None`: the drive alone is moved.
    pub turned_at_dbfs: Option<f64>,
}
