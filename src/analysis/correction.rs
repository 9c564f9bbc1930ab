//! Gains on a frequency grid, plain data: what must be added to a captured level at each frequency before bands are
//! summed (a microphone's curve). Made by `calibration`, applied by the analysis.

use serde::{Deserialize, Serialize};

/// Piecewise linear in dB over log frequency; flat zero where nothing is known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// (frequency in Hz, dB to add), rising in frequency.
    points: Vec<(f64, f64)>,
}

impl Correction {
    /// No correction.
    pub fn none() -> Correction {
        Correction::default()
    }

    /// From points with rising positive frequencies; `None` where they do not rise or are not finite.
    pub fn new(points: Vec<(f64, f64)>) -> Option<Correction> {
        let finite = points.iter().all(|(f, db)| f.is_finite() && *f > 0.0 && db.is_finite());
        let rising = points.windows(2).all(|w| w[0].0 < w[1].0);
        (finite && rising).then_some(Correction { points })
    }

    /// True without any point.
    pub fn is_none(&self) -> bool {
        self.points.is_empty()
    }

    /// First and last frequency known, Hz.
    pub fn range_hz(&self) -> Option<(f64, f64)> {
        Some((self.points.first()?.0, self.points.last()?.0))
    }

    /// dB to add at `f_hz`; outside the range the nearest end holds (and `evaluate.rs` says so).
    pub fn db_at(&self, f_hz: f64) -> f64 {
        let Some(last) = self.points.last() else { return 0.0 };
        let after = self.points.partition_point(|(f, _)| *f < f_hz);
        if after == 0 {
            return self.points[0].1;
        }
        let Some(&(f1, d1)) = self.points.get(after) else { return last.1 };
        let (f0, d0) = self.points[after - 1];
        d0 + (d1 - d0) * (f_hz / f0).ln() / (f1 / f0).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interpolation_is_straight_over_log_frequency_and_never_leaves_the_ends() {
        let c = Correction::new(vec![(100.0, 0.0), (10_000.0, 2.0)]).unwrap();
        assert!((c.db_at(1000.0) - 1.0).abs() < 1e-12);
        assert!((c.db_at(10.0)).abs() < 1e-12 && (c.db_at(20_000.0) - 2.0).abs() < 1e-12);
        assert!(Correction::new(vec![(100.0, 0.0), (100.0, 1.0)]).is_none());
    }
}
