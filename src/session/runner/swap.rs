//! Plays one round of a swap: its quiet takes, a look at whether the right output is plugged in, and the level.

use super::super::plan::{Extent, Order, Swap};
use super::super::protocol::{Event, RoundOf, RoundRequest};
use super::super::record::{Happening, Record, SessionEvent};
use super::super::step::StopReason;
use super::super::storage::Storage;
use super::super::swap::{self, Sounds, sounds};
use super::step::{StepError, StepRunner};
use super::{RunError, Worker, not_as_predicted, take_up};
use crate::units::tidy_signed;
use std::path::PathBuf;
use std::sync::Arc;

impl Worker {
    /// Plays one round.
    pub(super) fn round(&self, request: &RoundRequest, kept: &mut Option<PathBuf>) -> Result<(), RunError> {
        let other = request.other.as_deref().map(Storage::open).transpose()?.map(|(_, record)| record);
        let (engine, storage, record) = match &request.output {
            RoundOf::New(new) => self.begin(new)?,
            RoundOf::Again { folder, confirmed } => {
                let (storage, record) = take_up(folder, *confirmed)?;
                (self.open_chain(&record.chain_as_begun())?, storage, record)
            }
        };
        let folder = storage.folder().to_path_buf();
        *kept = Some(folder.clone());
        let swap = record.head.plan.swap.clone().filter(|_| record.head.plan.extent == Extent::Swap);
        let swap = swap.ok_or_else(|| RunError::NoSwap(folder.display().to_string()))?;
        let mut steps = self.steps(engine, storage, record)?;
        if !steps.record.steps.is_empty() {
            steps.note(SessionEvent { at: (self.now)(), what: Happening::Continued })?;
        }
        let stop = match steps.round(&swap, other.as_ref(), request.by_hand) {
            Ok(()) => StopReason::RoundPlayed,
            Err(StepError::Stopped) => StopReason::Stopped,
            Err(StepError::NotAsPredicted) => not_as_predicted(),
            Err(StepError::Card(what)) => {
                steps.end(StopReason::Card { what: what.clone() }, (self.now)())?;
                return Err(RunError::CardFailed(what));
            }
            Err(StepError::Run(RunError::RoundEnded(reason))) => reason,
            Err(StepError::Run(error)) => return Err(error),
        };
        let record = steps.end(stop, (self.now)())?;
        self.tell(Event::Ended { record: Arc::new(record), folder });
        Ok(())
    }
}

impl StepRunner<'_> {
    fn round(&mut self, swap: &Swap, other: Option<&Record>, by_hand: bool) -> Result<(), StepError> {
        let before = self.record.steps.len();
        while let Some(step) = swap::next(&self.climb(), before).map_err(RunError::RoundEnded)? {
            self.begin(&step);
            self.run(step)?;
            self.worker.tell(Event::StepDone(Arc::new(self.record.clone())));
        }
        self.is_right_output(other)?;
        let own = swap::rounds(&self.record).first().and_then(|round| round.matched.step.drive);
        match (own, swap.order) {
            // A later round: the drive of the first one, so that what has moved since shows.
            (Some(drive), _) => self.level_at(swap.on, drive.db())?,
            (None, Order::First) => {
                let drive = swap::first_drive(&self.climb()).ok_or(RunError::NoReference)?;
                self.level_at(swap.on, drive.db())?
            }
            (None, Order::Second) => {
                let target =
                    other.and_then(|other| swap::target(other, swap.on, by_hand)).ok_or(RunError::NoReference)?;
                return self.match_level(&target);
            }
        };
        Ok(())
    }

    /// Nothing louder is played through an output that sounds as the other one did.
    fn is_right_output(&self, other: Option<&Record>) -> Result<(), RunError> {
        let Some(now) = self.record.steps.last() else { return Ok(()) };
        let reference = |record: &Record| swap::rounds(record).last().map(|round| round.reference.clone());
        let (own, other) = (reference(&self.record), other.and_then(reference));
        let input = self.record.head.chain.deciding_input();
        match sounds(now, own.as_ref(), other.as_ref(), input) {
            Sounds::AsTheOther { off_db } => {
                Err(RunError::NotSwapped { wanted: self.record.head.chain.output.clone(), by: tidy_signed(off_db, 1) })
            }
            Sounds::Right | Sounds::Alike | Sounds::Louder { .. } => Ok(()),
        }
    }
}
