//! Page Side by side: two stored sessions of one headphone at matched level. The answer first, then the difference of the
//! responses, the distortion of both, and a table with a word for each.

mod answer;
mod asked;

use super::app::Desk;
use super::keys::Action;
use super::parts;
use super::theme::{self, LARGE, STEP};
use super::view::Phase;
use super::work::{Lost, Work};
use super::{account, climb, report, text};
use crate::account::Document;
use crate::asked::Field;
use crate::judgement::comparison::{Ask, MatchedOn, SAME_WITHIN_DB};
use crate::session::matching::Target;
use crate::session::protocol::Command;
use crate::stock::side_by_side::Wanted;
use answer::{Answer, Choice};
use eframe::egui::accesskit::Live;
use eframe::egui::{CentralPanel, Context, Frame, Label, Margin, Panel, RichText, ScrollArea, Ui};
use std::path::PathBuf;

/// Width of what is asked, points.
const ASKED: f32 = 33.0 * STEP;

/// What a thread found.
enum Found {
    Sessions(Vec<Choice>),
    Answer(Box<Answer>),
    Matched(Result<(PathBuf, Target), String>),
}

/// What page Side by side knows.
pub struct SideBySide {
    /// Sessions there are, the latest first; `None` before they were listed.
    pub found: Option<Vec<Choice>>,
    /// The first and the second session.
    pub chosen: [Option<PathBuf>; 2],
    /// A further session, which helps to tell whose the first one's distortion is.
    pub third: Option<PathBuf>,
    /// The level as typed; empty: the highest clean level of the weaker output.
    pub at: String,
    /// What is matched.
    pub on: MatchedOn,
    /// Differences within this are the same, as typed.
    pub within: String,
    /// The headphone stayed on the coupler.
    pub same_seat: bool,
    /// A take of the first is subtracted from one of the second.
    pub subtract: bool,
    /// The names are hidden.
    pub hidden: bool,
    /// The key to the labels is shown.
    pub revealed: bool,
    /// The second output has a knob that is turned first.
    pub by_hand: bool,
    /// What is wrong with a field.
    wrong: Option<String>,
    answer: Option<Answer>,
    working: Work<Found>,
}

impl Default for SideBySide {
    fn default() -> SideBySide {
        SideBySide {
            found: None,
            chosen: [None, None],
            third: None,
            at: String::new(),
            on: MatchedOn::Pink,
            within: text::fixed(SAME_WITHIN_DB, 1),
            same_seat: false,
            subtract: false,
            hidden: false,
            revealed: false,
            by_hand: false,
            wrong: None,
            answer: None,
            working: Work::default(),
        }
    }
}

impl SideBySide {
    /// True while a thread reads or compares.
    pub fn is_working(&self) -> bool {
        self.working.is_under_way()
    }

    fn wanted(&self) -> Result<Wanted, String> {
        let read = |field: Field, typed: &str| field.read(typed).map_err(|wrong| wrong.to_string());
        let at = Some(self.at.trim()).filter(|typed| !typed.is_empty());
        let at = at.map(|typed| read(Field::MatchLevel, typed)).transpose()?;
        let within_db = read(Field::SameWithin, &self.within)?;
        let ask = Ask { at, on: self.on, within_db, same_seat: self.same_seat, ..Ask::default() };
        Ok(Wanted { ask, hide_labels: self.hidden, subtract: self.subtract })
    }

    fn work(&mut self, ctx: &Context, work: impl FnOnce() -> Found + Send + 'static) {
        let woken = ctx.clone();
        if let Err(error) = self.working.begin("side-by-side", move || woken.request_repaint(), work) {
            self.answer = Some(Err(format!("The sessions could not be read: {error}.")));
        }
    }

    /// The report of what is drawn; `None` where nothing is.
    pub(super) fn report(&self, now: String) -> Option<impl FnOnce() -> Document + Send + 'static> {
        let drawn = self.answer.as_ref()?.as_ref().ok()?;
        Some(report::of_comparison(drawn.both.clone(), drawn.whose.clone(), now))
    }
}

impl Desk {
    /// Opens page Side by side and lists the sessions anew.
    pub(super) fn list_sessions(&mut self, ctx: &Context) {
        let sessions = self.form.sessions().to_path_buf();
        self.side.work(ctx, move || Found::Sessions(answer::choices(&sessions)));
    }

    /// Something asked has changed: compares again, where both sessions are chosen.
    pub fn compare_again(&mut self, ctx: &Context) {
        self.side.answer = None;
        let wanted = match self.side.wanted() {
            Err(wrong) => {
                self.side.wrong = Some(wrong);
                return;
            }
            Ok(wanted) => wanted,
        };
        self.side.wrong = None;
        let [Some(first), Some(second)] = self.side.chosen.clone() else { return };
        let (third, now) = (self.side.third.clone(), self.now());
        self.side.work(ctx, move || {
            Found::Answer(Box::new(answer::answer([&first, &second], third.as_deref(), &wanted, now)))
        });
    }

    /// Plays the level of the first session on the output of the second, which has to stand on the desk.
    pub(super) fn match_level(&mut self, ctx: &Context) {
        if self.view.phase == Phase::Matching {
            self.ready_now();
            return;
        }
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        let ([Some(first), Some(second)], Ok(wanted)) = (self.side.chosen.clone(), self.side.wanted()) else {
            self.refused = Some("Choose both sessions first; the level of the first is then played.".into());
            return;
        };
        let by_hand = self.side.by_hand;
        self.side.work(ctx, move || {
            Found::Matched(answer::level(&first, &second, &wanted, by_hand).map(|target| (second, target)))
        });
    }

    /// Takes what a thread found, once it is there.
    fn look_at_sessions(&mut self, ctx: &Context) {
        let Some(looked) = self.side.working.look() else { return };
        let found =
            looked.unwrap_or_else(|Lost| Found::Answer(Box::new(Err("The sessions could not be read.".into()))));
        match found {
            Found::Sessions(found) => {
                let side = &mut self.side;
                for chosen in side.chosen.iter_mut().chain([&mut side.third]) {
                    *chosen = chosen.take().filter(|folder| found.iter().any(|c| c.folder == *folder));
                }
                side.found = Some(found);
                self.compare_again(ctx);
            }
            Found::Answer(answer) => self.side.answer = Some(*answer),
            Found::Matched(Err(why)) => self.refused = Some(why),
            Found::Matched(Ok((folder, target))) => {
                self.view.failure = None;
                self.view.phase = if target.turned_at_dbfs.is_some() { Phase::Matching } else { Phase::Opening };
                self.side.answer = None;
                self.send(Command::Match { folder, target });
            }
        }
    }
}

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    desk.look_at_sessions(&ui.ctx().clone());
    let frame = Frame::central_panel(ui.style()).inner_margin(Margin::same(STEP as i8));
    if ui.available_width() >= climb::WIDE {
        Panel::left("side-by-side-asked").resizable(false).exact_size(ASKED).show(ui, |ui| {
            ScrollArea::vertical()
                .id_salt("side-by-side-fields")
                .auto_shrink(false)
                .show(ui, |ui| asked::show(desk, ui));
        });
        CentralPanel::default().frame(frame).show(ui, |ui| {
            ScrollArea::vertical().id_salt("side-by-side").auto_shrink(false).show(ui, |ui| {
                said(desk, ui);
                drawn(desk, ui);
            });
        });
    } else {
        CentralPanel::default().frame(frame).show(ui, |ui| {
            ScrollArea::vertical().id_salt("side-by-side").auto_shrink(false).show(ui, |ui| {
                said(desk, ui);
                asked::show(desk, ui);
                ui.separator();
                drawn(desk, ui);
            });
        });
    }
}

/// The answer, or what to do for one.
fn said(desk: &mut Desk, ui: &mut Ui) {
    if desk.view.phase == Phase::Matching {
        turning(desk, ui);
    }
    match &desk.side.answer {
        None => nothing_yet(desk, ui),
        Some(Err(why)) => parts::wrong(ui, why),
        Some(Ok(drawn)) => {
            let label = ui.add(Label::new(RichText::new(&drawn.sentence).strong()).wrap());
            ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
            if let Some(key) = drawn.key.as_ref().filter(|_| desk.side.revealed) {
                ui.add(Label::new(key).wrap());
            }
        }
    }
}

/// Pictures and tables under it.
fn drawn(desk: &Desk, ui: &mut Ui) {
    let Some(Ok(drawn)) = &desk.side.answer else { return };
    account::sections(ui, &drawn.sections);
}

/// What to do next.
fn nothing_yet(desk: &Desk, ui: &mut Ui) {
    let side = &desk.side;
    let words = match (&side.found, &side.chosen) {
        _ if side.is_working() => "The sessions are read.".to_string(),
        (Some(found), _) if found.len() < 2 => format!(
            "A comparison needs two finished sessions of one headphone on two outputs; {} so far. Run one on page {}.",
            match found.len() {
                0 => "there is none",
                _ => "there is one",
            },
            Action::Climb.button()
        ),
        (_, [Some(_), Some(_)]) => "Set the fields right; then both are compared.".into(),
        _ => "Choose the sessions of the first and of the second output.".into(),
    };
    parts::quiet(ui, words);
}

/// The figure to turn a knob by, in large type.
fn turning(desk: &Desk, ui: &mut Ui) {
    ui.label(RichText::new("Turn the knob of the output until 0.0").strong());
    let figure = desk.view.turned_off_db.map_or("listening".into(), |off| {
        let sign = if off >= 0.05 { "+" } else { "" };
        format!("{sign}{} dB", text::db(off))
    });
    let large = ui.label(RichText::new(&figure).font(theme::figures(LARGE)));
    ui.ctx().accesskit_node_builder(large.id, |node| node.set_live(Live::Polite));
    parts::quiet(ui, format!("{} when it is right, {} leaves it.", Action::Match.key(), Action::Stop.key()));
}
