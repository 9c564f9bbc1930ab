//! Page Side by side: two stored sessions of one headphone at matched level. The answer first, then the difference of the
//! responses, the distortion of both, and a table with a word for each.

mod asked;
mod pictures;
mod table;

use super::app::Desk;
use super::keys::Action;
use super::parts;
use super::theme::{self, LARGE, STEP};
use super::view::Phase;
use super::{climb, text};
use crate::judgement::comparison::{Ask, Comparison, MatchedOn, SAME_WITHIN_DB, blue_is_first};
use crate::judgement::comparison::{compare, compare_hidden, sentence, target};
use crate::session::plan::Extent;
use crate::session::protocol::Command;
use crate::session::storage::{Storage, StorageError, all_sessions};
use crossbeam_channel::{Receiver, TryRecvError, bounded};
use eframe::egui::accesskit::Live;
use eframe::egui::{CentralPanel, Context, Frame, Label, Margin, Panel, RichText, ScrollArea, Ui};
use std::path::{Path, PathBuf};

/// Width of what is asked, points.
const ASKED: f32 = 33.0 * STEP;

/// A session that can be chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Its folder.
    pub folder: PathBuf,
    /// Output, headphone and when.
    pub words: String,
    /// When, for the order.
    started_at: String,
}

/// What is drawn.
struct Drawn {
    comparison: Comparison,
    sentence: String,
    /// Whose labels they were, where the names are hidden.
    key: Option<String>,
}

type Answer = Result<Drawn, String>;

/// What a thread found.
enum Found {
    Sessions(Vec<Choice>),
    Answer(Box<Answer>),
    Matched(Result<(PathBuf, crate::session::matching::Target), String>),
}

/// What page Side by side knows.
pub struct SideBySide {
    /// Sessions there are, the latest first; `None` before they were listed.
    pub found: Option<Vec<Choice>>,
    /// The first and the second session.
    pub chosen: [Option<PathBuf>; 2],
    /// The level as typed; empty: the highest clean level of the weaker output.
    pub at: String,
    /// What is matched.
    pub on: MatchedOn,
    /// Differences within this are the same, as typed.
    pub within: String,
    /// The headphone stayed on the coupler.
    pub same_seat: bool,
    /// The names are hidden.
    pub hidden: bool,
    /// The key to the labels is shown.
    pub revealed: bool,
    /// The second output has a knob that is turned first.
    pub by_hand: bool,
    /// What is wrong with a field.
    wrong: Option<String>,
    answer: Option<Answer>,
    working: Option<Receiver<Found>>,
}

impl Default for SideBySide {
    fn default() -> SideBySide {
        SideBySide {
            found: None,
            chosen: [None, None],
            at: String::new(),
            on: MatchedOn::Pink,
            within: text::fixed(SAME_WITHIN_DB, 1),
            same_seat: false,
            hidden: false,
            revealed: false,
            by_hand: false,
            wrong: None,
            answer: None,
            working: None,
        }
    }
}

impl SideBySide {
    /// True while a thread reads or compares.
    pub fn is_working(&self) -> bool {
        self.working.is_some()
    }

    fn ask(&self) -> Result<Ask, String> {
        let at = match self.at.trim() {
            "" => None,
            typed => Some(text::number(typed, "the level to match at in dB", "85")?),
        };
        let within_db = text::number(&self.within, "the limit in dB", "0.2")?;
        if !(0.01..=10.0).contains(&within_db) {
            return Err("The limit within which both are the same lies between 0.01 and 10 dB.".into());
        }
        Ok(Ask { at, on: self.on, within_db, same_seat: self.same_seat, ..Ask::default() })
    }

    fn work(&mut self, ctx: &Context, work: impl FnOnce() -> Found + Send + 'static) {
        let (tell, told) = bounded(1);
        let woken = ctx.clone();
        let started = std::thread::Builder::new().name("side-by-side".into()).spawn(move || {
            // Nobody may wait for it any more: another question came first.
            let _ = tell.send(work());
            woken.request_repaint();
        });
        match started {
            Ok(_) => self.working = Some(told),
            Err(error) => self.answer = Some(Err(format!("The sessions could not be read: {error}."))),
        }
    }
}

impl Desk {
    /// Opens page Side by side and lists the sessions anew.
    pub(super) fn list_sessions(&mut self, ctx: &Context) {
        let sessions = self.form.sessions().to_path_buf();
        self.side.work(ctx, move || Found::Sessions(choices(&sessions)));
    }

    /// Something asked has changed: compares again, where both sessions are chosen.
    pub fn compare_again(&mut self, ctx: &Context) {
        self.side.answer = None;
        let ask = match self.side.ask() {
            Err(wrong) => {
                self.side.wrong = Some(wrong);
                return;
            }
            Ok(ask) => ask,
        };
        self.side.wrong = None;
        let [Some(first), Some(second)] = self.side.chosen.clone() else { return };
        let (hidden, now) = (self.side.hidden, self.now());
        self.side.work(ctx, move || Found::Answer(Box::new(answer(&first, &second, &ask, hidden, now))));
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
        let ([Some(first), Some(second)], Ok(ask)) = (self.side.chosen.clone(), self.side.ask()) else {
            self.refused = Some("Choose both sessions first; the level of the first is then played.".into());
            return;
        };
        let by_hand = self.side.by_hand;
        self.side.work(ctx, move || {
            let both = Storage::open(&first).and_then(|(_, a)| Ok((a, Storage::open(&second)?.1)));
            let wanted = both.map_err(|e| e.to_string());
            let wanted = wanted.and_then(|(a, b)| target(&a, &b, &ask, by_hand).map_err(|e| e.to_string()));
            Found::Matched(wanted.map(|target| (second, target)).map_err(|why| super::form::sentence(&why)))
        });
    }

    /// Takes what a thread found, once it is there.
    fn look_at_sessions(&mut self, ctx: &Context) {
        let found = match self.side.working.as_ref().map(Receiver::try_recv) {
            None | Some(Err(TryRecvError::Empty)) => return,
            Some(Ok(found)) => found,
            Some(Err(TryRecvError::Disconnected)) => {
                Found::Answer(Box::new(Err("The sessions could not be read.".into())))
            }
        };
        self.side.working = None;
        match found {
            Found::Sessions(found) => {
                let side = &mut self.side;
                for chosen in &mut side.chosen {
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

/// Finished sessions, the latest first; what cannot be read, is not finished or climbed nothing is passed over.
fn choices(sessions: &Path) -> Vec<Choice> {
    let choice = |folder: PathBuf| {
        let (_, record) = Storage::open(&folder).ok()?;
        if record.can_go_on() || record.head.plan.extent == Extent::PathCheck {
            return None;
        }
        let head = &record.head;
        let words = format!("{} · {} · {}", head.chain.output, head.chain.headphone, parts::moment(&head.started_at));
        Some(Choice { words, started_at: head.started_at.clone(), folder })
    };
    let mut found: Vec<Choice> = all_sessions(sessions).into_iter().filter_map(choice).collect();
    found.sort_by(|a, b| b.started_at.cmp(&a.started_at));
    found
}

fn answer(first: &Path, second: &Path, ask: &Ask, hidden: bool, now: String) -> Answer {
    let why = |error: &dyn std::fmt::Display| super::form::sentence(&error.to_string());
    let open = |folder: &Path| Storage::open(folder).map_err(|e: StorageError| why(&e));
    let ((_, a), (mut storage, mut b)) = (open(first)?, open(second)?);
    let comparison = if hidden {
        if blue_is_first(&a, &b).is_none() {
            b.events.push(storage.draw_labels(&a.head.id, now).map_err(|e| why(&e))?);
        }
        compare_hidden(&a, &b, ask, blue_is_first(&a, &b).unwrap_or(true))
    } else {
        compare(&a, &b, ask)
    };
    let comparison = comparison.map_err(|e| why(&e))?;
    let key = blue_is_first(&a, &b).filter(|_| hidden).map(|blue| {
        let (one, other) = (&a.head.chain.output, &b.head.chain.output);
        let (blue, white) = if blue { (one, other) } else { (other, one) };
        format!("Blue label: {blue}. White label: {white}.")
    });
    Ok(Drawn { sentence: sentence(&comparison), comparison, key })
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
            ScrollArea::vertical().id_salt("side-by-side").auto_shrink(false).show(ui, |ui| compared(desk, ui));
        });
    } else {
        CentralPanel::default().frame(frame).show(ui, |ui| {
            ScrollArea::vertical().id_salt("side-by-side").auto_shrink(false).show(ui, |ui| {
                asked::show(desk, ui);
                ui.separator();
                compared(desk, ui);
            });
        });
    }
}

fn compared(desk: &mut Desk, ui: &mut Ui) {
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
            let height = (0.5 * ui.available_height()).clamp(22.0 * STEP, 44.0 * STEP);
            pictures::response(&drawn.comparison, ui, height);
            pictures::distortion(&drawn.comparison, ui, 0.8 * height);
            table::show(&drawn.comparison, ui);
        }
    }
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
