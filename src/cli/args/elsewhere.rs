//! `plan`, `listen` and `ingest` as typed: an output that this computer cannot drive, and an outside source.

use super::typed::{number, sound, whole};
use super::{Desk, Keep, Listener, OutsideEar};
use crate::asked::Field;
use crate::session::elsewhere::SampleFormat;
use crate::signal::Kind;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Samples of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Bits {
    /// 16-bit integers, dithered: every player accepts them.
    #[value(name = "16")]
    Bits16,
    /// 24-bit integers, dithered.
    #[value(name = "24")]
    Bits24,
    /// 32-bit float.
    Float,
}

impl From<Bits> for SampleFormat {
    fn from(bits: Bits) -> SampleFormat {
        match bits {
            Bits::Bits16 => SampleFormat::Bits16,
            Bits::Bits24 => SampleFormat::Bits24,
            Bits::Float => SampleFormat::Float,
        }
    }
}

/// Options of `plan`.
#[derive(Debug, Args)]
pub struct PlanFile {
    /// Sound to write, a FLAC where the name ends so and else a WAV; its plan is kept beside it as .json. Neither may exist yet.
    #[arg(long, short, value_name = "FILE")]
    pub out: PathBuf,
    /// Rate of the file, Hz: the one that the player plays without resampling.
    #[arg(long, value_name = "HZ", default_value_t = 48_000, value_parser = whole(Field::Rate))]
    pub rate: u32,
    /// Its samples.
    #[arg(long, default_value = "24")]
    pub bits: Bits,
    /// One channel instead of two; mixed or swapped channels then cannot be noticed.
    #[arg(long)]
    pub mono: bool,
    /// Loudest step, RMS drive, dBFS (default: the ceiling of the settings, else −20). Nothing louder is in the file. Above −20
    /// type it again with --confirm-ceiling.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, value_parser = number(Field::CeilingDrive))]
    pub ceiling_drive: Option<f64>,
    /// The raised ceiling, typed a second time.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, value_parser = number(Field::CeilingAgain))]
    pub confirm_ceiling: Option<f64>,
    /// Drive of the quiet reference and of the marks, at least 20 dB below the loudest step, dBFS.
    #[arg(long, value_name = "DBFS", default_value_t = -40.0, allow_hyphen_values = true, value_parser = number(Field::Drive))]
    pub reference: f64,
    /// Drive at which the climb begins, dBFS; without it one step above the reference.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, value_parser = number(Field::Drive))]
    pub from: Option<f64>,
    /// Distance between steps, dB. A file cannot go back for a closer look: finer steps find a limit more exactly.
    #[arg(long, value_name = "DB", default_value_t = 3.0, value_parser = number(Field::Step))]
    pub step: f64,
    /// Sines to play at every step of the climb too, Hz.
    #[arg(long = "sine", value_name = "HZ,…", value_delimiter = ',', value_parser = number(Field::Sines))]
    pub sines: Vec<f64>,
    /// Further stimuli to play at every step of the climb too.
    #[arg(long, value_name = "SOUND,…", value_delimiter = ',', value_parser = sound())]
    pub beside: Vec<Kind>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// Options of `ingest`.
#[derive(Debug, Args)]
pub struct Ingest {
    /// The recording: WAV (RF64 too) or FLAC, of any usual rate. The sound may begin anywhere in it.
    pub recording: PathBuf,
    /// Plan file that was written beside the sound.
    #[arg(long, value_name = "PLAN")]
    pub plan: PathBuf,
    /// The desk from the coupler on; its card may be any name for what recorded it.
    #[command(flatten)]
    pub desk: Desk,
    /// Who listens how loud and what headroom is called.
    #[command(flatten)]
    pub listener: Listener,
    /// Where results are kept and how they are shown.
    #[command(flatten)]
    pub keep: Keep,
}

/// Options of `listen`.
#[derive(Debug, Args)]
pub struct Listen {
    /// Session that an outside source is added to, by name, `last` or path.
    #[arg(required_unless_present = "plan", conflicts_with = "plan")]
    pub session: Option<PathBuf>,
    /// Ear as it is now.
    #[arg(long, required_unless_present = "plan", conflicts_with = "plan")]
    pub ear: Option<OutsideEar>,
    /// Follow a sound that is played elsewhere instead, as it is heard: plan file that was written beside it.
    #[arg(long, value_name = "PLAN")]
    pub plan: Option<PathBuf>,
    /// The desk from the coupler on.
    #[command(flatten)]
    pub desk: Desk,
    /// Who listens how loud and what headroom is called.
    #[command(flatten)]
    pub listener: Listener,
    /// Where results are kept and how they are shown.
    #[command(flatten)]
    pub keep: Keep,
}
