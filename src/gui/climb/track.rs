//! The four stations as a track: done ones quiet, the next one with the one large button.

use super::question;
use crate::gui::desk::{ChainPart, Desk, State, Station};
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::theme::{self, SMALL, STEP, TEXT};
use crate::gui::view::Phase;
use eframe::egui::{Button, Label, RichText, Sense, Shape, Stroke, Ui, pos2, vec2};

/// Narrower than this the stations stand under each other, points.
const NARROW: f32 = 90.0 * STEP;
/// Height of a station's words beside each other, points.
const WORDS: f32 = 9.0 * STEP;

/// Draws it.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let next = desk.next_station();
    let beside = ui.available_width() >= NARROW;
    if beside {
        let width = ui.available_width() / 4.0 - STEP;
        line(desk, ui, next);
        ui.horizontal_top(|ui| {
            for (number, (station, name)) in Station::ALL.into_iter().enumerate() {
                ui.allocate_ui(vec2(width, WORDS), |ui| {
                    ui.vertical(|ui| {
                        ui.set_min_size(vec2(width, WORDS));
                        ui.set_max_width(width);
                        one(desk, ui, (number + 1, station, name), next == station);
                    });
                });
            }
        });
    } else {
        for (number, (station, name)) in Station::ALL.into_iter().enumerate() {
            one(desk, ui, (number + 1, station, name), next == station);
        }
    }
    ui.add_space(STEP);
    button(desk, ui, next);
}

/// The line through the stations: solid as far as one has come.
fn line(desk: &Desk, ui: &mut Ui, next: Station) {
    let t = theme::tokens(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 2.5 * STEP), Sense::hover());
    let step = rect.width() / 4.0;
    let at = |i: usize| pos2(rect.left() + i as f32 * step + 0.75 * STEP, rect.center().y);
    for (i, (station, _)) in Station::ALL.into_iter().enumerate() {
        let done = desk.state_of(station).done;
        if i < 3 {
            let ends = [at(i) + vec2(1.25 * STEP, 0.0), at(i + 1) - vec2(1.25 * STEP, 0.0)];
            if done {
                ui.painter().line_segment(ends, Stroke::new(2.0, t.quiet));
            } else {
                ui.painter().extend(Shape::dashed_line(&ends, Stroke::new(1.0, t.quiet), 4.0, 4.0));
            }
        }
        // Done: filled; next: a ring with a dot; to come: a ring.
        let (mark, r) = (at(i), 0.75 * STEP);
        if done {
            ui.painter().circle_filled(mark, r, t.quiet);
            let tick = [mark + vec2(-3.0, 0.0), mark + vec2(-0.5, 3.0), mark + vec2(3.5, -3.0)];
            ui.painter().add(Shape::line(tick.to_vec(), Stroke::new(1.8, t.panel)));
        } else {
            let ink = if station == next { t.level } else { t.quiet };
            ui.painter().circle_stroke(mark, r, Stroke::new(2.0, ink));
            if station == next {
                ui.painter().circle_filled(mark, 0.4 * r, ink);
            }
        }
    }
}

fn one(desk: &mut Desk, ui: &mut Ui, (number, station, name): (usize, Station, &str), next: bool) {
    let t = theme::tokens(ui);
    let State { done, words, wrong } = desk.state_of(station);
    let text = RichText::new(format!("{number} {name}")).size(TEXT + 1.5);
    ui.label(if next {
        text.strong()
    } else if done {
        text.color(t.quiet)
    } else {
        text
    });
    let ink = if next { t.text } else { t.quiet };
    let label = ui.add(Label::new(RichText::new(&words).size(SMALL + 0.5).color(ink)).wrap());
    let says = format!("{name}: {words}{}", if done { ", done" } else { "" });
    label.widget_info(|| eframe::egui::WidgetInfo::labeled(eframe::egui::Role::Label, true, &says));
    if let Some(wrong) = &wrong {
        parts::wrong(ui, wrong);
    }
    if station == Station::Climb {
        question::elsewhere(desk, ui);
    }
    if next {
        remedies(desk, ui, station, wrong.is_some());
    }
}

/// What else can be done at the next station.
fn remedies(desk: &mut Desk, ui: &mut Ui, station: Station, wrong: bool) {
    let idle = desk.view.phase == Phase::Idle;
    let ways: &[(&str, Action)] = match (station, wrong) {
        (Station::Calibrate, true) => &[
            ("Choose the input", Action::OpenPart(ChainPart::Capture)),
            ("Without dB SPL", Action::Skip(Station::Calibrate)),
            ("Other ways", Action::OpenPart(ChainPart::Coupler)),
        ],
        (Station::Cards, _) => {
            &[("Choose others", Action::OpenPart(ChainPart::Playback)), ("List again", Action::ListCards)]
        }
        (Station::Calibrate, false) => &[
            ("Without dB SPL", Action::Skip(Station::Calibrate)),
            ("Other ways", Action::OpenPart(ChainPart::Coupler)),
        ],
        (Station::Path, true) => {
            // What was found stands over the chain's parts.
            &[
                ("What was found", Action::Chain),
                ("Choose the input", Action::OpenPart(ChainPart::Capture)),
                ("Continue anyway", Action::Skip(Station::Path)),
            ]
        }
        (Station::Path, false) => &[("Without the check", Action::Skip(Station::Path))],
        (Station::Climb, _) => &[("Quick look or session", Action::Extent)],
    };
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = STEP / 2.0;
        for (words, action) in ways {
            if ui.add_enabled(idle, Button::new(RichText::new(*words).size(SMALL))).clicked() {
                desk.ask(*action);
            }
        }
    });
}

fn button(desk: &mut Desk, ui: &mut Ui, next: Station) {
    match desk.next_name() {
        Some((name, key)) => {
            let enabled = next != Station::Climb || desk.can_start();
            if parts::main_button(ui, enabled, name, &key).clicked() {
                desk.ask(Action::Next);
            }
        }
        None => {
            let words = if desk.view.phase == Phase::Gone { "The bench has ended" } else { "The bench is at work" };
            let _ = parts::main_button(ui, false, words, "");
        }
    }
}
