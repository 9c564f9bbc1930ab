//! `rehearse`, `run`, `hold` and `listen` as typed: what is asked of a session.

use super::typed::{number, numbers, sound, whole};
use super::{Desk, Keep, Listener, Spectrum};
use crate::asked::Field;
use crate::signal::Kind;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// The same but its place, which a repeated one does not have, and the session that is taken up.
const AGAIN_AS_IT_WAS: [&str; 47] = {
    let mut all = ["carry_on"; 47];
    let mut i = 0;
    while i < 46 {
        all[i] = KEPT_BY_A_SESSION[i];
        i += 1;
    }
    all
};
/// What a session that is taken up keeps from when it was begun.
const KEPT_BY_A_SESSION: [&str; 48] = [
    "chain",
    "playback",
    "capture",
    "playback_channels",
    "left_ear",
    "right_ear",
    "witness",
    "source_side",
    "loopback",
    "rate",
    "capture_rate",
    "block",
    "output_name",
    "volume",
    "headphone_name",
    "gain",
    "coupler",
    "offset",
    "offset_half_width",
    "confirm_offset",
    "forget_offset",
    "confirm_volts",
    "forget_volts",
    "microphone_max",
    "card_distortion",
    "quick",
    "listening",
    "weighting",
    "field",
    "ample",
    "borderline",
    "wanted",
    "sines",
    "sine_series",
    "beside",
    "spectrum",
    "at",
    "at_drive",
    "seats",
    "step",
    "ceiling",
    "ceiling_drive",
    "ceiling_volts",
    "ceiling_milliwatts",
    "distortion_limit",
    "stop_at_ear",
    "sessions",
    "id",
];

/// The ear that an outside source is heard at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum OutsideEar {
    /// Without the headphone.
    Open,
    /// With the headphone on.
    Covered,
}

/// The level of another session.
#[derive(Debug, Args)]
pub struct Match {
    /// Then play the level of this stored session too, so that `compare` need not interpolate between steps; at most four short
    /// takes find it.
    #[arg(long = "match", value_name = "SESSION")]
    pub first: Option<PathBuf>,
    /// The level, dB SPL (dBFS at the input without calibration); without it the highest clean level of the weaker output.
    #[arg(long, value_name = "DB", allow_hyphen_values = true, requires = "first", value_parser = number(Field::MatchLevel))]
    pub match_at: Option<f64>,
    /// Match the one-third octave at 1 kHz instead of all the noise.
    #[arg(long, requires = "first")]
    pub match_at_1_khz: bool,
    /// The headphone stayed on the coupler from that session to this one.
    #[arg(long, requires = "first")]
    pub match_same_seat: bool,
    /// The output has a knob: hold quiet noise first while it is turned until the level is right.
    #[arg(long, requires = "first")]
    pub turn: bool,
}

/// Options of `rehearse`.
#[derive(Debug, Args)]
pub struct Rehearse {
    /// Simulated output: `console phones socket`, `field recorder` or `desk amplifier`.
    #[arg(long, default_value = "console phones socket")]
    pub output: String,
    /// Simulated headphone: `closed 80 Ω`, `open 300 Ω`, `planar 18 Ω` or `in-ear 16 Ω`.
    #[arg(long, default_value = "closed 80 Ω")]
    pub headphone: String,
    /// The whole job: every simulated output with every simulated headphone as a quick look with two seats, then two
    /// outputs side by side, the stock, a map and the report, each by the command that is shown.
    #[arg(long, conflicts_with_all = ["output", "headphone", "id"])]
    pub all: bool,
    /// A series: the output stays, simulated headphones are swapped, checked and measured one after the other.
    #[arg(long, conflicts_with_all = ["all", "headphone", "id"])]
    pub series: bool,
    /// Headphones of the series; after the fourth the first one comes again.
    #[arg(long, value_name = "N", default_value_t = 4, requires = "series", value_parser = clap::value_parser!(u32).range(1..=100))]
    pub pairings: u32,
    /// Seed of the simulated noise.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// What is asked of the session.
    #[command(flatten)]
    pub ask: Ask,
    /// Where results are kept and how they are shown.
    #[command(flatten)]
    pub keep: Keep,
}

/// Options of `run`.
#[derive(Debug, Args)]
pub struct Run {
    /// Continue an interrupted session instead of starting one. Its plan and chain are those it was begun with; a ceiling that was
    /// raised is confirmed again with `--confirm-ceiling`.
    #[arg(long = "continue", value_name = "SESSION", conflicts_with_all = KEPT_BY_A_SESSION)]
    pub carry_on: Option<PathBuf>,
    /// Measure once more what a session measured, with its plan and its chain as they were; a ceiling that was raised is confirmed
    /// again with `--confirm-ceiling`.
    #[arg(long, value_name = "SESSION", conflicts_with_all = AGAIN_AS_IT_WAS)]
    pub again: Option<PathBuf>,
    /// One output, headphone after headphone: the streams stay open and silent while you swap, you name the next headphone, a few
    /// seconds of quiet noise check the swap, and its session runs. All that is typed here holds for every one of them.
    #[arg(long, conflicts_with_all = ["carry_on", "again", "id", "first", "json"])]
    pub series: bool,
    /// In a series headphones are swapped at an extension lead, so that the output senses no new load: kept with each session.
    #[arg(long, requires = "series")]
    pub extension_lead: bool,
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// What is asked of the session.
    #[command(flatten)]
    pub ask: Ask,
    /// The level of another session.
    #[command(flatten)]
    pub level: Match,
    /// Where results are kept and how they are shown.
    #[command(flatten)]
    pub keep: Keep,
}

/// What must not be exceeded.
#[derive(Clone, Debug, Args)]
pub struct TypedCeilings {
    /// Ceiling at the calibrated point, dB SPL (default: that of the settings, else 115). Above 115 type it again with
    /// `--confirm-ceiling`.
    #[arg(long, value_name = "DB_SPL", value_parser = number(Field::CeilingSpl))]
    pub ceiling: Option<f64>,
    /// Ceiling on the drive, dBFS RMS. Without calibration it is −20; higher: type it again with `--confirm-ceiling`.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, value_parser = number(Field::CeilingDrive))]
    pub ceiling_drive: Option<f64>,
    /// Ceiling at the load, volts RMS; acts once the output's volts are known.
    #[arg(long, value_name = "V", value_parser = number(Field::CeilingVolts))]
    pub ceiling_volts: Option<f64>,
    /// Ceiling in the load, milliwatts; acts once volts, source and load impedance are known.
    #[arg(long, value_name = "MW", value_parser = number(Field::CeilingMilliwatts))]
    pub ceiling_milliwatts: Option<f64>,
    /// The raised ceiling, typed a second time.
    #[arg(long, value_name = "DB", allow_hyphen_values = true, value_parser = number(Field::CeilingAgain))]
    pub confirm_ceiling: Option<f64>,
}

/// What is asked of a session.
#[derive(Clone, Debug, Args)]
pub struct Ask {
    /// Quick look: silence, probe, reference, one middle step and one at the wanted headroom.
    #[arg(long)]
    pub quick: bool,
    /// Who listens how loud and what headroom is called.
    #[command(flatten)]
    pub listener: Listener,
    /// Headroom wanted over the listening level, dB (default: that of the settings, else 20).
    #[arg(long, value_name = "DB", value_parser = number(Field::Wanted))]
    pub wanted: Option<f64>,
    /// Sines to play at every step too, Hz.
    #[arg(long = "sine", value_name = "HZ,…", value_delimiter = ',', value_parser = number(Field::Sines))]
    pub sines: Vec<f64>,
    /// A series of sines instead of a list: from, to (Hz) and how many per octave.
    #[arg(long, value_name = "HZ,HZ,N", conflicts_with = "sines", value_parser = numbers([Field::Sines, Field::Sines, Field::SinesPerOctave]))]
    pub sine_series: Option<[f64; 3]>,
    /// Further stimuli to play at every step too.
    #[arg(long, value_name = "SOUND,…", value_delimiter = ',', value_parser = sound())]
    pub beside: Vec<Kind>,
    /// Table of a spectrum: noise of this shape is a further stimulus too.
    #[command(flatten)]
    pub spectrum: Spectrum,
    /// Play steps at these levels of pink noise, dB SPL, before the climb; sines and further stimuli are then played only there,
    /// otherwise at every step.
    #[arg(long, value_name = "DB_SPL,…", value_delimiter = ',', value_parser = number(Field::AskedSpl))]
    pub at: Vec<f64>,
    /// The same as RMS drives, dBFS.
    #[arg(long, value_name = "DBFS,…", value_delimiter = ',', allow_hyphen_values = true, value_parser = number(Field::AskedDrive))]
    pub at_drive: Vec<f64>,
    /// Seats of the headphone to measure, that of the climb included (default: 3; 1 for a quick look). For each further one
    /// the headphone is taken off and put on again after the climb.
    #[arg(long, value_name = "N", value_parser = whole(Field::Seats))]
    pub seats: Option<u32>,
    /// Distance between steps, dB.
    #[arg(long, value_name = "DB", default_value_t = 3.0, value_parser = number(Field::Step))]
    pub step: f64,
    /// What must not be exceeded.
    #[command(flatten)]
    pub ceilings: TypedCeilings,
    /// Distortion limit, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = number(Field::DistortionLimit))]
    pub distortion_limit: f64,
    /// Stop also where the distortion at the ear passes the limit, wherever it comes from.
    #[arg(long)]
    pub stop_at_ear: bool,
}
