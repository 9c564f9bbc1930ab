//! `chain` as typed: list, show, new and check.

use super::typed::{chosen, number, whole, with_half};
use super::{Desk, Keep, Listener, TextTable};
use crate::asked::chain::date;
use crate::asked::{Field, choice};
use crate::calibration::Point;
use crate::calibration::curve::Column;
use crate::card::InputRole;
use crate::session::chain::{Driven, Fitted, Supply, Wiring};
use crate::stats::Estimate;
use clap::{Args, Subcommand};
use std::path::PathBuf;

/// What to do with chains.
#[derive(Debug, Subcommand)]
pub enum ChainCommand {
    /// List the chains that are kept.
    List {
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Show a chain, how old its calibration is and what of it no longer holds.
    Show {
        /// Name or file; without it the chain that the window keeps.
        chain: Option<PathBuf>,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Keep a chain under a name: the one that is kept or named, with what is typed here.
    New(Box<NewChain>),
    /// Check the path to the ear with under 20 s of quiet sound: level steps, automatic gain, noise suppression, rate, left and
    /// right, polarity, crosstalk, delay, noise, hum.
    Check(Box<CheckChain>),
}

/// Options of `chain check`.
#[derive(Debug, Args)]
pub struct CheckChain {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// Who listens how loud: the noise is compared with the quietest step that a session for this listener plays.
    #[command(flatten)]
    pub listener: Listener,
    /// Where results are kept and how they are shown.
    #[command(flatten)]
    pub keep: Keep,
}

/// Options of `chain new`.
#[derive(Debug, Args)]
pub struct NewChain {
    /// Its name, plain letters and digits.
    pub name: String,
    /// What it is, for people.
    #[arg(long, value_name = "WORDS")]
    pub title: Option<String>,
    /// Replace the chain that is kept under this name.
    #[arg(long)]
    pub replace: bool,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// Point that levels stand for, where it is not the coupler's own.
    #[arg(long, help_heading = "Ear", value_parser = chosen(choice::POINT))]
    pub point: Option<Point>,
    /// Ear that microphone and curves belong to.
    #[arg(long, help_heading = "Ear", value_parser = chosen(choice::EAR), default_value = "left")]
    pub ear: InputRole,
    /// Microphone, in words.
    #[arg(long, value_name = "WORDS", help_heading = "Ear")]
    pub microphone: Option<String>,
    /// Its serial number.
    #[arg(long, value_name = "SERIAL", help_heading = "Ear")]
    pub microphone_serial: Option<String>,
    /// Date of its certificate, 2025-06-30.
    #[arg(long, value_name = "DATE", help_heading = "Ear", value_parser = date)]
    pub microphone_certificate: Option<String>,
    /// Correction curve, plain text columns; several are added up. They replace those of the chain.
    #[arg(long = "curve", value_name = "FILE", help_heading = "Ear")]
    pub curves: Vec<PathBuf>,
    /// What the dB of the curves are.
    #[arg(long, help_heading = "Ear", value_parser = chosen(choice::COLUMN))]
    pub column: Option<Column>,
    /// Half width of the curves' 95 % interval, dB, as the certificate states it.
    #[arg(long, value_name = "DB", help_heading = "Ear", requires = "curves", value_parser = number(Field::CurveHalfWidth))]
    pub curve_half_width: Option<f64>,
    /// How their numbers are written.
    #[command(flatten)]
    pub text: TextTable,
    /// Where the calibrator is fitted.
    #[arg(long, help_heading = "Calibrator", value_parser = chosen(choice::FITTED))]
    pub fitted: Option<Fitted>,
    /// Sound calibrator, in words.
    #[arg(long, value_name = "WORDS", help_heading = "Calibrator")]
    pub calibrator: Option<String>,
    /// Its serial number.
    #[arg(long, value_name = "SERIAL", help_heading = "Calibrator")]
    pub calibrator_serial: Option<String>,
    /// Date of its certificate, 2025-06-30.
    #[arg(long, value_name = "DATE", help_heading = "Calibrator", value_parser = date)]
    pub calibrator_certificate: Option<String>,
    /// Certificates older than this are doubted, months.
    #[arg(long, value_name = "MONTHS", help_heading = "Calibrator", value_parser = whole(Field::CertificateMonths))]
    pub certificate_months: Option<u32>,
    /// Offsets older than this are doubted, hours.
    #[arg(long, value_name = "HOURS", help_heading = "Calibrator", value_parser = number(Field::OffsetHours))]
    pub offset_hours: Option<f64>,
    /// The output side.
    #[command(flatten)]
    pub side: TypedOutputSide,
}

/// The output side as typed.
#[derive(Debug, Args)]
#[command(next_help_heading = "Output side")]
pub struct TypedOutputSide {
    /// Volume of the operating system, in words.
    #[arg(long, value_name = "WORDS")]
    pub system_volume: Option<String>,
    /// Volume of the card or device, in words.
    #[arg(long, value_name = "WORDS")]
    pub hardware_volume: Option<String>,
    /// Position of a knob, in words.
    #[arg(long, value_name = "WORDS")]
    pub knob: Option<String>,
    /// Position of a gain switch, in words.
    #[arg(long, value_name = "WORDS")]
    pub gain_switch: Option<String>,
    /// How the headphone is connected.
    #[arg(long, value_parser = chosen(choice::WIRING))]
    pub wiring: Option<Wiring>,
    /// Which channels drive a load.
    #[arg(long, value_parser = chosen(choice::DRIVEN))]
    pub driven: Option<Driven>,
    /// What feeds the output.
    #[arg(long, value_parser = chosen(choice::SUPPLY))]
    pub supply: Option<Supply>,
    /// Whether the output was plugged in again with this load (some outputs choose their gain then).
    #[arg(long, value_name = "true|false")]
    pub replugged: Option<bool>,
    /// Volts RMS, open, of a sine at 0 dBFS, and its half width.
    #[arg(long, value_name = "V,±V", value_parser = with_half(Field::Volts))]
    pub volts: Option<Estimate>,
    /// Source impedance, ohm, and its half width.
    #[arg(long, value_name = "OHM,±OHM", value_parser = with_half(Field::Source))]
    pub source_impedance: Option<Estimate>,
    /// Impedance of the headphone, ohm, and its half width.
    #[arg(long, value_name = "OHM,±OHM", value_parser = with_half(Field::Load))]
    pub load_impedance: Option<Estimate>,
    /// Ceiling of this chain, dB SPL.
    #[arg(long, value_name = "DB_SPL", value_parser = number(Field::ChainCeilingSpl))]
    pub ceiling: Option<f64>,
    /// Ceiling of this chain on the drive, dBFS RMS.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, value_parser = number(Field::ChainCeilingDrive))]
    pub ceiling_drive: Option<f64>,
    /// Ceiling of this chain, volts RMS.
    #[arg(long, value_name = "V", value_parser = number(Field::ChainCeilingVolts))]
    pub ceiling_volts: Option<f64>,
    /// Ceiling of this chain, milliwatts in the load.
    #[arg(long, value_name = "MW", value_parser = number(Field::ChainCeilingMilliwatts))]
    pub ceiling_milliwatts: Option<f64>,
}
