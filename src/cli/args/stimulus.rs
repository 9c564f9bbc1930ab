//! `stimulus` as typed, and sounds and text tables wherever one is asked for.

use super::typed::number;
use crate::asked::Field;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// A sound as typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Sound {
    /// Periodic pink noise (the one that a session steps).
    Pink,
    /// Stationary pink noise that never repeats.
    Noise,
    /// Synchronised exponential sweep.
    Sweep,
    /// 60 Hz and 7 kHz, 4:1 (SMPTE RP 120).
    Modulation,
    /// 19 and 20 kHz, 1:1 (difference frequency, IEC 60268-3).
    Difference,
    /// 1 kHz bursts: 20 ms loud, the rest 20 dB lower.
    Burst,
}

/// A spectrum from a file.
#[derive(Clone, Debug, Args)]
pub struct Spectrum {
    /// Table of frequency (Hz) and level (dB), plain columns; noise of this spectrum.
    #[arg(long, value_name = "FILE")]
    pub spectrum: Option<PathBuf>,
    /// What the table's levels belong to.
    #[arg(long, value_enum, default_value_t = TypedPer::ThirdOctave)]
    pub per: TypedPer,
    /// How its numbers are written.
    #[command(flatten)]
    pub text: TextTable,
}

/// What cannot be told from a text table itself.
#[derive(Clone, Copy, Debug, Args)]
pub struct TextTable {
    /// Decimal mark, where the numbers can be read both ways.
    #[arg(long, value_enum)]
    pub decimal: Option<TypedDecimal>,
    /// What frequencies without a unit are counted in, where both are possible.
    #[arg(long, value_enum)]
    pub frequencies: Option<TypedFrequencies>,
}

/// A decimal mark as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedDecimal {
    /// 0.5
    Point,
    /// 0,5
    Comma,
}

/// A unit of frequency as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedFrequencies {
    /// Hz.
    Hz,
    /// kHz.
    Khz,
}

/// What a table's levels belong to, as typed.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TypedPer {
    /// The one-third octave with that mid-band frequency.
    ThirdOctave,
    /// The density at that frequency.
    Line,
}

/// Options of `stimulus`.
#[derive(Debug, Args)]
pub struct StimulusFile {
    /// What to write.
    #[arg(value_enum, required_unless_present_any = ["sine", "spectrum"])]
    pub sound: Option<Sound>,
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
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
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
}
