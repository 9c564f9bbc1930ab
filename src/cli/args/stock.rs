//! `stock` as typed: what the user keeps of outputs and headphones, and what is asked of it.

use super::typed::{chosen, number, sheet_figure};
use super::{Listener, TypedHears};
use crate::asked::sheet::{self, SheetFigure, SheetSensitivity};
use crate::asked::{Field, choice};
use crate::calibration::SoundField;
use crate::session::own_level::{LISTENED_S, listened};
use crate::session::plan::Weighting;
use clap::{Args, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Options of `stock`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct StockArguments {
    /// What to show or keep; without it every output with every headphone.
    #[command(subcommand)]
    pub what: Option<StockCommand>,
    /// Who listens how loud and what headroom is called.
    #[command(flatten)]
    pub listener: Listener,
    /// Where the stock is kept.
    #[command(flatten)]
    pub kept: StockKept,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// Where the stock is kept.
#[derive(Debug, Args)]
pub struct StockKept {
    /// Folder of the outputs and headphones.
    #[arg(long, value_name = "FOLDER")]
    pub stock: Option<PathBuf>,
    /// Folder of the sessions that its figures come from.
    #[arg(long, value_name = "FOLDER")]
    pub sessions: Option<PathBuf>,
}

/// What is asked of the stock.
#[derive(Debug, Subcommand)]
pub enum StockCommand {
    /// The map of an output: which impedances and sensitivities it would drive.
    Map {
        /// Name of the output.
        output: String,
        /// Who listens how loud and what headroom is called.
        #[command(flatten)]
        listener: Listener,
        /// Where the stock is kept.
        #[command(flatten)]
        kept: StockKept,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// What is known of an output: volts, source impedance, limits in volts and current.
    Output {
        /// Name of the output.
        name: String,
        /// Where the stock is kept.
        #[command(flatten)]
        kept: StockKept,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// What is known of a headphone, and what a source impedance does to its response.
    Headphone {
        /// Name of the headphone.
        name: String,
        /// Source impedance, ohm.
        #[arg(long, value_name = "OHM", value_parser = number(Field::SheetSource))]
        source_ohm: Option<f64>,
        /// Where the stock is kept.
        #[command(flatten)]
        kept: StockKept,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Who listens: show, keep or forget the listening level that stock, maps and reports of many pairings ask for where none is
    /// stated. `run --listening` keeps it too.
    Listener(WhoListens),
    /// Keep typed figures of an output.
    KeepOutput(KeepOutput),
    /// Keep typed figures of a headphone.
    KeepHeadphone(KeepHeadphone),
}

/// Whose listening level holds where none is stated.
#[derive(Debug, Args)]
pub struct WhoListens {
    /// Keep this listening level of pink noise at the calibrated point, dB SPL.
    #[arg(long, value_name = "DB_SPL", value_parser = number(Field::Listening))]
    pub listening: Option<f64>,
    /// Its weighting.
    #[arg(long, requires = "listening", value_parser = chosen(choice::WEIGHTING), default_value = "z")]
    pub weighting: Weighting,
    /// The field that it is related to; without it, it is that at the calibrated point.
    #[arg(long, value_name = "FIELD", requires = "listening", value_parser = chosen(choice::SOUND_FIELD))]
    pub field: Option<SoundField>,
    /// What the listener hears; what is not stated stays as it is kept.
    #[command(flatten)]
    pub hears: TypedHears,
    /// Measure it: set the volume by ear, take the headphone off, put it on the coupler without touching the knob.
    #[arg(long, value_enum, conflicts_with_all = ["listening", "forget"])]
    pub measure: Option<MeasureBy>,
    /// With pink noise: RMS level of the music that the volume was set by, dBFS (default: −18, common practice, no source).
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, requires = "measure", value_parser = number(Field::AskedDrive))]
    pub music_level: Option<f64>,
    /// With pink noise: its RMS drive, dBFS; a short take 20 dB below it comes first.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, default_value_t = -40.0, value_parser = number(Field::AskedDrive))]
    pub drive: f64,
    /// With music: how long it is listened to, seconds (20 to 110).
    #[arg(long, value_name = "S", default_value_t = LISTENED_S, value_parser = listened)]
    pub seconds: f64,
    /// The desk's chain: a file or the name of a kept one.
    #[arg(long, value_name = "FILE|NAME", requires = "measure")]
    pub chain: Option<PathBuf>,
    /// Forget the one that is kept.
    #[arg(long, conflicts_with_all = ["listening", "hears_response", "hears_distortion", "hears_noise"])]
    pub forget: bool,
    /// Folder of the outputs and headphones, where the listener is kept too.
    #[arg(long, value_name = "FOLDER")]
    pub stock: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// What is heard at the listener's own volume position.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum MeasureBy {
    /// Pink noise that the bench plays.
    Pink,
    /// The listener's music, which goes on playing; the bench plays nothing.
    Music,
}

/// Figures of an output.
#[derive(Debug, Args)]
pub struct KeepOutput {
    /// Name of the output, as its chain has it.
    pub name: String,
    /// Volume positions and switches that the figures hold for, as its chain has them.
    #[arg(long, value_name = "WORDS", default_value = "")]
    pub positions: String,
    /// Volts RMS of the open output for a sine at 0 dBFS (`2 Vrms`, `5.7 Vpp`, `6 dBV`, `8.2 dBu`).
    #[arg(long, value_name = "VOLTS", allow_hyphen_values = true, value_parser = sheet::volts)]
    pub volts: Option<SheetFigure>,
    /// Source impedance (`2 Ω`, `2 ohm ±10 %`, `< 1 Ω`); where it is not stated, anything up to 10 Ω is taken (common practice, no
    /// source).
    #[arg(long, value_name = "OHM", value_parser = sheet_figure(Field::SheetSource))]
    pub source_ohm: Option<SheetFigure>,
    /// Highest peak of the open output, volts.
    #[arg(long, value_name = "VOLTS", value_parser = number(Field::LimitVolts))]
    pub limit_volts: Option<f64>,
    /// Highest peak of the current, milliamperes.
    #[arg(long, value_name = "MILLIAMPERES", value_parser = number(Field::LimitMilliamperes))]
    pub limit_milliamperes: Option<f64>,
    /// Highest sine power into a resistance, as data sheets state it (`150 mW @ 32 Ω`, `150,32`). Can be given more than once.
    #[arg(long, value_name = "MW @ OHM", value_parser = sheet::power)]
    pub power: Vec<[f64; 2]>,
    /// Where they come from and where they are kept.
    #[command(flatten)]
    pub stated: StatedFigures,
}

/// Figures of a headphone.
#[derive(Debug, Args)]
pub struct KeepHeadphone {
    /// Name of the headphone, as its chain has it.
    pub name: String,
    /// Sensitivity (`98 dB/mW`, `112 dB SPL/Vrms`, `98 ±2 dB/mW @ 500 Hz`), or its level alone beside `--per`.
    #[arg(long, value_name = "DB_SPL", value_parser = sheet::sensitivity)]
    pub sensitivity: Option<SheetSensitivity>,
    /// What the sensitivity is for, where it does not say so itself: 1 mW or 1 V.
    #[arg(long, value_enum, ignore_case = true, requires = "sensitivity")]
    pub per: Option<SensitivityPer>,
    /// Frequency that it is stated at (500 Hz in IEC 60268-7, often 1 kHz, which is taken where nothing is stated).
    #[arg(long, value_name = "HZ", value_parser = number(Field::SensitivityFrequency))]
    pub at_hz: Option<f64>,
    /// Half width of the sensitivity, dB; ±3 where none is stated (common practice, no source).
    #[arg(long, value_name = "DB", value_parser = number(Field::SensitivityHalfWidth))]
    pub half_width: Option<f64>,
    /// Rated impedance (`32 Ω`, `32 ohm ±15 %`); ±20 % where no tolerance is stated (IEC 60268-7 lets it fall to 80 %).
    #[arg(long, value_name = "OHM", value_parser = sheet_figure(Field::HeadphoneImpedance))]
    pub ohm: Option<SheetFigure>,
    /// Its isolation, A-weighted, dB.
    #[arg(long, value_name = "DB", value_parser = number(Field::Isolation))]
    pub isolation: Option<f64>,
    /// Where they come from and where they are kept.
    #[command(flatten)]
    pub stated: StatedFigures,
}

/// Where typed figures come from and where they are kept.
#[derive(Debug, Args)]
pub struct StatedFigures {
    /// Where the figures come from, in words.
    #[arg(long, value_name = "WORDS")]
    pub source: String,
    /// When they were stated or measured (`2026-03-01`).
    #[arg(long, value_name = "DATE")]
    pub date: Option<String>,
    /// Replace one that is kept.
    #[arg(long)]
    pub replace: bool,
    /// Folder of the outputs and headphones.
    #[arg(long, value_name = "FOLDER")]
    pub stock: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// What a sensitivity is stated for.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum SensitivityPer {
    /// One milliwatt.
    Mw,
    /// One volt.
    #[value(aliases = ["vrms", "volt"])]
    V,
}
