//! What the seats of the headphone change in the *shape* of its response: every quantity less the level that is matched.
//! What a seat changes in the level itself is matched away with it.
//!
//! Within one seat the takes' own intervals count. Between seats the scatter of both sessions' seats counts, pooled over
//! bands, because two seats alone show nothing per band; a band that scatters more than the pool keeps its own, so that
//! treble that moves with every fit is not called an output's difference.

use super::side::cell;
use super::{MatchedOn, NotComparable};
use crate::card::InputRole;
use crate::session::record::Record;
use crate::session::seats::seats;
use std::collections::BTreeMap;

/// Degrees of freedom of a one-third octave's own noise: of the narrowest, which holds some ten lines over three differences of
/// four periods; wider ones have more.
const BAND_DOF: f64 = 30.0;
/// The same of a cell of the fine grid: one line, over three differences of four periods, and two takes.
const CELL_DOF: f64 = 12.0;
/// Seats move all one-third octaves, but hardly more than so many of them independently: the pooled scatter is known with
/// so many times the degrees of freedom that the seats alone have.
const INDEPENDENT: f64 = 4.0;

/// A quantity that has a shape: a one-third octave or a cell of the 1/48-octave grid.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Part {
    /// One-third octave, 0 is 1 kHz.
    Band(i32),
    /// Number of the cell, 0 is 1 kHz.
    Cell(i64),
}

/// One seat's reference take: every part less the level that is matched, dB.
struct Seat {
    number: u32,
    /// It leaks: known, but neither in a mean nor in a scatter.
    leaks: bool,
    level_per_drive_db: f64,
    parts: BTreeMap<Part, f64>,
}

/// The seats of one session.
pub(super) struct Fits {
    seats: Vec<Seat>,
    /// The one seat that is compared; `None`: the mean of all.
    only: Option<u32>,
}

impl Fits {
    /// `only`: the seat that stayed on the coupler.
    pub(super) fn of(record: &Record, input: usize, role: InputRole, on: MatchedOn, only: Option<u32>) -> Fits {
        let all = seats(record).into_iter().find(|s| s.role == role);
        let leaks = |seat: u32| all.as_ref().is_some_and(|all| all.leaks.iter().any(|(leaking, _)| *leaking == seat));
        let takes = record.steps.iter().filter(|s| s.step.purpose.shows_seat());
        let seat = |step: &crate::session::record::StepResult| {
            let (pink, _) = step.pink(input)?;
            let (level, drive) = (on.level_of(pink)?.value, step.step.drive?.db());
            let bands = pink.bands.iter().filter_map(|b| Some((Part::Band(b.x), b.level?.value - level)));
            let gain = level - drive;
            let fine = pink.response.iter().map(|p| (Part::Cell(cell(p.frequency_hz)), p.gain_db - gain));
            let leaks = leaks(step.seat);
            Some(Seat { number: step.seat, leaks, level_per_drive_db: gain, parts: bands.chain(fine).collect() })
        };
        Fits { seats: takes.filter_map(seat).collect(), only }
    }

    /// True of the one seat that is compared.
    pub(super) fn is_compared(&self, seat: u32) -> bool {
        self.only == Some(seat)
    }

    fn tight(&self) -> impl Iterator<Item = &Seat> {
        self.seats.iter().filter(|seat| !seat.leaks)
    }

    fn count(&self) -> usize {
        self.tight().count()
    }

    fn mean(&self, of: impl Fn(&Seat) -> Option<f64>) -> Option<f64> {
        let counted = self.seats.iter().filter(|seat| self.only.map_or(!seat.leaks, |only| seat.number == only));
        let values: Vec<f64> = counted.map(of).collect::<Option<_>>()?;
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    }

    /// What takes a part measured on `seat` to the seat (or the mean seat) that is compared, dB; `None` where it is not known.
    pub(super) fn moved(&self, seat: u32, part: Part) -> Option<f64> {
        self.moved_by(seat, |s| s.parts.get(&part).copied())
    }

    /// The same of the level that is matched.
    pub(super) fn level_moved(&self, seat: u32) -> f64 {
        self.moved_by(seat, |s| Some(s.level_per_drive_db)).unwrap_or(0.0)
    }

    fn moved_by(&self, seat: u32, of: impl Fn(&Seat) -> Option<f64>) -> Option<f64> {
        if self.seats.len() < 2 || self.only == Some(seat) {
            return Some(0.0);
        }
        Some(self.mean(&of)? - of(self.seats.iter().find(|s| s.number == seat)?)?)
    }

    /// Sum of squares about the mean; `None` where a seat does not show the part.
    fn squares(&self, part: Part) -> Option<f64> {
        let values: Vec<f64> = self.tight().map(|s| s.parts.get(&part).copied()).collect::<Option<_>>()?;
        let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
        Some(values.iter().map(|v| (v - mean).powi(2)).sum())
    }
}

/// How far a difference between two sessions scatters from fit to fit.
pub(super) struct Scatter {
    own: BTreeMap<Part, f64>,
    pooled_band: f64,
    pooled_cell: f64,
    pub(super) dof: f64,
    pub(super) seats: Option<(usize, usize)>,
}

impl Scatter {
    pub(super) fn between(a: &Fits, b: &Fits, same_seat: bool) -> Result<Scatter, NotComparable> {
        if same_seat {
            let own = BTreeMap::new();
            return Ok(Scatter { own, pooled_band: 0.0, pooled_cell: 0.0, dof: BAND_DOF, seats: None });
        }
        let (n_a, n_b) = (a.count(), b.count());
        if n_a == 0 || n_b == 0 || n_a + n_b < 3 {
            return Err(NotComparable::SeatsUnknown);
        }
        let dof = (n_a + n_b - 2) as f64;
        // Variance of a difference of two means with a common variance (pooled two-sample t).
        let of_difference = 1.0 / n_a as f64 + 1.0 / n_b as f64;
        let variance = |part: &Part| Some((*part, (a.squares(*part)? + b.squares(*part)?) / dof * of_difference));
        let parts = a.tight().next().map(|s| s.parts.keys()).into_iter().flatten();
        let own: BTreeMap<Part, f64> = parts.filter_map(variance).collect();
        let pooled = |is_band: bool| {
            let counted = own.iter().filter(|(part, _)| matches!(part, Part::Band(_)) == is_band);
            let (sum, n) = counted.fold((0.0, 0usize), |(sum, n), (_, v)| (sum + v, n + 1));
            sum / n.max(1) as f64
        };
        let (pooled_band, pooled_cell) = (pooled(true), pooled(false));
        let dof = INDEPENDENT * dof;
        Ok(Scatter { own, pooled_band, pooled_cell, dof, seats: Some((n_a, n_b)) })
    }

    /// Degrees of freedom of a point of the fine line.
    pub(super) fn dof_of_a_cell(&self) -> f64 {
        self.dof.min(CELL_DOF)
    }

    /// Standard uncertainty of the difference of one part, dB.
    pub(super) fn standard_db(&self, part: Part) -> f64 {
        let pooled = match part {
            Part::Band(_) => self.pooled_band,
            Part::Cell(_) => self.pooled_cell,
        };
        self.own.get(&part).copied().unwrap_or(0.0).max(pooled).sqrt()
    }

    /// Of a ratio of two levels at different frequencies: both scatter. `near`: the band they lie near; `None`: anywhere.
    pub(super) fn ratio_standard_db(&self, near: Option<i32>) -> f64 {
        let one = near.map_or(self.pooled_band.sqrt(), |x| self.standard_db(Part::Band(x)));
        one.hypot(self.pooled_band.sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::t_quantile;

    fn fits(values: &[f64]) -> Fits {
        let seat = |(v, number): (&f64, u32)| Seat {
            number,
            leaks: false,
            level_per_drive_db: 0.0,
            parts: [(Part::Band(0), *v)].into_iter().collect(),
        };
        Fits { seats: values.iter().zip(1..).map(seat).collect(), only: None }
    }

    /// Two times five seatings, worked with scipy: difference 0.96, pooled t(8) = 2.708797, interval 0.142750 … 1.777250.
    #[test]
    fn seats_of_two_sessions_scatter_as_in_the_pooled_t_test() {
        let (a, b) = (fits(&[100.1, 99.8, 100.9, 99.5, 100.4]), fits(&[101.2, 100.7, 101.9, 100.4, 101.3]));
        let scatter = Scatter::between(&a, &b, false).unwrap();
        let standard = scatter.standard_db(Part::Band(0));
        let moved = |f: &Fits| f.moved(1, Part::Band(0)).unwrap();
        let difference = (101.2 + moved(&b)) - (100.1 + moved(&a));
        assert!((difference - 0.96).abs() < 1e-9 && (difference / standard - 2.708_797).abs() < 1e-5);
        // Over many bands the pooled scatter is known better than by one.
        assert!((scatter.dof - INDEPENDENT * 8.0).abs() < 1e-12);
        let half = t_quantile(0.975, 8.0) * standard;
        assert!((difference - half - 0.142_750).abs() < 1e-5 && (difference + half - 1.777_250).abs() < 1e-5);
    }

    #[test]
    fn a_band_that_scatters_more_than_the_pool_keeps_its_own() {
        let with = |wide: [f64; 3]| {
            let mut fits = fits(&[0.0, 0.1, -0.1]);
            for (seat, v) in fits.seats.iter_mut().zip(wide) {
                seat.parts.insert(Part::Band(9), v);
            }
            fits
        };
        let scatter = Scatter::between(&with([2.0, 0.0, -2.0]), &with([1.0, 0.0, -1.0]), false).unwrap();
        // (8 + 2)/4 · 2/3; the pool lies between this and (0.02 + 0.02)/4 · 2/3.
        assert!((scatter.standard_db(Part::Band(9)).powi(2) - 10.0 / 4.0 * 2.0 / 3.0).abs() < 1e-12);
        assert!((scatter.standard_db(Part::Band(0)).powi(2) - 0.5 * (10.0 + 0.04) / 4.0 * 2.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_climb_on_a_leaking_seat_is_moved_to_the_tight_ones() {
        let mut fits = fits(&[-6.0, 0.2, 0.4]);
        fits.seats[0].leaks = true;
        assert_eq!(fits.count(), 2);
        assert!((fits.moved(1, Part::Band(0)).unwrap() - 6.3).abs() < 1e-12);
        assert!((fits.squares(Part::Band(0)).unwrap() - 0.02).abs() < 1e-12);
    }

    #[test]
    fn one_seat_each_tells_nothing_of_the_fit_unless_it_is_the_same() {
        let one = || fits(&[0.0]);
        assert!(matches!(Scatter::between(&one(), &one(), false), Err(NotComparable::SeatsUnknown)));
        assert!(Scatter::between(&one(), &one(), true).is_ok_and(|s| s.seats.is_none()));
    }
}
