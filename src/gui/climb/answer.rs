//! The answer, drawn large: the level while it sounds, the headroom with its interval and verdict when it is finished. The
//! block keeps its height, so that nothing under it moves.

use super::evidence::{flaw_counts, large_words};
use super::heard;
use super::{asked, elsewhere};
use crate::figure::Figure;
use crate::gui::desk::Desk;
use crate::gui::digest::Digest;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::theme::{self, SMALL, STEP, TEXT};
use crate::gui::top;
use crate::gui::view::Phase;
use crate::judgement::{Answer, FEW_SEATS};
use crate::session::record::Record;
use crate::session::step::Purpose;
use crate::stats::Reading;
use eframe::egui::accesskit::Live;
use eframe::egui::{Button, Id, Label, RichText, ScrollArea, Sense, Ui, vec2};

/// Size of the verdict and of what guides the hands, points.
const VERDICT: f32 = 21.0;

/// Narrower than this the buttons take more lines, points.
const NARROW: f32 = 80.0 * STEP;

/// From here on what the verdict and the interval rest on stands beside them, not under the sentence, points.
const BESIDE: f32 = 110.0 * STEP;

/// Draws it in a block of its own height; `close`: as low as it can be, for there is little room.
pub fn show(desk: &mut Desk, ui: &mut Ui, close: bool) {
    let narrow = ui.available_width() < NARROW;
    let (text, buttons_high) = match (close, narrow) {
        (true, _) => (9.0 * STEP, 4.5 * STEP),
        (false, true) => (13.0 * STEP, 9.0 * STEP),
        (false, false) => (11.0 * STEP, 5.0 * STEP),
    };
    let width = ui.available_width();
    let head_high = theme::large(ui.ctx().content_rect().height()) + if close { 1.5 } else { 2.5 } * STEP;
    let part = |ui: &mut Ui, height: f32, add: &mut dyn FnMut(&mut Ui)| {
        ui.allocate_ui(vec2(width, height), |ui| {
            ui.set_min_size(vec2(width, height));
            ui.vertical(|ui| add(ui));
        });
    };
    part(ui, head_high, &mut |ui| head(desk, ui));
    part(ui, text, &mut |ui| {
        ScrollArea::vertical().id_salt("answer-text").auto_shrink(false).max_height(text).show(ui, |ui| {
            words(desk, ui);
            if close {
                ui.horizontal_wrapped(|ui| asked::added(desk, ui));
            }
        });
    });
    part(ui, buttons_high, &mut |ui| buttons(desk, ui, close));
}

/// What the large number is.
struct Large {
    name: String,
    value: String,
    unit: String,
    interval: String,
    says: String,
}

fn large(desk: &Desk) -> Large {
    let digest = desk.view.digest.as_ref().filter(|d| d.finished && !desk.view.phase.is_busy());
    match digest {
        Some(digest) => answer_of(digest),
        None => {
            let (level, unit, point) = heard::held(desk);
            let value = large_words(level);
            Large {
                name: format!("level now, {point}"),
                says: format!("large: {value} {unit}"),
                value,
                unit: unit.into(),
                interval: String::new(),
            }
        }
    }
}

/// Headroom where it is known, else how loud it plays clean, else that it is not determined.
fn answer_of(digest: &Digest) -> Large {
    let judgement = &digest.judgement;
    let clean = &judgement.highest_clean;
    let calibrated = digest.record.head.chain.is_calibrated();
    let (level, unit) =
        if calibrated { (&clean.level_spl, "dB SPL") } else { (&clean.level_dbfs, "dBFS at the input") };
    let (name, reading, unit) = match (judgement.headroom.headroom_db.estimate(), level.estimate()) {
        (Some(_), _) => ("headroom", &judgement.headroom.headroom_db, "dB"),
        (None, Some(_)) => ("highest clean level", level, unit),
        (None, None) => ("headroom", &judgement.headroom.headroom_db, ""),
    };
    let figure = Figure::new(reading, 1);
    let (at_least, e) = match reading {
        Reading::Determined(e) => ("", e),
        Reading::AtLeast(e) => ("at least ", e),
        _ => {
            return Large {
                name: name.into(),
                value: "–".into(),
                unit: "not determined".into(),
                interval: String::new(),
                says: format!("{name}: not determined"),
            };
        }
    };
    Large {
        name: format!("{name}{}{}", if at_least.is_empty() { "" } else { ", " }, at_least.trim()),
        value: crate::gui::text::db(e.value),
        unit: unit.into(),
        interval: figure.interval().unwrap_or_default(),
        says: format!("{name}: {} {unit}", figure.words()),
    }
}

fn head(desk: &mut Desk, ui: &mut Ui) {
    let (t, width) = (theme::tokens(ui), ui.available_width());
    let large = large(desk);
    let size = theme::large(ui.ctx().content_rect().height());
    let finished = desk.view.digest.as_ref().is_some_and(|d| d.finished) && !desk.view.phase.is_busy();
    let inner = ui.horizontal(|ui| {
        let quiet = large.value == "–";
        let shown = format!("{:>5}", large.value);
        let galley = ui.painter().layout_no_wrap(shown, theme::figures(size), if quiet { t.quiet } else { t.text });
        let wide = ui.painter().layout_no_wrap("188.8".into(), theme::figures(size), t.text).size().x;
        let (rect, _) = ui.allocate_exact_size(vec2(wide.max(galley.size().x), galley.size().y), Sense::hover());
        ui.painter().galley(rect.min, galley, t.text);
        ui.vertical(|ui| {
            ui.add_space(0.5 * STEP);
            parts::quiet(ui, large.name.clone());
            ui.horizontal(|ui| {
                ui.label(RichText::new(&large.unit).size(VERDICT - 3.0).strong());
                ui.label(RichText::new(&large.interval).font(theme::figures(VERDICT - 5.0)));
                if parts::small_enabled(ui, finished, "copy", &Action::CopyAnswer.button()) {
                    desk.ask(Action::CopyAnswer);
                }
            });
            if finished && let Some(digest) = &desk.view.digest {
                ui.horizontal(|ui| {
                    let verdict = &digest.judgement.headroom.verdict;
                    parts::verdict_shape(ui, verdict.answer);
                    let label = ui.label(RichText::new(verdict.to_string()).size(VERDICT).strong());
                    ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
                });
            } else {
                // One line, so that nothing under it moves; the frame says the same.
                ui.add(Label::new(RichText::new(top::doing(desk)).size(TEXT + 1.0)).truncate());
            }
        });
        if finished && width >= BESIDE {
            ui.add_space(2.0 * STEP);
            ui.vertical(|ui| {
                ui.add_space(0.5 * STEP);
                rests_on(desk, ui);
            });
        }
    });
    let _ = parts::announce(ui, inner.response.rect, Id::unique("large-number"), &large.says, finished);
}

/// The sentence; while it sounds, how the headphone sits or what is known so far.
fn words(desk: &Desk, ui: &mut Ui) {
    if let Some(followed) = &desk.view.followed {
        return elsewhere::heard_of_it(desk, followed, ui);
    }
    if let Some(sits) = &desk.view.sits {
        let label = ui.add(Label::new(RichText::new(sits).size(VERDICT).strong()).wrap());
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
        return;
    }
    let Some(digest) = &desk.view.digest else {
        parts::quiet(ui, "The first loud sound comes after the quiet reference.");
        return;
    };
    let busy = desk.view.phase.is_busy();
    if !digest.finished || busy && !was_finished(&digest.record) {
        ui.label(RichText::new("The answer so far").strong());
        ui.add(Label::new(RichText::new(so_far(desk, digest)).size(TEXT + 0.5)).wrap());
        return;
    }
    ui.label(RichText::new(if busy { "The answer so far" } else { "The answer" }).strong());
    let sentence = ui.add(Label::new(RichText::new(&digest.judgement.sentence).size(TEXT + 0.5)).wrap());
    ui.ctx().accesskit_node_builder(sentence.id, |node| node.set_live(Live::Polite));
    if let Some(lead) = &desk.music.lead {
        ui.add(Label::new(RichText::new(lead).size(TEXT)).wrap());
    }
    if digest.judgement.headroom.verdict.answer == Answer::NotDetermined {
        parts::quiet(ui, remedy(digest));
    }
    if busy || ui.available_width() < BESIDE {
        rests_on(desk, ui);
    }
}

/// What the verdict rests on, and why its interval is wide where few seats make it so.
fn rests_on(desk: &Desk, ui: &mut Ui) {
    let Some(digest) = &desk.view.digest else { return };
    let (verdict, flaws) = (&digest.judgement.headroom.verdict, &digest.judgement.flaws);
    if verdict.answer != Answer::NotDetermined {
        parts::quiet(ui, verdict.because.clone());
    }
    if let Some(few) = flaws.iter().find(|flaw| flaw.code == FEW_SEATS) {
        parts::quiet(ui, few.text.clone());
    }
}

fn was_finished(record: &Record) -> bool {
    record.stop().is_some()
}

/// What is found out now, and how far it was clean.
fn so_far(desk: &Desk, digest: &Digest) -> String {
    let clean = &digest.judgement.highest_clean;
    let calibrated = digest.record.head.chain.is_calibrated();
    let (level, unit) =
        if calibrated { (&clean.level_spl, "dB SPL") } else { (&clean.level_dbfs, "dBFS at the input") };
    let last = desk.view.progress.as_ref().is_some_and(|p| p.step.purpose == Purpose::ReferenceAgain);
    match level.estimate() {
        Some(e) if last => format!(
            "Clean up to {} {unit}. The quiet reference is measured once more: has anything moved meanwhile?",
            Figure::new(e, 1).words()
        ),
        Some(e) => format!("Clean up to {} {unit} so far.", Figure::new(e, 1).words()),
        None => match desk.view.phase {
            Phase::Idle | Phase::Gone => "Nothing was found out yet.".into(),
            _ => match desk.view.progress.as_ref().map(|p| p.step.purpose) {
                None | Some(Purpose::Silence) => "Nothing sounds yet: the noise of room and bench is measured first.",
                Some(purpose) if purpose.leads_up() => {
                    "Only quiet noise has sounded so far; the level of the first clean step comes after it."
                }
                Some(_) => "The first step above the quiet reference is being measured; its answer comes when it ends.",
            }
            .into(),
        },
    }
}

/// Why there is no headroom, and what to do.
fn remedy(digest: &Digest) -> String {
    let because = &digest.judgement.headroom.verdict.because;
    let calibrated = digest.record.head.chain.is_calibrated();
    let listens = digest.record.head.plan.listening.is_some();
    let what = match (calibrated, listens) {
        (false, _) => format!("Calibrate the input ({}) and measure once more.", Action::Calibrate.key()),
        (true, false) => "State a listening level and measure once more.".into(),
        (true, true) => format!("{} lists what is wrong or limited.", Action::Flaws.key()),
    };
    format!("No headroom: {because}. {what}")
}

fn buttons(desk: &mut Desk, ui: &mut Ui, close: bool) {
    ui.add_space(STEP / 2.0);
    let [notes, doubts] = flaw_counts(desk);
    ui.horizontal_wrapped(|ui| {
        let holds = matches!(desk.view.phase, Phase::Seating | Phase::Turning);
        next(desk, ui, holds, if close { 23.0 } else { 27.0 } * STEP);
        let words = format!("notes {notes} · doubts {doubts}");
        let interval = Some(large(desk).interval).filter(|i| !i.is_empty());
        let why = interval.filter(|_| !close).map_or(String::new(), |interval| format!("why {interval}, "));
        let ink = if doubts > 0 { theme::tokens(ui).threshold } else { theme::tokens(ui).text };
        let written = RichText::new(format!("{why}{words}  {}", Action::Flaws.key())).color(ink).size(SMALL + 1.0);
        let wide = if close { 22.0 } else { 28.0 } * STEP;
        let button = ui.add(Button::new(written).min_size(vec2(wide, 4.0 * STEP)));
        let _ = parts::announce(ui, button.rect, Id::unique("flaw-count"), &words, true);
        if button.clicked() {
            desk.ask(Action::Flaws);
        }
        if desk.remedy().is_some() && !desk.view.phase.is_busy() && ui.button("Ask the next question").clicked() {
            desk.ask(Action::AskAgain);
        }
        asked::seat(desk, ui, holds);
        if !close {
            asked::added(desk, ui);
        }
    });
}

/// The filled button, at one place and of one width whatever it says.
fn next(desk: &mut Desk, ui: &mut Ui, holds: bool, wide: f32) {
    let t = theme::tokens(ui);
    let (words, action) = match desk.next_name() {
        Some((name, key)) => (format!("{name}  {key}"), Some(Action::Next)),
        None if holds => {
            let done = if desk.view.phase == Phase::Turning { "Done" } else { "Seated" };
            (format!("{done}  {}", Action::Seat.key()), Some(Action::Seat))
        }
        None => ("The bench is at work".into(), None),
    };
    let text = RichText::new(words).strong().color(t.ground);
    let button = Button::new(text).fill(t.level).min_size(vec2(wide, 4.0 * STEP));
    if ui.add_enabled(action.is_some(), button).clicked()
        && let Some(action) = action
    {
        desk.ask(action);
    }
}
