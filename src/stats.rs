//! Estimates with intervals, and the distributions they come from.
//!
//! Every interval in this program is a 95 % interval. A number without one is not a measurement.

mod distributions;

pub use distributions::{
    chi_squared_quantile, f_cdf, f_quantile, incomplete_beta, incomplete_gamma, ln_gamma, noncentral_f_cdf,
    noncentrality_95, student_t_95, t_cdf, t_quantile,
};

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Half width of a 95 % interval in standard deviations, where very many degrees of freedom stand behind it.
pub const NORMAL_95: f64 = 1.96;

/// A closed interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// A value with its 95 % interval, in the unit the field name says.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best single value.
    pub value: f64,
    /// 95 % interval.
    pub interval: Interval,
}

impl Estimate {
    /// A symmetric interval.
    pub fn symmetric(value: f64, half_width: f64) -> Estimate {
        Estimate { value, interval: Interval { low: value - half_width, high: value + half_width } }
    }

    /// Known without doubt (definitions, typed values).
    pub fn exact(value: f64) -> Estimate {
        Estimate::symmetric(value, 0.0)
    }

    /// Half the width of the interval.
    pub fn half_width(&self) -> f64 {
        0.5 * (self.interval.high - self.interval.low)
    }

    /// Moved by a constant.
    pub fn shifted(&self, by: f64) -> Estimate {
        Estimate {
            value: self.value + by,
            interval: Interval { low: self.interval.low + by, high: self.interval.high + by },
        }
    }

    /// With its sign turned.
    pub fn negative(&self) -> Estimate {
        let Interval { low, high } = self.interval;
        Estimate { value: -self.value, interval: Interval { low: -high, high: -low } }
    }

    /// Sum with an independent estimate; half widths add in quadrature on each side (GUM 5.1.2).
    pub fn plus(&self, other: &Estimate) -> Estimate {
        let low = (self.value - self.interval.low).hypot(other.value - other.interval.low);
        let high = (self.interval.high - self.value).hypot(other.interval.high - other.value);
        let value = self.value + other.value;
        Estimate { value, interval: Interval { low: value - low, high: value + high } }
    }

    /// The lower of two: value and both ends.
    pub fn lower_of(a: Estimate, b: Estimate) -> Estimate {
        Estimate {
            value: a.value.min(b.value),
            interval: Interval { low: a.interval.low.min(b.interval.low), high: a.interval.high.min(b.interval.high) },
        }
    }

    /// `20 lg` of a positive amplitude with a half width that is a small share of it; `None` unless it is positive.
    pub fn in_db(&self) -> Option<Estimate> {
        let db = (self.value > 0.0).then(|| 20.0 * self.value.log10())?;
        Some(Estimate::symmetric(db, 20.0 * (1.0 + self.half_width() / self.value).log10()))
    }

    /// True where the interval holds `truth`.
    pub fn holds(&self, truth: f64) -> bool {
        self.interval.low <= truth && truth <= self.interval.high
    }
}

/// What a measurement can say of a quantity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reading {
    /// Value and interval.
    #[serde(rename = "told")]
    Determined(Estimate),
    /// Only that it is below this (the upper end of an interval whose lower end is zero).
    Below(f64),
    /// Only that it is at least this.
    AtLeast(Estimate),
    /// Nothing, and why.
    #[serde(rename = "not-told")]
    NotDetermined(String),
}

impl Reading {
    /// The estimate of a determined value or of a lower bound.
    pub fn estimate(&self) -> Option<&Estimate> {
        match self {
            Reading::Determined(e) | Reading::AtLeast(e) => Some(e),
            Reading::Below(_) | Reading::NotDetermined(_) => None,
        }
    }

    /// The same in another scale: `scale` must rise.
    pub fn rescaled(&self, scale: impl Fn(f64) -> f64) -> Reading {
        let both = |e: &Estimate| Estimate {
            value: scale(e.value),
            interval: Interval { low: scale(e.interval.low), high: scale(e.interval.high) },
        };
        match self {
            Reading::Determined(e) => Reading::Determined(both(e)),
            Reading::Below(high) => Reading::Below(scale(*high)),
            Reading::AtLeast(e) => Reading::AtLeast(both(e)),
            Reading::NotDetermined(why) => Reading::NotDetermined(why.clone()),
        }
    }

    /// Sum with an independent estimate; a bound moves with what is on its side.
    pub fn plus(&self, other: &Estimate) -> Reading {
        match self {
            Reading::Determined(e) => Reading::Determined(e.plus(other)),
            Reading::Below(high) => Reading::Below(high + other.interval.high),
            Reading::AtLeast(e) => Reading::AtLeast(e.plus(other)),
            Reading::NotDetermined(why) => Reading::NotDetermined(why.clone()),
        }
    }

    /// `from` less this: a lower bound becomes an upper one, at the end of its interval that is sure.
    pub fn taken_from(&self, from: f64) -> Reading {
        match self {
            Reading::Determined(e) => Reading::Determined(e.negative().shifted(from)),
            Reading::AtLeast(e) => Reading::Below(from - e.interval.low),
            Reading::Below(high) => Reading::AtLeast(Estimate::exact(from - high)),
            Reading::NotDetermined(why) => Reading::NotDetermined(why.clone()),
        }
    }

    /// The estimate of a determined value only.
    pub fn determined(&self) -> Option<&Estimate> {
        match self {
            Reading::Determined(e) => Some(e),
            _ => None,
        }
    }
}

/// Random draws for a Monte Carlo (JCGM 101:2008); the same seed gives the same draws.
#[derive(Clone, Debug)]
pub struct Draws(Pcg64);

impl Draws {
    /// Of this seed.
    pub fn new(seed: u64) -> Draws {
        Draws(Pcg64::seed_from_u64(seed))
    }

    /// Uniform between 0 and 1.
    pub fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// Uniform within a limit of either sign.
    pub fn within(&mut self, limit: f64) -> f64 {
        limit * (2.0 * self.uniform() - 1.0)
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let (a, b) = (self.uniform(), self.uniform());
        (-2.0 * a.ln()).sqrt() * (TAU * b).cos()
    }
}

/// `value` with the interval that holds 95 % of these draws of it, wide enough on both sides for the farther end.
pub fn estimate_from_draws(value: f64, mut draws: Vec<f64>) -> Estimate {
    draws.sort_by(f64::total_cmp);
    let at = |share: f64| draws.get(((share * draws.len() as f64) as usize).min(draws.len().saturating_sub(1)));
    let (low, high) = (at(0.025).copied().unwrap_or(value), at(0.975).copied().unwrap_or(value));
    Estimate::symmetric(value, (value - low).max(high - value).max(0.0))
}

/// Mean of repeated readings with its interval, `mean ± t·s/√n` (GUM 4.2.3, G.3); `None` of fewer than two.
pub fn mean_of(readings: &[f64]) -> Option<Estimate> {
    let deviation = standard_deviation(readings)?;
    let n = readings.len() as f64;
    let mean = readings.iter().sum::<f64>() / n;
    Some(Estimate::symmetric(mean, student_t_95(n - 1.0) * deviation / n.sqrt()))
}

/// Experimental standard deviation of repeated readings, `√(Σ(x − mean)²/(n − 1))` (GUM 4.2.2); `None` of fewer than two.
pub fn standard_deviation(readings: &[f64]) -> Option<f64> {
    if readings.len() < 2 {
        return None;
    }
    let n = readings.len() as f64;
    let mean = readings.iter().sum::<f64>() / n;
    Some((readings.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Five seatings, worked with scipy: mean 101.1, s 0.578792, t(4) 2.776445, interval 100.381335 … 101.818665.
    #[test]
    fn repeated_readings_give_their_mean_with_students_interval() {
        let mean = mean_of(&[101.2, 100.7, 101.9, 100.4, 101.3]).unwrap();
        assert!((mean.value - 101.1).abs() < 1e-9);
        assert!((mean.interval.low - 100.381_335).abs() < 1e-5 && (mean.interval.high - 101.818_665).abs() < 1e-5);
        assert!(mean_of(&[1.0]).is_none());
    }

    /// At least 3 ±0.5: 10 less that is below 7.5, not below 7.
    #[test]
    fn a_bound_that_is_taken_from_a_number_holds_its_whole_interval() {
        let at_least = Reading::AtLeast(Estimate::symmetric(3.0, 0.5));
        assert_eq!(at_least.taken_from(10.0), Reading::Below(7.5));
    }

    /// The same seatings of two outputs, paired, worked with scipy: differences 0.96 in the mean, t(4) = 24.0, interval
    /// 0.848942 … 1.071058: measured on the same seats, the seats drop out.
    #[test]
    fn paired_seatings_tell_more_than_two_sets_of_them() {
        let (a, b) = ([101.2, 100.7, 101.9, 100.4, 101.3], [100.1, 99.8, 100.9, 99.5, 100.4]);
        let paired: Vec<f64> = a.iter().zip(b).map(|(a, b)| a - b).collect();
        let mean = mean_of(&paired).unwrap();
        assert!((mean.interval.low - 0.848_942).abs() < 1e-5 && (mean.interval.high - 1.071_058).abs() < 1e-5);
        let t = mean.value / (standard_deviation(&paired).unwrap() / 5f64.sqrt());
        assert!((t - 24.0).abs() < 1e-6, "{t}");
    }
}
