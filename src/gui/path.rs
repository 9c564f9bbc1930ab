//! Path check and its findings, under the chain they are about: one button, what is left of its 20 seconds, and then a
//! row for each answer, with what to do where the path is not fault-free.

use super::desk::Desk;
use super::keys::Action;
use super::parts;
use super::theme::{self, STEP};
use super::view::Phase;
use crate::card::InputRole;
use crate::judgement::path::{PathAnswer, PathFinding};
use eframe::egui::{Align, Button, Label, ProgressBar, Rect, RichText, Ui, vec2};

/// Width of the column that says what was asked, points.
const ASKED: f32 = 33.0 * STEP;
/// Narrower than this the answer stands under its question, points.
const NARROW: f32 = 84.0 * STEP;

/// Draws the section.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    // The cursor alone has no end below.
    let top = Rect::from_min_size(ui.cursor().min, vec2(1.0, 1.0));
    parts::heading(ui, "Path check");
    if std::mem::take(&mut desk.view.path_is_news) {
        ui.scroll_to_rect(top, Some(Align::Min));
    }
    let idle = desk.view.phase == Phase::Idle;
    ui.horizontal_wrapped(|ui| {
        if ui.add_enabled(idle, Button::new(Action::PathCheck.button())).clicked() {
            desk.ask(Action::PathCheck);
        }
        parts::quiet(ui, "Is the path to the ear fault-free? Under 20 s of quiet sound, before anything is measured.");
    });
    if let Some(message) = &desk.view.path_failure {
        parts::wrong(ui, message);
    }
    if matches!(desk.view.phase, Phase::Checking) {
        progress(desk, ui);
        return;
    }
    let Some(report) = &desk.view.path else { return };
    ui.add_space(STEP);
    ui.add(Label::new(RichText::new(&report.sentence).strong()).wrap());
    ui.add_space(STEP);
    for finding in &report.findings {
        row(finding, ui);
    }
}

fn progress(desk: &Desk, ui: &mut Ui) {
    let Some(now) = &desk.view.progress else {
        parts::quiet(ui, "The cards are being opened.");
        return;
    };
    let left_s = now.left_now_s();
    let done = (now.step.number as f32 - 1.0) / now.expected.max(1) as f32;
    let words = format!("{}, about {left_s:.0} s left; {} ends it", now.step.purpose, Action::Stop.key());
    ui.add(ProgressBar::new(done.clamp(0.0, 1.0)).text(words));
}

/// What was asked and the answer's word, then what was seen.
fn row(finding: &PathFinding, ui: &mut Ui) {
    let asked = match finding.at {
        Some(at) => format!("{}, {}", finding.what, InputRole::in_words(at)),
        None => finding.what.to_string(),
    };
    let head = |ui: &mut Ui| {
        ui.label(RichText::new(format!("{asked}: {}", finding.answer)).size(theme::SMALL).strong());
    };
    let text = |ui: &mut Ui| match finding.answer {
        PathAnswer::Doubt => parts::wrong(ui, &finding.text),
        PathAnswer::Note => {
            ui.add(Label::new(RichText::new(&finding.text).size(theme::SMALL)).wrap());
        }
        PathAnswer::Straight | PathAnswer::NotDetermined => {
            parts::quiet(ui, &finding.text);
        }
    };
    if ui.available_width() < NARROW {
        head(ui);
        text(ui);
        ui.add_space(0.5 * STEP);
        return;
    }
    ui.horizontal_top(|ui| {
        ui.scope(|ui| {
            ui.set_min_width(ASKED);
            ui.set_max_width(ASKED);
            head(ui);
        });
        ui.vertical(text);
    });
}
