//! Volts at full scale of the output and of the electrical inputs, from a voltmeter.
//!
//! A sine at `drive` dBFS read as `V` volts RMS: 0 dBFS is `V / 10^(drive/20)`. The same at an input: `V` volts read as
//! `L` dBFS. A divider or probe multiplies what its input sees.

use super::Resistor;
use crate::stats::{Draws, Estimate, estimate_from_draws};
use crate::units::{Dbfs, amplitude_from_db};
use serde::{Deserialize, Serialize};

/// What an ordinary voltmeter's alternating ranges may be off, percent of the reading, where nothing is stated (common
/// practice, no source).
pub const METER_LIMIT_PERCENT: f64 = 1.5;
/// Lowest and highest reading, volts RMS.
pub const READING_V: (f64, f64) = (1e-6, 1000.0);
/// What a meter may be off at most to be of use, percent of the reading.
pub const HIGHEST_ACCURACY_PERCENT: f64 = 50.0;
/// Frequencies that every alternating voltmeter is made for, Hz.
const MAINS_HZ: std::ops::RangeInclusive<f64> = 45.0..=65.0;
/// Draws.
const DRAWS: usize = 20_000;

/// Up to where a voltmeter reads true.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Meter {
    /// At 50 and 60 Hz only, as many handheld ones: it reads 1 kHz wrong.
    Mains,
    /// To 1 kHz and beyond.
    Audio,
}

impl Meter {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Meter::Mains => "a voltmeter for 50 and 60 Hz",
            Meter::Audio => "a voltmeter for audio frequencies",
        }
    }
}

/// Why a reading is no calibration.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum VoltsRefused {
    /// A mains meter at another frequency.
    #[error(
        "a voltmeter made for 50 and 60 Hz is wrong at {0:.0} Hz, often by half; play 50 or 60 Hz, or state that it reads audio frequencies"
    )]
    MeterTooSlow(f64),
    /// Not a voltage.
    #[error("{0} V is not a reading; type the volts RMS that the meter shows, for example 0.452")]
    NoReading(f64),
    /// An interval that is none.
    #[error("{what} of {value} is outside 0 to {highest}")]
    OutOfRange {
        /// What.
        what: &'static str,
        /// As typed.
        value: f64,
        /// Highest allowed.
        highest: f64,
    },
}

/// Where the volts at full scale of an output came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OutputVolts {
    /// The meter.
    pub meter: Meter,
    /// Its reading, volts RMS.
    pub reading_v: f64,
    /// Drive of the sine that it read.
    pub drive: Dbfs,
    /// Frequency of that sine, Hz.
    pub frequency_hz: f64,
    /// True where the headphone was connected while the meter read: the volts are then those at it.
    #[serde(default)]
    pub loaded: bool,
    /// RFC 3339.
    pub taken_at: String,
}

/// Volts at full scale of an electrical input, at the point that it sees (its divider included).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InputVolts {
    /// RMS volts of a sine at 0 dBFS.
    pub volts_per_full_scale: Estimate,
    /// The meter; `None`: typed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter: Option<Meter>,
    /// Factor of divider or probe that is in it; 1: none, or the reading was taken in front of it.
    pub divider: f64,
    /// RFC 3339.
    pub taken_at: String,
}

/// Interval of a reading: its accuracy (a limit, percent) and half of its last digit.
fn reading(volts: f64, limit_percent: f64, last_digit_v: f64) -> Result<Vec<f64>, VoltsRefused> {
    if !(READING_V.0..=READING_V.1).contains(&volts) {
        return Err(VoltsRefused::NoReading(volts));
    }
    if !(0.0..=HIGHEST_ACCURACY_PERCENT).contains(&limit_percent) {
        let highest = HIGHEST_ACCURACY_PERCENT;
        return Err(VoltsRefused::OutOfRange { what: "an accuracy in percent", value: limit_percent, highest });
    }
    if !(0.0..=volts).contains(&last_digit_v) {
        return Err(VoltsRefused::OutOfRange { what: "a last digit in volts", value: last_digit_v, highest: volts });
    }
    let mut random = Draws::new(1);
    Ok((0..DRAWS)
        .map(|_| volts * (1.0 + random.within(0.01 * limit_percent)) + random.within(0.5 * last_digit_v))
        .collect())
}

/// Does such a meter read this frequency true?
///
/// # Errors
/// [`VoltsRefused::MeterTooSlow`].
pub fn usable(meter: Meter, frequency_hz: f64) -> Result<(), VoltsRefused> {
    match meter {
        Meter::Mains if !MAINS_HZ.contains(&frequency_hz) => Err(VoltsRefused::MeterTooSlow(frequency_hz)),
        _ => Ok(()),
    }
}

/// RMS volts of a sine at 0 dBFS, from what a meter read of one at `from.drive`; `limit_percent` is the meter's accuracy,
/// `last_digit_v` the worth of the last digit that it shows.
///
/// # Errors
/// [`VoltsRefused`].
pub fn output_volts(from: &OutputVolts, limit_percent: f64, last_digit_v: f64) -> Result<Estimate, VoltsRefused> {
    usable(from.meter, from.frequency_hz)?;
    let gain = amplitude_from_db(from.drive.db());
    let draws = reading(from.reading_v, limit_percent, last_digit_v)?;
    Ok(estimate_from_draws(from.reading_v / gain, draws.into_iter().map(|v| v / gain).collect()))
}

/// The same of an input that read `level` (dBFS, with its interval) while the meter read `volts` at `frequency_hz`, behind
/// a divider of `divider` (value and interval; exactly 1 where the meter sat in front of it).
///
/// # Errors
/// [`VoltsRefused`].
pub fn input_volts(
    (meter, frequency_hz): (Meter, f64),
    volts: f64,
    (limit_percent, last_digit_v): (f64, f64),
    level: &Estimate,
    divider: &Estimate,
) -> Result<Estimate, VoltsRefused> {
    usable(meter, frequency_hz)?;
    let mut random = Draws::new(2);
    let per_full_scale = |v: f64, db: f64, factor: f64| v * factor / amplitude_from_db(db);
    let draws = reading(volts, limit_percent, last_digit_v)?.into_iter().map(|v| {
        let db = level.value + level.half_width() / crate::stats::NORMAL_95 * random.normal();
        let factor = divider.value + divider.half_width() / crate::stats::NORMAL_95 * random.normal();
        per_full_scale(v, db, factor)
    });
    Ok(estimate_from_draws(per_full_scale(volts, level.value, divider.value), draws.collect()))
}

/// What a divider of two resistors, `upper` in series and `lower` across the input, divides by, with the input's own
/// resistance across the lower one where it is known.
pub fn divider_factor(upper: Resistor, lower: Resistor, input: Option<Resistor>) -> Estimate {
    let factor = |upper: f64, lower: f64, input: f64| 1.0 + upper * (1.0 / lower + input);
    let mut random = Draws::new(3);
    let draws = (0..DRAWS).map(|_| {
        factor(upper.draw(&mut random), lower.draw(&mut random), super::drawn_input(input.as_ref(), &mut random))
    });
    let draws = draws.collect();
    estimate_from_draws(factor(upper.ohm, lower.ohm, input.map_or(0.0, |r| 1.0 / r.ohm)), draws)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Quantiles of the draws.
    const DRAWN: f64 = 0.03;

    fn read(meter: Meter, frequency_hz: f64) -> OutputVolts {
        OutputVolts {
            meter,
            reading_v: 0.2,
            drive: Dbfs(-20.0),
            frequency_hz,
            loaded: false,
            taken_at: "2026-03-01T09:00:00Z".into(),
        }
    }

    /// 0.2 V at −20 dBFS is 2 V at full scale; a limit of 1.5 % holds 95 % within 0.95 of it.
    #[test]
    fn a_reading_gives_the_volts_at_full_scale_with_the_meters_limit() {
        let volts = output_volts(&read(Meter::Audio, 1000.0), 1.5, 0.0).unwrap();
        assert!((volts.value - 2.0).abs() < 1e-12);
        assert!((volts.half_width() / (0.95 * 0.03) - 1.0).abs() < DRAWN, "{volts:?}");
        // The last digit alone: ±0.0005 V of 0.2 V.
        let coarse = output_volts(&read(Meter::Audio, 1000.0), 0.0, 0.001).unwrap();
        assert!((coarse.half_width() / (0.95 * 0.005) - 1.0).abs() < DRAWN, "{coarse:?}");
    }

    #[test]
    fn a_mains_meter_is_believed_at_mains_frequencies_only() {
        assert!(output_volts(&read(Meter::Mains, 50.0), 1.5, 0.001).is_ok());
        assert!(output_volts(&read(Meter::Mains, 60.06), 1.5, 0.001).is_ok());
        let refused = output_volts(&read(Meter::Mains, 1000.0), 1.5, 0.001).unwrap_err();
        assert!(refused.to_string().contains("is wrong at 1000 Hz"), "{refused}");
        let nothing = OutputVolts { reading_v: 0.0, ..read(Meter::Audio, 1000.0) };
        assert_eq!(output_volts(&nothing, 1.5, 0.0), Err(VoltsRefused::NoReading(0.0)));
    }

    /// 1 V read as −6.0206 dBFS is 2 V at full scale; behind a divider by ten 20 V at its tip.
    #[test]
    fn an_input_is_calibrated_by_a_known_voltage_through_its_divider() {
        let level = Estimate::symmetric(-6.0206, 0.001);
        let of = |divider| input_volts((Meter::Audio, 1000.0), 1.0, (1.0, 0.0), &level, &divider).unwrap();
        assert!((of(Estimate::exact(1.0)).value - 2.0).abs() < 1e-5);
        let tenth = of(Estimate::symmetric(10.0, 0.2));
        assert!((tenth.value - 20.0).abs() < 1e-4);
        // A rectangle of 1 % and a normal 2 % (95 %): close to normal, √(1²/3 + (2/1.96)²)·1.96 = 2.30 %.
        assert!((tenth.half_width() / 0.46 - 1.0).abs() < DRAWN, "{tenth:?}");
    }

    /// 90 kΩ over 10 kΩ divides by ten, by 19 with another 10 kΩ across the lower.
    #[test]
    fn a_divider_counts_the_input_across_it() {
        let r = |ohm| Resistor { ohm, tolerance_percent: 1.0 };
        let plain = divider_factor(r(90e3), r(10e3), None);
        assert!((plain.value - 10.0).abs() < 1e-12);
        // Two limits of 1 % of 9: a triangle, 95 % within 1.5528 of one of them.
        assert!((plain.half_width() / (0.09 * 1.5528) - 1.0).abs() < DRAWN, "{plain:?}");
        assert!((divider_factor(r(90e3), r(10e3), Some(r(10e3))).value - 19.0).abs() < 1e-12);
    }
}
