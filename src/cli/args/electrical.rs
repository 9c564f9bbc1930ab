//! The electrical part of `calibrate` as typed: volts at full scale, source and load impedance.

use super::Desk;
use super::typed::{chosen, number, numbers, readings, with_half};
use crate::asked::electrical::{STRAIGHT_WITHIN_PERCENT, reading};
use crate::asked::{Field, choice};
use crate::calibration::electrical::Meter;
use crate::card::InputRole;
use crate::session::electrical::{INPUT_TOLERANCE_PERCENT, MeterReading};
use crate::stats::Estimate;
use clap::Args;

/// What an electrical calibration plays, and how it reports.
#[derive(Debug, Args)]
pub struct Electrical {
    /// RMS drive, dBFS. Above −20 type it again with `--confirm-drive`.
    #[arg(long, value_name = "DBFS", default_value_t = -30.0, allow_hyphen_values = true, value_parser = number(Field::Drive))]
    pub drive: f64,
    /// The drive above −20 dBFS, typed a second time.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, value_parser = number(Field::DriveAgain))]
    pub confirm_drive: Option<f64>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// A voltmeter as stated.
#[derive(Debug, Args)]
#[command(next_help_heading = "Voltmeter")]
pub struct StatedMeter {
    /// What it reads correctly: 50 and 60 Hz only (most handheld meters), or audio frequencies. The tone is chosen to suit.
    #[arg(long, value_parser = chosen(choice::METER), default_value = "mains")]
    pub meter: Meter,
    /// Frequency of the tone, Hz (default: 50 for a mains meter, 1000 for one that reads audio frequencies).
    #[arg(long, value_name = "HZ", value_parser = number(Field::ToneFrequency))]
    pub frequency: Option<f64>,
    /// Its accuracy, percent of the reading, a limit.
    #[arg(long, value_name = "PERCENT", default_value_t = crate::calibration::electrical::METER_LIMIT_PERCENT, value_parser = number(Field::MeterAccuracy))]
    pub accuracy: f64,
    /// Its reading, volts RMS, digits as shown; without it the tone is played and the reading asked for.
    #[arg(long, value_name = "V", value_parser = reading)]
    pub reading: Option<MeterReading>,
    /// How long the tone is played, seconds.
    #[arg(long, value_name = "S", default_value_t = 15.0, value_parser = number(Field::ToneSeconds))]
    pub seconds: f64,
}

/// Options of `calibrate volts`.
#[derive(Debug, Args)]
pub struct CalibrateVolts {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// The voltmeter.
    #[command(flatten)]
    pub meter: StatedMeter,
    /// The headphone is connected while the meter reads: the volts are those at it.
    #[arg(long)]
    pub loaded: bool,
    /// What is played.
    #[command(flatten)]
    pub electrical: Electrical,
}

/// Options of `calibrate input-volts`.
#[derive(Debug, Args)]
pub struct CalibrateInputVolts {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// Which input.
    #[arg(long, value_parser = chosen(choice::ELECTRICAL_INPUT), default_value = "witness")]
    pub input: InputRole,
    /// The voltmeter.
    #[command(flatten)]
    pub meter: StatedMeter,
    /// Factor of the divider or probe, where the meter reads behind it, at the input itself.
    #[arg(long, value_name = "FACTOR", conflicts_with = "divider_ohm", value_parser = number(Field::Divider))]
    pub divider: Option<f64>,
    /// Its tolerance, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = number(Field::Tolerance))]
    pub divider_tolerance: f64,
    /// The divider's resistors instead: in series and across the input, ohm.
    #[arg(long, value_name = "OHM,OHM", value_parser = numbers([Field::DividerResistor; 2]))]
    pub divider_ohm: Option<[f64; 2]>,
    /// Resistance of the input, ohm.
    #[arg(long, value_name = "OHM", value_parser = number(Field::InputResistance))]
    pub input_ohm: Option<f64>,
    /// What is played.
    #[command(flatten)]
    pub electrical: Electrical,
}

/// Options of `calibrate source`.
#[derive(Debug, Args)]
pub struct CalibrateSource {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// The known resistor that loads the output, ohm.
    #[arg(long, value_name = "OHM", value_parser = number(Field::Resistor))]
    pub resistor: f64,
    /// A second, lighter one instead of the open output, ohm.
    #[arg(long, value_name = "OHM", value_parser = number(Field::SecondResistor))]
    pub lighter: Option<f64>,
    /// Tolerance of the resistors, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = number(Field::Tolerance))]
    pub tolerance: f64,
    /// Resistance of the witness' input (or of the voltmeter), ohm.
    #[arg(long, value_name = "OHM", value_parser = number(Field::InputResistance))]
    pub input_ohm: Option<f64>,
    /// Readings of a voltmeter instead of takes: open (or on the lighter resistor) and on the resistor, volts. Nothing is played.
    #[arg(long, value_name = "V,V", value_parser = readings)]
    pub readings: Option<[MeterReading; 2]>,
    /// Nonlinearity of the voltmeter between the two readings, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = STRAIGHT_WITHIN_PERCENT, value_parser = number(Field::StraightWithin))]
    pub straight_within: f64,
    /// Worth of its last digit, volts (default: that of the last digit typed).
    #[arg(long, value_name = "V", value_parser = number(Field::LastDigit))]
    pub last_digit: Option<f64>,
    /// The plane that the impedance holds for, in words.
    #[arg(long, value_name = "WORDS", default_value = "plug of the output")]
    pub plane: String,
    /// What is played.
    #[command(flatten)]
    pub electrical: Electrical,
}

/// Options of `calibrate load`.
#[derive(Debug, Args)]
pub struct CalibrateLoad {
    /// The desk.
    #[command(flatten)]
    pub desk: Desk,
    /// The known series resistor, ohm.
    #[arg(long, value_name = "OHM", value_parser = number(Field::SeriesResistor))]
    pub series: f64,
    /// Its tolerance, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = number(Field::Tolerance))]
    pub tolerance: f64,
    /// Resistance of the witness' input, ohm: it lies across the load.
    #[arg(long, value_name = "OHM", value_parser = number(Field::InputResistance))]
    pub input_ohm: Option<f64>,
    /// Tolerance of the input's resistance, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = INPUT_TOLERANCE_PERCENT, value_parser = number(Field::Tolerance))]
    pub input_tolerance: f64,
    /// Cable and contacts from the witness to the plug of the headphone, and their limits, ohm.
    #[arg(long, value_name = "OHM,±OHM", value_parser = with_half(Field::Cable))]
    pub cable: Option<Estimate>,
    /// Verify with a known resistor in the headphone's place first, and its tolerance in percent.
    #[arg(long, value_name = "OHM,PERCENT", value_parser = numbers([Field::CheckResistor, Field::Tolerance]))]
    pub check: Option<[f64; 2]>,
    /// The plane that the impedance holds for, in words.
    #[arg(long, value_name = "WORDS", default_value = "plug of the headphone")]
    pub plane: String,
    /// What is played.
    #[command(flatten)]
    pub electrical: Electrical,
}
