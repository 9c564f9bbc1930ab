//! `stimulus` as typed, and sounds and text tables wherever one is asked for.

use super::typed::{chosen, number, sound, whole};
use crate::asked::{Field, choice};
use crate::calibration::curve::{Decimal, FrequencyUnit};
use crate::signal::{Kind, Per};
use clap::Args;
use std::path::PathBuf;

/// A spectrum from a file.
#[derive(Clone, Debug, Args)]
pub struct Spectrum {
    /// Table of frequency (Hz) and level (dB), plain columns; noise of this spectrum.
    #[arg(long, value_name = "FILE")]
    pub spectrum: Option<PathBuf>,
    /// What the table's levels belong to.
    #[arg(long, value_parser = chosen(choice::PER), default_value = "third-octave")]
    pub per: Per,
    /// How its numbers are written.
    #[command(flatten)]
    pub text: TextTable,
}

/// What a text table itself leaves open.
#[derive(Clone, Copy, Debug, Args)]
pub struct TextTable {
    /// Decimal mark, where the numbers can be read both ways.
    #[arg(long, value_parser = chosen(choice::DECIMAL))]
    pub decimal: Option<Decimal>,
    /// What frequencies without a unit are counted in, where both are possible.
    #[arg(long, value_parser = chosen(choice::FREQUENCIES))]
    pub frequencies: Option<FrequencyUnit>,
}

/// Options of `stimulus`.
#[derive(Debug, Args)]
pub struct StimulusFile {
    /// What to write.
    #[arg(value_parser = sound(), required_unless_present_any = ["sine", "spectrum"])]
    pub sound: Option<Kind>,
    /// A sine of this frequency instead, Hz.
    #[arg(long, value_name = "HZ", conflicts_with_all = ["sound", "spectrum"], value_parser = number(Field::Sines))]
    pub sine: Option<f64>,
    /// Noise of a spectrum instead.
    #[command(flatten)]
    pub spectrum: Spectrum,
    /// File to write; it must not exist yet.
    #[arg(long, short, value_name = "FILE")]
    pub out: PathBuf,
    /// Rate, Hz.
    #[arg(long, value_name = "HZ", default_value_t = 48_000, value_parser = whole(Field::Rate))]
    pub rate: u32,
    /// RMS level, dBFS.
    #[arg(long, value_name = "DBFS", default_value_t = -20.0, allow_hyphen_values = true, value_parser = number(Field::Drive))]
    pub level: f64,
    /// Repetitions of its period, faded in and out.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub periods: usize,
    /// Whole periods without fades, to be played in a loop.
    #[arg(long)]
    pub no_fades: bool,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}
