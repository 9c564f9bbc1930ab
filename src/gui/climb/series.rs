//! A series between two headphones: in large type what the hands do now, the field of the next name, and what was found so far.

use super::column;
use crate::gui::account;
use crate::gui::desk::{Desk, series_name_id};
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::series::{Series, Stage};
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP, TEXT};
use crate::gui::view::Phase;
use crate::session::series::SwapChecked;
use eframe::egui::accesskit::Live;
use eframe::egui::{Align2, FontId, Key, Label, RichText, TextEdit, Ui, vec2};

/// Size of the name that is typed, points.
const NAME: f32 = 24.0;

/// True where the page shows the series rather than a question or a session.
pub(super) fn is_shown(desk: &Desk) -> bool {
    let Some(series) = &desk.series else { return false };
    match series.stage {
        Stage::Measuring => false,
        Stage::Ended => desk.asking,
        _ => !matches!(desk.view.phase, Phase::Running | Phase::Seating),
    }
}

/// Draws it.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    let Some(mut series) = desk.series.take() else { return };
    let picked = column(ui, "series", |ui| page(desk, &mut series, ui));
    desk.series = Some(series);
    if let Some(name) = picked {
        desk.picked_name = Some(name);
        desk.ask(Action::SeriesName);
    }
}

fn page(desk: &mut Desk, series: &mut Series, ui: &mut Ui) -> Option<String> {
    let height = ui.ctx().content_rect().height();
    ui.add_space(0.03 * height);
    let (large, under) = words(desk, series);
    let size = theme::large(height).min(0.09 * ui.available_width());
    let label = ui.add(Label::new(RichText::new(&large).size(size).strong()).extend());
    ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Assertive));
    // Two lines, whatever is said: the field under them keeps its place.
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 5.0 * STEP), eframe::egui::Sense::hover());
    let mut child = ui.new_child(eframe::egui::UiBuilder::new().max_rect(rect));
    child.add(Label::new(RichText::new(under).size(TEXT + 1.0)).wrap());
    let chosen = match &series.stage {
        Stage::Ended => {
            over(desk, ui);
            None
        }
        Stage::Heard(found) => {
            let found = found.clone();
            decide(desk, &found, ui);
            None
        }
        _ => next(desk, series, ui),
    };
    said(series, ui);
    found_so_far(series, ui);
    chosen
}

/// What the hands do now, large, and one sentence under it.
fn words(desk: &Desk, series: &Series) -> (String, String) {
    let at = if series.volume().is_empty() { String::new() } else { format!(", {}", series.volume()) };
    let stays = format!("{}{at} stays; {} done.", series.output(), series.done());
    match &series.stage {
        Stage::Opening => ("Opening the cards".into(), format!("{stays} They stay open and silent until the end.")),
        Stage::SwapNow => {
            ("Silent: swap now".into(), format!("{stays} Put the next headphone on the coupler, then say which it is."))
        }
        Stage::Checking => {
            let left = desk.view.playing.map_or(series.check_s(), |(done, total)| (total - done).max(0.0));
            (
                "Hands off: listening".into(),
                format!(
                    "Quiet noise for a few seconds, {} left. Is it {}, and does it sit?",
                    text::seconds(left),
                    series.typed
                ),
            )
        }
        Stage::Heard(_) => (
            "Look at this first".into(),
            format!("{}: something speaks against beginning. It is silent; put it right.", series.typed),
        ),
        Stage::Measuring | Stage::Closing => ("Closing the cards".into(), stays),
        Stage::Ended => ("The series is over".into(), format!("{} done. The cards are closed.", series.done())),
    }
}

/// The name of the headphone that is on the coupler now; the one that was chosen of the list.
fn next(desk: &mut Desk, series: &mut Series, ui: &mut Ui) -> Option<String> {
    let silent = series.stage == Stage::SwapNow && desk.view.phase == Phase::SwapNow;
    let opened = desk.wants_focus.take_if(|id| *id == series_name_id()).is_some();
    let mut chosen = None;
    ui.add_enabled_ui(silent, |ui| {
        let label = parts::quiet(ui, "Headphone on the coupler now: its name, or the number of one below");
        let width = ui.available_width().min(60.0 * STEP);
        let edit = TextEdit::singleline(&mut series.typed).id(series_name_id()).font(FontId::proportional(NAME));
        let response = ui.add(edit.align(Align2::LEFT_CENTER).desired_width(width)).labelled_by(label.id);
        if opened {
            response.request_focus();
        }
        let entered = response.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter));
        ui.add_space(STEP);
        let words = "Listen, then begin";
        if parts::main_button(ui, silent, words, "Enter").clicked() || entered {
            chosen = Some(series.typed.clone());
        }
        ui.add_space(STEP);
        ui.horizontal_wrapped(|ui| {
            for (i, name) in series.known.iter().enumerate() {
                if ui.button(format!("{}  {name}", i + 1)).clicked() {
                    chosen = Some(name.clone());
                }
            }
        });
        ui.add_space(STEP);
        ui.checkbox(&mut series.extension_lead, "Swapped at an extension lead: the output senses no new load");
        if ui.button(format!("End the series  {}", Action::Series.key())).clicked() {
            desk.ask(Action::Series);
        }
    });
    chosen
}

/// What speaks against beginning, and the three ways on.
fn decide(desk: &mut Desk, found: &SwapChecked, ui: &mut Ui) {
    for flaw in &found.flaws {
        parts::wrong(ui, &flaw.text);
    }
    ui.add_space(STEP);
    if parts::main_button(ui, true, "Listen again", "Enter").clicked() {
        desk.ask(Action::Next);
    }
    ui.add_space(STEP);
    ui.horizontal_wrapped(|ui| {
        if ui.button(format!("Begin anyway  {}", Action::Series.key())).clicked() {
            desk.ask(Action::Series);
        }
        if ui.button(format!("Another name  {}", Action::Stop.key())).clicked() {
            desk.ask(Action::Stop);
        }
    });
    parts::quiet(ui, "What begins all the same is kept with this doubt.");
}

/// The end: what was found stays in sight.
fn over(desk: &mut Desk, ui: &mut Ui) {
    if parts::main_button(ui, true, "Ask the next question", "Enter").clicked() {
        desk.ask(Action::Next);
    }
    ui.add_space(STEP);
    ui.horizontal_wrapped(|ui| {
        for action in [Action::Series, Action::Notebook, Action::Stock] {
            let words =
                if action == Action::Series { format!("Another series  {}", action.key()) } else { action.button() };
            if ui.button(words).clicked() {
                desk.ask(action);
            }
        }
    });
}

fn said(series: &Series, ui: &mut Ui) {
    if matches!(series.stage, Stage::Heard(_)) {
        return;
    }
    ui.add_space(STEP);
    for words in &series.said {
        let label = ui.add(Label::new(RichText::new(words).size(TEXT)).wrap());
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
    }
}

fn found_so_far(series: &Series, ui: &mut Ui) {
    ui.add_space(STEP);
    match &series.table {
        Some(table) => {
            parts::heading(ui, "So far");
            account::table(ui, table);
            ui.label(RichText::new(&series.sound).size(SMALL).color(theme::tokens(ui).quiet));
        }
        None => {
            let words = format!(
                "After each swap the bench listens for {} s: does the sound still come here, is it that headphone, do both ears hear it, does it sit, is the volume where it was? Then it climbs, and asks for the further seats.",
                text::fixed(series.check_s(), 0)
            );
            parts::quiet(ui, words);
        }
    }
}
