//! The listener's own level, in place of the question: what the hands do first, how it is heard, and what came of it.

use super::column;
use crate::account;
use crate::gui::desk::Desk;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, STEP, TEXT};
use crate::gui::view::Phase;
use crate::session::own_level::BEFORE;
use eframe::egui::accesskit::Live;
use eframe::egui::{Label, RichText, TextEdit, Ui};

/// Draws it.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui) {
    column(ui, "own-level", |ui| page(desk, ui));
}

fn page(desk: &mut Desk, ui: &mut Ui) {
    let height = ui.ctx().content_rect().height();
    ui.add_space(0.03 * height);
    let working = matches!(desk.view.phase, Phase::OwnLevel | Phase::Stopping);
    let large = match (working, desk.own.by_music) {
        (false, _) => "How loud do you listen?",
        (true, false) => "Hands off: quiet noise",
        (true, true) => "Let the music play",
    };
    let size = (0.7 * theme::large(height)).min(0.07 * ui.available_width());
    let label = ui.add(Label::new(RichText::new(large).size(size).strong()).extend());
    ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
    ui.add_space(STEP);
    for (i, words) in BEFORE.iter().enumerate() {
        ui.add(Label::new(RichText::new(format!("{}  {words}", i + 1)).size(TEXT + 2.0)).wrap());
    }
    ui.add_space(STEP);
    ui.add_enabled_ui(!working, |ui| how(desk, ui));
    ui.add_space(STEP);
    button(desk, ui, working);
    ui.add_space(STEP);
    if let Some(wrong) = desk.own.wrong.clone() {
        parts::wrong(ui, &wrong);
        if !desk.form.is_calibrated() && ui.button(Action::Calibrate.button()).clicked() {
            desk.ask(Action::Calibrate);
        }
    }
    if let Some((own, _)) = &desk.own.heard {
        for words in account::own_level::heard(own) {
            let label = ui.add(Label::new(RichText::new(words).size(TEXT + 1.0)).wrap());
            ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
        }
        if !own.flaws.is_empty() {
            parts::wrong(ui, "It is not kept while something is in doubt: put that right and measure again.");
        }
    }
}

/// Noise or music, and the figures that belong to it.
fn how(desk: &mut Desk, ui: &mut Ui) {
    let own = &mut desk.own;
    let before = own.by_music;
    ui.radio_value(
        &mut own.by_music,
        false,
        "with pink noise: this computer drives the output, and the music has stopped",
    );
    ui.radio_value(
        &mut own.by_music,
        true,
        "with my music: it goes on playing, from anywhere, and the bench plays nothing",
    );
    if own.by_music != before {
        (own.heard, own.wrong) = (None, None);
    }
    let field = |ui: &mut Ui, label: &str, text: &mut String| {
        ui.horizontal(|ui| {
            let name = ui.label(label);
            ui.add(TextEdit::singleline(text).desired_width(9.0 * STEP)).labelled_by(name.id);
        });
    };
    if own.by_music {
        field(ui, "Listen for, s", &mut own.seconds);
    } else {
        field(ui, "Drive of the noise, dBFS", &mut own.drive);
        field(ui, "RMS level of your music, dBFS", &mut own.music);
        parts::quiet(
            ui,
            "Usual music has about −18 dBFS (common practice, no source). A look 20 dB under the drive comes first.",
        );
    }
}

fn button(desk: &mut Desk, ui: &mut Ui, working: bool) {
    let idle = desk.view.phase == Phase::Idle;
    let words = match (working, desk.own.can_be_kept(), desk.own.heard.is_some()) {
        (true, ..) => "The bench listens",
        (_, true, _) => "Keep it as my level",
        (_, _, true) => "Measure again",
        _ => "It is on the coupler: measure",
    };
    if parts::main_button(ui, idle, words, "Enter").clicked() {
        desk.ask(Action::Next);
    }
    if let Some((done, total)) = desk.view.playing.filter(|_| working) {
        parts::quiet(ui, format!("{} left", text::seconds((total - done).max(0.0))));
    }
    ui.add_space(STEP);
    if ui
        .add_enabled(idle, eframe::egui::Button::new(format!("Back to the question  {}", Action::OwnLevel.key())))
        .clicked()
    {
        desk.ask(Action::OwnLevel);
    }
}
