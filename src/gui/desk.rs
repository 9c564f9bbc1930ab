//! The desk as data: what is shown, what was typed, what is under way; and `reduce`, the one place where what a key or a
//! button asks becomes state and commands. It draws nothing, reaches no bench and touches no file: `app` sends what is
//! returned and brings the news, threads read and write (`work`).

mod because;
mod calibrate;
mod closing;
mod copy;
mod electrical;
mod elsewhere;
mod kept;
mod music;
mod next;
mod notebook;
mod own_level;
mod path;
mod remedy;
mod reopen;
mod series;
mod shown;
mod side;
mod stock;
mod swap;
mod track;

pub use closing::Leaving;
pub use copy::{Notice, Pixels};
pub use next::{ToGoOn, next_headphone_id, to_go_on_id};
pub(super) use reopen::AfterOpening;
pub use series::series_name_id;
pub use shown::{ChainPart, Evidence, Page};
pub use track::{State, Station, Track};

use super::StartState;
use super::electrical::Guide;
use super::form::{self, Form};
use super::keys::Action;
use super::music::MusicList;
use super::notebook::Notebook;
use super::remembered::Memory;
use super::report::Writing;
use super::series::Series;
use super::side::SideBySide;
use super::stock::StockView;
use super::view::{Phase, View};
use super::work::{Lost, Wake, Work};
use crate::account::picture::Picture;
use crate::session::chain::Chain;
use crate::session::protocol::{Command, Event, Failure};
use std::path::PathBuf;
use std::sync::Arc;

/// What is to be done outside of the desk.
#[derive(Debug)]
pub enum Effect {
    /// Sent to the bench.
    Ask(Command),
    /// The sound is faded out at once.
    Stop,
    /// The bench is told that it sits, or that it is right.
    Ready,
    /// Put on the clipboard.
    CopyText(String),
    /// Put on the clipboard as a picture.
    CopyPicture(Box<Pixels>),
    /// Light becomes dark, or the other way round.
    Theme,
    /// The window is closed.
    Close,
}

/// What one action asks for, in order.
pub type Commands = Vec<Effect>;

/// Everything that is drawn, and nothing else.
pub struct Desk {
    /// What the window knows.
    pub view: View,
    /// What the user typed.
    pub form: Form,
    /// Page shown.
    pub page: Page,
    /// The node of the chain that is open.
    pub open_part: ChainPart,
    /// Every field of the chain is shown at once.
    pub all_parts: bool,
    /// The piece of evidence that is large.
    pub evidence: Evidence,
    /// It takes the whole page.
    pub enlarged: bool,
    /// Page Climb asks a question, though an answer may be there.
    pub asking: bool,
    /// What else is asked is shown.
    pub more_asked: bool,
    /// The track of stations.
    pub track: Track,
    /// Step whose exact values stay shown.
    pub pinned: Option<usize>,
    /// The cautions are open.
    pub cautions_open: bool,
    /// Name of the next headphone while it is typed.
    pub next_headphone: Option<String>,
    /// The session to go on with, while its name is typed.
    pub to_go_on: Option<ToGoOn>,
    /// Headphone after headphone on one output, while it is under way.
    pub series: Option<Series>,
    /// A name of its list that was chosen.
    pub(super) picked_name: Option<String>,
    /// The listener's own level.
    pub own: super::own_level::Own,
    /// An output that this computer cannot drive.
    pub elsewhere: super::elsewhere::Elsewhere,
    /// Why the last action did nothing.
    pub refused: Option<String>,
    /// What the last action did, where that is seen nowhere else.
    pub notice: Option<Notice>,
    /// A picture that takes the whole page.
    pub large: Option<Arc<Picture>>,
    /// Page Side by side.
    pub side: SideBySide,
    /// Page Stock.
    pub stock: StockView,
    /// Page Notebook.
    pub notebook: Notebook,
    /// Where the interval comes from, and what is wrong or limited, is to be seen first.
    pub(super) wants_origin: bool,
    /// The words to find get the keyboard.
    pub(super) wants_filter: bool,
    /// What follows once a stored session is read.
    pub(super) after_opening: AfterOpening,
    /// The report that was asked for.
    pub(super) writing: Writing,
    /// Electrical calibrations.
    pub guide: Guide,
    /// The listener's own music.
    pub music: MusicList,
    /// What comes back at the next start.
    pub memory: Memory,
    /// How far the closing of the window has come.
    pub leaving: Leaving,
    /// What a page asked for, until it is reduced.
    pub(super) asked: Vec<Action>,
    /// The large figure and when it was taken, seconds.
    pub(super) held: (Option<f64>, f64),
    pub(super) wants_focus: Option<eframe::egui::Id>,
    /// Time of day, RFC 3339.
    pub(super) now: String,
    /// Wakes the window when a thread is done.
    pub(super) wake: Wake,
    /// A session is being taken up: the form is to show what that one was asked.
    goes_on: bool,
    /// What is heard of the calibrator is a further fit.
    another_fit: bool,
    chain_file: Option<PathBuf>,
    /// What was removed last, with everything typed as it was before.
    removed: Option<(String, kept::Removed)>,
    /// The chain is being written; the newest one that waits for it.
    keeping: Work<Result<(), String>>,
    kept_next: Option<Chain>,
    looking: Work<Vec<crate::session::storage::Glance>>,
    curve: Work<Result<crate::calibration::Curve, String>>,
    last_written: Option<PathBuf>,
    /// A picture that is to be copied.
    drawing: Work<Result<copy::Copied, String>>,
    /// What is being opened by its own program.
    opening: Work<Result<(), String>>,
    /// A stored session that is being read.
    reopening: Work<Result<reopen::Opened, String>>,
    commands: Commands,
}

impl Desk {
    /// As the program starts; the cards are listed at once.
    pub fn new(start: StartState) -> Desk {
        let chain_file = start.chain_file.clone();
        let failure = (!start.problems.is_empty()).then(|| Failure { message: start.problems.join(" "), kept: None });
        let memory = Memory::new(start.remembered.clone(), start.window_file.clone());
        let form = Form::new(start);
        let track = Track::of(&form);
        Desk {
            view: View { failure, ..View::default() },
            form,
            page: memory.now.page,
            memory,
            leaving: Leaving::default(),
            open_part: ChainPart::Playback,
            all_parts: false,
            evidence: Evidence::Level,
            enlarged: false,
            asking: true,
            more_asked: false,
            track,
            pinned: None,
            cautions_open: false,
            next_headphone: None,
            to_go_on: None,
            series: None,
            picked_name: None,
            own: Default::default(),
            elsewhere: Default::default(),
            goes_on: false,
            another_fit: false,
            refused: None,
            notice: None,
            large: None,
            last_written: None,
            drawing: Work::default(),
            opening: Work::default(),
            reopening: Work::default(),
            side: SideBySide::default(),
            stock: StockView::default(),
            notebook: Notebook::default(),
            wants_origin: false,
            wants_filter: false,
            after_opening: AfterOpening::default(),
            writing: Writing::default(),
            guide: Guide::default(),
            music: MusicList::default(),
            asked: Vec::new(),
            held: (None, 0.0),
            wants_focus: None,
            now: String::new(),
            wake: Wake::default(),
            chain_file,
            removed: None,
            keeping: Work::default(),
            kept_next: None,
            looking: Work::default(),
            curve: Work::default(),
            commands: Vec::new(),
        }
    }

    /// A page asks for this; it is done before the next picture.
    pub fn ask(&mut self, action: Action) {
        self.asked.push(action);
    }

    /// Does what a key or a button asks, as state, and returns what the bench and the window are to do.
    pub fn reduce(&mut self, action: Action) -> Commands {
        (self.refused, self.notice) = (None, None);
        match action {
            Action::Stop => self.stop_now(),
            Action::Start => self.start(),
            Action::NextHeadphone => self.ask_next_headphone(),
            Action::TakeNextHeadphone => self.take_next_headphone(),
            Action::Series => self.series_key(),
            Action::OwnLevel => self.own_level(),
            Action::Elsewhere => self.elsewhere(),
            Action::SeriesName => {
                let name = self.picked_name.take().unwrap_or_default();
                self.pick_in_series(&name);
            }
            Action::GoOn => self.ask_session_to_go_on(),
            Action::TakeUp => self.go_on(),
            Action::GoOnWithShown => self.go_on_with_shown(),
            Action::Seat => self.seat(),
            Action::Turn => self.turn(),
            Action::ListenOpen => self.listen(false),
            Action::ListenCovered => self.listen(true),
            Action::Chain => self.page = Page::Chain,
            Action::Climb => self.page = Page::Climb,
            Action::SideBySide => {
                self.page = Page::SideBySide;
                self.list_sessions();
            }
            Action::SwapTakeUp(which) => self.swap_take_up(which),
            Action::SwapLeave => self.swap_leave(),
            Action::CompareAgain => self.compare_again(),
            Action::Match => self.match_level(),
            Action::Stock => {
                self.page = Page::Stock;
                self.read_stock();
            }
            Action::Notebook => {
                (self.page, self.wants_filter) = (Page::Notebook, true);
                self.read_notebook();
            }
            Action::OpenChosen => self.open_chosen(AfterOpening::Show),
            Action::ReportChosen => self.open_chosen(AfterOpening::Report),
            Action::JudgeChosen => self.open_chosen(AfterOpening::Judge),
            Action::ContinueChosen => self.continue_chosen(),
            Action::CompareMarked => self.compare_marked(),
            Action::KeepNote => self.keep_note(),
            Action::CorrectNames => self.correct_names(),
            Action::SetAside => self.set_aside(),
            Action::UndoWritten => self.undo_written(),
            Action::KeepListener => self.keep_listener(),
            Action::ForgetListener => self.forget_listener(),
            Action::KeepOutput => self.keep_typed(true),
            Action::KeepHeadphone => self.keep_typed(false),
            Action::Cautions => self.cautions_open = !self.cautions_open,
            Action::Flaws => {
                self.show(Evidence::Numbers);
                self.wants_origin = true;
            }
            Action::Show(evidence) if self.page == Page::Climb && !self.asking => self.show(evidence),
            // Elsewhere a digit means nothing.
            Action::Show(_) => {}
            Action::Next => self.next(),
            Action::Skip(station) => self.track.skip(station),
            Action::AskAgain => self.ask_again(),
            Action::BackToAnswer => self.asking = self.view.digest.is_none(),
            Action::MoreAsked => self.more_asked = !self.more_asked,
            Action::ListCards => self.list_cards(),
            Action::Extent => self.other_extent(),
            Action::Details => {
                let at = Evidence::ALL.iter().position(|(e, ..)| *e == self.evidence).unwrap_or(0);
                self.show(Evidence::ALL[(at + 1) % Evidence::ALL.len()].0);
            }
            Action::Theme => self.commands.push(Effect::Theme),
            Action::OpenPart(part) => (self.page, self.open_part) = (Page::Chain, part),
            Action::AllParts => self.all_parts = !self.all_parts,
            Action::Calibrate => {
                (self.page, self.open_part) = (Page::Chain, ChainPart::Coupler);
                self.calibrate();
            }
            Action::CalibrateAgain => {
                (self.page, self.open_part) = (Page::Chain, ChainPart::Coupler);
                self.calibrate_again();
            }
            Action::TakeSensitivity => self.take_offset(Form::sensitivity_offset),
            Action::TakeOffset => self.take_offset(Form::typed_offset),
            Action::ReadCurve => self.read_curve(),
            Action::PathCheck => {
                self.page = Page::Chain;
                self.check_path();
            }
            Action::Report => self.report(),
            Action::CheckAfter => self.check_calibration(),
            Action::Electrical => self.electrical_step(),
            Action::Enlarge if self.large.is_some() => self.large = None,
            Action::Enlarge => {
                self.enlarged = !self.enlarged;
                self.show(self.evidence);
            }
            Action::CopyAnswer => self.copy_answer(),
            Action::OpenWritten => self.open_written(),
            Action::CopyPath => self.copy_path(),
            Action::Undo => self.undo(),
            Action::Quit => self.quit(),
            Action::Leave => self.leave(),
            Action::CloseNow => self.close_now(),
            Action::Stay => self.leaving = Leaving::No,
        }
        std::mem::take(&mut self.commands)
    }

    /// What one event of the bench changes beside the view.
    pub(super) fn hear(&mut self, event: &Event) {
        self.series_hears(event);
        self.own_level_hears(event);
        self.elsewhere_hears(event);
        match event {
            Event::Began { record, .. } => {
                self.track.opened();
                if self.view.phase == Phase::Stopping {
                    // Stop was pressed while the cards were being opened: a session that begins anew must hear of it.
                    self.commands.push(Effect::Stop);
                }
                self.asking &= !record.head.plan.extent.climbs();
                if self.goes_on {
                    self.show_as_asked(&record.head);
                }
            }
            Event::Failed(failure) if self.view.phase == Phase::Opening && self.view.digest.is_none() => {
                // What did not open is put right at its station.
                self.asking = true;
                self.track.did_not_open(&failure.message);
            }
            Event::Ended { record, .. } => {
                self.learn(record);
                // It was interrupted as long as it ran.
                if self.page == Page::Notebook {
                    self.read_notebook();
                }
            }
            _ => {}
        }
    }

    /// What the bench said last, taken over by what was typed.
    pub(super) fn settle(&mut self) {
        if let Some((role, acoustic)) = self.view.calibrated.take() {
            let acoustic = self.fitted(role, acoustic);
            self.form.take_offset(role, acoustic);
            self.changed();
            self.keep_chain();
        }
        if let Some(heard) = self.view.electrical.take() {
            self.electrical_heard(*heard);
        }
        self.swap_heard();
        self.settle_series();
        let failed = self.view.electrical_failure.take().map(|m| form::sentence(&m));
        self.guide.failure = failed.or(self.guide.failure.take());
    }

    /// Takes what threads have found, and returns what follows from it.
    pub(super) fn look(&mut self) -> Commands {
        self.music.hear(self.view.digest.as_deref());
        self.look_at_writing();
        self.look_at_copies();
        self.look_at_reopened();
        self.look_at_notebook();
        self.look_at_sessions();
        self.look_at_stock();
        self.look_at_curve();
        self.look_at_series();
        self.look_at_elsewhere();
        if let (Some(Ok(found)), Some(asked)) = (self.looking.look(), &mut self.to_go_on) {
            if asked.name.is_empty() {
                asked.name = found.first().map_or_else(String::new, |latest| latest.name.clone());
            }
            asked.found = Some(found);
        }
        self.look_at_closing();
        match self.keeping.look() {
            Some(Ok(Err(why))) => self.refused = Some(why),
            Some(Err(Lost)) => self.refused = Some("The chain could not be kept: its writer ended.".into()),
            _ => {}
        }
        if !self.keeping.is_under_way()
            && let Some(chain) = self.kept_next.take()
        {
            self.write_chain(chain);
        }
        std::mem::take(&mut self.commands)
    }

    /// The form changed: its messages and the empty picture follow.
    pub fn changed(&mut self) {
        let cards = self.view.cards.as_ref().map_or(&[][..], |c| &c.found);
        self.form.check(cards);
    }

    fn stop_now(&mut self) {
        self.commands.push(Effect::Stop);
        self.stop_in_series();
        self.next_headphone = None;
        self.to_go_on = None;
        self.cautions_open = false;
        self.leaving.is_called_off();
        self.enlarged = false;
        self.large = None;
        self.view.stopping();
    }

    /// Opens a piece of evidence.
    fn show(&mut self, evidence: Evidence) {
        self.page = Page::Climb;
        self.evidence = evidence;
        self.asking &= self.view.digest.is_none();
    }

    /// True where Start would start.
    pub fn can_start(&self) -> bool {
        self.view.phase == Phase::Idle && self.form.ready().is_some()
    }

    fn start(&mut self) {
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        let Some(request) = self.form.request() else {
            let first = self.form.wrong.values().next().cloned().unwrap_or_default();
            self.refused = Some(format!("Not started. {first}"));
            return;
        };
        self.view.put_aside_failure();
        self.keep_chain();
        self.used(&request.plan, &request.chain);
        self.goes_on = false;
        self.writing = Writing::default();
        self.pinned = None;
        self.removed = None;
        self.page = Page::Climb;
        (self.asking, self.own.open, self.elsewhere.open) = (false, false, false);
        self.send(Command::Run(Box::new(request)));
    }

    /// Says that it is right now.
    fn ready_now(&mut self) {
        self.commands.push(Effect::Ready);
    }

    /// Asks the bench; what it will be doing is shown at once.
    fn send(&mut self, command: Command) {
        self.view.asked(&command);
        self.commands.push(Effect::Ask(command));
    }
}
