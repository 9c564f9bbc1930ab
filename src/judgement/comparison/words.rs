//! One of three words for each of many differences, by the interval that is printed beside it.
//!
//! All intervals of one comparison hold together: the chance that any of them misses is 5 % in all (Bonferroni: each is
//! given its share of it), so figure and word have the same confidence. A difference is *the same within x* where its whole
//! interval lies inside ±x (two one-sided tests, Schuirmann 1987), it *differs* where the interval lies outside.

use super::Outcome;
use crate::stats::{Interval, t_quantile};

/// Chance that any interval of one kind misses: 5 % in all.
#[derive(Clone, Copy, Debug)]
pub(super) enum Share {
    /// The one-third octaves of the response.
    Response,
    /// Its points at 1/48 octave.
    Fine,
    /// Distortion and noise.
    Others,
}

impl Share {
    fn chance(self) -> f64 {
        match self {
            Share::Response | Share::Others => 0.02,
            Share::Fine => 0.01,
        }
    }
}

/// Where even a difference of this size could stay unseen, no size is given, dB.
const NO_USE_DB: f64 = 6.0;

/// A difference to be judged.
#[derive(Clone, Copy, Debug)]
pub(super) struct Item {
    /// Second less first, dB.
    pub(super) value: f64,
    /// Standard uncertainty towards lower values, dB.
    pub(super) below: f64,
    /// Towards higher ones.
    pub(super) above: f64,
    /// What has moved between two rounds of one output adds so much on either side, dB: a bound, not a scatter.
    pub(super) moved: f64,
    /// Only a bound: the difference is at least so large, on this side of zero.
    pub(super) is_bound: bool,
}

impl Item {
    pub(super) fn symmetric(value: f64, standard_db: f64) -> Item {
        Item { value, below: standard_db, above: standard_db, moved: 0.0, is_bound: false }
    }
}

/// All differences of one kind.
#[derive(Clone, Copy, Debug)]
pub(super) struct Family {
    quantile: f64,
}

impl Family {
    /// Of so many differences whose scatter is known with `dof` degrees of freedom.
    pub(super) fn of(share: Share, count: usize, dof: f64) -> Family {
        Family { quantile: t_quantile(1.0 - share.chance() / (2.0 * count.max(1) as f64), dof) }
    }

    /// The interval of one of them.
    pub(super) fn interval(&self, item: &Item) -> Interval {
        Interval {
            low: item.value - self.quantile * item.below - item.moved,
            high: item.value + self.quantile * item.above + item.moved,
        }
    }

    /// Its word.
    pub(super) fn word(&self, item: &Item, within_db: f64) -> Outcome {
        let Interval { low, high } = self.interval(item);
        let outside = match (item.is_bound, item.value > 0.0) {
            (true, true) => low > within_db,
            (true, false) => high < -within_db,
            (false, _) => low > within_db || high < -within_db,
        };
        match outside {
            true => Outcome::Differs,
            false if !item.is_bound && low >= -within_db && high <= within_db => Outcome::Same,
            false => Outcome::NotDetermined,
        }
    }

    /// Smallest difference that would have been seen, dB; `None` where it is so large that it says nothing.
    pub(super) fn smallest_db(&self, item: &Item, within_db: f64) -> Option<f64> {
        let smallest = within_db + self.quantile * item.below.max(item.above) + item.moved;
        (smallest <= NO_USE_DB).then_some(smallest)
    }
}

/// All together: different where one is, the same where all are.
pub(super) fn together(words: impl IntoIterator<Item = Outcome>) -> Outcome {
    let words: Vec<Outcome> = words.into_iter().collect();
    if words.contains(&Outcome::Differs) {
        Outcome::Differs
    } else if words.is_empty() || words.contains(&Outcome::NotDetermined) {
        Outcome::NotDetermined
    } else {
        Outcome::Same
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Degrees of freedom that stand for a normal distribution.
    const NORMAL_DOF: f64 = 1e6;

    /// 2 % over four two-sided intervals: 0.25 % on each side, z = 2.807 (normal table).
    #[test]
    fn one_of_three_words_is_said_of_each_difference_by_its_interval() {
        let family = Family::of(Share::Response, 4, NORMAL_DOF);
        let items = [(0.02, 0.01), (0.9, 0.05), (0.22, 0.05), (0.1, 0.2)].map(|(v, s)| Item::symmetric(v, s));
        let words = items.map(|item| family.word(&item, 0.2));
        assert_eq!(words, [Outcome::Same, Outcome::Differs, Outcome::NotDetermined, Outcome::NotDetermined]);
        assert!((family.smallest_db(&items[1], 0.2).unwrap() - (0.2 + 2.807 * 0.05)).abs() < 1e-3);
        assert!((family.interval(&items[0]).high - (0.02 + 2.807 * 0.01)).abs() < 1e-4);
    }

    #[test]
    fn what_has_moved_widens_the_interval_by_itself() {
        let family = Family::of(Share::Response, 1, NORMAL_DOF);
        let moved = Item { moved: 0.15, ..Item::symmetric(0.1, 1e-6) };
        assert_eq!(family.word(&moved, 0.2), Outcome::NotDetermined);
        assert_eq!(family.word(&Item { value: 0.4, ..moved }, 0.2), Outcome::Differs);
        assert_eq!(family.word(&Item { value: 0.3, ..moved }, 0.2), Outcome::NotDetermined);
    }

    #[test]
    fn a_bound_is_never_called_the_same() {
        let family = Family::of(Share::Others, 1, NORMAL_DOF);
        let bound = |value| Item { is_bound: true, ..Item::symmetric(value, 0.01) };
        assert_eq!(family.word(&bound(0.0), 0.2), Outcome::NotDetermined);
        assert_eq!(family.word(&bound(-3.0), 0.2), Outcome::Differs);
        assert_eq!(family.word(&bound(3.0), 0.2), Outcome::Differs);
    }

    #[test]
    fn the_side_of_zero_decides_whether_it_differs() {
        let family = Family::of(Share::Response, 1, NORMAL_DOF);
        let skewed = |value| Item { value, below: 0.1, above: 5.0, moved: 0.0, is_bound: false };
        assert_eq!(family.word(&skewed(2.0), 0.2), Outcome::Differs);
        assert_eq!(family.word(&skewed(-2.0), 0.2), Outcome::NotDetermined);
    }

    #[test]
    fn no_absurd_size_is_stated() {
        let family = Family::of(Share::Response, 31, 1.0);
        assert_eq!(family.smallest_db(&Item::symmetric(0.0, 0.3), 0.2), None);
    }
}
