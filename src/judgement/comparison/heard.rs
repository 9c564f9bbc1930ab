//! One output as a comparison hears it: at one matched level, or at the same level in several rounds between swaps.
//!
//! Rounds alternate, `x₀ … xₙ₋₁`. Every round but the outer two is held against the mean of its neighbours, which are the
//! other output's: `xᵣ − (xᵣ₋₁ + xᵣ₊₁)/2`. What drifts steadily falls out of that, and what moves once, whenever it does,
//! lies within half the change from one neighbour to the other. That half is added to the interval as a bound; it is no
//! scatter and does not become less with more rounds.

use super::side::{Level, Place, Point, Side};
use crate::session::plan::Order;
use crate::stats::{Estimate, Interval, Reading};

/// One output at the matched level.
pub(super) struct Heard<'a> {
    pub(super) side: Side<'a>,
    /// Where the level lies; in rounds, once in each.
    pub(super) places: Vec<Place<'a>>,
    weights: Vec<f64>,
    /// Share of a change from one round to the next that a difference may carry.
    moved_share: f64,
}

/// A reading, and what its rounds leave open beside its interval, dB.
pub(super) type Read = (Reading, f64);

impl<'a> Heard<'a> {
    /// At one level of a session.
    pub(super) fn once(side: Side<'a>, place: Place<'a>) -> Heard<'a> {
        Heard { side, places: vec![place], weights: vec![1.0], moved_share: 0.0 }
    }

    /// In the rounds of one output of a swap, of which `rounds` were played in all (three at least).
    pub(super) fn in_rounds(side: Side<'a>, places: Vec<Place<'a>>, order: Order, rounds: usize) -> Heard<'a> {
        let weights = weights(order, rounds);
        Heard { side, places, weights, moved_share: 0.5 / (rounds - 2) as f64 }
    }

    /// Where the level lies, of several rounds in the first.
    pub(super) fn place(&self) -> &Place<'a> {
        &self.places[0]
    }

    /// Its level less the matched one, dB.
    pub(super) fn off_db(&self) -> f64 {
        self.places.iter().zip(&self.weights).map(|(place, w)| w * place.off_db).sum()
    }

    /// A one-third octave less the matched level.
    pub(super) fn band(&self, x: i32) -> Option<Level> {
        self.together(|place| self.side.band(place, x))
    }

    /// A point of the response less the gain that the matched level has.
    pub(super) fn cell(&self, of: i64) -> Option<Level> {
        self.together(|place| self.side.cell(place, of))
    }

    /// Any other level of the steps.
    pub(super) fn mixed(&self, at: impl Fn(&Point) -> Option<Level>) -> Option<Level> {
        self.together(|place| place.mixed(&at))
    }

    /// Of one level per round: weighted mean, and what has moved.
    pub(super) fn of_rounds(&self, levels: &[Level]) -> Level {
        let with_weight = || levels.iter().zip(&self.weights);
        let moved: f64 = levels.windows(2).map(|pair| (pair[1].value - pair[0].value).abs()).sum();
        Level {
            value: with_weight().map(|(level, w)| w * level.value).sum(),
            half: with_weight().map(|(level, w)| (w * level.half).powi(2)).sum::<f64>().sqrt(),
            moved: self.moved_share * moved,
        }
    }

    fn together(&self, at: impl Fn(&Place<'a>) -> Option<Level>) -> Option<Level> {
        let levels: Vec<Level> = self.places.iter().map(at).collect::<Option<_>>()?;
        Some(self.of_rounds(&levels))
    }

    /// A reading of the steps. Of rounds of which not all show it, less is given than by the lowest alone.
    pub(super) fn reading(&self, at: impl Fn(&Point) -> Option<Reading>) -> Option<Read> {
        let readings: Vec<Reading> = self.places.iter().map(|place| place.reading(&at)).collect::<Option<_>>()?;
        if let [one] = readings.as_slice() {
            return Some((one.clone(), 0.0));
        }
        let outcome: Option<Vec<&Estimate>> = readings.iter().map(Reading::determined).collect();
        let Some(outcome) = outcome else { return Some((most(&readings), 0.0)) };
        let side = |end: fn(&Estimate) -> f64| {
            let squares = outcome.iter().zip(&self.weights).map(|(e, w)| (w * end(e)).powi(2));
            squares.sum::<f64>().sqrt()
        };
        let (down, up) = (side(|e| e.value - e.interval.low), side(|e| e.interval.high - e.value));
        let levels: Vec<Level> = outcome.iter().map(|e| Level::new(e.value, 0.0)).collect();
        let Level { value, moved, .. } = self.of_rounds(&levels);
        let interval = Interval { low: value - down, high: value + up };
        Some((Reading::Determined(Estimate { value, interval }), moved))
    }
}

/// What is known where not every round shows a value: an upper bound, or nothing.
fn most(readings: &[Reading]) -> Reading {
    let mut most = f64::NEG_INFINITY;
    for reading in readings {
        match reading {
            Reading::Determined(e) => most = most.max(e.interval.high),
            Reading::Below(at) => most = most.max(*at),
            Reading::AtLeast(_) => return Reading::NotDetermined("the rounds show it in different ways".into()),
            Reading::NotDetermined(why) => return Reading::NotDetermined(why.clone()),
        }
    }
    Reading::Below(most)
}

/// Weight of each of one output's rounds among `rounds` in all.
fn weights(order: Order, rounds: usize) -> Vec<f64> {
    let inner = rounds.saturating_sub(2) as f64;
    let is_own = |i: usize| i.is_multiple_of(2) == (order == Order::First);
    let weight = |i: usize| {
        let is_inner = i > 0 && i + 1 < rounds;
        // A neighbour of an inner round of the other output counts for half of it.
        let beside = [i.checked_sub(1), Some(i + 1)];
        let neighbours = beside.into_iter().flatten().filter(|j| *j > 0 && j + 1 < rounds).count();
        (f64::from(u8::from(is_inner)) + 0.5 * neighbours as f64) / inner
    };
    (0..rounds).filter(|i| is_own(*i)).map(weight).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: &[f64], b: &[f64]) -> bool {
        a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-12)
    }

    /// By hand. A B A: B − (A₁ + A₂)/2. A B A B: the mean of B₁ − (A₁ + A₂)/2 and (B₁ + B₂)/2 − A₂.
    #[test]
    fn every_inner_round_is_held_against_its_neighbours() {
        assert!(close(&weights(Order::First, 3), &[0.5, 0.5]) && close(&weights(Order::Second, 3), &[1.0]));
        assert!(close(&weights(Order::First, 4), &[0.25, 0.75]) && close(&weights(Order::Second, 4), &[0.75, 0.25]));
        // A B A B A: (B₁ + B₂)/2 each once as itself, and half for A₂ in the middle.
        assert!(close(&weights(Order::First, 5), &[1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0]));
        assert!(close(&weights(Order::Second, 5), &[0.5, 0.5]));
    }

    /// Whatever drifts by the same from round to round leaves no difference, however many rounds there are.
    #[test]
    fn a_steady_drift_falls_out() {
        for rounds in 3..9 {
            let sum = |order, from: usize| -> f64 {
                let values = (from..rounds).step_by(2).map(|i| 0.1 * i as f64);
                values.zip(weights(order, rounds)).map(|(x, w)| w * x).sum()
            };
            let difference = sum(Order::Second, 1) - sum(Order::First, 0);
            assert!(difference.abs() < 1e-12, "{rounds}: {difference}");
        }
    }
}
