//! Gains on a frequency grid, plain data: what must be added to a captured level at each frequency before bands are
//! summed (a microphone's curve). Made by `calibration`, applied by the analysis.
//!
//! Straight in dB over log frequency between its points. Nothing is extrapolated: beyond the ends the end values hold,
//! and whoever makes a level of what lies there says so ([`Correction::outside`]).

use super::finding::Flaw;
use serde::{Deserialize, Serialize};

/// Share of a level's power outside the curve from which the level is doubtful.
const DOUBTFUL_SHARE: f64 = 0.5;

/// Piecewise linear in dB over log frequency; zero everywhere without any point.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Points", into = "Points")]
pub struct Correction {
    /// (frequency in Hz, dB to add), rising in frequency.
    points: Vec<(f64, f64)>,
    /// Where every part of a sum is known, Hz; `None` for a single curve, which knows what lies between its ends.
    known_hz: Option<(f64, f64)>,
}

/// As stored.
#[derive(Clone, Serialize, Deserialize)]
struct Points {
    points: Vec<(f64, f64)>,
}

impl TryFrom<Points> for Correction {
    type Error = &'static str;

    fn try_from(stored: Points) -> Result<Correction, Self::Error> {
        Correction::new(stored.points).ok_or("the points of a correction must be finite and rise in frequency")
    }
}

impl From<Correction> for Points {
    fn from(correction: Correction) -> Points {
        Points { points: correction.points }
    }
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
        (finite && rising).then_some(Correction { points, known_hz: None })
    }

    /// True without any point.
    pub fn is_none(&self) -> bool {
        self.points.is_empty()
    }

    /// (frequency in Hz, dB to add), rising in frequency.
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// First and last frequency known, Hz.
    pub fn range_hz(&self) -> Option<(f64, f64)> {
        self.known_hz.or(Some((self.points.first()?.0, self.points.last()?.0)))
    }

    /// dB to add at `f_hz`; outside the range the nearest end holds.
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

    /// Both together: exact at every frequency, known where both are.
    pub fn plus(&self, other: &Correction) -> Correction {
        let (Some(here), Some(there)) = (self.range_hz(), other.range_hz()) else {
            return if self.is_none() { other.clone() } else { self.clone() };
        };
        let mut at: Vec<f64> = self.points.iter().chain(&other.points).map(|(f, _)| *f).collect();
        at.sort_by(f64::total_cmp);
        at.dedup_by(|a, b| a.total_cmp(b).is_eq());
        let points = at.into_iter().map(|f| (f, self.db_at(f) + other.db_at(f))).collect();
        Correction { points, known_hz: Some((here.0.max(there.0), here.1.min(there.1))) }
    }

    /// What a level made of these powers, (Hz, power), owes to frequencies outside the curve; `None` where it owes nothing.
    pub fn outside(&self, powers: impl IntoIterator<Item = (f64, f64)>) -> Option<Flaw> {
        let (low, high) = self.range_hz()?;
        let (mut inside, mut outside) = (0.0, 0.0);
        for (f_hz, power) in powers {
            *(if (low..=high).contains(&f_hz) { &mut inside } else { &mut outside }) += power;
        }
        let share = outside / (inside + outside);
        let stated = |text| {
            if share > DOUBTFUL_SHARE { Flaw::doubt("outside-curve", text) } else { Flaw::note("outside-curve", text) }
        };
        (share > 0.0).then(|| stated(format!(
            "{} of the level's power lies outside the correction curve, which ends at {} and {}: there its end values hold, nothing is extrapolated. A curve over the whole range is better.",
            in_percent(share), in_hertz(low), in_hertz(high)
        )))
    }
}

fn in_percent(share: f64) -> String {
    match 100.0 * share {
        under if under < 0.1 => "Under 0.1 %".into(),
        few if few < 10.0 => format!("{few:.1} %"),
        many => format!("{many:.0} %"),
    }
}

fn in_hertz(f_hz: f64) -> String {
    if f_hz < 1000.0 { format!("{f_hz:.0} Hz") } else { format!("{:.1} kHz", f_hz / 1000.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Weight;

    #[test]
    fn interpolation_is_straight_over_log_frequency_and_never_leaves_the_ends() {
        let c = Correction::new(vec![(100.0, 0.0), (10_000.0, 2.0)]).unwrap();
        assert!((c.db_at(1000.0) - 1.0).abs() < 1e-12);
        assert!((c.db_at(10.0)).abs() < 1e-12 && (c.db_at(20_000.0) - 2.0).abs() < 1e-12);
        assert!(Correction::new(vec![(100.0, 0.0), (100.0, 1.0)]).is_none());
    }

    #[test]
    fn a_sum_is_exact_everywhere_and_known_where_both_are() {
        let a = Correction::new(vec![(20.0, 1.0), (1000.0, 0.0), (20_000.0, -3.0)]).unwrap();
        let b = Correction::new(vec![(100.0, 0.5), (10_000.0, 2.0)]).unwrap();
        let sum = a.plus(&b);
        for f_hz in [10.0, 20.0, 55.0, 100.0, 317.0, 1000.0, 9_999.0, 15_000.0, 30_000.0] {
            assert!((sum.db_at(f_hz) - a.db_at(f_hz) - b.db_at(f_hz)).abs() < 1e-12, "{f_hz}");
        }
        assert_eq!(sum.range_hz(), Some((100.0, 10_000.0)));
        assert_eq!(a.plus(&Correction::none()), a);
        assert_eq!(Correction::none().plus(&a), a);
    }

    #[test]
    fn more_than_half_of_the_power_outside_is_a_doubt_and_less_a_note() {
        let c = Correction::new(vec![(100.0, 0.0), (1000.0, 2.0)]).unwrap();
        let of = |outside: f64| c.outside([(500.0, 1.0 - outside), (50.0, 0.5 * outside), (2000.0, 0.5 * outside)]);
        assert_eq!(of(0.0), None);
        let note = of(0.25).unwrap();
        assert!(
            note.weight == Weight::Note && note.text.starts_with("25 %") && note.text.contains("100 Hz"),
            "{note:?}"
        );
        assert!(note.text.contains("1.0 kHz"), "{note:?}");
        assert_eq!(of(0.5).unwrap().weight, Weight::Note);
        assert_eq!(of(0.51).unwrap().weight, Weight::Doubt);
        assert!(of(0.0001).unwrap().text.starts_with("Under 0.1 %"));
        assert_eq!(Correction::none().outside([(500.0, 1.0)]), None);
    }

    #[test]
    fn stored_points_must_rise() {
        let stored = serde_json::to_string(&Correction::new(vec![(20.0, 1.0), (1000.0, 0.0)]).unwrap()).unwrap();
        assert_eq!(stored, r#"{"points":[[20.0,1.0],[1000.0,0.0]]}"#);
        assert!(serde_json::from_str::<Correction>(&stored).is_ok());
        let error = serde_json::from_str::<Correction>(r#"{"points":[[20.0,1.0],[10.0,0.0]]}"#).unwrap_err();
        assert!(error.to_string().contains("rise"), "{error}");
    }
}
