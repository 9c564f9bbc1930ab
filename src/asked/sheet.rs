//! Figures as data sheets write them: `32 Ω ±15 %`, `< 1 Ω`, `150 mW @ 32 Ω`, `112 dB SPL/Vrms`, `98 dB/mW @ 1 kHz`.

use super::number::digits;
use super::{Field, Read, Why, Wrong, words};
use crate::units::amplitude_from_db;
use serde::{Deserialize, Serialize};
use std::f64::consts::SQRT_2;

/// What a sensitivity is stated for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Per {
    /// One milliwatt in the headphone.
    #[serde(rename = "mW")]
    Milliwatt,
    /// One volt RMS across it.
    #[serde(rename = "V")]
    Volt,
}

impl Per {
    /// `dB/mW`, `dB/V`.
    pub fn unit(self) -> &'static str {
        match self {
            Per::Milliwatt => "dB/mW",
            Per::Volt => "dB/V",
        }
    }
}

/// A figure with its tolerance, in the unit of its field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetFigure {
    /// As stated; half of it where only a most is stated.
    pub value: f64,
    /// As stated; `None` where nothing is.
    pub half_width: Option<f64>,
}

/// A sensitivity, dB SPL.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetSensitivity {
    /// Its level.
    pub level: SheetFigure,
    /// For what; `None` where that was not typed with it.
    pub per: Option<Per>,
    /// Frequency, Hz; likewise.
    pub at_hz: Option<f64>,
}

/// dBu are referred to the voltage of 1 mW in 600 Ω (IEC 60268-1), volts.
const DBU_VOLTS: f64 = 0.774_596_7;

/// An impedance or another figure with `±` its tolerance, in its unit or percent. An impedance of a source may stand as a
/// most: `< 1 Ω` is half of it and as much either way.
///
/// # Errors
/// [`Wrong`] of the field.
pub fn figure(field: Field, typed: &str) -> Read<SheetFigure> {
    let most = typed.trim_start().strip_prefix(['<', '≤']).filter(|_| field == Field::SheetSource);
    if let Some(most) = most {
        let half = 0.5 * field.read(most)?;
        return Ok(SheetFigure { value: half, half_width: Some(half) });
    }
    let (plain, tolerance) = tolerance(field, typed)?;
    let value = field.read(&plain)?;
    Ok(SheetFigure { value, half_width: tolerance.map(|t| t.half_width(value)) })
}

/// A unit, and what turns its number into volts RMS.
type Scale = (&'static str, fn(f64) -> f64);

/// Volts RMS of a sine: as such, as its peak (`2.8 Vp`), from peak to peak (`5.6 Vpp`), in dBV or dBu.
///
/// # Errors
/// [`Wrong`].
pub fn volts(typed: &str) -> Read<SheetFigure> {
    let field = Field::SheetVolts;
    let lower = typed.trim().to_lowercase();
    let scales: [Scale; 5] = [
        ("dbv", amplitude_from_db),
        ("dbu", |db| DBU_VOLTS * amplitude_from_db(db)),
        ("vpp", |v| v / (2.0 * SQRT_2)),
        ("vpk", |v| v / SQRT_2),
        ("vp", |v| v / SQRT_2),
    ];
    let scaled = scales.iter().find_map(|(unit, scale)| Some((lower.strip_suffix(unit)?, scale)));
    match scaled {
        Some((number, scale)) => {
            let value = field.within(scale(digits(field, number)?.value))?;
            Ok(SheetFigure { value, half_width: None })
        }
        None => figure(field, typed),
    }
}

/// A power and the resistance that it goes into: `150 mW @ 32 Ω`, `0.15 W into 32 ohm`, `150,32`.
///
/// # Errors
/// [`Wrong`] of the field at fault.
pub fn power(typed: &str) -> Read<[f64; 2]> {
    let parts = parted(typed, &['@', '/', ';', '(', ')'], &["into", "in", "at"]);
    let two = match parts.as_slice() {
        [both] => words(&both.replace(',', " ")),
        _ => parts.clone(),
    };
    match two.as_slice() {
        [power, ohm] => Ok([Field::SheetPower.read(power)?, Field::SheetPowerInto.read(ohm)?]),
        _ => Err(Wrong::says(
            Field::SheetPower,
            "give 2 numbers: a power and the resistance that it goes into, for example 150 mW @ 32 Ω",
        )),
    }
}

/// A sensitivity with what it is stated for and at which frequency, as far as they stand beside it.
///
/// # Errors
/// [`Wrong`] of the field at fault.
pub fn sensitivity(typed: &str) -> Read<SheetSensitivity> {
    let field = Field::HeadphoneSensitivity;
    let (plain, tolerance) = tolerance(field, typed)?;
    let parts = parted(&plain, &['@', '/', '(', ')', ';'], &["per", "at", "for"]);
    let not = || Wrong { field, why: Why::NotUnderstood(typed.into()) };
    let (level, beside) = parts.split_first().ok_or(Wrong { field, why: Why::Missing })?;
    let value = field.read(level)?;
    let level = SheetFigure { value, half_width: tolerance.map(|t| t.half_width(value)) };
    let mut read = SheetSensitivity { level, per: None, at_hz: None };
    for part in beside {
        let lower = part.to_lowercase();
        if lower.ends_with("hz") && read.at_hz.is_none() {
            read.at_hz = Some(Field::SensitivityFrequency.read(part)?);
            continue;
        }
        let per = match lower.trim_start_matches('1').replace(' ', "").as_str() {
            "mw" | "milliwatt" => Per::Milliwatt,
            "v" | "vrms" | "volt" => Per::Volt,
            _ => return Err(not()),
        };
        if read.per.replace(per).is_some() {
            return Err(not());
        }
    }
    Ok(read)
}

/// Text between signs and words that part it.
fn parted(typed: &str, signs: &[char], parting: &[&str]) -> Vec<String> {
    let spaced: Vec<&str> = typed
        .split_whitespace()
        .map(|word| if parting.iter().any(|p| word.eq_ignore_ascii_case(p)) { "@" } else { word })
        .collect();
    let whole = spaced.join(" ");
    let parts = whole.split(|c: char| c == '@' || signs.contains(&c)).map(str::trim);
    parts.filter(|part| !part.is_empty()).map(String::from).collect()
}

/// A stated tolerance.
#[derive(Clone, Copy)]
enum Tolerance {
    Same(f64),
    Percent(f64),
}

impl Tolerance {
    fn half_width(self, value: f64) -> f64 {
        match self {
            Tolerance::Same(half) => half,
            Tolerance::Percent(percent) => value.abs() * percent / 100.0,
        }
    }
}

/// What stands after `±` or `+/-`, and the text without it: `98 ±3 dB/mW`, `98 dB/mW ±3 dB`, `32 Ω ±15 %`.
fn tolerance(field: Field, typed: &str) -> Read<(String, Option<Tolerance>)> {
    let not = || Wrong { field, why: Why::NotUnderstood(typed.into()) };
    let plain = typed.replace("+/-", "±").replace("+/−", "±");
    let Some((before, after)) = plain.split_once('±') else { return Ok((plain, None)) };
    let after = after.trim();
    let end = after.find(|c: char| !(c.is_ascii_digit() || ".,".contains(c))).unwrap_or(after.len());
    let (number, rest) = after.split_at(end);
    let half: f64 = number.replacen(',', ".", 1).parse().map_err(|_| not())?;
    let rest = rest.trim();
    if let Some(rest) = rest.strip_prefix('%') {
        let percent = Tolerance::Percent(half);
        // A share of a level in decibels is none.
        return if rest.trim().is_empty() && field != Field::HeadphoneSensitivity {
            Ok((before.trim().into(), Some(percent)))
        } else {
            Err(not())
        };
    }
    // Either the number has its unit before the tolerance, or both share the one behind it.
    let (whole, half) = if before.contains(char::is_alphabetic) {
        (before.trim().to_string(), digits(field, &format!("{half} {rest}"))?.value)
    } else {
        (format!("{} {rest}", before.trim()), half)
    };
    Ok((whole, Some(Tolerance::Same(half))))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stated(typed: &str) -> (f64, Option<f64>, Option<Per>, Option<f64>) {
        let read = sensitivity(typed).unwrap_or_else(|wrong| panic!("{typed}: {wrong}"));
        (read.level.value, read.level.half_width, read.per, read.at_hz)
    }

    #[test]
    fn a_sensitivity_is_read_as_data_sheets_write_it() {
        let (mw, v) = (Some(Per::Milliwatt), Some(Per::Volt));
        for (typed, expected) in [
            ("98", (98.0, None, None, None)),
            ("98 dB/mW", (98.0, None, mw, None)),
            ("98 DB/MW", (98.0, None, mw, None)),
            ("98dB SPL/mW", (98.0, None, mw, None)),
            ("98 dB SPL @ 1 mW", (98.0, None, mw, None)),
            ("98,5 dB (1 mW, 500 Hz)".replace(", ", " @ ").as_str(), (98.5, None, mw, Some(500.0))),
            ("112 dB SPL/Vrms", (112.0, None, v, None)),
            ("112 dB SPL / V RMS", (112.0, None, v, None)),
            ("112 db spl per volt", (112.0, None, v, None)),
            ("112 dB/V @ 1 kHz", (112.0, None, v, Some(1000.0))),
            ("98 ±3 dB/mW", (98.0, Some(3.0), mw, None)),
            ("98 dB/mW +/- 2.5 dB".replace("+/- ", "+/-").as_str(), (98.0, Some(2.5), mw, None)),
        ] {
            assert_eq!(stated(typed), expected, "{typed}");
        }
        for wrong in ["98 dB/W", "98 dB/mW/V", "98 dBA/mW", "98 ±3 %/mW", "98 ±3 %", "", "dB/mW", "1000 dB/mW"] {
            assert!(sensitivity(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_power_stands_with_the_resistance_that_it_goes_into() {
        for typed in [
            "150 mW @ 32 Ω",
            "150mW/32ohm",
            "150 mW into 32 Ohms",
            "0.15 W at 32 OHM",
            "150 mW (32 Ω)",
            "150,32",
            "150 32",
            "150 mW @ 32 \u{2126}",
        ] {
            let [milliwatts, ohm] = power(typed).unwrap_or_else(|wrong| panic!("{typed}: {wrong}"));
            assert!((milliwatts - 150.0).abs() < 1e-9 && (ohm - 32.0).abs() < 1e-9, "{typed}");
        }
        for wrong in ["150 mW", "150 mW @", "32 Ω @ 150 mW", "150 MW @ 32 Ω", "150 mW @ 32 Ω @ 1 kHz", ""] {
            assert!(power(wrong).is_err(), "{wrong}");
        }
    }

    /// Peaks of a sine over its RMS: √2, peak to peak 2·√2. 0 dBV is 1 V, 0 dBu 0.7746 V (IEC 60268-1).
    #[test]
    fn volts_and_impedances_are_read_with_their_units_and_tolerances() {
        for (typed, expected) in [
            ("2 Vrms", 2.0),
            ("2 V RMS", 2.0),
            ("500 mV", 0.5),
            ("5.6569 Vpp", 2.0),
            ("2.8284 Vp", 2.0),
            ("6.0206 dBV", 2.0),
            ("8.2391 dBu", 2.0),
        ] {
            let read = volts(typed).unwrap_or_else(|wrong| panic!("{typed}: {wrong}"));
            assert!((read.value - expected).abs() < 1e-4 && read.half_width.is_none(), "{typed}: {read:?}");
        }
        let ohm = |typed: &str| figure(Field::HeadphoneImpedance, typed).map(|f| (f.value, f.half_width));
        for typed in ["32", "32 ohm", "32 OHMS", "32 Ω", "32Ω", "32 \u{2126}"] {
            assert_eq!(ohm(typed), Ok((32.0, None)), "{typed}");
        }
        for typed in ["32 Ω ±8 Ω", "32 ±8 Ω", "32 ohm +/-25 %", "32 Ω ±25%"] {
            assert_eq!(ohm(typed), Ok((32.0, Some(8.0))), "{typed}");
        }
        let source = figure(Field::SheetSource, "< 1 Ω").unwrap();
        assert_eq!((source.value, source.half_width), (0.5, Some(0.5)));
        assert!(ohm("< 32 Ω").is_err() && ohm("32 Ω ±x").is_err() && ohm("32 V").is_err());
    }
}
