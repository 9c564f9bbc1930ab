//! Numbers as people and programs write them: decimal point or comma, groups of three, kHz.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Largest level of a curve, dB either way.
const LARGEST_DB: f64 = 200.0;
/// Highest frequency of a curve, Hz.
pub const HIGHEST_HZ: f64 = 1e6;

/// The decimal mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decimal {
    /// `0.5`
    Point,
    /// `0,5`
    Comma,
}

impl Decimal {
    fn mark(self) -> char {
        match self {
            Decimal::Point => '.',
            Decimal::Comma => ',',
        }
    }

    /// The other one.
    pub fn other(self) -> Decimal {
        match self {
            Decimal::Point => Decimal::Comma,
            Decimal::Comma => Decimal::Point,
        }
    }
}

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Decimal::Point => "point",
            Decimal::Comma => "comma",
        })
    }
}

/// A frequency as it stands in a file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frequency {
    /// The number without its unit.
    pub number: f64,
    /// What one unit is, Hz; `None` where no unit stands there.
    pub unit_hz: Option<f64>,
}

/// A frequency: `1000`, `1000 Hz`, `1 kHz`, `1.25k`, `1k25`; `None` where `text` is none, or negative.
pub fn frequency(text: &str, decimal: Decimal) -> Option<Frequency> {
    let (figures, unit) = split_unit(text);
    let unit_hz = match unit.to_ascii_lowercase().as_str() {
        "" => None,
        "hz" => Some(1.0),
        "k" | "khz" => Some(1000.0),
        _ => return None,
    };
    let (figures, unit_hz) = match (figures.split_once(['k', 'K']), unit_hz) {
        // `1k25`: the k stands for the mark.
        (Some((whole, part)), None | Some(1.0)) if all_digits(whole) && all_digits(part) => {
            (format!("{whole}{}{part}", decimal.mark()), Some(1000.0))
        }
        _ => (figures.to_string(), unit_hz),
    };
    let number = number(&figures, decimal)?;
    let hz = number * unit_hz.unwrap_or(1.0);
    (0.0..=HIGHEST_HZ).contains(&hz).then_some(Frequency { number, unit_hz })
}

/// A level: `-0.5`, `+3`, `−0,5 dB`; `None` where `text` is none, or beyond ±200 dB.
pub fn level_db(text: &str, decimal: Decimal) -> Option<f64> {
    let (figures, unit) = split_unit(text);
    let db = number(figures, decimal)?;
    ((unit.is_empty() || unit.eq_ignore_ascii_case("db")) && db.abs() <= LARGEST_DB).then_some(db)
}

/// Any other number, whatever stands behind it (a phase).
pub fn any(text: &str, decimal: Decimal) -> Option<f64> {
    number(split_unit(text).0, decimal)
}

/// True for what may follow a number as its unit.
pub fn is_unit(text: &str) -> bool {
    ["hz", "khz", "k", "db", "deg", "°", "rad"].iter().any(|unit| text.eq_ignore_ascii_case(unit))
}

/// Figures, and the letters behind them (an exponent is no unit).
fn split_unit(text: &str) -> (&str, &str) {
    let figures = text.trim_end_matches(|c: char| c.is_alphabetic() || c == '°');
    (figures.trim_end(), &text[figures.len()..])
}

fn all_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
}

/// A number with this mark; groups of three may be set apart by the other mark, an apostrophe or a space.
fn number(text: &str, decimal: Decimal) -> Option<f64> {
    let (sign, rest) = match text.chars().next()? {
        '-' | '−' | '–' => ("-", text.trim_start_matches(['-', '−', '–'])),
        '+' => ("", &text[1..]),
        _ => ("", text),
    };
    // One sign only.
    if text.chars().count() - rest.chars().count() > 1 {
        return None;
    }
    let (mantissa, exponent) = match rest.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (rest, None),
    };
    let (whole, part) = match mantissa.split_once(decimal.mark()) {
        Some((whole, part)) => (whole, part),
        None => (mantissa, ""),
    };
    let whole = ungrouped(whole, decimal)?;
    let digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    if (whole.is_empty() && part.is_empty()) || !digits(part) {
        return None;
    }
    let exponent = match exponent {
        None => String::new(),
        Some(e) if all_digits(e.trim_start_matches(['+', '-'])) && e.len() <= 4 => format!("e{e}"),
        Some(_) => return None,
    };
    format!("{sign}{whole}.{part}0{exponent}").parse().ok().filter(|value: &f64| value.is_finite())
}

/// Digits without the marks between groups of three; `None` for what is neither.
fn ungrouped(whole: &str, decimal: Decimal) -> Option<String> {
    let Some(mark) = whole.chars().find(|c| !c.is_ascii_digit()) else { return Some(whole.into()) };
    let grouping = [decimal.other().mark(), '\'', '’', ' ', '\u{a0}', '\u{2009}', '\u{202f}'];
    let mut groups = whole.split(mark);
    let first = groups.next()?;
    // No number in groups begins with a zero: `0,125` is not one.
    let head = (1..=3).contains(&first.len()) && all_digits(first) && !first.starts_with('0');
    (grouping.contains(&mark) && head && groups.all(|g| g.len() == 3 && all_digits(g))).then(|| whole.replace(mark, ""))
}

#[cfg(test)]
mod tests {
    use super::*;
    use Decimal::{Comma, Point};

    #[test]
    fn numbers_in_every_habit() {
        let good = [
            ("1000", Point, 1000.0),
            ("-.5", Point, -0.5),
            ("5.", Point, 5.0),
            ("+0,5", Comma, 0.5),
            ("−3,25", Comma, -3.25),
            ("1.000,5", Comma, 1000.5),
            ("1,000.5", Point, 1000.5),
            ("1'000'000", Point, 1e6),
            ("1\u{202f}000,5", Comma, 1000.5),
            ("1.0E+03", Point, 1000.0),
            ("1,0e-1", Comma, 0.1),
            ("1,000", Point, 1000.0),
            ("1,000", Comma, 1.0),
        ];
        for (text, decimal, value) in good {
            assert_eq!(number(text, decimal), Some(value), "{text}");
        }
        let bad = [
            "", "-", ".", "--1", "+-1", "1,00", "0,125", "1.2.3", "1e", "1e+", "1e99999", "1e999", "nan", "inf", "1/3",
            "0x1", "1 00", "1000,000", "¼",
        ];
        for text in bad {
            assert_eq!(number(text, Point), None, "{text}");
        }
    }

    #[test]
    fn frequencies_carry_their_units() {
        let of = |text| frequency(text, Point).map(|f| (f.number, f.unit_hz));
        assert_eq!(of("1000"), Some((1000.0, None)));
        assert_eq!(of("1000 Hz"), Some((1000.0, Some(1.0))));
        assert_eq!(of("1.25 kHz"), Some((1.25, Some(1000.0))));
        assert_eq!((of("2K"), of("1k25")), (Some((2.0, Some(1000.0))), Some((1.25, Some(1000.0)))));
        for text in ["94 dB", "-20", "2 MHz", "1e7", "k", "Hz", "1kk2", "2024-03-01", "1k25k", "1k-5"] {
            assert_eq!(of(text), None, "{text}");
        }
    }

    #[test]
    fn levels_are_plain_or_in_decibels() {
        assert_eq!((level_db("-0.5", Point), level_db("+3,0 dB", Comma)), (Some(-0.5), Some(3.0)));
        for text in ["-1,250", "12 deg", "loud", "1000"] {
            assert_eq!(level_db(text, Point), None, "{text}");
        }
    }
}
