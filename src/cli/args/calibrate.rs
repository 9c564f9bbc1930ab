//! `calibrate` as typed: the offset to dB SPL.

use super::typed::{chosen, number};
use super::{CalibrateInputVolts, CalibrateLoad, CalibrateSource, CalibrateVolts, Desk};
use crate::asked::{Field, choice};
use crate::card::InputRole;
use clap::{Args, Subcommand};
use std::path::PathBuf;

/// What to calibrate.
#[derive(Debug, Subcommand)]
pub enum Calibrate {
    /// Calibration offset, from a sound calibrator or typed; kept in the chain file.
    Level {
        /// The desk.
        #[command(flatten)]
        desk: Box<Desk>,
        /// The sound calibrator.
        #[command(flatten)]
        calibrator: StatedCalibrator,
        /// Add a further fitting of the same calibrator: the mean of all fittings counts, and their spread.
        #[arg(long, requires = "calibrator")]
        another_fit: bool,
        /// Type the offset instead: dB SPL that 0 dBFS stands for.
        #[arg(long, value_name = "DB", conflicts_with_all = ["calibrator", "sensitivity"], allow_hyphen_values = true, value_parser = number(Field::Offset))]
        typed: Option<f64>,
        /// Where no calibrator fits the coupler: the microphone's sensitivity from its certificate, mV/Pa; needs
        /// `--input-volts`.
        #[arg(long, value_name = "MV_PER_PA", conflicts_with = "calibrator", requires = "input_volts", value_parser = number(Field::Sensitivity))]
        sensitivity: Option<f64>,
        /// RMS volts of a full-scale sine at the input that the microphone is connected to.
        #[arg(long, value_name = "V", value_parser = number(Field::InputVolts))]
        input_volts: Option<f64>,
        /// Ear whose microphone the calibrator is fitted to.
        #[arg(long, value_parser = chosen(choice::EAR), default_value = "left")]
        ear: InputRole,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Volts at full scale of the output: a tone for a voltmeter, whose reading is typed.
    Volts(Box<CalibrateVolts>),
    /// Volts at full scale of an electrical input, from a voltage that a voltmeter reads at the same time.
    InputVolts(Box<CalibrateInputVolts>),
    /// Source impedance of the output, from its voltage open and on a known resistor, or on two of them.
    Source(Box<CalibrateSource>),
    /// Impedance of the headphone over frequency, through a known series resistor between two inputs.
    Load(Box<CalibrateLoad>),
    /// After a session: fit the calibrator again; what the offset has moved since goes into the session's intervals.
    Check {
        /// Session, by name, `last` or path.
        session: PathBuf,
        /// The sound calibrator; that of the session where not stated.
        #[command(flatten)]
        calibrator: StatedCalibrator,
        /// Ear whose microphone the calibrator is fitted to.
        #[arg(long, value_parser = chosen(choice::EAR), default_value = "left")]
        ear: InputRole,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
}

/// A sound calibrator as stated.
#[derive(Debug, Args)]
pub struct StatedCalibrator {
    /// Level of the sound calibrator, dB SPL (usual: 94 or 114 at 1 kHz, 124 at 250 Hz).
    #[arg(long, value_name = "DB_SPL", value_parser = number(Field::CalibratorLevel))]
    pub calibrator: Option<f64>,
    /// Its frequency, Hz.
    #[arg(long, value_name = "HZ", default_value_t = 1000.0, value_parser = number(Field::CalibratorFrequency))]
    pub frequency: f64,
    /// Half width of the 95 % interval of what is stated, dB (default: 0.4 for a calibrator (class 1, IEC 60942:2003,
    /// from memory) and a typed offset, 1.5 for a sensitivity).
    #[arg(long, value_name = "DB")]
    pub half_width: Option<String>,
    /// Added to its level, dB: static pressure (pistonphone), volume of an adapter.
    #[arg(long, value_name = "DB", default_value_t = 0.0, allow_hyphen_values = true, value_parser = number(Field::LevelCorrection))]
    pub level_correction: f64,
}
