//! Estimates with intervals, and the distributions they come from.
//!
//! Every interval in this program is a 95 % interval. A number without one is not a measurement.

use serde::{Deserialize, Serialize};

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

    /// Sum with an independent estimate; half widths add in quadrature on each side (GUM 5.1.2).
    pub fn plus(&self, other: &Estimate) -> Estimate {
        let low = (self.value - self.interval.low).hypot(other.value - other.interval.low);
        let high = (self.interval.high - self.value).hypot(other.interval.high - other.value);
        let value = self.value + other.value;
        Estimate { value, interval: Interval { low: value - low, high: value + high } }
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
    Told(Estimate),
    /// Only that it is below this (the upper end of an interval whose lower end is zero).
    Below(f64),
    /// Only that it is at least this.
    AtLeast(Estimate),
    /// Nothing, and why.
    NotTold(String),
}

impl Reading {
    /// The estimate of a told value or of a lower bound.
    pub fn estimate(&self) -> Option<&Estimate> {
        match self {
            Reading::Told(e) | Reading::AtLeast(e) => Some(e),
            Reading::Below(_) | Reading::NotTold(_) => None,
        }
    }

    /// The estimate of a told value only.
    pub fn told(&self) -> Option<&Estimate> {
        match self {
            Reading::Told(e) => Some(e),
            _ => None,
        }
    }
}

/// Placeholder until the analysis' distributions land.
pub fn t_quantile(_p: f64, _dof: f64) -> f64 {
    4.303
}
