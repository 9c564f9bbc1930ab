//! Homes in on the level of another session and plays a step there. Where the output has a knob, quiet noise is held
//! first and the person turns it until the gain is that of the other session.
//!
//! ```text
//!  hold, 20 dB under the level ── "turn until 0.0" ──► short take ─ off by …? ─► drive moved ─ … ─► matched step
//!  (only with a knob)                                    at most four
//! ```

use super::super::matching::{MATCHED_DB, MatchedOn, Target};
use super::super::protocol::Event;
use super::super::record::{Happening, SessionEvent};
use super::super::step::{Purpose, Step};
use super::RunError;
use super::step::{StepError, StepRunner};
use crate::units::Dbfs;

/// Takes to home in with at most.
const MOST_TAKES: usize = 4;
/// Periods of such a take.
const HOMING_PERIODS: usize = 2;
/// Nearer than this nothing is gained by another take, dB: two takes of the same drive agree no better.
const NEAR_DB: f64 = 0.02;
/// The noise held while a knob is turned stands this far under the level, dB: a knob turned the wrong way stays bearable.
const HOLD_BELOW_DB: f64 = 20.0;

impl StepRunner<'_> {
    /// Plays until the level is that of the other session, then the step itself.
    pub(super) fn match_level(&mut self, target: &Target) -> Result<(), StepError> {
        let mut drive = match target.turned_at_dbfs {
            Some(drive) => self.turn_to(target, drive)?,
            None => target.level_dbfs - self.gain_db(target)?,
        };
        let mut off_db = f64::INFINITY;
        for _ in 0..MOST_TAKES {
            off_db = self.homing_take(target, drive)?;
            drive -= off_db;
            if off_db.abs() <= NEAR_DB {
                break;
            }
        }
        // The last correction moves it by less than it was off.
        if off_db.abs() > MATCHED_DB {
            return Err(RunError::NotMatched(off_db.abs()).into());
        }
        let level_dbfs = self.level_at(target.on, drive)?;
        let off_db = (level_dbfs - target.level_dbfs).abs();
        if off_db > MATCHED_DB { Err(RunError::NotMatched(off_db).into()) } else { Ok(()) }
    }

    /// The step itself, at this drive; the level of it, dBFS at the deciding input.
    pub(super) fn level_at(&mut self, on: MatchedOn, drive: f64) -> Result<f64, StepError> {
        let (stimuli, periods) = (self.climb().stimuli(Purpose::Matched), self.record.head.plan.careful_periods);
        self.matched_take(on, drive, stimuli, periods)
    }

    /// The knob is turned while noise is held; from then on every gain is another one. Returns the drive to start from.
    fn turn_to(&mut self, target: &Target, drive: f64) -> Result<f64, StepError> {
        // Played as freely as while a headphone is refitted: how loud it gets, nobody knows; the ceilings hold.
        let stimuli = self.climb().stimuli(Purpose::Seat);
        let held = Dbfs(drive - HOLD_BELOW_DB);
        let (number, purpose) = (self.record.steps.len() + 1, Purpose::Seat);
        let look = Step { number, purpose, drive: Some(held), stimuli, periods: HOMING_PERIODS };
        let wanted = target.level_dbfs - HOLD_BELOW_DB;
        let input = self.record.head.chain.deciding_input();
        self.worker.tell(Event::Matching { off_db: None });
        self.hold_until_ready(&look, |_, inputs| {
            let level = inputs.get(input).and_then(|i| i.pink()).and_then(|pink| target.on.level_of(pink));
            Event::Matching { off_db: level.map(|level| level.value - wanted) }
        })?;
        self.happened(Happening::KnobTurned)?;
        // The first take after it is a quiet one: what the climb knew of the gain holds no longer.
        let off_db = self.homing_take(&Target { level_dbfs: wanted, ..*target }, held.db())?;
        Ok(drive - off_db)
    }

    /// Gain of what is matched on the seat that is on the coupler, dB: of its quiet reference.
    fn gain_db(&self, target: &Target) -> Result<f64, RunError> {
        let input = self.record.head.chain.deciding_input();
        let of_seat = |s: &&super::super::record::StepResult| s.seat == self.seat && s.step.purpose.shows_seat();
        let gain = self.record.steps.iter().rev().find(of_seat).and_then(|step| {
            let level = target.on.level_of(step.pink(input)?.0)?;
            Some(level.value - step.step.drive?.db())
        });
        gain.ok_or(RunError::NoReference)
    }

    /// A short take at this drive; how far its level lies over the target, dB.
    fn homing_take(&mut self, target: &Target, drive: f64) -> Result<f64, StepError> {
        let stimuli = vec![self.record.head.plan.pink.clone()];
        Ok(self.matched_take(target.on, drive, stimuli, HOMING_PERIODS)? - target.level_dbfs)
    }

    fn matched_take(
        &mut self,
        on: MatchedOn,
        drive: f64,
        stimuli: Vec<crate::signal::Stimulus>,
        periods: usize,
    ) -> Result<f64, StepError> {
        let (limit, why) = self.climb().limit();
        if drive > limit.db() {
            let (wanted, because) = (Dbfs(drive), why.to_string());
            return Err(RunError::MatchOutOfReach { wanted, limit, because }.into());
        }
        let number = self.record.steps.len() + 1;
        let step = Step { number, purpose: Purpose::Matched, drive: Some(Dbfs(drive)), stimuli, periods };
        self.begin(&step);
        self.run(step)?;
        let input = self.record.head.chain.deciding_input();
        let last = self.record.steps.last();
        if let Some(reason) = last.and_then(|s| s.given_up()) {
            return Err(RunError::TakeVoid(reason.clone()).into());
        }
        let level = last.and_then(|s| on.level_of(s.pink(input)?.0));
        Ok(level.ok_or(RunError::NoReference)?.value)
    }

    fn happened(&mut self, what: Happening) -> Result<(), RunError> {
        let event = SessionEvent { at: (self.worker.now)(), what };
        self.note(event)
    }
}
