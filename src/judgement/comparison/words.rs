//! One of three words for each of many differences, so that one false word among all of them stays rare.
//!
//! Differences are judged together by Holm's procedure (Holm 1979), once over "it differs by more than x" and once over
//! "it lies within x" (two one-sided tests, Schuirmann 1987).

use super::Told;
use crate::stats::{t_cdf, t_quantile};

/// Chance of one false word among all that are judged together.
pub(super) const FAMILY: f64 = 0.01;

/// A difference to be judged.
#[derive(Clone, Copy, Debug)]
pub(super) struct Item {
    /// Second less first, dB.
    pub(super) value: f64,
    /// Standard uncertainty towards lower values, dB.
    pub(super) below: f64,
    /// Towards higher ones.
    pub(super) above: f64,
    /// Only a bound: the difference is at least so large, on this side of zero.
    pub(super) is_bound: bool,
}

impl Item {
    pub(super) fn symmetric(value: f64, standard_db: f64) -> Item {
        Item { value, below: standard_db, above: standard_db, is_bound: false }
    }

    /// Standard uncertainty on the side of zero.
    fn towards_zero(&self) -> f64 {
        if self.value > 0.0 { self.below } else { self.above }
    }
}

/// The word for each item and the smallest difference that would have been told, dB.
pub(super) fn words(items: &[Item], within_db: f64, dof: f64) -> Vec<(Told, f64)> {
    let tail = |over: f64, standard: f64| match standard {
        s if s > 0.0 => 1.0 - t_cdf(over / s, dof),
        _ if over > 0.0 => 0.0,
        _ => 1.0,
    };
    let differs: Vec<f64> = items.iter().map(|i| tail(i.value.abs() - within_db, i.towards_zero())).collect();
    let same = |i: &Item| match i.is_bound {
        true => 1.0,
        false => tail(within_db - i.value, i.above).max(tail(within_db + i.value, i.below)),
    };
    let same: Vec<f64> = items.iter().map(same).collect();
    let (differs, same) = (holm(&differs, FAMILY), holm(&same, FAMILY));
    let strictest = t_quantile(1.0 - FAMILY / items.len().max(1) as f64, dof);
    let word = |i: usize| match (differs[i], same[i]) {
        (true, _) => Told::Differs,
        (false, true) => Told::Same,
        (false, false) => Told::NotTold,
    };
    let smallest = |item: &Item| within_db + strictest * item.below.max(item.above);
    items.iter().enumerate().map(|(i, item)| (word(i), smallest(item))).collect()
}

/// All together: different where one is, the same where all are.
pub(super) fn together(words: impl IntoIterator<Item = Told>) -> Told {
    let words: Vec<Told> = words.into_iter().collect();
    if words.contains(&Told::Differs) {
        Told::Differs
    } else if words.is_empty() || words.contains(&Told::NotTold) {
        Told::NotTold
    } else {
        Told::Same
    }
}

/// Which of these hypotheses are rejected with one false rejection in `1/family` at most (Holm 1979): the k-th smallest
/// p is held against `family/(m − k + 1)`, up to the first that passes it.
pub fn holm(p: &[f64], family: f64) -> Vec<bool> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut rejected = vec![false; p.len()];
    for (k, i) in order.into_iter().enumerate() {
        if p[i] > family / (p.len() - k) as f64 {
            break;
        }
        rejected[i] = true;
    }
    rejected
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Degrees of freedom that stand for a normal distribution.
    const NORMAL_DOF: f64 = 1e6;

    /// By hand: p = 0.001, 0.004, 0.03, 0.2 at 5 %: held against 0.0125, 0.0167, 0.025, 0.05: the first two fall, the third
    /// (0.03 > 0.025) ends it.
    #[test]
    fn holm_steps_down_as_by_hand() {
        assert_eq!(holm(&[0.03, 0.001, 0.2, 0.004], 0.05), [false, true, false, true]);
        assert_eq!(holm(&[0.02, 0.03], 0.05), [true, true]);
        assert_eq!(holm(&[0.03, 0.03], 0.05), [false, false]);
    }

    #[test]
    fn one_of_three_words_is_said_of_each_difference() {
        let items = [(0.02, 0.01), (0.9, 0.05), (0.22, 0.05), (0.1, 0.2)].map(|(v, s)| Item::symmetric(v, s));
        let told = words(&items, 0.2, NORMAL_DOF);
        assert_eq!(
            told.iter().map(|t| t.0).collect::<Vec<_>>(),
            [Told::Same, Told::Differs, Told::NotTold, Told::NotTold]
        );
        // 1 % over four: z = 2.807 one-sided at 0.25 % (normal table).
        assert!((told[1].1 - (0.2 + 2.807 * 0.05)).abs() < 1e-3);
    }

    #[test]
    fn a_bound_is_never_called_the_same() {
        let bound = |value| Item { is_bound: true, ..Item::symmetric(value, 0.01) };
        assert_eq!(words(&[bound(0.0)], 0.2, NORMAL_DOF)[0].0, Told::NotTold);
        assert_eq!(words(&[bound(-3.0)], 0.2, NORMAL_DOF)[0].0, Told::Differs);
    }

    #[test]
    fn the_side_of_zero_decides_whether_it_differs() {
        let skewed = |value| Item { value, below: 0.1, above: 5.0, is_bound: false };
        assert_eq!(words(&[skewed(2.0)], 0.2, NORMAL_DOF)[0].0, Told::Differs);
        assert_eq!(words(&[skewed(-2.0)], 0.2, NORMAL_DOF)[0].0, Told::NotTold);
    }
}
