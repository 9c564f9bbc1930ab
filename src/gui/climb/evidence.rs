//! The evidence beside the spine: one piece large, the others as small likenesses of themselves that open on a click or
//! their digit.

use super::{heard, own_music};
use crate::account::picture::Picture;
use crate::account::write::columns::{Room, blocks};
use crate::gui::account;
use crate::gui::desk::{Desk, Evidence};
use crate::gui::digest::Digest;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::plot;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP};
use eframe::egui::{
    Align, Align2, Button, FontId, Rect, RichText, Role, ScrollArea, Sense, Stroke, StrokeKind, TextWrapMode, Ui,
    WidgetInfo, pos2, vec2,
};

/// Size of a likeness, points.
const SMALL_ONE: [f32; 2] = [15.0 * STEP, 10.5 * STEP];
/// From this width on the small ones stand beside the large one.
const BESIDE: f32 = 84.0 * STEP;

/// Fills what is left of the page: the small ones right of the large one.
pub fn fill(desk: &mut Desk, ui: &mut Ui) {
    let (width, height) = (ui.available_width(), ui.available_height());
    if width < BESIDE {
        flow(desk, ui);
        return;
    }
    let columns = if width > 170.0 * STEP { 1.4 } else { 1.0 };
    let one = vec2(columns * SMALL_ONE[0], (height / 6.0 - STEP / 2.0).clamp(6.0 * STEP, 15.0 * STEP));
    let rail = 2.0 * one.x + STEP;
    ui.horizontal_top(|ui| {
        ui.allocate_ui(vec2(width - rail - 2.0 * STEP, height), |ui| {
            ui.vertical(|ui| {
                ui.set_min_size(vec2(width - rail - 2.0 * STEP, height));
                shown(desk, ui, height);
            });
        });
        ui.vertical(|ui| {
            ui.spacing_mut().item_spacing = vec2(STEP, STEP / 2.0);
            for pair in Evidence::ALL.chunks(2) {
                ui.horizontal(|ui| {
                    pair.iter().for_each(|(which, ..)| likeness(desk, ui, *which, one));
                    if pair.len() < 2 {
                        enlarge(desk, ui, one);
                    }
                });
            }
        });
    });
}

/// Under each other, where there is little room.
pub fn flow(desk: &mut Desk, ui: &mut Ui) {
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = vec2(STEP / 2.0, STEP / 2.0);
        for (which, name, key) in Evidence::ALL {
            let words = format!("{key} {name}");
            if parts::choice(ui, desk.evidence == which, words.trim()).clicked() {
                desk.ask(Action::Show(which));
            }
        }
        enlarge(desk, ui, vec2(16.0 * STEP, 3.0 * STEP));
    });
    let height = (0.6 * ui.ctx().content_rect().height()).clamp(30.0 * STEP, 60.0 * STEP);
    shown(desk, ui, height);
}

/// Under each other in what is left of a low page: names in small type, and one picture.
pub fn close(desk: &mut Desk, ui: &mut Ui) {
    ui.scope(|ui| {
        ui.style_mut().override_font_id = Some(FontId::proportional(SMALL));
        ui.spacing_mut().button_padding = vec2(0.75 * STEP, 1.0);
        ui.spacing_mut().interact_size.y = 2.75 * STEP;
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing = vec2(STEP / 2.0, STEP / 2.0);
            for (which, name, key) in Evidence::ALL {
                let words = format!("{key} {name}");
                if parts::choice(ui, desk.evidence == which, words.trim()).clicked() {
                    desk.ask(Action::Show(which));
                }
            }
            if ui.button(Action::Enlarge.button()).clicked() {
                desk.ask(Action::Enlarge);
            }
        });
    });
    let height = ui.available_height();
    shown(desk, ui, height);
}

/// The one that is large as large as the page, or beside the scale again.
fn enlarge(desk: &mut Desk, ui: &mut Ui, size: eframe::egui::Vec2) {
    let name = if desk.enlarged { "Beside the scale again" } else { Action::Enlarge.name() };
    let words = format!("{name}  {}", Action::Enlarge.key());
    let button = Button::new(RichText::new(words).size(SMALL)).wrap().min_size(size);
    if ui.add_sized(size, button).clicked() {
        desk.ask(Action::Enlarge);
    }
}

/// As large as the page.
pub fn alone(desk: &mut Desk, ui: &mut Ui) {
    enlarge(desk, ui, vec2(30.0 * STEP, 3.0 * STEP));
    let height = ui.available_height();
    shown(desk, ui, height);
}

/// The one that is large.
pub fn shown(desk: &mut Desk, ui: &mut Ui, height: f32) {
    // While the headphone is refitted nothing matters but how it sits.
    if let Some(seating) = &desk.view.seating {
        plot::large(ui, seating, vec2(ui.available_width(), height), &[], &mut None);
        return;
    }
    if desk.evidence == Evidence::Now {
        ScrollArea::vertical()
            .id_salt("now")
            .max_height(height)
            .auto_shrink(false)
            .show(ui, |ui| heard::column(desk, ui));
        return;
    }
    let Some(digest) = desk.view.digest.clone() else {
        parts::quiet(ui, "Appears with the first finished step.");
        return;
    };
    match desk.evidence {
        Evidence::Level
        | Evidence::Distortion
        | Evidence::Response
        | Evidence::Bands
        | Evidence::Curve
        | Evidence::Sweep => drawn(desk, ui, &digest, height),
        Evidence::Steps => steps(desk, ui, &digest, height),
        Evidence::Sounds => match &digest.sounds {
            Some(section) => {
                let down = ScrollArea::vertical().id_salt("sounds-down").max_height(height).auto_shrink(false);
                down.show(ui, |ui| account::section(ui, section));
            }
            None => {
                parts::quiet(ui, otherwise(Evidence::Sounds));
            }
        },
        Evidence::Music => {
            let asked = own_music::show(&mut desk.music, ui, height);
            desk.judge_music(asked);
        }
        Evidence::Numbers => {
            let down = ScrollArea::vertical().id_salt("numbers-down").max_height(height).auto_shrink(false);
            down.show(ui, |ui| {
                account::sections(ui, &digest.answer);
                if std::mem::take(&mut desk.wants_origin) {
                    ui.scroll_to_cursor(Some(Align::TOP));
                }
                account::sections(ui, &digest.stands_on);
            });
        }
        Evidence::Now => {}
    }
}

fn picture(digest: &Digest, which: Evidence) -> Option<&Picture> {
    match which {
        Evidence::Level => digest.level.as_ref(),
        Evidence::Distortion => digest.distortion.as_ref(),
        Evidence::Response => digest.response.as_ref(),
        Evidence::Bands => digest.bands.as_ref(),
        Evidence::Curve => digest.curve.as_ref(),
        Evidence::Sweep => digest.sweep.as_ref(),
        Evidence::Now | Evidence::Steps | Evidence::Sounds | Evidence::Music | Evidence::Numbers => None,
    }
}

fn drawn(desk: &mut Desk, ui: &mut Ui, digest: &Digest, height: f32) {
    let Some(picture) = picture(digest, desk.evidence) else {
        parts::quiet(ui, otherwise(desk.evidence));
        return;
    };
    let notes = if desk.evidence == Evidence::Level { &digest.notes[..] } else { &[] };
    let size = vec2(ui.available_width(), height);
    plot::large(ui, picture, size, notes, &mut desk.pinned);
}

/// What there will be, and what brings it.
fn otherwise(which: Evidence) -> &'static str {
    match which {
        Evidence::Level | Evidence::Distortion => "Comes with the first step.",
        Evidence::Response => "The response comes with the quiet reference.",
        Evidence::Bands => "Distortion by band comes with the first clean step.",
        Evidence::Curve => "The clipping curve needs a step above the quiet reference.",
        Evidence::Sweep => {
            "The harmonics of a sweep come with its first take: choose it under \u{201c}Further stimuli\u{201d}, on page Climb."
        }
        Evidence::Sounds => {
            "No sine and no other sound was played yet: choose them under \u{201c}Further stimuli\u{201d}, on page Climb."
        }
        Evidence::Steps => "The first step is not finished.",
        Evidence::Now | Evidence::Music | Evidence::Numbers => "",
    }
}

/// A button that shows what it opens.
fn likeness(desk: &mut Desk, ui: &mut Ui, which: Evidence, size: eframe::egui::Vec2) {
    let (_, name, key) = which.row();
    let (rect, response) = ui.allocate_exact_size(size, Sense::click());
    let chosen = desk.evidence == which;
    let words = format!("{key} {name}");
    response.widget_info(|| WidgetInfo::selected(Role::Button, true, chosen, words.trim()));
    let t = theme::tokens(ui);
    let inner = Rect::from_min_max(rect.min + vec2(3.0, 3.0), rect.max - vec2(3.0, 2.25 * STEP));
    ui.painter().rect_filled(rect, 2.0, t.ground);
    match desk.view.digest.as_deref().and_then(|digest| picture(digest, which)) {
        Some(picture) => plot::small(ui, picture, inner),
        None => {
            let font = FontId::proportional(SMALL);
            ui.painter().text(inner.center(), Align2::CENTER_CENTER, glimpse(desk, which), font, t.quiet);
        }
    }
    let (ink, stroke) = match (chosen, response.has_focus() || response.hovered()) {
        (true, _) => (t.text, Stroke::new(2.0, t.level)),
        (false, true) => (t.text, Stroke::new(1.5, t.text)),
        (false, false) => (t.quiet, Stroke::new(1.0, t.rule)),
    };
    ui.painter().rect_stroke(rect, 2.0, stroke, StrokeKind::Inside);
    let at = pos2(rect.left() + 6.0, rect.bottom() - 3.0);
    ui.painter().text(at, Align2::LEFT_BOTTOM, words.trim(), FontId::proportional(SMALL), ink);
    if response.clicked() {
        desk.ask(Action::Show(which));
    }
}

/// What stands in the place of a likeness that has no picture.
fn glimpse(desk: &Desk, which: Evidence) -> String {
    let digest = desk.view.digest.as_deref();
    match which {
        Evidence::Steps => digest.map_or("–".into(), |d| match d.record.steps.len() {
            1 => "1 step".into(),
            n => format!("{n} steps"),
        }),
        Evidence::Now => match desk.view.live {
            Some(_) => "heard now".into(),
            None => "silent".into(),
        },
        Evidence::Sounds => digest.and_then(|d| d.sounds.as_ref()).map_or("none", |_| "heard").into(),
        Evidence::Music => match desk.music.pieces.len() {
            0 => "none yet".into(),
            n => format!("{n} judged"),
        },
        Evidence::Numbers => {
            let [notes, doubts] = flaw_counts(desk);
            format!("notes {notes} · doubts {doubts}")
        }
        _ => "–".into(),
    }
}

/// Notes and doubts of the session shown.
pub fn flaw_counts(desk: &Desk) -> [usize; 2] {
    use crate::analysis::Weight;
    let flaws = desk.view.digest.as_ref().map_or(&[][..], |d| &d.judgement.flaws);
    [Weight::Note, Weight::Doubt].map(|weight| flaws.iter().filter(|f| f.weight == weight).count())
}

/// A row for each step, which pins its values.
fn steps(desk: &mut Desk, ui: &mut Ui, digest: &Digest, height: f32) {
    let Some(table) = &digest.steps else { return };
    let top = ui.cursor().top();
    parts::quiet(ui, format!("{}; a row pins its values in the picture of the level", table.title));
    ScrollArea::horizontal().id_salt("steps-across").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        for block in blocks(table, Room { letters: usize::MAX, aside: true }) {
            account::head(ui, &block);
            let left = (height - (ui.cursor().top() - top)).max(5.0 * STEP);
            let rows =
                ScrollArea::vertical().id_salt("steps-down").max_height(left).auto_shrink(false).stick_to_bottom(true);
            rows.show(ui, |ui| {
                ui.spacing_mut().interact_size.y = 2.0 * STEP;
                ui.spacing_mut().button_padding = vec2(0.0, 1.0);
                for (row, lines) in &block.rows {
                    one_step(desk, ui, digest.record.steps[*row].step.number, &lines.join("\n"));
                }
            });
        }
    });
}

fn one_step(desk: &mut Desk, ui: &mut Ui, step: usize, words: &str) {
    let pinned = desk.pinned == Some(step);
    let line =
        Button::selectable(pinned, RichText::new(words).font(theme::figures(SMALL))).wrap_mode(TextWrapMode::Extend);
    if ui.add(line).clicked() {
        desk.pinned = (!pinned).then_some(step);
    }
}

/// How a headroom or level reads in large type.
pub fn large_words(value: Option<f64>) -> String {
    value.map_or("–".into(), text::db)
}
