//! A number as people type it: point or comma, true or plain minus, with its unit or without.

use super::Field;
use super::field::Takes;
use super::wrong::{Read, Why, Wrong};

/// A value as it is shown in a field: no more places than a person would type.
pub fn shown(value: f64) -> String {
    let exact = value.to_string();
    let words = match exact.len() {
        ..=12 => exact,
        _ if value.abs() < 1e9 => ((value * 1e6).round() / 1e6).to_string(),
        _ => format!("{value:e}"),
    };
    words.replace('-', "−")
}

/// The pieces of a list: parted by blanks, `;` or `±`. A unit with a blank before it stays with its number.
pub fn words(typed: &str) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for word in typed.split(|c: char| c.is_whitespace() || c == ';' || c == '±').filter(|w| !w.is_empty()) {
        match all.last_mut() {
            Some(last) if !word.starts_with(|c: char| c.is_ascii_digit() || "+-−.,".contains(c)) => {
                last.push_str(word)
            }
            _ => all.push(word.into()),
        }
    }
    all
}

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

/// `1,000` is a thousand to some and one to others; `0,500`, `1,5` and `1.000` are clear.
pub fn could_be_thousands(number: &str) -> bool {
    let Some((before, after)) = number.trim_start_matches(['+', '-']).split_once(',') else { return false };
    let digits = |s: &str| s.chars().all(|c| c.is_ascii_digit());
    (1..=3).contains(&before.len()) && !before.starts_with('0') && digits(before) && after.len() == 3 && digits(after)
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
