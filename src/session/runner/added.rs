//! What is added to a finished session. A further seat of the headphone: quiet noise is held while a person refits it,
//! then the quiet reference is played once. The level of another session (`matched.rs`). An outside source: the bench
//! listens, at the open or the covered ear.

use super::super::climb::LOOK_PERIODS;
use super::super::matching::Target;
use super::super::protocol::Event;
use super::super::record::InputResult;
use super::super::seats::{Fit, Seats, fits};
use super::super::step::{Purpose, Step};
use super::super::storage::Storage;
use super::known::Known;
use super::step::{Opened, StepError, StepRunner};
use super::{RunError, Worker, check_stored, with_blocks};
use crate::card::InputRole;
use crate::take::{Take, VoidReason};
use std::path::Path;
use std::sync::Arc;

/// Looks after which the noise ends by itself: about ten minutes.
pub(super) const MOST_LOOKS: usize = 180;

/// What became of one look at the noise that is held.
pub(super) enum Looked {
    /// What each input heard.
    Heard(Box<Take>, Vec<InputResult>),
    /// Nothing that counts.
    Void,
    /// A card was lost; it is open again.
    CardsReopened,
}

/// What is added.
#[derive(Clone, Copy, Debug)]
pub(super) enum Addition {
    /// A further seat; with `hold` quiet noise plays until the person says that the headphone sits.
    Seat { hold: bool },
    /// The level of another session.
    Matched(Target),
    /// An outside source, with the headphone on or off.
    Outside { covered: bool },
    /// Every position of the output's own volume control.
    Positions,
}

impl Worker {
    /// Adds one step to a finished session.
    pub(super) fn add(&self, folder: &Path, what: Addition) -> Result<(), RunError> {
        self.add_on(folder, what, None).map(|_| ())
    }

    /// The same on cards that are open, which are returned; a simulated bench is opened again where something on it changes.
    pub(super) fn add_on(
        &self,
        folder: &Path,
        what: Addition,
        opened: Option<Opened>,
    ) -> Result<Option<Opened>, RunError> {
        let (storage, record) = Storage::take_up(folder)?;
        check_stored(&record)?;
        if record.can_go_on() || !record.judgeable() {
            return Err(RunError::AddedTooEarly);
        }
        let seat = record.seat() + u32::from(matches!(what, Addition::Seat { .. }));
        let chain = &record.chain_as_begun();
        let backend = self.backend(&chain.routing)?;
        let named = backend.with_devices(&chain.output, &chain.headphone);
        let backend = named.as_deref().unwrap_or(backend);
        let changed = match what {
            Addition::Seat { .. } => backend.with_seat(seat),
            Addition::Matched(_) => (seat > 1).then(|| backend.with_seat(seat)).flatten(),
            Addition::Outside { covered } => backend.with_outside_source(covered),
            Addition::Positions => backend.with_seat(seat),
        };
        let (engine, tell_live) = match opened.filter(|_| changed.is_none()) {
            Some(opened) => opened,
            None => self.open(changed.as_deref().unwrap_or(backend), &chain.routing)?,
        };
        let (playback, capture) = engine.granted();
        let granted = (playback.clone(), capture.clone());
        let period = record.head.plan.pink.period(chain.routing.playback_rate);
        let folder = folder.to_path_buf();
        self.tell(Event::Began { record: Arc::new(record.clone()), folder: folder.clone(), granted });
        let (routing, backend) = (chain.routing.clone(), changed.as_deref().unwrap_or(backend));
        let reopen = Box::new(move |blocks| self.open(backend, &with_blocks(&routing, blocks)));
        let mut steps = StepRunner::new(self, (engine, tell_live), reopen, storage, record, period)?;
        steps.seat = seat;
        match steps.add(what) {
            Ok(()) => self.tell(Event::StepDone(Arc::new(steps.record.clone()))),
            // Nothing was added; the session is what it was.
            Err(StepError::Stopped) => {}
            Err(StepError::Card(what)) => return Err(RunError::CardFailed(what)),
            // Only a session that is taken up is heard 10 dB lower first.
            Err(StepError::NotAsPredicted) => {}
            Err(StepError::Run(error)) => return Err(error),
        }
        self.tell(Event::Ended { record: Arc::new(steps.record.clone()), folder });
        Ok(steps.into_opened())
    }
}

impl StepRunner<'_> {
    fn add(&mut self, what: Addition) -> Result<(), StepError> {
        let step = match what {
            Addition::Positions => return self.turn(),
            Addition::Matched(target) => return self.match_level(&target),
            Addition::Seat { .. } => self.climb().seat_step().ok_or(RunError::NoReference)?,
            Addition::Outside { covered: false } => self.climb().outside_step(Purpose::OpenEar),
            Addition::Outside { covered: true } => self.climb().outside_step(Purpose::CoveredEar),
        };
        if let Addition::Seat { hold: true } = what {
            self.hold(&step)?;
        }
        self.begin(&step);
        self.run(step)
    }

    /// Tells that a step begins after which no other is planned.
    pub(super) fn begin(&self, step: &Step) {
        let left_s = self.take_s(step);
        self.worker.tell(Event::StepBegan { expected_steps: step.number, left_s, step: step.clone() });
    }

    /// Plays quiet noise, look by look, and tells how the headphone sits, until it is said to sit.
    fn hold(&mut self, step: &Step) -> Result<(), StepError> {
        let look = Step { periods: LOOK_PERIODS, ..step.clone() };
        let drive = look.drive.map_or(0.0, |d| d.db());
        self.worker.tell(Event::Seating { seat: self.seat, ears: Vec::new() });
        self.hold_until_ready(&look, |steps, inputs| {
            let ear = |(input, role): (usize, InputRole)| {
                let mut all = fits(&steps.record, input);
                all.push(Fit::of(steps.seat, drive, inputs.get(input)?)?);
                Some((role, Seats::from(role, all)?))
            };
            Event::Seating { seat: steps.seat, ears: steps.record.head.chain.ears().filter_map(ear).collect() }
        })
    }

    /// Plays one look after the other, telling what is heard, until the person says that it is right.
    pub(super) fn hold_until_ready(
        &mut self,
        look: &Step,
        heard: impl Fn(&Self, &[InputResult]) -> Event,
    ) -> Result<(), StepError> {
        for _ in 0..MOST_LOOKS {
            if self.worker.ready.is_asked() {
                return Ok(());
            }
            if let Looked::Heard(_, inputs) = self.look(look)? {
                self.worker.tell(heard(self, &inputs));
            }
        }
        Err(RunError::HeldTooLong.into())
    }

    /// Plays the noise once while it is held. What is heard is not kept.
    pub(super) fn look(&mut self, look: &Step) -> Result<Looked, StepError> {
        let pink = self.record.head.plan.pink.clone();
        let take = self.play(look, &pink)?;
        match &take.head.void {
            Some(VoidReason::Stopped) => return Err(StepError::Stopped),
            Some(VoidReason::Card { what }) => {
                self.heal(what)?;
                return Ok(Looked::CardsReopened);
            }
            Some(VoidReason::Protection { what }) => return Err(RunError::TooLoudToHold(what.clone()).into()),
            Some(reason) => {
                self.worker.tell(Event::Repeated { reason: reason.clone() });
                return Ok(Looked::Void);
            }
            None => {}
        }
        let pooled = Known::pooled(&self.record);
        let (inputs, _) = self.known.clone().analyse(&self.record, look.purpose, &take, pooled)?;
        Ok(Looked::Heard(Box::new(take), inputs))
    }
}
