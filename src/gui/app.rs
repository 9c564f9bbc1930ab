//! The window's life: news of the bench and keys in (`logic`), pictures out (`ui`), and what the desk asks for sent on.

use super::desk::{Commands, Desk, Effect, Page};
use super::keys;
use super::link::{self, BenchLink, News, ReadLive};
use super::remembered::Ground;
use super::view::Phase;
use super::{StartState, chain_page, climb, notebook_page, side_by_side, stock_page, wish};
use crate::session::protocol::{Command, Event};
use crate::session::waiting::Waiting;
use crossbeam_channel::{Receiver, Sender, TrySendError};
use eframe::egui::{self, Context, Theme, ThemePreference, Ui, Vec2, vec2};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// Something done at once.
type Act = Box<dyn Fn() + Send>;

/// Up to this size of the window type has its ordinary size, points.
const ORDINARY: Vec2 = vec2(1600.0, 1000.0);
/// It grows so much at most.
const MOST_ZOOM: f32 = 2.0;

enum Inbox {
    /// Digested where it is read (tests).
    Direct(Receiver<Event>, ReadLive, Box<dyn Fn() -> bool + Send>),
    /// Digested by a thread.
    Digested(Receiver<News>),
}

/// The desk with its way to the bench.
pub struct App {
    /// Everything that is drawn.
    pub desk: Desk,
    /// When the bench was last heard of, while it works.
    waiting: Option<Waiting>,
    /// Size of the window that type and pictures were grown for.
    grown_for: Vec2,
    /// Light or dark was set as it was the last time.
    themed: bool,
    inbox: Inbox,
    commands: Sender<Command>,
    stop: Act,
    ready: Act,
    now: Box<dyn Fn() -> String + Send>,
}

impl App {
    /// A window that digests news where it reads them: for tests and for whoever draws at a fixed rate.
    pub fn new(link: BenchLink, start: StartState) -> App {
        let BenchLink { commands, events, live, stop, ready, leave, now } = link;
        App::with(Inbox::Direct(events, live, leave), commands, [stop, ready], now, start)
    }

    /// A window that is woken by news.
    pub(super) fn awake(link: BenchLink, start: StartState, ctx: &Context) -> std::io::Result<App> {
        let BenchLink { commands, events, live, stop, ready, leave, now } = link;
        let woken = ctx.clone();
        let inbox = link::spawn_digester(events, live, leave, move || woken.request_repaint())?;
        Ok(App::with(Inbox::Digested(inbox), commands, [stop, ready], now, start))
    }

    fn with(
        inbox: Inbox,
        commands: Sender<Command>,
        [stop, ready]: [Act; 2],
        now: Box<dyn Fn() -> String + Send>,
        start: StartState,
    ) -> App {
        // A bench that is already gone says so through its events.
        let _ = commands.try_send(Command::ListCards);
        let mut desk = Desk::new(start);
        desk.now = now();
        desk.open_page();
        App { desk, waiting: None, grown_for: Vec2::ZERO, themed: false, inbox, commands, stop, ready, now }
    }

    /// News and keys; draws nothing.
    pub fn logic(&mut self, ctx: &Context) {
        self.desk.now = (self.now)();
        self.desk.wake.set(ctx);
        self.set_theme_again(ctx);
        self.grow(ctx);
        self.look_at_window(ctx);
        self.reduce(keys::pressed(ctx), ctx);
        self.hear(ctx);
        if let Some(pasted) = keys::pasted(ctx) {
            self.desk.paste(&pasted);
        }
        let dropped: Vec<PathBuf> = ctx.input(|i| i.raw.dropped_files.iter().map(|f| f.path().to_path_buf()).collect());
        self.desk.take_files(dropped);
        let commands = self.desk.look();
        self.perform(commands, ctx);
        self.look_at_waiting(ctx);
        self.remember(ctx);
    }

    /// Draws the page, then does what it asks for.
    pub fn ui(&mut self, ui: &mut Ui) {
        let desk = &mut self.desk;
        super::top::show(desk, ui);
        super::top::strip(desk, ui);
        let page = ui.available_rect_before_wrap();
        match desk.page {
            _ if desk.large.is_some() => super::account::alone(desk, ui),
            Page::Chain => chain_page::show(desk, ui),
            Page::Climb => climb::show(desk, ui),
            Page::SideBySide => side_by_side::show(desk, ui),
            Page::Stock => stock_page::show(desk, ui),
            Page::Notebook => notebook_page::show(desk, ui),
        }
        if desk.cautions_open {
            super::help::show(desk, ui, page);
        }
        if desk.leaving.is_asked() {
            super::closing::show(desk, ui, page);
        }
        let (ctx, wish) = (ui.ctx().clone(), wish::take(ui.ctx()));
        let asked = std::mem::take(&mut self.desk.asked);
        if !asked.is_empty() || wish.is_some() {
            ctx.request_repaint();
        }
        self.reduce(asked, &ctx);
        if let Some(wish) = wish {
            let granted = self.desk.grant(wish, ui.visuals().dark_mode);
            self.perform(granted, &ctx);
        }
    }

    /// In a large window type and pictures grow; a size that somebody set by hand holds until the window's changes.
    fn grow(&mut self, ctx: &Context) {
        if ctx.input(|i| i.viewport().inner_rect).is_none() {
            return;
        }
        // The content's own size, not that of the inner rectangle: that one is stated in points of the zoom before, and the
        // window would grow and shrink with every picture.
        let size = (ctx.content_rect().size() * ctx.zoom_factor()).round();
        if size == self.grown_for {
            return;
        }
        self.grown_for = size;
        let zoom = (size.x / ORDINARY.x).min(size.y / ORDINARY.y).clamp(1.0, MOST_ZOOM);
        ctx.set_zoom_factor((10.0 * zoom).floor() / 10.0);
    }

    /// Light or dark as it was set the last time; else the system's.
    fn set_theme_again(&mut self, ctx: &Context) {
        if std::mem::replace(&mut self.themed, true) {
            return;
        }
        match self.desk.memory.now.theme {
            Ground::System => {}
            Ground::Dark => ctx.set_theme(Theme::Dark),
            Ground::Light => ctx.set_theme(Theme::Light),
        }
    }

    /// Changes between light and dark; what the system has anyway goes on following it.
    fn other_theme(&mut self, ctx: &Context) {
        let chosen = if ctx.theme() == Theme::Dark { Theme::Light } else { Theme::Dark };
        if ctx.input(|i| i.raw.system_theme) == Some(chosen) {
            ctx.set_theme(ThemePreference::System);
            self.desk.memory.now.theme = Ground::System;
            return;
        }
        ctx.set_theme(chosen);
        self.desk.memory.now.theme = if chosen == Theme::Dark { Ground::Dark } else { Ground::Light };
    }

    /// Where the window stands, and whether somebody closes it.
    fn look_at_window(&mut self, ctx: &Context) {
        let (window, closes) = ctx.input(|i| (i.viewport().clone(), i.viewport().close_requested()));
        self.desk.memory.now.stands(&window, ctx.zoom_factor());
        if closes && !self.desk.may_close() {
            ctx.send_viewport_cmd(egui::ViewportCommand::CancelClose);
            self.reduce(vec![keys::Action::Quit], ctx);
        }
    }

    /// Writes what is to be remembered once nothing more changes.
    fn remember(&mut self, ctx: &Context) {
        match self.desk.remember(ctx.input(|i| i.time)) {
            Ok(None) => {}
            Ok(Some(seconds)) => ctx.request_repaint_after(Duration::from_secs_f64(seconds)),
            Err(why) => self.desk.refused = Some(why),
        }
    }

    fn reduce(&mut self, actions: Vec<keys::Action>, ctx: &Context) {
        for action in actions {
            let commands = self.desk.reduce(action);
            self.perform(commands, ctx);
        }
    }

    fn perform(&mut self, commands: Commands, ctx: &Context) {
        for effect in commands {
            match effect {
                Effect::Ask(command) => self.send(command),
                Effect::Stop => (self.stop)(),
                Effect::Ready => (self.ready)(),
                Effect::CopyText(text) => ctx.copy_text(text),
                Effect::CopyPicture(pixels) => {
                    ctx.copy_image(egui::ColorImage::from_rgba_premultiplied(pixels.size, &pixels.rgba));
                }
                Effect::Theme => self.other_theme(ctx),
                Effect::Close => ctx.send_viewport_cmd(egui::ViewportCommand::Close),
            }
        }
    }

    fn send(&mut self, command: Command) {
        let message = match self.commands.try_send(command) {
            Ok(()) => return,
            Err(TrySendError::Full(_)) => "The bench has not answered the last commands yet; try again in a moment.",
            Err(TrySendError::Disconnected(_)) => "The bench has ended. Close the window and start the program again.",
        };
        self.desk.view.apply(News::NotSent(message.into()));
    }

    fn hear(&mut self, ctx: &Context) {
        let news: Vec<News> = match &self.inbox {
            Inbox::Direct(events, live, leave) => {
                let stated = events.try_iter().map(link::digest).chain(std::iter::once(News::Live(live())));
                stated.chain(leave().then_some(News::Leave)).collect()
            }
            Inbox::Digested(inbox) => inbox.try_iter().collect(),
        };
        for piece in news {
            let mut after = Vec::new();
            match &piece {
                News::Leave => after.push(keys::Action::Leave),
                News::Event(event, _) => {
                    if let Some(waiting) = &mut self.waiting {
                        waiting.hear(event, Instant::now());
                    }
                    self.desk.hear(event);
                    if matches!(event.as_ref(), Event::Ended { .. }) && self.desk.page == Page::SideBySide {
                        after.push(keys::Action::SideBySide);
                    }
                }
                _ => {}
            }
            let cards = matches!(&piece, News::Event(e, _) if matches!(e.as_ref(), Event::Cards { .. }));
            self.desk.view.apply(piece);
            if cards {
                self.desk.changed();
            }
            self.desk.settle();
            self.reduce(after, ctx);
        }
    }

    /// While the bench works, what it waits for is shown though no news comes.
    fn look_at_waiting(&mut self, ctx: &Context) {
        let view = &mut self.desk.view;
        // Between two headphones of a series nobody is waited for but the person.
        if view.phase.is_busy() && view.phase != Phase::SwapNow {
            let waiting = self.waiting.get_or_insert_with(|| Waiting::new(Instant::now()));
            view.waits_for = waiting.words(Instant::now());
            ctx.request_repaint_after(Duration::from_secs(1));
        } else {
            (self.waiting, view.waits_for) = (None, None);
        }
    }
}

impl eframe::App for App {
    fn logic(&mut self, ctx: &Context, _frame: &mut eframe::Frame) {
        App::logic(self, ctx);
    }

    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        App::ui(self, ui);
    }

    fn on_exit(&mut self, _gl: Option<&eframe::glow::Context>) {
        (self.stop)();
        self.desk.finish_writing();
        // If the queue is full or the bench is gone there is nobody left to tell.
        let _ = self.commands.try_send(Command::Quit);
    }
}
