//! What was typed of an electrical calibration → its procedure, its drive, and what a meter showed.

use super::number::digits;
use super::text::shown;
use super::{Field, Read, Wrong};
use crate::calibration::electrical::{LoadSetup, Meter, Resistor};
use crate::session::electrical::{
    AUDIO_TONE_HZ, ElectricalProcedure, INPUT_TOLERANCE_PERCENT, MAINS_TONE_HZ, MeterReading, StatedMeter,
};
use crate::session::plan::UNCALIBRATED_CEILING;
use crate::stats::Estimate;
use crate::units::Dbfs;

/// How far a voltmeter may be from straight between two readings on one range, percent (common practice, no source).
pub const STRAIGHT_WITHIN_PERCENT: f64 = 0.1;

/// A voltmeter and its tone; without a frequency the meter's usual one.
pub fn meter(meter: Meter, frequency_hz: Option<f64>, seconds: f64, accuracy_percent: f64) -> StatedMeter {
    let usual_hz = if meter == Meter::Mains { MAINS_TONE_HZ } else { AUDIO_TONE_HZ };
    StatedMeter { meter, frequency_hz: frequency_hz.unwrap_or(usual_hz), seconds, accuracy_percent }
}

/// Resistance of an input, which data sheets state roundly.
pub fn input(ohm: f64) -> Resistor {
    Resistor { ohm, tolerance_percent: INPUT_TOLERANCE_PERCENT }
}

/// What a voltmeter showed of an output.
#[derive(Clone, Copy, Debug)]
pub struct ByMeter {
    /// Open, or on the lighter resistor; and on the heavier one.
    pub readings: [MeterReading; 2],
    /// How far the meter may be from straight between them, percent.
    pub straight_within_percent: f64,
    /// Worth of its last digit, volts, where that is stated apart from what was typed.
    pub last_digit_v: Option<f64>,
}

impl ByMeter {
    /// As an ordinary meter showed them.
    pub fn shown(readings: [MeterReading; 2]) -> ByMeter {
        ByMeter { readings, straight_within_percent: STRAIGHT_WITHIN_PERCENT, last_digit_v: None }
    }
}

/// Source impedance: from takes, or from what a voltmeter showed.
pub fn source(
    (heavier, lighter): (Resistor, Option<Resistor>),
    input: Option<Resistor>,
    by_meter: Option<ByMeter>,
    plane: &str,
) -> ElectricalProcedure {
    let plane = plane.into();
    let Some(ByMeter { readings, straight_within_percent, last_digit_v }) = by_meter else {
        return ElectricalProcedure::Source { heavier, lighter, input, plane };
    };
    let readings_v = readings.map(|r| r.volts);
    let last_digit_v = last_digit_v.unwrap_or(readings.iter().map(|r| r.last_digit_v).fold(0.0, f64::max));
    ElectricalProcedure::SourceByMeter {
        readings_v,
        heavier,
        lighter,
        input,
        straight_within_percent,
        last_digit_v,
        plane,
    }
}

/// Load impedance through a series resistor, with a known one in the headphone's place first.
pub fn load(
    (series, check): (Resistor, Option<Resistor>),
    input: Option<Resistor>,
    cable_ohm: Option<Estimate>,
    plane: &str,
) -> ElectricalProcedure {
    let usual = LoadSetup::through(series);
    let setup = LoadSetup { input, cable_ohm: cable_ohm.unwrap_or(usual.cable_ohm), ..usual };
    ElectricalProcedure::Load { setup, check, plane: plane.into() }
}

/// The drive, and whether one above what an output of unknown volts may be given was typed twice.
pub fn drive(drive_db: f64, again: Option<f64>) -> Read<(Dbfs, bool)> {
    let (drive, confirmed) = (Dbfs(drive_db), again.is_some_and(|again| (again - drive_db).abs() < 1e-9));
    if drive <= UNCALIBRATED_CEILING || confirmed {
        return Ok((drive, confirmed));
    }
    let message = format!(
        "a drive of {drive} is above {UNCALIBRATED_CEILING}: it may be more than headphone, resistors and inputs withstand. To allow it, type {} again",
        shown(drive_db)
    );
    Err(Wrong::says(Field::DriveAgain, message))
}

/// What a meter showed: the last digit typed is worth what its place says.
pub fn reading(typed: &str) -> Read<MeterReading> {
    one_reading(Field::Reading, typed)
}

/// Two of them.
pub fn readings(typed: &str) -> Read<[MeterReading; 2]> {
    let [first, second] = Field::Readings.two_words(typed)?;
    Ok([one_reading(Field::Readings, &first)?, one_reading(Field::Readings, &second)?])
}

fn one_reading(field: Field, typed: &str) -> Read<MeterReading> {
    let read = digits(field, typed)?;
    Ok(MeterReading { volts: field.within(read.value)?, last_digit_v: read.last })
}
