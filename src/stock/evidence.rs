//! Which of several sessions of one pairing leads? The better one, whatever their order: a later session never displaces a
//! better one.

use super::learnt::Learnt;
use crate::analysis::Weight;
use crate::stats::Reading;
use std::cmp::Reverse;

/// Seats beyond this many tell little more.
const ENOUGH_SEATS: usize = 3;

/// What speaks for a session, gravest first; compared in this order.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Standing {
    /// Its levels are dB SPL.
    calibrated: bool,
    /// It was not cut short.
    finished: bool,
    /// No doubt about its numbers.
    undoubted: bool,
    /// The limit was found, not only a level that is still clean.
    told: bool,
    /// A whole session, no quick look.
    whole: bool,
    /// Seats of the headphone, as far as they count.
    seats: usize,
    /// When (RFC 3339): of equals the newest.
    started_at: String,
    /// The name decides between sessions of the same second, so that no order matters.
    id: Reverse<String>,
}

impl Standing {
    /// Of a session.
    pub fn of(session: &Learnt) -> Standing {
        let level = &session.judgement.highest_clean.level_spl;
        Standing {
            calibrated: level.estimate().is_some(),
            finished: session.finished,
            undoubted: session.judgement.flaws.iter().all(|flaw| flaw.weight != Weight::Doubt),
            told: matches!(level, Reading::Told(_)),
            whole: session.whole,
            seats: session.seats.min(ENOUGH_SEATS),
            started_at: session.started_at.clone(),
            id: Reverse(session.id.clone()),
        }
    }

    /// What speaks for this one against another that it leads, in words.
    pub fn leads_by(&self, other: &Standing) -> &'static str {
        match () {
            () if self.calibrated != other.calibrated => "it is calibrated",
            () if self.finished != other.finished => "it is finished",
            () if self.undoubted != other.undoubted => "it has no doubts",
            () if self.told != other.told => "it found the limit",
            () if self.whole != other.whole => "it is a whole session",
            () if self.seats != other.seats => "it has more seats",
            () => "it is the newest",
        }
    }

    /// True where its lower bound may stand for one of a session that leads it.
    fn is_sound(&self) -> bool {
        self.calibrated && self.undoubted
    }
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
    let bound = |s: &Learnt| match &s.judgement.highest_clean.level_spl {
        Reading::AtLeast(e) => Some(e.interval.low),
        _ => None,
    };
    let Some(own) = bound(best) else { return Some(best) };
    let sound = best_first.iter().filter(|s| Standing::of(s).is_sound());
    let higher = sound.filter_map(|s| Some((bound(s)?, *s))).filter(|(low, _)| *low > own);
    Some(higher.max_by(|a, b| a.0.total_cmp(&b.0)).map_or(best, |(_, session)| session))
}
