//! What the window knows: plain data, changed by news alone, so that every state can be made and tested without a
//! window.

use super::digest::Digest;
use super::followed::Followed;
use super::link::{Live, News};
use crate::account::picture::Picture;
use crate::account::session;
use crate::analysis::Tone;
use crate::calibration::Acoustic;
use crate::card::{CardDescription, Granted, InputRole};
use crate::judgement::path::PathReport;
use crate::session::plan::Extent;
use crate::session::positions;
use crate::session::protocol::{Command, ElectricalHeard, Event, Failure, SeriesCommand, SeriesEvent};
use crate::session::record::Record;
use crate::session::seats::how_it_sits;
use crate::session::step::Step;
use std::path::PathBuf;
use std::sync::Arc;

/// What the bench is doing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Phase {
    /// Nothing.
    #[default]
    Idle,
    /// Asked to run; cards are being opened.
    Opening,
    /// A session runs.
    Running,
    /// Stop was pressed; the sound fades.
    Stopping,
    /// Holding quiet noise while the headphone is refitted.
    Seating,
    /// Holding quiet noise while the output's volume control is turned.
    Turning,
    /// Holding quiet noise while a knob is turned.
    Matching,
    /// Listening to the sound calibrator.
    Calibrating,
    /// The path check runs.
    Checking,
    /// A take of an electrical calibration plays.
    Electrical,
    /// The listener's own level is heard.
    OwnLevel,
    /// A sound that is played elsewhere is listened to.
    Following,
    /// A series is open: silent, headphones are swapped.
    SwapNow,
    /// Quiet noise for some seconds after a swap.
    SwapCheck,
    /// The bench is gone.
    Gone,
}

impl Phase {
    /// True while cards are in use.
    pub fn is_busy(self) -> bool {
        !matches!(self, Phase::Idle | Phase::Gone)
    }
}

/// Cards as listed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cards {
    /// Found.
    pub found: Vec<CardDescription>,
    /// Hosts that could not be asked.
    pub failed: Vec<String>,
}

/// The running step.
#[derive(Clone, Debug, PartialEq)]
pub struct Progress {
    /// Which.
    pub step: Step,
    /// Steps expected in all, at most; it never shrinks while a session runs.
    pub expected: usize,
    /// Sound still to come when the step began, seconds.
    pub left_s: f64,
    /// Done of the running take, seconds.
    pub done_s: f64,
    /// Longest `done_s` counted off from finished takes of this step.
    finished_s: f64,
}

impl Progress {
    /// Steps there will be, at most.
    pub fn most(&self) -> usize {
        self.expected.max(self.step.number)
    }

    /// Sound still to come, seconds.
    pub fn left_now_s(&self) -> f64 {
        (self.left_s - self.finished_s - self.done_s).max(0.0)
    }
}

/// One reading of the calibrator.
#[derive(Clone, Debug, PartialEq)]
pub struct Listening {
    /// What it holds.
    pub tone: Option<Tone>,
    /// Seconds for which the level has been steady.
    pub steady_s: f64,
    /// What stands in the way.
    pub because: Option<String>,
}

/// All that is drawn but what the user types.
#[derive(Default)]
pub struct View {
    /// What the bench is doing.
    pub phase: Phase,
    /// Cards, once listed.
    pub cards: Option<Cards>,
    /// The session shown: running or last.
    pub digest: Option<Arc<Digest>>,
    /// Its folder.
    pub folder: Option<PathBuf>,
    /// A series is open: after each sound the bench is silent, and its cards stay open.
    pub in_series: bool,
    /// What sounds belongs to the session shown; else the chain that is typed is the one that is heard.
    pub session_sounds: bool,
    /// Cards as granted.
    pub granted: Option<(Granted, Granted)>,
    /// The running step.
    pub progress: Option<Progress>,
    /// Takes played again in the running session.
    pub repeated: usize,
    /// Why the last one was.
    pub repeated_because: Option<String>,
    /// What the bench waits for, when it has not been heard of for a while.
    pub waits_for: Option<String>,
    /// What could not be done.
    pub failure: Option<Failure>,
    /// What could not be done about the calibration (shown beside it).
    pub calibration_failure: Option<String>,
    /// How the headphone sits while noise is held for it, in words.
    pub sits: Option<String>,
    /// The same as a picture, once it was looked at.
    pub seating: Option<Picture>,
    /// How far the level of a knob that is turned stands over the one wanted, dB; `None` while nothing is heard.
    pub turned_off_db: Option<f64>,
    /// What is heard of a sound that is played elsewhere, while it is listened to.
    pub followed: Option<Followed>,
    /// What was heard of the calibrator last.
    pub listening: Option<Listening>,
    /// What the calibration was found to have drifted by after the session shown.
    pub checked: Option<String>,
    /// What the last path check found.
    pub path: Option<Arc<PathReport>>,
    /// It has just begun or ended, and must be seen wherever the page stands.
    pub path_is_news: bool,
    /// Why there is none (shown beside it).
    pub path_failure: Option<String>,
    /// What the take of an electrical calibration found, to be taken over.
    pub electrical: Option<Box<ElectricalHeard>>,
    /// Stop was pressed while it played.
    pub stopping_electrical: bool,
    /// How far that take is, and how long it lasts, seconds.
    pub playing: Option<(f64, f64)>,
    /// Why it ended early.
    pub electrical_failure: Option<String>,
    /// The section of electrical calibrations must be seen wherever the page stands.
    pub electrical_is_news: bool,
    /// A calibration that the form should take over.
    pub calibrated: Option<(InputRole, Acoustic)>,
    /// A round of a swap that began, likewise.
    pub round_begun: Option<(Arc<Record>, PathBuf)>,
    /// A round of a swap that ended, to be taken over.
    pub round: Option<(Arc<Record>, PathBuf)>,
    /// What is heard now.
    pub live: Option<Arc<Live>>,
}

impl View {
    /// Takes one piece of news.
    pub fn apply(&mut self, news: News) {
        match news {
            News::Live(live) => self.live = live,
            News::Leave => {}
            News::NotSent(message) => {
                self.rest();
                self.failure = Some(Failure { message, kept: None });
            }
            News::BenchGone => {
                self.phase = Phase::Gone;
                self.live = None;
            }
            News::Event(event, digest) => {
                match &digest {
                    // A path check is no session: the one shown stays.
                    Some(d) if d.record.head.plan.extent == Extent::PathCheck => self.path_event(*event, d),
                    // Nor is one output of a swap.
                    Some(d) if d.record.head.plan.extent == Extent::Swap => self.swap_event(*event),
                    Some(_) => {
                        self.digest = digest;
                        self.event(*event);
                    }
                    None => self.event(*event),
                }
            }
        }
    }

    /// The bench is asked for this: what it will be doing is shown at once.
    pub fn asked(&mut self, command: &Command) {
        if !matches!(command, Command::ListCards | Command::Quit) {
            self.session_sounds = false;
        }
        self.phase = match command {
            Command::ListCards | Command::Quit => return,
            Command::OwnLevel(_) => Phase::OwnLevel,
            Command::Series(SeriesCommand::End) => return,
            Command::Series(SeriesCommand::Next(_)) => Phase::SwapCheck,
            Command::Series(SeriesCommand::Begin(_) | SeriesCommand::Start) => Phase::Opening,
            Command::Run(request) if request.plan.extent == Extent::PathCheck => {
                (self.path, self.path_is_news) = (None, true);
                Phase::Checking
            }
            Command::Run(_) | Command::Continue { .. } | Command::Listen { .. } | Command::Round(_) => Phase::Opening,
            Command::Elsewhere(request) => {
                self.followed = Some(Followed { recording: request.recording.is_some(), ..Followed::default() });
                Phase::Following
            }
            Command::Calibrate { .. } | Command::CheckCalibration { .. } => Phase::Calibrating,
            Command::Seat { .. } => Phase::Seating,
            Command::Match { target, .. } if target.turned_at_dbfs.is_some() => Phase::Matching,
            Command::Match { .. } => Phase::Opening,
            Command::Positions { .. } => Phase::Turning,
            Command::Electrical(_) => {
                self.playing = None;
                Phase::Electrical
            }
        };
    }

    /// What could not be done before is no longer shown.
    pub fn put_aside_failure(&mut self) {
        self.failure = None;
    }

    /// A stored session is shown.
    pub fn show(&mut self, digest: Arc<Digest>, folder: PathBuf) {
        (self.digest, self.folder) = (Some(digest), Some(folder));
        (self.repeated, self.repeated_because, self.checked, self.failure) = (0, None, None, None);
    }

    /// The session shown is put away.
    pub fn forget_session(&mut self) {
        (self.digest, self.folder) = (None, None);
    }

    /// Stop was pressed.
    pub fn stopping(&mut self) {
        // Between two headphones nothing sounds.
        if self.phase.is_busy() && self.phase != Phase::SwapNow {
            self.stopping_electrical |= self.phase == Phase::Electrical;
            self.phase = Phase::Stopping;
        }
    }

    /// News that carries the record of a path check.
    fn path_event(&mut self, event: Event, digest: &Digest) {
        match event {
            Event::Began { granted, .. } => self.granted = Some(granted),
            Event::Ended { .. } => {
                self.path = digest.path.clone();
                self.path_is_news = true;
                self.rest();
            }
            _ => {}
        }
    }

    /// News that carries the record of one output of a swap.
    fn swap_event(&mut self, event: Event) {
        match event {
            Event::Began { granted, record, folder } => {
                self.granted = Some(granted);
                self.round_begun = Some((record, folder));
                (self.repeated, self.repeated_because, self.failure) = (0, None, None);
                if self.phase == Phase::Opening {
                    self.phase = Phase::Running;
                }
            }
            Event::StepDone(record) => self.repeated = self.repeated.max(record.repeated()),
            Event::Ended { record, folder } => {
                self.round = Some((record, folder));
                self.rest();
            }
            _ => {}
        }
    }

    fn event(&mut self, event: Event) {
        match event {
            Event::Cards { cards, failed } => self.cards = Some(Cards { found: cards, failed }),
            Event::Began { folder, granted, .. } => {
                // Stop may have been pressed while the cards were opened: it stays pressed.
                if !matches!(
                    self.phase,
                    Phase::Stopping | Phase::Seating | Phase::Turning | Phase::Matching | Phase::Following
                ) {
                    self.phase = Phase::Running;
                }
                self.session_sounds = true;
                self.folder = Some(folder);
                self.granted = Some(granted);
                self.repeated = 0;
                self.repeated_because = None;
                self.failure = None;
            }
            Event::Turning { positions } => self.sits = Some(positions::heard(&positions)),
            Event::Elsewhere(now) => {
                if let Some(followed) = &mut self.followed {
                    followed.hear(&now);
                }
            }
            Event::Matching { off_db } => {
                // A round of a swap becomes one only when the knob is to be turned.
                if self.phase == Phase::Running {
                    self.phase = Phase::Matching;
                }
                self.turned_off_db = off_db;
            }
            Event::Seating { seat, ears } => {
                self.seating = session::seating(seat, &ears);
                self.sits = Some(how_it_sits(seat, &ears));
            }
            Event::StepBegan { step, expected_steps, left_s } => {
                if matches!(self.phase, Phase::Seating | Phase::Matching) {
                    self.phase = Phase::Running;
                    (self.sits, self.seating) = (None, None);
                    self.turned_off_db = None;
                }
                let expected = self.progress.as_ref().map_or(0, |p| p.expected).max(expected_steps);
                self.progress = Some(Progress { step, expected, left_s, done_s: 0.0, finished_s: 0.0 });
            }
            Event::Playing { done_s, total_s } => {
                self.playing = Some((done_s, total_s));
                if let Some(p) = &mut self.progress {
                    if done_s < p.done_s {
                        // The next take of the same step began.
                        p.finished_s += p.done_s;
                    }
                    p.done_s = done_s;
                }
            }
            Event::Repeated { reason } => {
                self.repeated += 1;
                self.repeated_because = Some(reason.to_string());
                if let Some(p) = &mut self.progress {
                    // What is played again does not shorten what is left.
                    p.done_s = 0.0;
                }
            }
            Event::StepDone(record) => self.repeated = self.repeated.max(record.repeated()),
            Event::Ended { folder, .. } => {
                self.folder = Some(folder);
                self.rest();
            }
            Event::Listening { tone, steady_s, because } => {
                self.listening = Some(Listening { tone, steady_s, because });
            }
            Event::CalibrationChecked(record) => {
                let drifts = record.head.chain.ears().filter_map(|(_, role)| {
                    Some(format!(
                        "{} {} dB",
                        role.in_words(),
                        crate::units::tidy_signed(record.calibration_drift_db(role)?, 2)
                    ))
                });
                let drifts: Vec<String> = drifts.collect();
                self.checked = Some(format!("Moved since the session: {}.", drifts.join(", ")));
                self.calibration_failure = None;
                self.rest();
            }
            Event::Electrical(heard) => {
                self.electrical = Some(heard);
                self.rest();
            }
            Event::Calibrated { role, acoustic } => {
                self.calibrated = Some((role, acoustic));
                self.calibration_failure = None;
                self.rest();
            }
            Event::Series(SeriesEvent::SwapNow { .. }) => {
                self.in_series = true;
                self.rest();
            }
            Event::Series(SeriesEvent::Checked(_)) => self.rest(),
            Event::Series(SeriesEvent::Ended { .. }) => {
                self.in_series = false;
                self.rest();
            }
            Event::OwnLevel(_) => self.rest(),
            Event::Failed(failure) => {
                if self.phase == Phase::OwnLevel || self.followed.is_some() && !self.session_sounds {
                    // Said where it was asked for.
                } else if self.phase == Phase::Calibrating {
                    self.calibration_failure = Some(failure.message);
                } else if self.phase == Phase::Checking {
                    self.path_failure = Some(failure.message);
                } else if self.phase == Phase::Electrical || self.stopping_electrical {
                    self.electrical_failure = Some(failure.message);
                } else {
                    self.failure = Some(failure);
                }
                self.rest();
            }
        }
    }

    fn rest(&mut self) {
        self.phase = if self.in_series { Phase::SwapNow } else { Phase::Idle };
        self.session_sounds = false;
        self.progress = None;
        self.playing = None;
        self.stopping_electrical = false;
        self.live = None;
        self.listening = None;
        self.followed = None;
        (self.sits, self.seating) = (None, None);
        self.turned_off_db = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::step::Purpose;
    use crate::signal::Stimulus;
    use crate::take::VoidReason;
    use crate::units::Dbfs;

    fn hear(view: &mut View, event: Event) {
        view.apply(News::Event(Box::new(event), None));
    }

    fn step() -> Step {
        let stimuli = vec![Stimulus::silence()];
        Step { number: 3, purpose: Purpose::Climb, drive: Some(Dbfs(-20.0)), stimuli, periods: 2 }
    }

    #[test]
    fn time_left_counts_down_over_the_takes_of_a_step_and_not_for_what_is_played_again() {
        let mut view = View { phase: Phase::Running, ..View::default() };
        hear(&mut view, Event::StepBegan { step: step(), expected_steps: 9, left_s: 60.0 });
        hear(&mut view, Event::Playing { done_s: 3.0, total_s: 3.0 });
        hear(&mut view, Event::Playing { done_s: 1.0, total_s: 3.0 });
        assert!((view.progress.as_ref().unwrap().left_now_s() - 56.0).abs() < 1e-12);
        hear(&mut view, Event::Repeated { reason: VoidReason::ZeroInput });
        assert!((view.progress.as_ref().unwrap().left_now_s() - 57.0).abs() < 1e-12);
        assert_eq!(view.repeated, 1);
        assert!(view.repeated_because.as_ref().unwrap().contains("exactly zero"));
    }

    #[test]
    fn the_number_of_steps_never_shrinks_while_a_session_runs() {
        let mut view = View { phase: Phase::Running, ..View::default() };
        let most = |view: &mut View, expected_steps| {
            hear(view, Event::StepBegan { step: step(), expected_steps, left_s: 60.0 });
            view.progress.as_ref().unwrap().most()
        };
        assert_eq!([21, 24, 19, 18].map(|expected| most(&mut view, expected)), [21, 24, 24, 24]);
    }

    #[test]
    fn a_failure_ends_the_phase_and_is_shown_where_it_belongs() {
        let failure = Failure { message: "the card is busy".into(), kept: None };
        let mut view = View { phase: Phase::Calibrating, ..View::default() };
        hear(&mut view, Event::Failed(failure.clone()));
        assert_eq!((view.phase, view.calibration_failure.as_deref()), (Phase::Idle, Some("the card is busy")));
        assert_eq!(view.failure, None);
        view.phase = Phase::Running;
        hear(&mut view, Event::Failed(failure.clone()));
        assert_eq!((view.phase, view.failure), (Phase::Idle, Some(failure)));
    }
}
