//! Is an output limited by its volts, by its milliamperes, or by its full scale? From sessions on several loads.
//!
//! Levels are peaks in dB re 1 V of the **open** output; `z` is what turns them into a current: `20 lg|Z + Zs|`.
//!
//! ```text
//! 20 lg V   ___________________  voltage limit U       u(z) = min(U, I + z)
//!          ╱                                           same volts on two loads: a limit in volts
//!        ╱   current limit I                           same current on two loads: a limit in current
//!      ╱                                               less volts and less current on the lower load: one of each
//!     z: 4 Ω        80 Ω        600 Ω
//! ```
//!
//! What one load alone shows may be either; both stay possible, and what follows from them is reported as far as they agree.
//! Fits are weighted means; a hypothesis is dropped where its weighted squares pass the 99 % point of chi-squared.

use crate::stats::{Estimate, NORMAL_95, Reading, chi_squared_quantile};
use serde::{Deserialize, Serialize};

/// A hypothesis is dropped where less than one in a hundred would scatter as much.
const KEPT: f64 = 0.99;
/// What is not in any interval but in every desk: two limits that differ by less are the same, dB.
pub(super) const SAME_DB: f64 = 0.05;

/// What one load showed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LimitTest {
    /// The session, or the typed figure, in words.
    pub from: String,
    /// `20 lg|Z + Zs|` for the peaks that were played, dB re 1 Ω.
    pub z_db: Estimate,
    /// Peak of the open output at the limit, dB re 1 V: determined, or at least.
    pub limit_db: Reading,
}

/// Limits in volts and in current that explain the tests.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Explained {
    /// Peak of the open output, dB re 1 V.
    pub volts_db: Reading,
    /// Peak of the current, dB re 1 A.
    pub amperes_db: Reading,
}

/// The limits of an output as far as its tests tell them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Every explanation that the tests leave; none where they fit none.
    pub explained: Vec<Explained>,
    /// The tests, lowest impedance first.
    pub tests: Vec<LimitTest>,
}

/// What stops an output at one load.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StoppedBy {
    /// Its volts.
    Volts,
    /// Its milliamperes.
    Amperes,
    /// Volts or milliamperes.
    VoltsOrAmperes,
    /// Digital full scale: it does not clip.
    FullScale,
}

impl StoppedBy {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            StoppedBy::Volts => "its volts",
            StoppedBy::Amperes => "its milliamperes",
            StoppedBy::VoltsOrAmperes => "voltage or current, not determined which",
            StoppedBy::FullScale => "digital full scale",
        }
    }
}

impl Limits {
    /// From tests on one or more loads.
    pub fn of(mut tests: Vec<LimitTest>) -> Limits {
        tests.sort_by(|a, b| a.z_db.value.total_cmp(&b.z_db.value));
        let stated: Vec<AtLimit> = tests.iter().filter_map(AtLimit::of).collect();
        let n = stated.len();
        // The simplest that stands: all in volts, all in current; else the lower loads in current, the others in volts.
        let simple: Vec<Explained> =
            [0, n].iter().filter_map(|k| explain(&stated, *k, &tests)).map(|(e, _)| e).collect();
        let mut explained = match (n, simple.is_empty()) {
            (0, _) if tests.is_empty() => Vec::new(),
            (0, _) => explain(&stated, 0, &tests).map(|(e, _)| vec![e]).unwrap_or_default(),
            (_, false) => simple,
            (_, true) => {
                let mixed = (1..n).filter_map(|k| explain(&stated, k, &tests));
                mixed.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(e, _)| vec![e]).unwrap_or_default()
            }
        };
        explained.dedup();
        Limits { explained, tests }
    }

    /// From limits as stated.
    pub fn stated(volts_db: Reading, amperes_db: Reading) -> Limits {
        Limits { explained: vec![Explained { volts_db, amperes_db }], tests: Vec::new() }
    }

    /// True where tests contradict every limit in volts and current.
    pub fn contradict(&self) -> bool {
        self.explained.is_empty() && !self.tests.is_empty()
    }

    /// True where no test and no statement tells any limit.
    pub fn are_unknown(&self) -> bool {
        self.explained.is_empty() && self.tests.is_empty()
    }

    /// Highest peak of the open output on a load, dB re 1 V, and what stops it there.
    pub fn at(&self, z_db: &Estimate) -> (Reading, Option<StoppedBy>) {
        let mut all = self.explained.iter().map(|e| e.at(z_db));
        let Some(first) = all.next() else {
            let why = if self.contradict() {
                "its limits on different loads fit neither volts nor milliamperes: an output that adapts its gain to the load, or one whose supply sags"
            } else {
                "no limit of it is known"
            };
            return (Reading::NotDetermined(why.into()), None);
        };
        all.fold(first, agree)
    }

    /// Highest peak in volts where every explanation says the same.
    pub fn volts_db(&self) -> Reading {
        self.common(
            |e| &e.volts_db,
            "whether volts or milliamperes limit it is not determined: measure it on another load",
        )
    }

    /// Highest peak in amperes, likewise.
    pub fn amperes_db(&self) -> Reading {
        self.common(
            |e| &e.amperes_db,
            "whether volts or milliamperes limit it is not determined: measure it on another load",
        )
    }

    fn common(&self, of: fn(&Explained) -> &Reading, otherwise: &str) -> Reading {
        let mut all = self.explained.iter().map(of);
        let Some(first) = all.next() else { return Reading::NotDetermined("no limit of it is known".into()) };
        all.try_fold(first.clone(), |a, b| match (&a, b) {
            (Reading::Determined(_) | Reading::AtLeast(_), Reading::Determined(_) | Reading::AtLeast(_)) => {
                Some(agree((a.clone(), None), (b.clone(), None)).0)
            }
            _ => None,
        })
        .unwrap_or_else(|| Reading::NotDetermined(otherwise.into()))
    }
}

/// A test that determined a limit.
#[derive(Clone, Copy)]
struct AtLimit {
    z: Estimate,
    u: Estimate,
}

impl AtLimit {
    fn of(test: &LimitTest) -> Option<AtLimit> {
        Some(AtLimit { z: test.z_db, u: *test.limit_db.determined()? })
    }

    /// As a current.
    fn amperes(&self) -> Estimate {
        self.u.plus(&self.z.negative())
    }
}

/// The `k` lowest loads limited in current, the others in volts: the limits and their weighted squares; `None` where the
/// tests contradict it.
fn explain(stated: &[AtLimit], k: usize, tests: &[LimitTest]) -> Option<(Explained, f64)> {
    let (low, high) = stated.split_at(k);
    let amperes: Vec<Estimate> = low.iter().map(AtLimit::amperes).collect();
    let volts: Vec<Estimate> = high.iter().map(|t| t.u).collect();
    let ((i, squares_i), (u, squares_u)) = (mean(&amperes), mean(&volts));
    let free = stated.len().saturating_sub(usize::from(i.is_some()) + usize::from(u.is_some()));
    let squares = squares_i + squares_u;
    if free > 0 && squares > chi_squared_quantile(KEPT, free as f64) {
        return None;
    }
    // Each limit leaves the tests that the other explains, and those that found none, possible.
    let allowed = tests.iter().all(|test| {
        let (Reading::Determined(bound) | Reading::AtLeast(bound)) = &test.limit_db else { return true };
        let reached = |limit: Estimate| {
            let over = bound.value - limit.value;
            over <= SAME_DB + 1.5 * bound.half_width().hypot(limit.half_width())
        };
        u.is_none_or(reached) && i.is_none_or(|i| reached(i.plus(&test.z_db)))
    });
    if !allowed {
        return None;
    }
    // A limit that no test reached is at least what they showed.
    let most = |of: &dyn Fn(&LimitTest) -> Option<Estimate>| {
        let shown = tests.iter().filter_map(of).max_by(|a, b| a.value.total_cmp(&b.value));
        shown.map_or(Reading::NotDetermined("no test reached it".into()), Reading::AtLeast)
    };
    let shown_v = |t: &LimitTest| t.limit_db.estimate().copied();
    let shown_a = |t: &LimitTest| Some(t.limit_db.estimate()?.plus(&t.z_db.negative()));
    let volts_db = u.map_or_else(|| most(&shown_v), Reading::Determined);
    let amperes_db = i.map_or_else(|| most(&shown_a), Reading::Determined);
    Some((Explained { volts_db, amperes_db }, squares))
}

/// Weighted mean and the weighted squares that are left.
fn mean(values: &[Estimate]) -> (Option<Estimate>, f64) {
    let weight = |e: &Estimate| (e.half_width().max(1e-3) / NORMAL_95).powi(-2);
    let all: f64 = values.iter().map(weight).sum();
    if values.is_empty() {
        return (None, 0.0);
    }
    let value = values.iter().map(|e| weight(e) * e.value).sum::<f64>() / all;
    let squares = values.iter().map(|e| weight(e) * (e.value - value).powi(2)).sum();
    let half = if values.len() == 1 { values[0].half_width() } else { NORMAL_95 / all.sqrt() };
    (Some(Estimate::symmetric(value, half)), squares)
}

impl Explained {
    fn at(&self, z_db: &Estimate) -> (Reading, Option<StoppedBy>) {
        use Reading::{AtLeast, Below, Determined, NotDetermined};
        let by_current = self.amperes_db.plus(z_db);
        let (volts, amperes) = (Some(StoppedBy::Volts), Some(StoppedBy::Amperes));
        let either = Some(StoppedBy::VoltsOrAmperes);
        match (&self.volts_db, &by_current) {
            (Determined(u), Determined(c)) => {
                (Determined(Estimate::lower_of(*u, *c)), if u.value <= c.value { volts } else { amperes })
            }
            (Determined(u), AtLeast(c)) if c.value >= u.value - SAME_DB => (Determined(*u), volts),
            (AtLeast(u), Determined(c)) if u.value >= c.value - SAME_DB => (Determined(*c), amperes),
            (Determined(_) | AtLeast(_), AtLeast(c)) | (AtLeast(c), Determined(_)) => {
                let least = self.volts_db.estimate().filter(|u| u.value < c.value).unwrap_or(c);
                // Two bounds: no limit was seen, so nothing is said to stop it.
                let seen = self.volts_db.determined().or(by_current.determined()).is_some();
                (AtLeast(*least), either.filter(|_| seen))
            }
            (Determined(one), NotDetermined(_)) => (Below(one.interval.high), either),
            (NotDetermined(_), Determined(one)) => (Below(one.interval.high), either),
            (_, NotDetermined(why)) | (NotDetermined(why), _) => (NotDetermined(why.clone()), None),
            (Below(high), _) | (_, Below(high)) => (Below(*high), either),
        }
    }
}

/// What two explanations say together.
fn agree(a: (Reading, Option<StoppedBy>), b: (Reading, Option<StoppedBy>)) -> (Reading, Option<StoppedBy>) {
    use Reading::{AtLeast, Below, Determined, NotDetermined};
    let by = if a.1 == b.1 { a.1 } else { Some(StoppedBy::VoltsOrAmperes) };
    let reading = match (a.0, b.0) {
        (Determined(x), Determined(y)) if (x.value - y.value).abs() <= SAME_DB => {
            let mut both = x;
            both.interval.low = both.interval.low.min(y.interval.low);
            both.interval.high = both.interval.high.max(y.interval.high);
            Determined(both)
        }
        (Determined(x) | AtLeast(x), Determined(y) | AtLeast(y)) => AtLeast(if x.value <= y.value { x } else { y }),
        (NotDetermined(why), _) | (_, NotDetermined(why)) => NotDetermined(why),
        (Below(x), Below(y)) => Below(x.max(y)),
        (Below(x), _) | (_, Below(x)) => Below(x),
    };
    (reading, by)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half width of each limit, dB.
    const HALF: f64 = 0.02;

    fn db(x: f64) -> f64 {
        20.0 * x.log10()
    }

    fn test(ohm: f64, limit_db: Reading) -> LimitTest {
        LimitTest { from: format!("{ohm} Ω"), z_db: Estimate::exact(db(ohm)), limit_db }
    }

    fn stated(ohm: f64, volts: f64) -> LimitTest {
        test(ohm, Reading::Determined(Estimate::symmetric(db(volts), HALF)))
    }

    fn at(limits: &Limits, ohm: f64) -> (Reading, Option<StoppedBy>) {
        limits.at(&Estimate::exact(db(ohm)))
    }

    fn near(reading: &Reading, volts: f64) -> bool {
        reading.estimate().is_some_and(|e| (e.value - db(volts)).abs() < 1e-9)
    }

    #[test]
    fn one_load_tells_itself_and_bounds_the_others() {
        let limits = Limits::of(vec![stated(80.0, 2.0)]);
        let (here, by) = at(&limits, 80.0);
        assert!(matches!(here, Reading::Determined(_)) && near(&here, 2.0), "{here:?}");
        assert_eq!(by, Some(StoppedBy::VoltsOrAmperes));
        // On half the load at least half the volts (were it the current), on twice at least the same (were it the volts).
        for (ohm, volts) in [(40.0, 1.0), (160.0, 2.0)] {
            let (there, _) = at(&limits, ohm);
            assert!(matches!(there, Reading::AtLeast(_)) && near(&there, volts), "{ohm}: {there:?}");
        }
        assert!(matches!(limits.volts_db(), Reading::AtLeast(_)) && matches!(limits.amperes_db(), Reading::AtLeast(_)));
    }

    #[test]
    fn the_same_volts_on_two_loads_are_a_limit_in_volts() {
        let limits = Limits::of(vec![stated(300.0, 2.0), stated(32.0, 2.001)]);
        assert!(matches!(limits.volts_db(), Reading::Determined(_)), "{limits:?}");
        let (there, by) = at(&limits, 600.0);
        assert!(matches!(there, Reading::Determined(_)) && by == Some(StoppedBy::Volts), "{there:?}");
        // Below the lowest load the current may take over: at least as much as was seen of it.
        let (there, _) = at(&limits, 16.0);
        assert!(matches!(&there, Reading::AtLeast(e) if (e.value - db(1.0005)).abs() < 0.01), "{there:?}");
    }

    #[test]
    fn the_same_current_on_two_loads_is_a_limit_in_milliamperes() {
        let limits = Limits::of(vec![stated(16.0, 1.6), stated(32.0, 3.2)]);
        assert!(near(&limits.amperes_db(), 0.1), "{limits:?}");
        let (there, by) = at(&limits, 8.0);
        assert!(
            matches!(there, Reading::Determined(_)) && near(&there, 0.8) && by == Some(StoppedBy::Amperes),
            "{there:?}"
        );
        assert!(matches!(at(&limits, 64.0).0, Reading::AtLeast(_)));
    }

    #[test]
    fn one_of_each_tells_both_and_where_they_meet() {
        // 0.1 A and 4 V meet at 40 Ω.
        let limits = Limits::of(vec![stated(16.0, 1.6), stated(300.0, 4.0)]);
        for (ohm, volts, stopped) in
            [(8.0, 0.8, StoppedBy::Amperes), (39.0, 3.9, StoppedBy::Amperes), (41.0, 4.0, StoppedBy::Volts)]
        {
            let (there, by) = at(&limits, ohm);
            assert!(
                matches!(there, Reading::Determined(_)) && near(&there, volts) && by == Some(stopped),
                "{ohm}: {there:?}"
            );
        }
    }

    #[test]
    fn no_clipping_up_to_full_scale_is_a_bound_of_both() {
        let bound = |ohm, volts| test(ohm, Reading::AtLeast(Estimate::exact(db(volts))));
        let limits = Limits::of(vec![bound(300.0, 4.5), stated(16.0, 2.4)]);
        // Clipped at 2.4 V where 4.5 V were possible elsewhere: its current, 0.15 A.
        assert!(near(&limits.amperes_db(), 0.15), "{limits:?}");
        assert!(matches!(limits.volts_db(), Reading::AtLeast(e) if (e.value - db(4.5)).abs() < 1e-9));
        assert!(near(&at(&limits, 20.0).0, 3.0) && matches!(at(&limits, 20.0).0, Reading::Determined(_)));
    }

    /// A lower load that takes more volts than a higher one fits no such limits.
    #[test]
    fn what_fits_neither_is_not_determined() {
        let limits = Limits::of(vec![stated(16.0, 3.0), stated(300.0, 2.0)]);
        assert!(limits.contradict());
        assert!(matches!(at(&limits, 32.0).0, Reading::NotDetermined(why) if why.contains("gain")));
        assert!(
            matches!(Limits::of(Vec::new()).at(&Estimate::exact(30.0)).0, Reading::NotDetermined(why) if why.contains("known"))
        );
    }

    #[test]
    fn a_stated_limit_in_volts_alone_is_an_upper_one() {
        let limits =
            Limits::stated(Reading::Determined(Estimate::exact(6.0)), Reading::NotDetermined("not stated".into()));
        assert!(matches!(at(&limits, 32.0).0, Reading::Below(v) if (v - 6.0).abs() < 1e-12));
    }
}
