//! Volts, ohms and milliwatts as people read them: as many digits as the interval deserves.

use super::{AtLoad, Impedance, ImpedancePoint};
use crate::figure::Figure;
use crate::stats::{Estimate, Interval};
use crate::units::{dbu, dbv, tidy, tidy_signed};
use std::fmt;

/// Volts RMS with their interval.
pub fn volts_words(volts: &Estimate) -> String {
    let unit = if volts.value < 0.1 { ("mV", 1e3) } else { ("V", 1.0) };
    Figure::significant(scaled(volts, unit.1)).in_unit(unit.0)
}

/// The same, in dBV and in dBu too.
pub fn level_words(volts: &Estimate) -> String {
    let minus = |x: f64| tidy(x, 1);
    let decibels = dbv(volts.value).zip(dbu(volts.value));
    let decibels = decibels.map_or(String::new(), |(v, u)| format!(" ({} dBV, {} dBu)", minus(v), minus(u)));
    volts_words(volts) + &decibels
}

/// Ohms with their interval.
pub fn ohms_words(ohms: &Estimate) -> String {
    Figure::significant(*ohms).in_unit("Ω")
}

/// An impedance at 1 kHz and, over frequency, at the octaves, a line each.
pub fn impedance_words(what: &str, stated: &Estimate, curve: &Impedance) -> Vec<String> {
    let mut words = vec![format!("{what}: {} at 1 kHz, at the {} ({})", ohms_words(stated), curve.plane, curve.from)];
    let octaves = [20.0, 50.0, 100.0, 200.0, 500.0, 1_000.0, 2_000.0, 5_000.0, 10_000.0, 20_000.0];
    for f_hz in octaves {
        let away = |p: &ImpedancePoint| (p.frequency_hz / f_hz).ln().abs();
        let near = curve.points.iter().min_by(|a, b| away(a).total_cmp(&away(b)));
        words.extend(near.filter(|p| away(p) < 0.1).map(|p| {
            let degrees = p.z().arg().to_degrees();
            format!("  {:7.0} Hz  {}  {}°", p.frequency_hz, ohms_words(&p.magnitude), tidy_signed(degrees, 1))
        }));
    }
    words
}

/// Milliwatts with their interval.
pub fn power_words(milliwatts: &Estimate) -> String {
    let unit = if milliwatts.value < 0.1 { ("µW", 1e3) } else { ("mW", 1.0) };
    Figure::significant(scaled(milliwatts, unit.1)).in_unit(unit.0)
}

fn scaled(e: &Estimate, by: f64) -> Estimate {
    let interval = Interval { low: e.interval.low * by, high: e.interval.high * by };
    Estimate { value: e.value * by, interval }
}

/// `0.1414 ±0.0020 V (−17.0 dBV, −14.8 dBu), 0.250 ±0.010 mW at the load`.
impl fmt::Display for AtLoad {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let power = self.milliwatts.map_or(String::new(), |p| format!(", {}", power_words(&p)));
        let place = if self.open { "open" } else { "at the load" };
        write!(f, "{}{power} {place}", level_words(&self.volts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_interval_gets_two_digits() {
        assert_eq!(volts_words(&Estimate::symmetric(0.765_42, 0.011_3)), "0.765 ±0.011 V");
        assert_eq!(volts_words(&Estimate::symmetric(0.076_5, 0.001_13)), "76.5 ±1.1 mV");
        assert_eq!(ohms_words(&Estimate::exact(80.0)), "80 Ω");
        assert_eq!(ohms_words(&Estimate::symmetric(612.3, 14.2)), "612 ±14 Ω");
        assert_eq!(ohms_words(&Estimate::symmetric(8.0, 0.1)), "8.00 ±0.10 Ω");
        let at = AtLoad {
            volts: Estimate::symmetric(0.1414, 0.002),
            milliwatts: Some(Estimate::symmetric(0.25, 0.01)),
            open: false,
        };
        assert_eq!(at.to_string(), "0.1414 ±0.0020 V (−17.0 dBV, −14.8 dBu), 0.250 ±0.010 mW at the load");
    }
}
