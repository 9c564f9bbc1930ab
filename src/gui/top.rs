//! The frame that every page stands in, the same everywhere: pages and what is for all of them; under it the bench, what it
//! does, the level now, the step, the time left and Stop; at the foot a strip for messages, which pushes nothing.
//!
//! ```text
//!  Climb F3 │ Chain F2 │ Side by side │ Stock                       Report │ Light or dark │ Help
//!  climbing towards the limit            level now      step          left      ┌──────┐
//!  console phones socket · closed 80 Ω   94.9 dB SPL    6 of at most 19   0:48  │ Stop │
//!  …
//!  nobody wears the headphones while this runs
//! ```

use super::climb::heard;
use super::desk::{Desk, Page};
use super::followed::{Followed, NOT_KEPT};
use super::keys::Action;
use super::parts;
use super::text;
use super::theme::{self, SMALL, STEP, TEXT};
use super::view::{Phase, View};
use crate::account::session::finding;
use crate::card::pair_in_words;
use eframe::egui::accesskit::Live;
use eframe::egui::text::{LayoutJob, TextWrapping};
use eframe::egui::{
    Align2, Button, Color32, FontId, Frame, Id, Panel, Pos2, Rect, RichText, ScrollArea, Stroke, StrokeKind, Ui,
    UiBuilder, pos2, vec2,
};

/// Height of the line of pages, points.
const PAGES: f32 = 4.5 * STEP;
/// Height of the bench's line.
const BENCH: f32 = 7.0 * STEP;
/// The same where what it does stands over its figures.
const BENCH_FOLDED: f32 = 10.0 * STEP;
/// Height of the strip for messages.
const STRIP: f32 = 5.5 * STEP;
/// Narrower than this the bench's line is folded, points.
const FOLDED: f32 = 600.0;
/// Narrower than this names stand without their keys.
const TIGHT: f32 = 1040.0;
/// Narrower than this the line of pages takes two.
const TINY: f32 = 560.0;

/// Draws what stands over the page.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    let width = ui.available_width();
    let lines = if width < TINY { 2.0 } else { 1.0 };
    let plain = Frame::NONE.fill(theme::tokens(ui).panel).inner_margin(eframe::egui::Margin::symmetric(STEP as i8, 0));
    Panel::top("pages").resizable(false).exact_size(lines * PAGES).frame(plain).show(ui, |ui| pages(desk, ui, width));
    let height = if width < FOLDED { BENCH_FOLDED } else { BENCH };
    let ground = Frame::NONE.fill(theme::tokens(ui).ground);
    Panel::top("bench").resizable(false).exact_size(height).frame(ground).show(ui, |ui| bench(desk, ui));
}

/// Draws the strip under it.
pub(super) fn strip(desk: &mut Desk, ui: &mut Ui) {
    let frame = Frame::NONE.fill(theme::tokens(ui).panel).inner_margin(eframe::egui::Margin::symmetric(STEP as i8, 4));
    Panel::bottom("messages").resizable(false).exact_size(STRIP).frame(frame).show(ui, |ui| {
        // A scroll area asks for more than the strip is high, which would push it out of the window.
        let scrolls = ScrollArea::vertical().id_salt("messages").auto_shrink(false).min_scrolled_height(0.0);
        scrolls.show(ui, |ui| messages(desk, ui));
    });
}

fn pages(desk: &mut Desk, ui: &mut Ui, width: f32) {
    let keys = width >= TIGHT;
    let go = [
        (Page::Climb, Action::Climb),
        (Page::Chain, Action::Chain),
        (Page::SideBySide, Action::SideBySide),
        (Page::Stock, Action::Stock),
        (Page::Notebook, Action::Notebook),
    ];
    let all = [Action::Report, Action::Theme, Action::Cautions];
    ui.add_space(STEP / 2.0);
    ui.spacing_mut().item_spacing.x = 2.0;
    let shorter = |action: Action| (!keys).then_some(action.name());
    let for_all = |desk: &mut Desk, ui: &mut Ui, action: Action| {
        let open = action == Action::Cautions && desk.cautions_open;
        if parts::tab(ui, open, &action.button(), shorter(action)) {
            desk.ask(action);
        }
    };
    ui.horizontal(|ui| {
        for (page, action) in go {
            if parts::tab(ui, desk.page == page, &action.button(), shorter(action)) {
                desk.ask(action);
            }
        }
        if width >= TINY {
            parts::at_right(ui, Id::unique("for-all-pages"), |ui| {
                all.into_iter().for_each(|action| for_all(desk, ui, action));
            });
        }
    });
    if width < TINY {
        ui.horizontal(|ui| all.into_iter().for_each(|action| for_all(desk, ui, action)));
    }
}

/// Places of the bench's line: fixed by the width alone.
struct Places {
    what: Rect,
    level: Rect,
    step: Rect,
    left: Rect,
    stop: Rect,
}

impl Places {
    fn of(rect: Rect) -> Places {
        let folded = rect.width() < FOLDED;
        let figures =
            if folded { Rect::from_min_max(pos2(rect.left(), rect.top() + 4.0 * STEP), rect.max) } else { rect };
        let wide: [f32; 4] = if folded {
            [0.26, 0.30, 0.18, 0.26].map(|s| s * rect.width())
        } else {
            [18.0, 15.0, 11.0, 13.0].map(|s| s * STEP)
        };
        let mut right = figures.right();
        let mut cut = |width: f32| {
            let place = Rect::from_min_max(pos2(right - width, figures.top()), pos2(right, figures.bottom()));
            right -= width;
            place
        };
        let stop = cut(wide[3]);
        let (left, step, level) = (cut(wide[2]), cut(wide[1]), cut(wide[0]));
        let what = match folded {
            true => Rect::from_min_max(rect.min, pos2(rect.right(), figures.top())),
            false => Rect::from_min_max(rect.min, pos2(right, rect.bottom())),
        };
        Places { what, level, step, left, stop }
    }
}

fn bench(desk: &mut Desk, ui: &mut Ui) {
    let rect = ui.max_rect();
    let places = Places::of(rect);
    what(desk, ui, places.what.shrink2(vec2(STEP, 0.5 * STEP)));
    level(desk, ui, places.level);
    let t = theme::tokens(ui);
    let counted = desk.view.progress.as_ref().map(|p| (p.step.number, p.most()));
    let shown = counted.map(|(n, m)| format!("{n} of {m}"));
    figure(ui, places.step, "step, of at most", shown.as_deref());
    let says = counted.map_or("no step".into(), |(n, m)| format!("step {n} of at most {m}"));
    let _ = parts::announce(ui, places.step, Id::unique("step-now"), &says, false);
    let left_s = time_left(&desk.view);
    figure(ui, places.left, "left", left_s.map(text::clock).as_deref());
    let says = left_s.map_or("no time left".into(), |s| format!("{} left", text::seconds(s)));
    let _ = parts::announce(ui, places.left, Id::unique("left-now"), &says, false);
    let button = places.stop.shrink2(vec2(STEP, 0.75 * STEP));
    let busy = desk.view.phase.is_busy();
    let (ink, stroke) =
        if busy { (t.text, Stroke::new(2.5, t.threshold)) } else { (t.quiet, Stroke::new(1.0, t.rule)) };
    let words = RichText::new(Action::Stop.button()).strong().color(ink);
    let mut child = ui.new_child(UiBuilder::new().max_rect(button));
    let stop = child.put(button, Button::new(words).stroke(stroke).fill(t.panel));
    if stop.has_focus() {
        // Its own edge says whether something sounds.
        ui.painter().rect_stroke(button.expand(3.0), 3.0, Stroke::new(2.0, t.text), StrokeKind::Outside);
    }
    if stop.clicked() {
        desk.ask(Action::Stop);
    }
}

fn time_left(view: &View) -> Option<f64> {
    match (&view.progress, view.playing) {
        (Some(progress), _) => Some(progress.left_now_s()),
        (None, Some((done, total))) => Some((total - done).max(0.0)),
        _ => None,
    }
}

/// A figure under its name; a quiet dash where there is none.
fn figure(ui: &Ui, place: Rect, name: &str, value: Option<&str>) {
    let t = theme::tokens(ui);
    let (painter, inner) = (ui.painter(), place.shrink2(vec2(STEP, 0.75 * STEP)));
    painter.vline(place.left(), inner.y_range(), Stroke::new(1.0, t.rule));
    painter.text(inner.left_top(), Align2::LEFT_TOP, name, FontId::proportional(SMALL), t.quiet);
    let (words, ink) = value.map_or(("–", t.quiet), |words| (words, t.text));
    let size = if inner.width() < 8.5 * STEP { 16.0 } else { 21.0 };
    painter.text(inner.left_bottom(), Align2::LEFT_BOTTOM, words, theme::figures(size), ink);
}

/// What is heard now, which has the same place on every page.
fn level(desk: &mut Desk, ui: &Ui, place: Rect) {
    let now = heard::level_now(desk, ui);
    let name = format!("level now, {}", now.unit);
    figure(ui, place, &name, now.level.map(text::db).as_deref());
    let words = match now.level {
        Some(level) => format!("level now: {} {} {}", text::db(level), now.unit, now.point),
        None => format!("level now: nothing is heard, {}", now.unit),
    };
    let _ = parts::announce(ui, place, Id::unique("level-now"), &words, false);
}

fn what(desk: &Desk, ui: &mut Ui, place: Rect) {
    let t = theme::tokens(ui);
    let busy = desk.view.phase.is_busy();
    let head = doing(desk);
    let under = match (&desk.view.followed, busy) {
        (Some(followed), _) if followed.recording => "a recording is gone through; nothing sounds".into(),
        (Some(_), _) => NOT_KEPT.to_string(),
        (None, true) => parts::CAUTION.to_string(),
        (None, false) => chain_in_words(desk),
    };
    let ink = if busy { t.text } else { t.quiet };
    let first = lines(ui, place.min, &head, (TEXT + 1.5, 1), ink, place.width());
    // Two where there is room for them.
    let left = place.height() - first;
    let rows = if left >= 3.25 * STEP { 2 } else { 1 };
    lines(ui, place.min + vec2(0.0, first), &under, (SMALL, rows), t.quiet, place.width());
    if busy {
        let bar = Rect::from_min_max(pos2(place.left() - STEP, place.top()), pos2(place.left() - 4.0, place.bottom()));
        ui.painter().rect_filled(bar, 0.0, t.level);
    }
    let half = Rect::from_min_size(place.min, vec2(place.width(), first));
    let response = parts::announce(ui, half, Id::unique("bench-does"), &head, true);
    let foot = Rect::from_min_max(half.left_bottom(), place.max);
    let _ = parts::announce(ui, foot, Id::unique("bench-under"), &under, false);
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_live(Live::Polite));
}

/// Words of this size that end in dots where they do not fit these lines; returns their height.
fn lines(ui: &Ui, at: Pos2, words: &str, (size, rows): (f32, usize), ink: Color32, width: f32) -> f32 {
    let mut job = LayoutJob::simple(words.into(), FontId::proportional(size), ink, width);
    job.wrap = TextWrapping { max_rows: rows, break_anywhere: rows == 1, ..TextWrapping::truncate_at_width(width) };
    let galley = ui.painter().layout_job(job);
    let height = galley.size().y;
    ui.painter().galley(at, galley, ink);
    height
}

/// What the bench does, in words.
pub(super) fn doing(desk: &Desk) -> String {
    let view = &desk.view;
    let seat = Action::Seat.key();
    match view.phase {
        Phase::Idle => "silent".into(),
        Phase::Opening => "opening the cards".into(),
        Phase::Running | Phase::Checking => {
            let begins = if view.phase == Phase::Checking { "path check: " } else { "" };
            let does = view.progress.as_ref().map_or("opening the cards", |p| finding(p.step.purpose));
            format!("{begins}{does}")
        }
        Phase::Stopping if view.followed.is_some() => {
            "the bench stops listening; what plays elsewhere goes on until you stop it there".into()
        }
        Phase::Stopping => "stopping: the sound fades".into(),
        Phase::Seating => {
            format!("quiet noise is held: take the headphone off, put it on again, {seat} when it is seated")
        }
        Phase::Matching => format!("quiet noise is held: turn the knob until 0.0, then {}", Action::Match.key()),
        Phase::Turning => format!("quiet noise is held: turn the volume control step by step, {seat} when done"),
        Phase::Following => desk.view.followed.as_ref().map_or_else(String::new, Followed::first),
        Phase::OwnLevel if desk.own.by_music => "listening to your music; the bench plays nothing".into(),
        Phase::OwnLevel => "quiet noise at your own volume position".into(),
        Phase::SwapNow => "a series: silent, swap now".into(),
        Phase::SwapCheck => "a series: quiet noise after the swap, hands off".into(),
        Phase::Electrical => "a take of an electrical calibration sounds".into(),
        Phase::Calibrating => "listening to the calibrator".into(),
        Phase::Gone => "the bench has ended; close the window and start the program again".into(),
    }
}

fn chain_in_words(desk: &Desk) -> String {
    // The session that is shown has names of its own.
    if let Some(digest) = desk.view.digest.as_ref().filter(|_| desk.page == Page::Climb && !desk.asking) {
        let head = &digest.record.head;
        let pair = pair_in_words(&head.chain.output, &head.chain.headphone);
        return format!("{pair} · session of {}", text::moment(&head.started_at));
    }
    let chain = &desk.form.chain;
    let calibration = desk.form.deciding_ear().and_then(|ear| desk.form.acoustic.get(&ear));
    let offset = calibration.map_or("not calibrated: levels are in dBFS".into(), |a| {
        format!("offset {} dB, {}", text::db(a.offset.value), text::moment(&a.taken_at))
    });
    format!("{} · {offset}", pair_in_words(&chain.output, &chain.headphone))
}

/// What must be known now; the strip keeps its height whatever it says.
fn messages(desk: &mut Desk, ui: &mut Ui) {
    let mut said = troubles(desk, ui);
    said |= stated(desk, ui);
    said |= notes(desk, ui);
    if !said {
        parts::quiet(
            ui,
            format!(
                "{}: stop, from everywhere. {}: keys, cautions and help. {}",
                Action::Stop.key(),
                Action::Cautions.key(),
                super::form::sentence(parts::CAUTION)
            ),
        );
    }
}

/// What could not be done, and what has to be done at once. True where there is something.
fn troubles(desk: &Desk, ui: &mut Ui) -> bool {
    let alarm = desk.view.followed.as_ref().and_then(|followed| followed.alarm.as_ref());
    if let Some(alarm) = alarm {
        parts::wrong(ui, alarm);
    }
    if let Some(refused) = &desk.refused {
        parts::wrong(ui, refused);
    }
    if let Some(failure) = &desk.view.failure {
        parts::wrong(ui, &super::form::sentence(&failure.message));
        if let Some(kept) = &failure.kept {
            parts::quiet(ui, format!("Finished steps are kept in {}.", kept.display()));
        }
    }
    alarm.is_some() || desk.refused.is_some() || desk.view.failure.is_some()
}

/// What the last action did, with what can be done with it.
fn stated(desk: &mut Desk, ui: &mut Ui) -> bool {
    let Some(stated) = desk.notice.clone() else { return false };
    ui.horizontal_wrapped(|ui| {
        if stated.path.is_some() {
            for (words, action) in [("Open", Action::OpenWritten), ("Copy path", Action::CopyPath)] {
                if ui.button(RichText::new(words).size(SMALL)).clicked() {
                    desk.ask(action);
                }
            }
        }
        let label = parts::quiet(ui, stated.words);
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
    });
    true
}

/// What else is going on.
fn notes(desk: &Desk, ui: &mut Ui) -> bool {
    let view = &desk.view;
    let repeated = view.repeated_because.as_ref().filter(|_| view.repeated > 0);
    let kept = view.folder.as_ref().zip(view.digest.as_ref()).filter(|_| view.phase == Phase::Idle);
    let lines = [
        repeated.map(|because| format!("Takes played again: {}; the last one because {because}", view.repeated)),
        view.waits_for.clone(),
        desk.removed().map(|what| format!("{what} {} undoes it.", Action::Undo.key())),
        desk.writing.is_under_way().then(|| "A report is being written.".into()),
        kept.map(|(folder, digest)| match digest.record.can_go_on() {
            true => {
                format!("Ended early; {} goes on. Finished steps are kept in {}.", Action::GoOn.key(), folder.display())
            }
            false => format!("Finished, kept in {}.", folder.display()),
        }),
    ];
    let lines: Vec<String> = lines.into_iter().flatten().collect();
    let said = !lines.is_empty();
    for line in lines {
        parts::quiet(ui, line);
    }
    said
}
