//! What page Side by side knows, and what a thread finds out for it.

pub(super) mod answer;
pub mod swap;

use super::work::{Wake, Work};
use super::{report, text};
use crate::account::Document;
use crate::asked::Field;
use crate::judgement::comparison::{Ask, MatchedOn, SAME_WITHIN_DB};
use crate::session::matching::Target;
use crate::session::pair::Pair;
use crate::stock::side_by_side::Wanted;
use answer::{Answer, Choice};
use std::path::PathBuf;

/// What a thread found.
pub(super) enum Found {
    Sessions(Vec<Choice>, swap::Known),
    Turns(Result<Pair, String>),
    Answer(Box<Answer>),
    Matched(Result<(PathBuf, Target), String>),
}

/// The guided swap.
#[derive(Clone, Debug, Default)]
pub struct Swapping {
    /// Both outputs as named.
    pub names: [String; 2],
    /// The second one has a knob that is turned to the level.
    pub by_hand: bool,
    /// What can be chosen from.
    pub known: swap::Known,
    /// The one under way.
    pub turns: Option<Pair>,
    /// Why there is none, or why a round did not finish.
    pub wrong: Option<String>,
}

/// What page Side by side knows.
pub struct SideBySide {
    /// Two outputs by turns on one seat.
    pub swap: Swapping,
    /// Sessions there are, the latest first; `None` before they were listed.
    pub found: Option<Vec<Choice>>,
    /// The first and the second session.
    pub chosen: [Option<PathBuf>; 2],
    /// What is chosen stays though the list does not have it: halves of a swap are no sessions that climbed.
    pub(super) keeps_chosen: bool,
    /// A further session, which helps to tell whose the first one's distortion is.
    pub third: Option<PathBuf>,
    /// The level as typed; empty: the highest clean level of the weaker output.
    pub at: String,
    /// What is matched.
    pub on: MatchedOn,
    /// Differences within this are the same, as typed.
    pub within: String,
    /// The headphone stayed on the coupler.
    pub same_seat: bool,
    /// A take of the first is subtracted from one of the second.
    pub subtract: bool,
    /// The names are hidden.
    pub hidden: bool,
    /// The key to the labels is shown.
    pub revealed: bool,
    /// The second output has a knob that is turned first.
    pub by_hand: bool,
    /// What is wrong with a field.
    pub(super) wrong: Option<String>,
    pub(super) answer: Option<Answer>,
    pub(super) working: Work<Found>,
}

impl Default for SideBySide {
    fn default() -> SideBySide {
        SideBySide {
            swap: Swapping::default(),
            found: None,
            chosen: [None, None],
            keeps_chosen: false,
            third: None,
            at: String::new(),
            on: MatchedOn::Pink,
            within: text::fixed(SAME_WITHIN_DB, 1),
            same_seat: false,
            subtract: false,
            hidden: false,
            revealed: false,
            by_hand: false,
            wrong: None,
            answer: None,
            working: Work::default(),
        }
    }
}

impl SideBySide {
    /// True while a thread reads or compares.
    pub fn is_working(&self) -> bool {
        self.working.is_under_way()
    }

    pub(super) fn wanted(&self) -> Result<Wanted, String> {
        let read = |field: Field, typed: &str| field.read(typed).map_err(|wrong| wrong.to_string());
        let at = Some(self.at.trim()).filter(|typed| !typed.is_empty());
        let at = at.map(|typed| read(Field::MatchLevel, typed)).transpose()?;
        let within_db = read(Field::SameWithin, &self.within)?;
        let ask = Ask { at, on: self.on, within_db, same_seat: self.same_seat, ..Ask::default() };
        Ok(Wanted { ask, hide_labels: self.hidden, subtract: self.subtract })
    }

    pub(super) fn work(&mut self, wake: &Wake, work: impl FnOnce() -> Found + Send + 'static) {
        if let Err(error) = self.working.begin("side-by-side", wake, work) {
            self.answer = Some(Err(format!("The sessions could not be read: {error}.")));
        }
    }

    /// The report of what is drawn; `None` where nothing is.
    pub(super) fn report(&self, now: String) -> Option<impl FnOnce() -> Document + Send + 'static> {
        let drawn = self.answer.as_ref()?.as_ref().ok()?;
        Some(report::of_comparison(drawn.both.clone(), drawn.whose.clone(), now))
    }
}
