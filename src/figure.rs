//! How is a number written for people and for machines? One place for all of them: value, interval, and the words that stand
//! where there is none.
//!
//! ```text
//! 20.5 ±0.2            20.5 (20.1 to 31.0)            at least 20.5 ±0.2
//! below −62.1          −50.0, at most −47.0           not determined
//! ```

use crate::stats::{Estimate, Reading};
use crate::units::tidy;

/// Stands where a quantity could not be found out.
pub const NOT_DETERMINED: &str = "not determined";

/// In front of a lower bound.
pub const AT_LEAST: &str = "at least ";

/// A number as everybody who shows it prints it.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Value and interval, or what is known instead.
    pub reading: Reading,
    /// Places after the point.
    pub places: usize,
}

impl From<Estimate> for Reading {
    fn from(e: Estimate) -> Reading {
        Reading::Determined(e)
    }
}

impl From<&Estimate> for Reading {
    fn from(e: &Estimate) -> Reading {
        Reading::Determined(*e)
    }
}

impl From<&Reading> for Reading {
    fn from(reading: &Reading) -> Reading {
        reading.clone()
    }
}

impl Figure {
    /// Of a reading or an estimate, with so many places.
    pub fn new(reading: impl Into<Reading>, places: usize) -> Figure {
        Figure { reading: reading.into(), places }
    }

    /// With two digits of the half width; an exact value with the digits that it has, four at most. For volts, ohms and
    /// milliwatts, which span decades.
    pub fn significant(reading: impl Into<Reading>) -> Figure {
        let reading = reading.into();
        let (value, half_width) = match &reading {
            Reading::Determined(e) | Reading::AtLeast(e) => (e.value, e.half_width()),
            Reading::Below(at) => (*at, 0.0),
            Reading::NotDetermined(_) => (1.0, 0.0),
        };
        // A hair more, so that 0.1 as a difference of ends is not 0.099…
        let after = |size: f64, digits: f64| (digits - size.log10().floor()).clamp(0.0, 9.0) as usize;
        let places = if half_width > 0.0 {
            after(half_width * (1.0 + 1e-9), 1.0)
        } else {
            let most = after(value.abs().max(1e-9), 3.0);
            let is_whole = |places: &usize| {
                let scaled = value * 10f64.powi(*places as i32);
                (scaled - scaled.round()).abs() < 1e-6
            };
            (0..most).find(is_whole).unwrap_or(most)
        };
        Figure { reading, places }
    }

    /// As people read it: `94.31 ±0.92`, `at least 94.31 ±0.92`, `below −62.1`, `not determined`.
    pub fn words(&self) -> String {
        match &self.reading {
            Reading::Determined(e) => with_interval(e, self.places),
            Reading::AtLeast(e) => format!("{AT_LEAST}{}", with_interval(e, self.places)),
            Reading::Below(at) => format!("below {}", tidy(*at, self.places)),
            Reading::NotDetermined(_) => NOT_DETERMINED.into(),
        }
    }

    /// The same of a difference, with its sign: `+0.21 ±0.05`.
    pub fn signed(&self) -> String {
        let plus = self.reading.determined().is_some_and(|e| !tidy(e.value, self.places).starts_with('−'));
        format!("{}{}", if plus { "+" } else { "" }, self.words())
    }

    /// The same with its unit, or with the reason why there is none.
    pub fn in_unit(&self, unit: &str) -> String {
        match &self.reading {
            Reading::NotDetermined(why) => format!("{NOT_DETERMINED}: {why}"),
            _ => format!("{} {unit}", self.words()),
        }
    }

    /// The interval alone: `±0.2`, `20.1 to 31.0`; `None` where there is none.
    pub fn interval(&self) -> Option<String> {
        let (Reading::Determined(e) | Reading::AtLeast(e)) = &self.reading else { return None };
        interval(e, self.places).map(|(Written::Beside(words) | Written::Ends(words) | Written::Bound(words))| words)
    }

    /// What kind of statement it is, as machines read it.
    pub fn kind(&self) -> &'static str {
        match &self.reading {
            Reading::Determined(e) if e.value.is_infinite() => infinite(e.value),
            Reading::Determined(_) => "value",
            Reading::AtLeast(_) => "at least",
            Reading::Below(_) => "below",
            Reading::NotDetermined(_) => NOT_DETERMINED,
        }
    }

    /// Value, lower and upper end as machines read them; `None` where there is none.
    pub fn plain(&self) -> [Option<String>; 3] {
        let one = |v: f64| v.is_finite().then(|| tidy(v, self.places).replace('−', "-"));
        match &self.reading {
            Reading::Determined(e) | Reading::AtLeast(e) => [one(e.value), one(e.interval.low), one(e.interval.high)],
            Reading::Below(at) => [one(*at), None, one(*at)],
            Reading::NotDetermined(_) => [None, None, None],
        }
    }
}

/// Rounding of a difference of two ends, in places shown.
const ROUNDING: f64 = 1e-6;
/// Both ends are written where one is so much nearer than the other.
const LOPSIDED: f64 = 0.8;

fn with_interval(e: &Estimate, places: usize) -> String {
    let value = if e.value.is_finite() { tidy(e.value, places) } else { infinite(e.value).into() };
    match interval(e, places) {
        None => value,
        Some(Written::Beside(words)) => format!("{value} {words}"),
        Some(Written::Ends(words)) => format!("{value} ({words})"),
        Some(Written::Bound(words)) => format!("{value}, {words}"),
    }
}

/// An interval in words, and how it stands with its value.
enum Written {
    Beside(String),
    Ends(String),
    Bound(String),
}

/// Half width, or both ends where one is much nearer. A narrow half width has one place more than its value, and is rounded
/// up where it needs more. `None` of an exact value.
fn interval(e: &Estimate, places: usize) -> Option<Written> {
    let (low, high) = (e.interval.low, e.interval.high);
    let half_width = e.half_width();
    if half_width <= 0.0 || half_width.is_nan() {
        return None;
    }
    // Of a sum of powers whose lower end is nothing: that end has no decibels.
    match (low.is_finite(), high.is_finite()) {
        (true, true) => {}
        (false, true) => return Some(Written::Bound(format!("at most {}", tidy(high, places)))),
        (true, false) => return Some(Written::Bound(format!("at least {}", tidy(low, places)))),
        (false, false) => return Some(Written::Bound("interval without ends".into())),
    }
    let (below, above) = (e.value - low, high - e.value);
    let narrow = half_width < 0.5 * 10f64.powi(-(places as i32));
    if below.min(above) < LOPSIDED * below.max(above) && !narrow {
        return Some(Written::Ends(format!("{} to {}", tidy(low, places), tidy(high, places))));
    }
    // "±0.00" would claim exactness.
    Some(Written::Beside(if narrow {
        let fine = 10f64.powi(places as i32 + 1);
        format!("±{:.*}", places + 1, (half_width * fine - ROUNDING).ceil().max(1.0) / fine)
    } else {
        format!("±{half_width:.places$}")
    }))
}

fn infinite(value: f64) -> &'static str {
    if value.is_nan() {
        NOT_DETERMINED
    } else if value > 0.0 {
        "infinite"
    } else {
        "minus infinite"
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Interval;

    fn figure(reading: Reading, places: usize) -> Figure {
        Figure { reading, places }
    }

    #[test]
    fn people_and_machines_read_the_same_digits() {
        let stated = figure(Reading::Determined(Estimate::symmetric(-12.345, 0.62)), 1);
        assert_eq!(stated.words(), "−12.3 ±0.6");
        assert_eq!(stated.plain().map(Option::unwrap), ["-12.3", "-13.0", "-11.7"]);
        assert_eq!(figure(Reading::AtLeast(Estimate::symmetric(25.3, 0.92)), 2).words(), "at least 25.30 ±0.92");
        assert_eq!(figure(Reading::Below(-62.04), 1).in_unit("dB"), "below −62.0 dB");
        assert_eq!(figure(Reading::Below(-62.04), 1).plain(), [Some("-62.0".into()), None, Some("-62.0".into())]);
        assert_eq!(figure(Reading::NotDetermined("why".into()), 1).words(), "not determined");
        assert_eq!(figure(Reading::NotDetermined("why".into()), 1).in_unit("dB"), "not determined: why");
    }

    #[test]
    fn an_interval_never_reads_as_none_and_an_open_end_is_named() {
        assert_eq!(figure(Reading::Determined(Estimate::symmetric(-6.02, 0.004)), 2).words(), "−6.02 ±0.004");
        assert_eq!(figure(Reading::Determined(Estimate::symmetric(0.01, 0.000_05)), 2).words(), "0.01 ±0.001");
        assert_eq!(figure(Reading::Determined(Estimate::exact(-0.001)), 1).words(), "0.0");
        let open =
            |low, high| figure(Reading::Determined(Estimate { value: -50.0, interval: Interval { low, high } }), 1);
        assert_eq!(open(f64::NEG_INFINITY, -47.0).words(), "−50.0, at most −47.0");
        assert_eq!(open(f64::NEG_INFINITY, -47.0).plain()[1], None);
        assert_eq!(open(-52.0, f64::INFINITY).words(), "−50.0, at least −52.0");
        assert_eq!(figure(Reading::Determined(Estimate::exact(f64::INFINITY)), 1).words(), "infinite");
    }

    #[test]
    fn ends_at_unlike_distances_are_written_themselves() {
        let of = |value, low, high| {
            figure(Reading::Determined(Estimate { value, interval: Interval { low, high } }), 2).words()
        };
        assert_eq!(of(94.31, 93.39, 95.23), "94.31 ±0.92");
        assert_eq!(of(20.5, 20.1, 30.96), "20.50 (20.10 to 30.96)");
        assert_eq!(of(1.0, 0.9988, 1.0002), "1.00 ±0.001", "too near for these places");
    }

    #[test]
    fn what_spans_decades_gets_two_digits_of_its_half_width() {
        let of = |e: Estimate| Figure::significant(e).words();
        assert_eq!(of(Estimate::symmetric(0.765_42, 0.011_3)), "0.765 ±0.011");
        assert_eq!(of(Estimate::symmetric(612.3, 14.2)), "612 ±14");
        assert_eq!(of(Estimate::symmetric(8.0, 0.1)), "8.00 ±0.10");
        assert_eq!(of(Estimate::exact(80.0)), "80");
        assert_eq!(of(Estimate::exact(0.25)), "0.25");
        assert_eq!(of(Estimate::exact(1.0 / 3.0)), "0.3333");
    }
}
