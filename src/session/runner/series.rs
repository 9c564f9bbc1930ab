//! A series: the cards stay open and silent while headphones are swapped; each is checked for a few seconds, then measured.

use super::super::climb::LOOK_PERIODS;
use super::super::protocol::{Command, Event, Failure, NextHeadphone, SeriesCommand, SeriesEvent, SessionRequest};
use super::super::record::{Happening, SessionEvent};
use super::super::series::{Heard, SwapChecked, check, check_drive};
use super::super::step::{Purpose, Step};
use super::added::{Addition, Looked};
use super::step::{Opened, POLL, StepError, StepRunner};
use super::{RunError, Worker, check_request};
use crate::session::chain::Chain;
use crate::units::Dbfs;
use crossbeam_channel::{Receiver, RecvTimeoutError};
use std::path::{Path, PathBuf};

/// A take that a machine lost samples of says nothing: the check listens again so often.
const LOOKS: usize = 2;

/// How a series ended.
pub(super) enum Series {
    /// The bench goes on.
    Over,
    /// The bench ends.
    Quit,
}

/// What a series holds between two commands.
struct State {
    /// The cards, open and silent; `None` after they failed, until they are needed again.
    opened: Option<Opened>,
    /// The headphone that was named last, and what was heard of it.
    next: Option<(Box<NextHeadphone>, Option<SwapChecked>)>,
    /// Drive of the last quiet reference.
    last_reference: Option<Dbfs>,
    done: usize,
}

impl Worker {
    /// From the first command of a series to its last one.
    pub(super) fn series(&self, command: SeriesCommand, inbox: &Receiver<Command>) -> Result<Series, RunError> {
        let SeriesCommand::Begin(chain) = command else { return Err(RunError::NoSeries) };
        let mut state = State { opened: Some(self.open_chain(&chain)?), next: None, last_reference: None, done: 0 };
        self.tell(Event::Series(SeriesEvent::SwapNow { done: 0 }));
        loop {
            let command = self.silent(&mut state, inbox);
            self.ready.forget();
            self.stop.begin();
            if let Some((engine, _)) = &mut state.opened {
                engine.clear_stop();
                self.stop.arm(engine.stop_handle());
            }
            let mut kept = None;
            let outcome = match command {
                Command::Series(SeriesCommand::End) => break,
                Command::Quit => return Ok(Series::Quit),
                Command::Series(SeriesCommand::Next(next)) => self.swapped(&mut state, next),
                Command::Series(SeriesCommand::Start) => self.measure(&mut state, &mut kept),
                Command::Seat { folder, hold } => self.seat_in_series(&mut state, &folder, hold),
                _ => Err(RunError::InSeries),
            };
            self.live.clear();
            if let Err(error) = outcome {
                self.tell(Event::Failed(Failure { message: error.to_string(), kept }));
            }
        }
        drop(state.opened.take());
        self.tell(Event::Series(SeriesEvent::Ended { done: state.done }));
        Ok(Series::Over)
    }

    /// Waits for the next command; the streams go on, silent.
    fn silent(&self, state: &mut State, inbox: &Receiver<Command>) -> Command {
        loop {
            match inbox.recv_timeout(POLL) {
                Ok(command) => return command,
                Err(RecvTimeoutError::Disconnected) => return Command::Quit,
                Err(RecvTimeoutError::Timeout) => {}
            }
            // A simulated bench stands still while nobody asks for anything; real cards are looked after.
            let lost = state.opened.as_mut().is_some_and(|(engine, _)| engine.poll(std::time::Duration::ZERO).is_err());
            if lost {
                state.opened = None;
            }
        }
    }

    /// The cards for this chain: those that are open, unless something was swapped on a simulated bench.
    fn cards(&self, state: &mut State, chain: &Chain) -> Result<Opened, RunError> {
        let simulated = self.backend(&chain.routing)?.with_devices(&chain.output, &chain.headphone).is_some();
        match state.opened.take().filter(|_| !simulated) {
            Some(opened) => Ok(opened),
            None => self.open_chain(chain),
        }
    }

    /// A headphone was swapped: what is heard of it?
    fn swapped(&self, state: &mut State, next: Box<NextHeadphone>) -> Result<(), RunError> {
        check_request(&next.request)?;
        let opened = self.cards(state, &next.request.chain)?;
        state.next = Some((next, None));
        let Some((next, _)) = &state.next else { return Ok(()) };
        let scratch = tempfile::tempdir().map_err(RunError::Scratch)?;
        let request = SessionRequest { sessions: scratch.path().into(), id: None, ..next.request.clone() };
        let (storage, record) = self.begin_on(&opened, &request)?;
        let mut steps = self.runner_of(opened, storage, record, request.chain.clone())?;
        let looked = steps.check_swap(next, state.last_reference);
        state.opened = steps.into_opened();
        let checked = looked?;
        if let (Some(checked), Some((_, kept))) = (checked, &mut state.next) {
            *kept = Some(checked.clone());
            self.tell(Event::Series(SeriesEvent::Checked(Box::new(checked))));
        } else {
            state.next = None;
            self.tell(Event::Series(SeriesEvent::SwapNow { done: state.done }));
        }
        Ok(())
    }

    /// The session of the headphone that was named last.
    fn measure(&self, state: &mut State, kept: &mut Option<PathBuf>) -> Result<(), RunError> {
        let (next, checked) = state.next.take().ok_or(RunError::NothingNamed)?;
        let request = &next.request;
        let opened = self.cards(state, &request.chain)?;
        let (storage, record) = self.begin_on(&opened, request)?;
        let folder = storage.folder().to_path_buf();
        *kept = Some(folder.clone());
        let mut steps = self.steps(opened, storage, record)?;
        if let Some(checked) = checked {
            steps
                .note(SessionEvent { at: (self.now)(), what: Happening::SwapChecked { checked: Box::new(checked) } })?;
        }
        let climbed = self.climb_with(&mut steps, folder);
        state.last_reference = steps.climb().reference_drive().or(state.last_reference);
        state.opened = steps.into_opened();
        state.done += 1;
        climbed
    }

    /// A further seat on the open cards.
    fn seat_in_series(&self, state: &mut State, folder: &Path, hold: bool) -> Result<(), RunError> {
        state.opened = self.add_on(folder, Addition::Seat { hold }, state.opened.take())?;
        Ok(())
    }
}

impl StepRunner<'_> {
    /// Quiet noise for a few seconds, which is not kept; `None` where it was stopped.
    fn check_swap(&mut self, next: &NextHeadphone, last: Option<Dbfs>) -> Result<Option<SwapChecked>, RunError> {
        let chain = &next.request.chain;
        let wanted = check_drive(chain, &chain.headphone, &next.stored, last);
        let drive = Dbfs(wanted.db().min(self.climb().limit().0.db()));
        let stimuli = vec![self.record.head.plan.pink.clone()];
        // Played as freely as while a headphone is refitted: how loud it gets, nobody knows; the ceilings hold.
        let look = Step { number: 1, purpose: Purpose::Seat, drive: Some(drive), stimuli, periods: LOOK_PERIODS };
        for _ in 0..LOOKS {
            self.begin(&look);
            match self.look(&look) {
                Ok(Looked::Heard(_, inputs)) => {
                    let heard = Heard::of(chain, drive, &inputs);
                    return Ok(Some(check(&chain.headphone, &heard, &next.stored)));
                }
                Ok(Looked::Void | Looked::CardsReopened) => {}
                Err(StepError::Stopped | StepError::NotAsPredicted) => return Ok(None),
                Err(StepError::Card(what)) => return Err(RunError::CardFailed(what)),
                Err(StepError::Run(error)) => return Err(error),
            }
        }
        Ok(Some(check(&chain.headphone, &Heard::default(), &next.stored)))
    }
}
