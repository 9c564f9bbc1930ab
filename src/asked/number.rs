//! A number as people type it: point or comma, true or plain minus, with its unit or without.

use super::field::{Field, Takes};
use super::text::could_be_thousands;
use super::wrong::{Read, Why, Wrong};

/// A number that was typed in one unit, and where its last digit stands.
pub(super) struct Digits {
    /// In the field's unit.
    pub value: f64,
    /// Worth of the last digit typed.
    pub last: f64,
}

/// Reads one number of `field`; its range is not looked at.
pub(super) fn digits(field: Field, typed: &str) -> Read<Digits> {
    let not = |why: fn(String) -> Why| Wrong { field, why: why(typed.into()) };
    let plain = typed.trim().replace('−', "-");
    if plain.is_empty() {
        return Err(Wrong { field, why: Why::Missing });
    }
    let (number, factor) = field.row().unit.taken_off(&plain);
    if could_be_thousands(number) {
        return Err(not(Why::ReadsTwoWays));
    }
    let number = number.replacen(',', ".", 1);
    let value = number.parse::<f64>().ok().filter(|_| number.contains(|c: char| c.is_ascii_digit()));
    let value = value.map(|v| v * factor).filter(|v| v.is_finite()).ok_or_else(|| not(Why::NotUnderstood))?;
    let (mantissa, exponent) = number.split_once(['e', 'E']).unwrap_or((&number, "0"));
    let places = mantissa.split_once('.').map_or(0, |(_, after)| after.len());
    let exponent: f64 = exponent.parse().unwrap_or(0.0);
    Ok(Digits { value, last: factor * 10f64.powf(exponent - places as f64) })
}

impl Field {
    /// One number, in the field's unit and within its range.
    pub fn read(self, typed: &str) -> Read<f64> {
        self.within(digits(self, typed)?.value).and_then(|value| {
            let whole = self.row().takes != Takes::Whole || value.fract() == 0.0;
            if whole { Ok(value) } else { Err(Wrong { field: self, why: Why::NotUnderstood(typed.into()) }) }
        })
    }

    /// The same value, if it lies within the field's range.
    pub fn within(self, value: f64) -> Read<f64> {
        let row = self.row();
        let why = Why::OutOfRange(value);
        if (row.low..=row.high).contains(&value) { Ok(value) } else { Err(Wrong { field: self, why }) }
    }
}
