//! Positions of the output's own volume control, found by themselves: quiet noise sounds without a break, somebody turns
//! the control step by step, and every stretch in which the level stays put is a position.
//!
//! ```text
//! level  ────┐                        two looks that agree: a position
//!            └─╲───┐                  a look in which it moves, or that differs from the one before: none
//!                  └────
//! looks  1  2   3   4  5
//! ```

use super::record::{Record, StepResult};
use super::step::Purpose;
use crate::stats::Estimate;
use crate::units::tidy_signed;
use serde::{Deserialize, Serialize};

/// Two looks that differ by less stand at one position, dB: the finest usual control has steps of 0.5 dB.
pub const SAME_DB: f64 = 0.2;

/// What a look says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// The level moves, or this is the first look at it.
    Moving,
    /// It stays where the last position was found.
    Same,
    /// It stays somewhere new: keep this look.
    New,
}

/// Follows a control that is turned.
#[derive(Clone, Debug, Default)]
pub struct Turning {
    before: Option<f64>,
    /// Every position found, in order: level less that of the session's own position, dB.
    pub found: Vec<f64>,
}

impl Turning {
    /// Takes in the level of one look, less that of the session's own position; `None` where it was void or under the noise.
    pub fn sees(&mut self, change_db: Option<f64>) -> Look {
        let same = |a: f64, b: Option<f64>| b.is_some_and(|b| (a - b).abs() < SAME_DB);
        let before = std::mem::replace(&mut self.before, change_db);
        match change_db {
            Some(now) if !same(now, before) => Look::Moving,
            Some(now) if same(now, self.found.last().copied()) => Look::Same,
            Some(now) => {
                self.found.push(now);
                Look::New
            }
            None => Look::Moving,
        }
    }
}

/// `position 3 found, −12.0 dB`: what a person who turns hears of it.
pub fn heard(found: &[f64]) -> String {
    match found.last() {
        None => "listening to the first position".into(),
        Some(db) => format!("position {} found, {} dB; turn it further", found.len(), tidy_signed(*db, 1)),
    }
}

/// One position of the control.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Position {
    /// Step that was kept of it.
    pub step: usize,
    /// Level less that of the session's own position, dB.
    pub change_db: Estimate,
}

/// Every position that was kept, the quietest first; one that was passed twice counts once.
pub fn positions(record: &Record) -> Vec<Position> {
    let mut all: Vec<Position> = Vec::new();
    for step in record.steps.iter().filter(|step| step.step.purpose == Purpose::Position) {
        let Some(change_db) = change_db(record, step) else { continue };
        if all.iter().all(|other| (other.change_db.value - change_db.value).abs() >= SAME_DB) {
            all.push(Position { step: step.step.number, change_db });
        }
    }
    all.sort_by(|a, b| a.change_db.value.total_cmp(&b.change_db.value));
    all
}

/// Level less drive, against the quiet reference at the same seat, at the input that sees the output's limits.
fn change_db(record: &Record, step: &StepResult) -> Option<Estimate> {
    let input = record.head.chain.limit_input();
    let gain = |step: &StepResult| Some(step.pink(input)?.0.level_z?.shifted(-step.step.drive?.db()));
    let at_seat = |s: &&StepResult| s.step.purpose.shows_seat() && s.seat == step.seat;
    let reference = record.steps.iter().rev().find(at_seat)?;
    Some(gain(step)?.plus(&gain(reference)?.negative()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_stays_put_is_a_position() {
        let mut turning = Turning::default();
        let looks = [0.0, 0.01, 0.02, -1.4, -3.0, -3.02, -3.01, -5.99, -6.0].map(Some);
        let said: Vec<Look> = looks.into_iter().map(|look| turning.sees(look)).collect();
        use Look::{Moving, New, Same};
        assert_eq!(said, [Moving, New, Same, Moving, Moving, New, Same, Moving, New]);
        assert_eq!(turning.found, [0.01, -3.02, -6.0]);
        assert_eq!(turning.sees(None), Moving);
        assert_eq!(turning.sees(Some(-6.0)), Moving, "a void look in between proves nothing");
    }
}
