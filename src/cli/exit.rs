//! What the program ends with, for scripts; the guide's page `scripts` lists the codes.

use crate::judgement::{Answer, Judgement, Verdict};
use crate::session::record::Record;

/// How a command ended. Usage errors end with 2, which is clap's.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Exit {
    /// An answer.
    #[default]
    Answer,
    /// Something failed; the message says what.
    Failure,
    /// Finished steps are kept, and the rest can be played later.
    Unfinished,
    /// The evidence leaves it open: not determined, or an interval that reaches over the limit of what is short.
    NotDetermined,
    /// The output is certainly short of headroom, or does not reach the listening level clean.
    Short,
}

/// What was begun is not finished, and what is finished is kept.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Unfinished(pub String);

impl Exit {
    /// Of the judgement of one session. Where no listening level was stated, and of what climbs nothing, whatever was found
    /// is the answer.
    pub fn of(record: &Record, judgement: &Judgement) -> Exit {
        let plan = &record.head.plan;
        let asked = plan.extent.climbs() && plan.listening.is_some();
        if asked { Exit::of_verdict(&judgement.headroom.verdict) } else { Exit::Answer }
    }

    fn of_verdict(verdict: &Verdict) -> Exit {
        let is_short = |answer| matches!(answer, Answer::Short | Answer::DoesNotReach);
        let or = verdict.or.unwrap_or(verdict.answer);
        match (is_short(verdict.answer), is_short(or)) {
            _ if verdict.answer == Answer::NotDetermined => Exit::NotDetermined,
            (false, false) => Exit::Answer,
            // Of a lower bound no limit was found yet.
            (true, true) if !verdict.at_least => Exit::Short,
            _ => Exit::NotDetermined,
        }
    }

    /// Of an error.
    pub fn of_error(error: &anyhow::Error) -> Exit {
        if error.is::<Unfinished>() { Exit::Unfinished } else { Exit::Failure }
    }

    /// As a number; none of them is 2, which stands for usage.
    pub fn code(self) -> u8 {
        match self {
            Exit::Answer => 0,
            Exit::Failure => 1,
            Exit::Unfinished => 3,
            Exit::NotDetermined => 4,
            Exit::Short => 5,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_verdict_ends_with_the_code_that_the_guide_gives() {
        let verdict = |answer, at_least| Verdict { answer, or: None, at_least, firm: true, because: String::new() };
        let code = |answer, at_least| Exit::of_verdict(&verdict(answer, at_least)).code();
        assert_eq!([Answer::Ample, Answer::Borderline].map(|answer| code(answer, false)), [0, 0]);
        assert_eq!([Answer::Short, Answer::DoesNotReach].map(|answer| code(answer, false)), [5, 5]);
        assert_eq!(
            [code(Answer::NotDetermined, false), code(Answer::Short, true), code(Answer::Borderline, true)],
            [4, 4, 0]
        );
        let unfinished = anyhow::Error::from(Unfinished("stopped".into())).context("how to go on");
        assert_eq!(Exit::of_error(&unfinished).code(), 3);
        assert_eq!(Exit::of_error(&anyhow::anyhow!("broken")).code(), 1);
    }
}
