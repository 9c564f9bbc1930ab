//! An impedance over frequency with its intervals.

use super::Resistor;
use crate::stats::{Estimate, estimate_from_draws};
use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Frequency whose magnitude is given in one number.
const STATED_AT_HZ: f64 = 1000.0;
/// As near as this counts, octaves: a few of the points that there are.
const NEAR_OCTAVES: f64 = 0.1;
/// Significant digits kept: a hundredth of the smallest interval there is.
const DIGITS: i32 = 6;

/// An impedance at one frequency. Stored as a row: frequency, real and imaginary part, half widths of real and imaginary
/// part and of the magnitude (95 %), ohm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(from = "[f64; 6]", into = "[f64; 6]")]
pub struct ImpedancePoint {
    /// Hz.
    pub frequency_hz: f64,
    /// Real part, ohm.
    pub re: Estimate,
    /// Imaginary part, ohm.
    pub im: Estimate,
    /// Magnitude, ohm.
    pub magnitude: Estimate,
}

impl ImpedancePoint {
    /// `z` with the intervals of these draws of it.
    pub(super) fn drawn(frequency_hz: f64, z: Complex<f64>, draws: &[Complex<f64>]) -> ImpedancePoint {
        let of =
            |value: f64, part: fn(&Complex<f64>) -> f64| estimate_from_draws(value, draws.iter().map(part).collect());
        ImpedancePoint {
            frequency_hz,
            re: of(z.re, |z| z.re),
            im: of(z.im, |z| z.im),
            magnitude: of(z.norm(), |z| z.norm()),
        }
    }

    /// Value.
    pub fn z(&self) -> Complex<f64> {
        Complex::new(self.re.value, self.im.value)
    }
}

impl From<[f64; 6]> for ImpedancePoint {
    fn from([frequency_hz, re, im, re_half, im_half, half]: [f64; 6]) -> ImpedancePoint {
        ImpedancePoint {
            frequency_hz,
            re: Estimate::symmetric(re, re_half),
            im: Estimate::symmetric(im, im_half),
            magnitude: Estimate::symmetric(re.hypot(im), half),
        }
    }
}

impl From<ImpedancePoint> for [f64; 6] {
    fn from(p: ImpedancePoint) -> [f64; 6] {
        let all =
            [p.frequency_hz, p.re.value, p.im.value, p.re.half_width(), p.im.half_width(), p.magnitude.half_width()];
        all.map(rounded)
    }
}

/// To [`DIGITS`] significant digits.
fn rounded(x: f64) -> f64 {
    format!("{x:.*e}", DIGITS as usize - 1).parse().unwrap_or(x)
}

/// How an impedance was found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "kebab-case")]
pub enum ImpedanceFrom {
    /// Voltages of a meter, open and loaded or on two loads: its magnitude as if it were a resistance.
    Voltages {
        /// First reading, volts.
        first_v: f64,
        /// Its load; `None`: open.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        first: Option<Resistor>,
        /// Second reading, volts.
        second_v: f64,
        /// Its load.
        second: Resistor,
    },
    /// Takes open and on a known resistor, or on two of them.
    Loads {
        /// First load; `None`: open.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        first: Option<Resistor>,
        /// Second load.
        second: Resistor,
    },
    /// As stated by somebody else, in words.
    Stated {
        /// By whom.
        source: String,
    },
    /// A known series resistor between two inputs.
    SeriesResistor {
        /// It.
        series: Resistor,
    },
}

impl fmt::Display for ImpedanceFrom {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let load = |r: &Option<Resistor>| r.map_or("open".to_string(), |r| format!("on {} Ω", r.ohm));
        match self {
            ImpedanceFrom::Voltages { first_v, first, second_v, second } => {
                write!(f, "{first_v} V {} and {second_v} V on {} Ω", load(first), second.ohm)
            }
            ImpedanceFrom::Loads { first, second } => write!(f, "{} and on {} Ω", load(first), second.ohm),
            ImpedanceFrom::Stated { source } => write!(f, "stated: {source}"),
            ImpedanceFrom::SeriesResistor { series } => write!(f, "through {} Ω in series", series.ohm),
        }
    }
}

/// An impedance as measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Impedance {
    /// How.
    pub from: ImpedanceFrom,
    /// The plane that it holds for, in words (`headphone plug`).
    pub plane: String,
    /// RFC 3339.
    pub taken_at: String,
    /// Rising in frequency; empty where only one number is known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<ImpedancePoint>,
}

impl Impedance {
    /// Smallest and largest magnitude with the frequencies they stand at.
    pub fn extremes(&self) -> Option<[ImpedancePoint; 2]> {
        let size = |p: &&ImpedancePoint| p.magnitude.value;
        let low = self.points.iter().min_by(|a, b| size(a).total_cmp(&size(b)))?;
        let high = self.points.iter().max_by(|a, b| size(a).total_cmp(&size(b)))?;
        Some([*low, *high])
    }

    /// Value at `f_hz`: straight over the logarithm of frequency between points, held at the ends; `None` without any.
    pub fn z_at(&self, f_hz: f64) -> Option<Complex<f64>> {
        let after = self.points.partition_point(|p| p.frequency_hz < f_hz);
        let (Some(low), Some(high)) = (after.checked_sub(1).and_then(|i| self.points.get(i)), self.points.get(after))
        else {
            return self.points.get(after).or(self.points.last()).map(ImpedancePoint::z);
        };
        let share = (f_hz / low.frequency_hz).ln() / (high.frequency_hz / low.frequency_hz).ln();
        Some(low.z() * (1.0 - share) + high.z() * share)
    }
}

/// Magnitude at 1 kHz: the number that is given; `None` where no point lies near.
pub fn at_1_khz(points: &[ImpedancePoint]) -> Option<Estimate> {
    let octaves = |p: &ImpedancePoint| (p.frequency_hz / STATED_AT_HZ).log2().abs();
    let nearest = points.iter().min_by(|a, b| octaves(a).total_cmp(&octaves(b)))?;
    (octaves(nearest) < NEAR_OCTAVES).then_some(nearest.magnitude)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_is_stored_as_a_row_of_six_digits() {
        let point = ImpedancePoint::from([997.123_456_7, 32.123_456, -4.5, 0.1, 0.2, 0.123_456_78]);
        let text = serde_json::to_string(&point).unwrap();
        assert_eq!(text, "[997.123,32.1235,-4.5,0.1,0.2,0.123457]");
        let read: ImpedancePoint = serde_json::from_str(&text).unwrap();
        assert!((read.magnitude.value - 32.1235f64.hypot(4.5)).abs() < 1e-12);
    }

    #[test]
    fn between_points_it_is_straight_over_the_octaves_and_held_at_the_ends() {
        let point = |f: f64, re: f64| ImpedancePoint::from([f, re, 0.0, 0.0, 0.0, 0.0]);
        let curve = Impedance {
            from: ImpedanceFrom::SeriesResistor { series: Resistor { ohm: 100.0, tolerance_percent: 1.0 } },
            plane: String::new(),
            taken_at: String::new(),
            points: vec![point(100.0, 40.0), point(400.0, 20.0)],
        };
        let at = |f| curve.z_at(f).unwrap().re;
        assert!((at(200.0) - 30.0).abs() < 1e-12 && (at(10.0) - 40.0).abs() < 1e-12 && (at(4e3) - 20.0).abs() < 1e-12);
        assert_eq!(at_1_khz(&curve.points), None);
        assert!((curve.extremes().unwrap()[0].magnitude.value - 20.0).abs() < 1e-12);
    }
}
