//! The desk: news in (`logic`), pictures out (`ui`), actions between them.

use super::digest::Picture;
use super::electrical::Guide;
use super::form::{self, Form};
use super::keys::{self, Action};
use super::link::{self, BenchLink, News, ReadLive};
use super::music::MusicList;
use super::report::{self, Writing};
use super::side_by_side::{self, SideBySide};
use super::stock_page::{self, StockView};
use super::view::{Phase, View};
use super::{StartState, chain_page, climb};
use crate::card::CardId;
use crate::session::chain_file;
use crate::session::plan::Plan;
use crate::session::protocol::{Command, Event, Failure};
use crate::session::record::Record;
use crate::session::storage::Glance;
use crate::session::waiting::Waiting;
use crossbeam_channel::{Receiver, Sender, TrySendError};
use eframe::egui::{self, Context, Panel, Theme, Ui};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// Pages there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Page {
    /// Cards, routing, calibration.
    Chain,
    /// Run and watch a session.
    Climb,
    /// Two outputs at matched level.
    SideBySide,
    /// Known outputs and headphones.
    Stock,
}

/// What stands under the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Table {
    /// The steps.
    Steps,
    /// The clipping curve.
    Curve,
    /// The responses.
    Response,
    /// Distortion by band.
    Bands,
    /// Sines and other sounds.
    Sounds,
    /// Harmonics of a sweep.
    Sweep,
    /// The listener's own music.
    Music,
}

impl Table {
    /// All, in the order of the key.
    pub const ALL: [(Table, &'static str); 7] = [
        (Table::Steps, "steps"),
        (Table::Curve, "clipping curve"),
        (Table::Response, "response"),
        (Table::Bands, "distortion by band"),
        (Table::Sounds, "other sounds"),
        (Table::Sweep, "sweep"),
        (Table::Music, "own music"),
    ];
}

/// A session to be taken up.
#[derive(Clone, Debug, Default)]
pub struct ToGoOn {
    /// Its name in the folder of sessions, or the path of its folder.
    pub name: String,
    /// Those that could be, the latest first.
    pub found: Vec<Glance>,
}

/// Something done at once.
type Act = Box<dyn Fn() + Send>;

enum Inbox {
    /// Digested where it is read (tests).
    Direct(Receiver<Event>, ReadLive, Box<dyn Fn() -> bool + Send>),
    /// Digested by a thread.
    Digested(Receiver<News>),
}

/// The whole window.
pub struct Desk {
    /// What the window knows.
    pub view: View,
    /// What the user typed.
    pub form: Form,
    /// When the bench was last heard of, while it works.
    waiting: Option<Waiting>,
    /// Page shown.
    pub page: Page,
    /// What stands under the picture.
    pub table: Table,
    /// Step whose exact values stay shown.
    pub pinned: Option<usize>,
    /// The list of notes and doubts is open.
    pub flaws_open: bool,
    /// The cautions are open.
    pub cautions_open: bool,
    /// Name of the next headphone while it is typed.
    pub next_headphone: Option<String>,
    /// The session to go on with, while its name is typed.
    pub to_go_on: Option<ToGoOn>,
    /// Why the last action did nothing.
    pub refused: Option<String>,
    /// Page Side by side.
    pub side: SideBySide,
    /// Page Stock.
    pub stock: StockView,
    /// The report that was asked for.
    pub(super) writing: Writing,
    /// Electrical calibrations.
    pub guide: Guide,
    /// The picture before a session.
    pub(super) empty: Picture,
    /// The listener's own music.
    pub music: MusicList,
    /// The large figure, held for as long as a person needs to read it.
    pub(super) held: climb::Held,
    pub(super) wants_focus: Option<egui::Id>,
    /// A session is being taken up: the form is to show what that one was asked.
    pub(super) goes_on: bool,
    /// What is heard of the calibrator is a further fit.
    pub(super) another_fit: bool,
    chain_file: Option<PathBuf>,
    inbox: Inbox,
    commands: Sender<Command>,
    stop: Act,
    ready: Act,
    now: Box<dyn Fn() -> String + Send>,
}

impl Desk {
    /// A desk that digests news where it reads them: for tests and for whoever draws at a fixed rate.
    pub fn new(link: BenchLink, start: StartState) -> Desk {
        let BenchLink { commands, events, live, stop, ready, leave, now } = link;
        Desk::with(Inbox::Direct(events, live, leave), commands, [stop, ready], now, start)
    }

    /// A desk that is woken by news.
    pub(super) fn awake(link: BenchLink, start: StartState, ctx: &Context) -> std::io::Result<Desk> {
        let BenchLink { commands, events, live, stop, ready, leave, now } = link;
        let woken = ctx.clone();
        let inbox = link::spawn_digester(events, live, leave, move || woken.request_repaint())?;
        Ok(Desk::with(Inbox::Digested(inbox), commands, [stop, ready], now, start))
    }

    fn with(
        inbox: Inbox,
        commands: Sender<Command>,
        [stop, ready]: [Act; 2],
        now: Box<dyn Fn() -> String + Send>,
        start: StartState,
    ) -> Desk {
        let chain_file = start.chain_file.clone();
        let failure = start.problem.clone().map(|message| Failure { message, kept: None });
        let mut form = Form::new(start);
        let empty = empty_picture(&mut form, None);
        let desk = Desk {
            view: View { failure, ..View::default() },
            form,
            waiting: None,
            page: Page::Climb,
            table: Table::Steps,
            pinned: None,
            flaws_open: false,
            cautions_open: false,
            next_headphone: None,
            to_go_on: None,
            goes_on: false,
            another_fit: false,
            refused: None,
            side: SideBySide::default(),
            stock: StockView::default(),
            writing: Writing::default(),
            guide: Guide::default(),
            empty,
            music: MusicList::default(),
            held: climb::Held::default(),
            wants_focus: None,
            chain_file,
            inbox,
            commands,
            stop,
            ready,
            now,
        };
        // A bench that is already gone says so through its events.
        let _ = desk.commands.try_send(Command::ListCards);
        desk
    }

    /// News and keys; draws nothing.
    pub fn logic(&mut self, ctx: &Context) {
        for action in keys::pressed(ctx) {
            self.act(action, ctx);
        }
        let news: Vec<News> = match &self.inbox {
            Inbox::Direct(events, live, leave) => {
                let told = events.try_iter().map(link::digest).chain(std::iter::once(News::Live(live())));
                told.chain(leave().then_some(News::Leave)).collect()
            }
            Inbox::Digested(inbox) => inbox.try_iter().collect(),
        };
        for piece in news {
            let is = |wanted: fn(&Event) -> bool| matches!(&piece, News::Event(e, _) if wanted(e));
            let cards = is(|e| matches!(e, Event::Cards { .. }));
            if self.view.phase == Phase::Stopping && is(|e| matches!(e, Event::Began { .. })) {
                // Stop was pressed while the cards were being opened: a session that begins anew must hear of it.
                (self.stop)();
            }
            if matches!(piece, News::Leave) {
                self.act(Action::Quit, ctx);
            }
            if self.goes_on
                && let News::Event(event, _) = &piece
                && let Event::Began { record, .. } = event.as_ref()
            {
                self.show_as_asked(&record.head);
            }
            let ended = is(|e| matches!(e, Event::Ended { .. }));
            if let News::Event(event, _) = &piece
                && let Event::Ended { record, .. } = event.as_ref()
            {
                self.learn(record);
            }
            if let (News::Event(event, _), Some(waiting)) = (&piece, &mut self.waiting) {
                waiting.hear(event, Instant::now());
            }
            self.view.apply(piece);
            if ended && self.page == Page::SideBySide {
                self.list_sessions(ctx);
            }
            if cards {
                self.changed();
            }
        }
        self.look_at_waiting(ctx);
        self.music.hear(self.view.digest.as_deref());
        let dropped: Vec<PathBuf> = ctx.input(|i| i.raw.dropped_files.iter().map(|f| f.path().to_path_buf()).collect());
        self.judge_music(dropped, ctx);
        self.writing.look();
        if let Some((role, acoustic)) = self.view.calibrated.take() {
            let acoustic = self.fitted(role, acoustic);
            self.form.take_offset(role, acoustic);
            self.changed();
            self.keep_chain();
        }
        if let Some(heard) = self.view.electrical.take() {
            self.electrical_heard(*heard);
        }
        self.guide.failure =
            self.view.electrical_failure.take().map(|m| form::sentence(&m)).or(self.guide.failure.take());
    }

    /// While the bench works, what it waits for is shown though no news comes.
    fn look_at_waiting(&mut self, ctx: &Context) {
        if self.view.phase.is_busy() {
            self.view.waits_for =
                self.waiting.get_or_insert_with(|| Waiting::new(Instant::now())).words(Instant::now());
            ctx.request_repaint_after(Duration::from_secs(1));
        } else {
            (self.waiting, self.view.waits_for) = (None, None);
        }
    }

    /// Draws the page.
    pub fn ui(&mut self, ui: &mut Ui) {
        Panel::top("top").resizable(false).show(ui, |ui| self.top(ui));
        match self.page {
            Page::Chain => chain_page::show(self, ui),
            Page::Climb => climb::show(self, ui),
            Page::SideBySide => side_by_side::show(self, ui),
            Page::Stock => stock_page::show(self, ui),
        }
    }

    /// The form changed: its messages and the empty picture follow.
    pub fn changed(&mut self) {
        let cards = self.view.cards.as_ref().map_or(&[][..], |c| &c.found);
        self.form.check(cards);
        self.empty = empty_picture(&mut self.form, Some(&self.empty));
    }

    /// Does what a key or a button asks.
    pub fn act(&mut self, action: Action, ctx: &Context) {
        self.refused = None;
        match action {
            Action::Stop => self.stop_now(),
            Action::Start => self.start(),
            Action::NextHeadphone => self.ask_next_headphone(),
            Action::GoOn => self.ask_session_to_go_on(),
            Action::Seat => self.seat(),
            Action::Chain => self.page = Page::Chain,
            Action::Climb => self.page = Page::Climb,
            Action::SideBySide => {
                self.page = Page::SideBySide;
                self.list_sessions(ctx);
            }
            Action::Match => self.match_level(ctx),
            Action::Stock => {
                self.page = Page::Stock;
                self.read_stock(ctx);
            }
            Action::Cautions => self.cautions_open = !self.cautions_open,
            Action::Flaws => self.flaws_open = !self.flaws_open,
            Action::ListCards => self.send(Command::ListCards),
            Action::Extent => self.other_extent(),
            Action::Details => {
                let at = Table::ALL.iter().position(|(t, _)| *t == self.table).unwrap_or(0);
                self.table = Table::ALL[(at + 1) % Table::ALL.len()].0;
            }
            Action::Theme => {
                let dark = ctx.theme() == Theme::Dark;
                ctx.set_theme(if dark { Theme::Light } else { Theme::Dark });
            }
            Action::Calibrate => self.calibrate(),
            Action::PathCheck => self.check_path(),
            Action::Report => self.report(ctx),
            Action::CheckAfter => self.check_calibration(),
            Action::Electrical => self.electrical_step(),
            Action::Quit => {
                self.stop_now();
                ctx.send_viewport_cmd(egui::ViewportCommand::Close);
            }
        }
    }

    /// Writes a report of what the page shows: a session beside its numbers, the stock beside the sessions.
    fn report(&mut self, ctx: &Context) {
        if self.view.phase.is_busy() {
            self.refused = Some(self.busy_because());
            return;
        }
        if self.writing.is_under_way() {
            return;
        }
        let now = (self.now)();
        let beside = || self.form.sessions().parent().map_or_else(PathBuf::new, PathBuf::from);
        let nothing = match (self.page, self.stock.stock(), &self.view.digest, &self.view.folder) {
            (Page::Stock, Some(stock), ..) => {
                return self.writing.begin(report::of_stock(stock, self.listener(), now), beside(), ctx);
            }
            (Page::SideBySide, ..) => match self.side.report(now) {
                Some(document) => return self.writing.begin(document, beside(), ctx),
                None => "No report: there is nothing to compare yet; choose two sessions.",
            },
            (Page::Chain | Page::Climb, _, Some(digest), Some(folder)) => {
                let document = report::of_session(digest, &self.music.pieces, now);
                return self.writing.begin(document, folder.clone(), ctx);
            }
            (Page::Stock, None, ..) => "The stock is not read yet; try again in a moment.",
            _ => "There is no session to report yet; run one first.",
        };
        self.writing.said = Some(Err(nothing.into()));
    }

    fn stop_now(&mut self) {
        (self.stop)();
        self.next_headphone = None;
        self.to_go_on = None;
        if self.view.phase.is_busy() {
            self.view.stopping_electrical |= self.view.phase == Phase::Electrical;
            self.view.phase = Phase::Stopping;
        }
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
        self.view.failure = None;
        self.keep_chain();
        self.goes_on = false;
        self.writing = Writing::default();
        self.view.phase = Phase::Opening;
        self.pinned = None;
        self.page = Page::Climb;
        self.send(Command::Run(Box::new(request)));
    }

    /// Keeps the chain for the next time; a chain of simulated cards is not kept, so that no command takes it for the
    /// desk.
    pub(super) fn keep_chain(&mut self) {
        let (Some(path), Some((_, chain))) = (&self.chain_file, self.form.ready()) else { return };
        if chain.routing.playback == CardId::simulated() {
            return;
        }
        if let Err(error) = chain_file::save(path, chain) {
            self.refused = Some(super::form::sentence(&error.to_string()));
        }
    }

    /// What a session has shown of the inputs is kept with the chain.
    fn learn(&mut self, record: &Record) {
        let Some(mut chain) = self.form.ready().map(|(_, chain)| chain.clone()) else { return };
        if chain.learn_seen_clean(record) {
            self.form.chain.seen_clean = chain.seen_clean;
            self.changed();
            self.keep_chain();
        }
    }

    pub(super) fn busy_because(&self) -> String {
        match self.view.phase {
            Phase::Gone => "The bench has ended. Close the window and start the program again.".into(),
            Phase::Calibrating => "The bench listens to the calibrator; wait for it or press Esc.".into(),
            Phase::Checking => "The path check runs; wait for it or press Esc.".into(),
            Phase::Electrical => "A take of an electrical calibration sounds; wait for it or press Esc.".into(),
            Phase::Seating => "Noise is held for a seat; press Esc to leave it first.".into(),
            Phase::Turning => "Noise is held for the volume control; press Esc to leave it first.".into(),
            Phase::Matching => "Noise is held for a knob; press Esc to leave it first.".into(),
            _ => "A session runs; press Esc to stop it first.".into(),
        }
    }

    /// What of the form keeps a calibration or a check from beginning.
    pub(super) fn not_ready_because(&self) -> String {
        format!("Set this right first: {}", self.form.wrong.values().next().map_or("", String::as_str))
    }

    /// The time as RFC 3339.
    pub(super) fn now(&self) -> String {
        (self.now)()
    }

    /// Judges these files on the session shown.
    pub(super) fn judge_music(&mut self, files: Vec<PathBuf>, ctx: &Context) {
        if files.is_empty() {
            return;
        }
        let Some(digest) = self.view.digest.clone() else {
            self.refused = Some("Music is judged on a session; run one first.".into());
            return;
        };
        self.table = Table::Music;
        for file in files {
            self.music.add(file, &digest, ctx);
        }
    }

    /// Says that it is right now.
    pub(super) fn ready_now(&self) {
        (self.ready)();
    }

    pub(super) fn send(&mut self, command: Command) {
        let message = match self.commands.try_send(command) {
            Ok(()) => return,
            Err(TrySendError::Full(_)) => "The bench has not answered the last commands yet; try again in a moment.",
            Err(TrySendError::Disconnected(_)) => "The bench has ended. Close the window and start the program again.",
        };
        self.view.phase = Phase::Idle;
        self.view.failure = Some(Failure { message: message.into(), kept: None });
    }
}

fn empty_picture(form: &mut Form, last: Option<&Picture>) -> Picture {
    let full = form.full_drive();
    match (form.ready(), last) {
        (Some((plan, chain)), _) => Picture::empty(plan, chain, full),
        (None, Some(last)) => last.clone(),
        (None, None) => Picture::uncalibrated(&Plan::session(form.chain.routing.playback_rate), full),
    }
}

impl eframe::App for Desk {
    fn logic(&mut self, ctx: &Context, _frame: &mut eframe::Frame) {
        Desk::logic(self, ctx);
    }

    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        Desk::ui(self, ui);
    }

    fn on_exit(&mut self, _gl: Option<&eframe::glow::Context>) {
        (self.stop)();
        // If the queue is full or the bench is gone there is nobody left to tell.
        let _ = self.commands.try_send(Command::Quit);
    }
}
