//! One further seat of the headphone: quiet noise is held while a person refits it, then the quiet reference is played
//! once and added to the session.

use super::super::climb::{Purpose, Step};
use super::super::protocol::Event;
use super::super::record::Record;
use super::super::seats::{Fit, Seats, fits};
use super::super::storage::Storage;
use super::step::{StepError, StepRunner};
use super::{RunError, Worker};
use crate::card::InputRole;
use crate::take::VoidReason;
use std::path::Path;
use std::sync::Arc;

/// Periods of one look while the noise is held: a look every three to four seconds.
const LOOK_PERIODS: usize = 2;
/// Looks after which the noise ends by itself: about ten minutes.
const MOST_LOOKS: usize = 180;

impl Worker {
    /// Adds a seat to a finished session. With `hold` quiet noise plays until the person says that the headphone sits.
    pub(super) fn seat(&self, folder: &Path, hold: bool) -> Result<(), RunError> {
        let (storage, record) = Storage::take_up(folder)?;
        let seat = next_seat(&record)?;
        let chain = &record.head.chain;
        let backend = self.backend(&chain.routing)?;
        let named = backend.with_devices(&chain.output, &chain.headphone);
        let backend = named.as_deref().unwrap_or(backend);
        let refitted = backend.with_seat(seat);
        let (engine, tell_live) = self.open(refitted.as_deref().unwrap_or(backend), &chain.routing)?;
        let (playback, capture) = engine.granted();
        let granted = (playback.clone(), capture.clone());
        let period = record.head.plan.pink.period(chain.routing.playback_rate);
        let folder = folder.to_path_buf();
        self.tell(Event::Began { record: Arc::new(record.clone()), folder: folder.clone(), granted });
        let mut steps = StepRunner::new(self, engine, storage, record, period, tell_live)?;
        steps.seat = seat;
        let step = steps.climb().seat_step().ok_or(RunError::NoReference)?;
        let held = if hold { steps.hold(&step) } else { Ok(()) };
        let outcome = held.and_then(|()| {
            self.tell(Event::StepBegan {
                expected_steps: step.number,
                left_s: steps.take_s(&step),
                step: step.clone(),
            });
            steps.run(step)
        });
        match outcome {
            Ok(()) => {
                self.tell(Event::StepDone(Arc::new(steps.record.clone())));
                self.tell(Event::Ended { record: Arc::new(steps.record), folder });
                Ok(())
            }
            // Nothing was added; the session is what it was.
            Err(StepError::Stopped) => {
                self.tell(Event::Ended { record: Arc::new(steps.record), folder });
                Ok(())
            }
            Err(StepError::Card(what)) => Err(RunError::CardFailed(what)),
            Err(StepError::Run(error)) => Err(error),
        }
    }
}

/// Number of the seat that comes next.
fn next_seat(record: &Record) -> Result<u32, RunError> {
    if record.can_go_on() || !record.judgeable() {
        return Err(RunError::SeatTooEarly);
    }
    Ok(1 + record.seat())
}

impl StepRunner<'_> {
    /// Plays quiet noise, look by look, and tells how the headphone sits, until it is said to sit.
    fn hold(&mut self, step: &Step) -> Result<(), StepError> {
        let look = Step { periods: LOOK_PERIODS, ..step.clone() };
        let pink = self.record.head.plan.pink.clone();
        let drive = look.drive.map_or(0.0, |d| d.db());
        self.worker.tell(Event::Seating { seat: self.seat, ears: Vec::new() });
        for _ in 0..MOST_LOOKS {
            if self.worker.ready.is_asked() {
                return Ok(());
            }
            let take = self.play(&look, &pink)?;
            match &take.head.void {
                Some(VoidReason::Stopped) => return Err(StepError::Stopped),
                Some(VoidReason::Card { what }) => return Err(StepError::Card(what.clone())),
                Some(reason) => {
                    self.worker.tell(Event::Repeated { reason: reason.clone() });
                    continue;
                }
                None => {}
            }
            let pooled = super::step::Known::pooled(&self.record.steps);
            let (inputs, _) = self.known.clone().analyse(&self.record, Purpose::Seat, &take, pooled)?;
            let ears: Vec<(InputRole, Seats)> = self
                .record
                .head
                .chain
                .ears()
                .filter_map(|(input, role)| {
                    let mut all = fits(&self.record, input);
                    all.push(Fit::of(self.seat, drive, inputs.get(input)?)?);
                    Some((role, Seats::from(role, all)?))
                })
                .collect();
            self.worker.tell(Event::Seating { seat: self.seat, ears });
        }
        Err(RunError::HeldTooLong.into())
    }
}
