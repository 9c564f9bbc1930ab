//! `judge` and `compare` as typed: who listens, and what counts as the same.

use super::typed::{chosen, number};
use crate::asked::{Field, choice};
use crate::calibration::SoundField;
use crate::judgement::comparison::{DISTORTION_WITHIN_DB, Hears, SAME_WITHIN_DB};
use crate::session::plan::Weighting;
use clap::Args;
use std::path::PathBuf;

/// Options of `compare`: what is stored; `swap` hears both outputs by turns now.
#[derive(Debug, Args)]
pub struct Compare {
    /// Session of the first output, by name, `last` or path.
    pub first: PathBuf,
    /// Session of the second, by name, `last` or path.
    pub second: PathBuf,
    /// Level to match at, dB SPL (dBFS at the input without calibration); without it the highest clean level of the weaker.
    #[arg(long, value_name = "DB", allow_hyphen_values = true, value_parser = number(Field::MatchLevel))]
    pub at: Option<f64>,
    /// Match the one-third octave at 1 kHz instead of all the noise.
    #[arg(long = "at-1-khz")]
    pub at_1_khz: bool,
    /// Differences of response within this are the same, dB.
    #[arg(long, value_name = "DB", default_value_t = SAME_WITHIN_DB, value_parser = number(Field::SameWithin))]
    pub within: f64,
    /// Differences of distortion within this are the same, dB.
    #[arg(long, value_name = "DB", default_value_t = DISTORTION_WITHIN_DB, value_parser = number(Field::DistortionWithin))]
    pub distortion_within: f64,
    /// The headphone stayed on the coupler from the one session to the other.
    #[arg(long)]
    pub same_seat: bool,
    /// What the listener hears.
    #[command(flatten)]
    pub hears: TypedHears,
    /// Write a report into this folder, which must not exist.
    #[arg(long, value_name = "FOLDER")]
    pub report: Option<PathBuf>,
    /// Hide the names: a blue and a white label in an order that the bench draws; the key stays in the second session.
    #[arg(long)]
    pub hide_labels: bool,
    /// Show which output wore which label, and nothing else.
    #[arg(long, conflicts_with = "hide_labels")]
    pub reveal: bool,
    /// Subtract a take of the first from one of the second: what is left after clock, delay and gain, and after the best
    /// linear filter too. Reads the recordings.
    #[arg(long, conflicts_with = "hide_labels")]
    pub subtract: bool,
    /// Also print the response at 1/48 octave and the distortion of every band.
    #[arg(long)]
    pub all: bool,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// Limits that the listener states for themselves: each stands in the place of the published ones. Without them, those
/// that are kept hold (`stock listener`).
#[derive(Clone, Copy, Debug, Default, Args)]
pub struct TypedHears {
    /// The listener hears differences of response from here on, dB.
    #[arg(long, value_name = "DB", value_parser = number(Field::HearsResponse))]
    pub hears_response: Option<f64>,
    /// The listener hears distortion from here on, dB re what is played.
    #[arg(long, value_name = "DB", allow_hyphen_values = true, value_parser = number(Field::HearsDistortion))]
    pub hears_distortion: Option<f64>,
    /// The listener hears noise from this A-weighted level on, dB SPL.
    #[arg(long, value_name = "DB_SPL", allow_hyphen_values = true, value_parser = number(Field::HearsNoise))]
    pub hears_noise: Option<f64>,
}

impl From<TypedHears> for Hears {
    fn from(typed: TypedHears) -> Hears {
        Hears {
            response_db: typed.hears_response,
            distortion_db: typed.hears_distortion,
            noise_db_spl: typed.hears_noise,
        }
    }
}

/// Options of `judge`.
#[derive(Debug, Args)]
pub struct Judge {
    /// Sessions, by name, `last` or path. The others show where the distortion of the first comes from: the same
    /// headphone on another output, the same pairing at another input gain, another headphone on the same output.
    #[arg(required = true, value_name = "SESSION")]
    pub sessions: Vec<PathBuf>,
    /// Pieces of the listener's own music, WAV or FLAC; nothing of them is kept but figures, name and hash.
    #[arg(long, value_name = "FILE", num_args = 1..)]
    pub music: Vec<PathBuf>,
    /// Who listens how loud and what headroom is called.
    #[command(flatten)]
    pub listener: Listener,
    /// Print every figure after the answer.
    #[arg(long)]
    pub details: bool,
    /// Print JSON; of several sessions all judgements and the attribution.
    #[arg(long)]
    pub json: bool,
}

/// Who listens how loud and what headroom is called.
#[derive(Clone, Debug, Args)]
pub struct Listener {
    /// Listening level of pink noise at the calibrated point, dB SPL.
    #[arg(long, value_name = "DB_SPL", value_parser = number(Field::Listening))]
    pub listening: Option<f64>,
    /// Weighting of the listening level.
    #[arg(long, value_parser = chosen(choice::WEIGHTING), default_value = "z")]
    pub weighting: Weighting,
    /// The field that the listening level is related to; without it, it is that at the calibrated point.
    #[arg(long, value_name = "FIELD", value_parser = chosen(choice::SOUND_FIELD))]
    pub field: Option<SoundField>,
    /// Headroom called ample from here on, dB (common practice, no source).
    #[arg(long, value_name = "DB", value_parser = number(Field::Ample))]
    pub ample: Option<f64>,
    /// Headroom called borderline from here on, dB (common practice, no source).
    #[arg(long, value_name = "DB", value_parser = number(Field::Borderline))]
    pub borderline: Option<f64>,
}
