//! Which of several sessions of one pairing leads? The better one, whatever their order: a later session never displaces a
//! better one.
//!
//! ```text
//! the pairing      the one that leads              its other sessions are named, each with the reason
//! the output       its limit on each load          from the leading session that found it, doubts last
//! the headphone    the leading session and those as good as it
//! ```

use super::learnt::Learnt;
use super::limits::LimitTest;
use crate::analysis::Weight;
use crate::stats::Reading;
use jiff::Timestamp;
use std::cmp::Reverse;
use std::collections::BTreeSet;

/// Seats beyond this many tell little more.
const ENOUGH_SEATS: usize = 3;

/// What speaks for a session, gravest first; compared in this order.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Standing {
    merits: Merits,
    /// Of equals the newest.
    started_at: Option<Timestamp>,
    /// The name decides between sessions of the same second, so that no order matters.
    id: Reverse<String>,
}

/// What speaks for a session apart from its time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Merits {
    /// Its levels are dB SPL.
    calibrated: bool,
    /// It was not cut short.
    finished: bool,
    /// No doubt about its numbers.
    undoubted: bool,
    /// The limit was found, not only a level that is still clean.
    stated: bool,
    /// A whole session, no quick look.
    whole: bool,
    /// Seats of the headphone, as far as they count.
    seats: usize,
}

impl Standing {
    /// Of a session.
    pub fn of(session: &Learnt) -> Standing {
        let merits = Merits {
            calibrated: session.level_spl.estimate().is_some(),
            finished: session.finished,
            undoubted: is_undoubted(session),
            stated: matches!(session.level_spl, Reading::Determined(_)),
            whole: session.whole,
            seats: session.seats.min(ENOUGH_SEATS),
        };
        Standing { merits, started_at: session.started_at.parse().ok(), id: Reverse(session.id.clone()) }
    }

    /// What speaks for this one against another that it leads, in words.
    pub fn leads_by(&self, other: &Standing) -> &'static str {
        let (a, b) = (&self.merits, &other.merits);
        match () {
            () if a.calibrated != b.calibrated => "it is calibrated",
            () if a.finished != b.finished => "it is finished",
            () if a.undoubted != b.undoubted => "it has no doubts",
            () if a.stated != b.stated => "it found the limit",
            () if a.whole != b.whole => "it is a whole session",
            () if a.seats != b.seats => "it has more seats",
            () => "it is the newest",
        }
    }

    /// True where nothing but the time speaks for one of the two.
    pub fn is_as_good_as(&self, other: &Standing) -> bool {
        self.merits == other.merits
    }

    /// True where its lower bound may stand for one of a session that leads it.
    fn is_sound(&self) -> bool {
        self.merits.calibrated && self.merits.undoubted
    }
}

/// True where no doubt stands on its numbers.
pub fn is_undoubted(session: &Learnt) -> bool {
    session.judgement.flaws.iter().all(|flaw| flaw.weight != Weight::Doubt)
}

/// Sessions by what speaks for them, the best first.
pub fn best_first<'a>(sessions: impl IntoIterator<Item = &'a Learnt>) -> Vec<&'a Learnt> {
    let mut sorted: Vec<(Standing, &Learnt)> = sessions.into_iter().map(|s| (Standing::of(s), s)).collect();
    sorted.sort_by(|a, b| b.0.cmp(&a.0));
    sorted.into_iter().map(|(_, session)| session).collect()
}

/// The session that leads, with its answer on how loud the pairing plays: where the best one only shows a lower bound and another
/// sound one a higher one, that one leads.
pub fn leading<'a>(best_first: &[&'a Learnt]) -> Option<&'a Learnt> {
    let best = *best_first.first()?;
    let Some(own) = lower_bound(&best.level_spl) else { return Some(best) };
    let sound = best_first.iter().filter(|s| Standing::of(s).is_sound());
    let higher = sound.filter_map(|s| Some((lower_bound(&s.level_spl)?, *s))).filter(|(low, _)| *low > own);
    Some(higher.max_by(|a, b| a.0.total_cmp(&b.0)).map_or(best, |(_, session)| session))
}

fn lower_bound(reading: &Reading) -> Option<f64> {
    match reading {
        Reading::AtLeast(e) => Some(e.interval.low),
        _ => None,
    }
}

/// Sound sessions that contradict the one that leads beyond both intervals.
pub fn contradicting<'a>(lead: &Learnt, others: &[&'a Learnt]) -> Vec<&'a Learnt> {
    let apart = |other: &Reading| match (&lead.level_spl, other) {
        (Reading::Determined(a), Reading::Determined(b)) => {
            a.interval.high < b.interval.low || b.interval.high < a.interval.low
        }
        (Reading::Determined(a), Reading::AtLeast(b)) => a.interval.high < b.interval.low,
        (Reading::AtLeast(a), Reading::Determined(b)) => b.interval.high < a.interval.low,
        _ => false,
    };
    others.iter().filter(|s| Standing::of(s).is_sound() && apart(&s.level_spl)).copied().collect()
}

/// What sessions of one output showed of its limits, one test for each headphone: that of the best session, or where it found
/// none, what another without doubts found or the highest bound. What is doubted counts only where no finished session without
/// doubts tells anything, and then it is said: true.
pub fn limit_tests(sessions: &[&Learnt]) -> (Vec<LimitTest>, bool) {
    let with_limit = best_first(sessions.iter().copied().filter(|s| s.limit.is_some()));
    let headphones: BTreeSet<&str> = with_limit.iter().map(|s| s.headphone.as_str()).collect();
    let of_one = |headphone: &str| best_test(with_limit.iter().copied().filter(|s| s.headphone == headphone));
    let mut chosen: Vec<&Learnt> = headphones.into_iter().filter_map(of_one).collect();
    if chosen.iter().any(|s| s.finished && is_undoubted(s)) {
        chosen.retain(|s| is_undoubted(s));
    }
    let in_doubt = chosen.iter().any(|s| !is_undoubted(s));
    (chosen.into_iter().filter_map(|s| s.limit.clone()).collect(), in_doubt)
}

fn best_test<'a>(mut best_first: impl Iterator<Item = &'a Learnt>) -> Option<&'a Learnt> {
    let best = best_first.next()?;
    let stated = |s: &Learnt| s.limit.as_ref().is_some_and(|test| test.limit_db.determined().is_some());
    if stated(best) {
        return Some(best);
    }
    let others: Vec<&Learnt> = best_first.filter(|s| is_undoubted(s)).collect();
    let bound = |s: &Learnt| s.limit.as_ref().and_then(|t| lower_bound(&t.limit_db)).unwrap_or(f64::NEG_INFINITY);
    let higher = |a: &'a Learnt, b: &'a Learnt| if bound(b) > bound(a) { b } else { a };
    let found = others.iter().copied().find(|s| stated(s));
    found.or_else(|| Some(others.into_iter().fold(best, higher)))
}

/// The best session of an output with each headphone, without doubts where there is such a one.
pub fn one_of_each_load<'a>(sessions: &[&'a Learnt]) -> Vec<&'a Learnt> {
    let any = sessions.iter().any(|s| is_undoubted(s));
    let mut seen = BTreeSet::new();
    let sorted = best_first(sessions.iter().copied().filter(|s| !any || is_undoubted(s)));
    sorted.into_iter().filter(|s| seen.insert(s.headphone.clone())).collect()
}
