//! Headroom over the listening level, and what it is called. The rule is common practice, no source.

use super::highest_clean::HighestClean;
use crate::session::listening::z_less_stated_by;
use crate::session::plan::{HeadroomRule, ListeningLevel};
use crate::session::record::Record;
use crate::stats::Reading;
use crate::units::DbSpl;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What the headroom is called, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// At least the rule's ample limit.
    Ample,
    /// At least its borderline limit.
    Borderline,
    /// Less than that.
    Short,
    /// Below zero.
    DoesNotReach,
    /// Not determined.
    #[serde(rename = "not-told")]
    NotDetermined,
}

impl fmt::Display for Answer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Answer::Ample => "ample",
            Answer::Borderline => "borderline",
            Answer::Short => "short",
            Answer::DoesNotReach => "does not reach the listening level clean",
            Answer::NotDetermined => "not determined",
        })
    }
}

/// An answer, why, and how firm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// What the best value says.
    pub answer: Answer,
    /// The other answer that the interval reaches, if any.
    pub or: Option<Answer>,
    /// The headroom is a lower bound: at least this.
    pub at_least: bool,
    /// No doubt stands on the evidence.
    pub firm: bool,
    /// Why, in words.
    pub because: String,
}

impl Verdict {
    /// This answer, whatever lies inside the interval.
    pub fn is_wholly(&self, answer: Answer) -> bool {
        self.answer == answer && self.or.is_none()
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.answer {
            // A bound under every limit of the rule decides nothing.
            Answer::Short if self.at_least => write!(f, "no limit found yet")?,
            Answer::NotDetermined => write!(f, "{}", self.answer)?,
            answer if self.at_least => write!(f, "at least {answer}")?,
            answer => write!(f, "{answer}")?,
        }
        if let Some(or) = self.or {
            write!(f, " or {or}")?;
        }
        if !self.firm && self.answer != Answer::NotDetermined {
            write!(f, ", in doubt")?;
        }
        Ok(())
    }
}

/// Headroom with everything it was computed from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Headroom {
    /// Listening level as Z at the point, dB SPL.
    pub listening_z: Option<DbSpl>,
    /// Highest clean level less listening level, dB.
    pub headroom_db: Reading,
    /// The same plus the true-peak factor of pink noise, dB.
    #[serde(rename = "peak_room_db")]
    pub peak_headroom_db: Reading,
    /// The rule used.
    pub rule: HeadroomRule,
    /// What it is called.
    pub verdict: Verdict,
}

/// Rounding that a sum of levels may carry: 20.0 dB of headroom is ample also as 19.999 999 999.
const ROUNDING_DB: f64 = 1e-9;

fn answer(headroom_db: f64, rule: HeadroomRule) -> Answer {
    let h = headroom_db + ROUNDING_DB;
    if h >= rule.ample_db {
        Answer::Ample
    } else if h >= rule.borderline_db {
        Answer::Borderline
    } else if h >= 0.0 {
        Answer::Short
    } else {
        Answer::DoesNotReach
    }
}

/// The verdict on a headroom; `doubts` on the evidence make it not firm.
pub fn verdict(headroom_db: &Reading, rule: HeadroomRule, doubts: usize) -> Verdict {
    let firm = doubts == 0;
    match headroom_db {
        Reading::Determined(h) => {
            let best = answer(h.value, rule);
            let ends = [answer(h.interval.low, rule), answer(h.interval.high, rule)];
            let or = ends.into_iter().find(|end| *end != best);
            Verdict { answer: best, or, at_least: false, firm, because: limits(rule) }
        }
        // "At least −20 dB" excludes nothing.
        Reading::AtLeast(h) if h.interval.low + ROUNDING_DB < 0.0 => {
            not_determined("the climb ended below the listening level, so no headroom was shown".into())
        }
        Reading::AtLeast(h) => {
            let answer = answer(h.interval.low, rule);
            Verdict { answer, or: None, at_least: answer != Answer::Ample, firm, because: limits(rule) }
        }
        Reading::Below(_) => not_determined("only a bound of the headroom is known".into()),
        Reading::NotDetermined(why) => not_determined(why.clone()),
    }
}

fn limits(rule: HeadroomRule) -> String {
    format!("ample from {} dB, borderline from {} dB (common practice, no source)", rule.ample_db, rule.borderline_db)
}

fn not_determined(because: String) -> Verdict {
    Verdict { answer: Answer::NotDetermined, or: None, at_least: false, firm: true, because }
}

pub(super) fn headroom(
    record: &Record,
    highest: &HighestClean,
    listening: Option<ListeningLevel>,
    rule: HeadroomRule,
    doubts: usize,
) -> Headroom {
    let listening_z = listening.map(|l| listening_as_z(record, l));
    let headroom_db = match (&listening_z, &highest.level_spl) {
        (None, _) => Reading::NotDetermined("no listening level was stated".into()),
        (Some(Err(why)), _) => Reading::NotDetermined(why.clone()),
        (Some(Ok(l)), Reading::Determined(level)) => Reading::Determined(level.shifted(-l.db())),
        (Some(Ok(l)), Reading::AtLeast(level)) => Reading::AtLeast(level.shifted(-l.db())),
        (Some(Ok(_)), other) => other.clone(),
    };
    let factor = record.head.plan.pink.period(record.head.playback.rate).true_peak_factor_db().unwrap_or(0.0);
    let peak_headroom_db = match &headroom_db {
        Reading::Determined(h) => Reading::Determined(h.shifted(factor)),
        Reading::AtLeast(h) => Reading::AtLeast(h.shifted(factor)),
        other => other.clone(),
    };
    let verdict = verdict(&headroom_db, rule, doubts);
    Headroom { listening_z: listening_z.and_then(Result::ok), headroom_db, peak_headroom_db, rule, verdict }
}

/// The listening level as Z, with the spectrum measured on this headphone.
///
/// # Errors
/// In words, where it cannot be converted.
pub fn listening_as_z(record: &Record, listening: ListeningLevel) -> Result<DbSpl, String> {
    let chain = &record.head.chain;
    let pinks = record.climbed().rev().filter_map(|s| Some(s.pink(record.deciding_input())?.0));
    z_less_stated_by(pinks, &listening, chain.coupler).map(|d| listening.level + d)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::{Estimate, Interval};

    fn at(highest: f64, listening: f64) -> Verdict {
        verdict(&Reading::Determined(Estimate::exact(highest - listening)), HeadroomRule::default(), 0)
    }

    /// The rule is common practice, no source; the levels are the check values of the task.
    #[test]
    fn levels_around_a_listener_at_75_db_get_the_answer_of_the_rule() {
        for (level, expected) in [
            (97.0, Answer::Ample),
            (95.2, Answer::Ample),
            (92.7, Answer::Borderline),
            (90.6, Answer::Borderline),
            (87.3, Answer::Short),
            (72.2, Answer::DoesNotReach),
            (95.0, Answer::Ample),
            (94.9, Answer::Borderline),
            (90.0, Answer::Borderline),
            (89.9, Answer::Short),
            (74.9, Answer::DoesNotReach),
        ] {
            assert_eq!(at(level, 75.0).answer, expected, "{level}");
            assert_eq!(at(level, 75.0).or, None);
        }
    }

    #[test]
    fn an_interval_over_a_boundary_names_both_sides_and_a_lower_bound_says_at_least() {
        let wide = Estimate { value: 19.5, interval: Interval { low: 18.9, high: 20.1 } };
        let v = verdict(&Reading::Determined(wide), HeadroomRule::default(), 0);
        assert_eq!(v.to_string(), "borderline or ample");
        let v = verdict(&Reading::AtLeast(wide), HeadroomRule::default(), 0);
        assert_eq!(v.to_string(), "at least borderline");
        let v = verdict(&Reading::AtLeast(Estimate::exact(3.0)), HeadroomRule::default(), 0);
        assert_eq!((v.answer, v.to_string().as_str()), (Answer::Short, "no limit found yet"));
        let v = verdict(&Reading::AtLeast(Estimate::exact(-3.0)), HeadroomRule::default(), 0);
        assert_eq!(v.answer, Answer::NotDetermined, "{v}");
        let v = verdict(&Reading::Determined(Estimate::exact(25.0)), HeadroomRule::default(), 1);
        assert_eq!(v.to_string(), "ample, in doubt");
    }
}
