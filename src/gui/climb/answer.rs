//! The answer as a sentence, and the status line.

use crate::gui::account;
use crate::gui::desk::Desk;
use crate::gui::keys::Action;
use crate::gui::parts::{self, CAUTION};
use crate::gui::text;
use crate::gui::theme;
use crate::gui::view::Phase;
use eframe::egui::accesskit::Live;
use eframe::egui::{Label, RichText, Ui};

/// The sentence; "so far" while the climb runs.
pub fn answer(desk: &Desk, ui: &mut Ui) {
    let Some(digest) = &desk.view.digest else {
        ui.label(RichText::new("The answer").strong());
        parts::quiet(
            ui,
            format!("None yet. {} starts; the first loud sound comes after the quiet reference.", Action::Start.key()),
        );
        failure(desk, ui);
        return;
    };
    ui.horizontal(|ui| {
        parts::verdict_shape(ui, digest.judgement.headroom.verdict.answer);
        let so_far = if digest.finished { "The answer" } else { "The answer so far" };
        ui.label(RichText::new(so_far).strong());
        ui.label(RichText::new(digest.judgement.headroom.verdict.to_string()).strong().color(theme::tokens(ui).level));
        parts::quiet(ui, digest.judgement.headroom.verdict.because.clone());
    });
    if let Some(lead) = &desk.music.lead {
        ui.add(Label::new(RichText::new(lead).strong().size(theme::TEXT + 1.5)).wrap());
    }
    let sentence = ui.add(Label::new(RichText::new(&digest.judgement.sentence).size(theme::TEXT + 1.5)).wrap());
    ui.ctx().accesskit_node_builder(sentence.id, |node| node.set_live(Live::Polite));
    account::sections(ui, &digest.answer);
    failure(desk, ui);
}

fn failure(desk: &Desk, ui: &mut Ui) {
    let Some(failure) = &desk.view.failure else { return };
    parts::wrong(ui, &failure.message);
    if let Some(kept) = &failure.kept {
        parts::quiet(ui, format!("Finished steps are kept in {}.", kept.display()));
    }
}

/// Step n of about m, drive, seconds left, repeated count and the caution.
pub fn status(desk: &Desk, ui: &mut Ui) {
    let line = status_words(desk);
    let label = ui.add(Label::new(RichText::new(line).font(theme::figures(theme::SMALL + 0.5))).wrap());
    ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Off));
}

fn status_words(desk: &Desk) -> String {
    let view = &desk.view;
    let phase = match view.phase {
        Phase::Idle => match (&view.digest, &view.folder) {
            (Some(d), Some(folder)) if d.record.can_go_on() => {
                format!("ended early, {} goes on; finished steps kept in {}", Action::GoOn.key(), folder.display())
            }
            (Some(_), Some(folder)) => format!("finished, kept in {}", folder.display()),
            _ => "silent".into(),
        },
        Phase::Opening => "opening the cards".into(),
        Phase::Running => "running".into(),
        Phase::Stopping => "stopping: the sound fades".into(),
        Phase::Seating => format!(
            "quiet noise is held: take the headphone off, put it on again, {} when it sits, {} leaves it",
            Action::Seat.key(),
            Action::Stop.key()
        ),
        Phase::Matching => format!(
            "quiet noise is held: turn the knob until 0.0, then {}; {} leaves it",
            Action::Match.key(),
            Action::Stop.key()
        ),
        Phase::Turning => format!(
            "quiet noise is held: turn the output's volume control step by step, {} when done, {} leaves it",
            Action::Seat.key(),
            Action::Stop.key()
        ),
        Phase::Checking => "the path check runs".into(),
        Phase::Electrical => "a take of an electrical calibration sounds".into(),
        Phase::Calibrating => "listening to the calibrator".into(),
        Phase::Gone => "the bench has ended; close the window and start the program again".into(),
    };
    let mut parts = Vec::new();
    match &view.progress {
        Some(p) => {
            parts.push(format!("step {:>2} of about {}", p.step.number, p.expected.max(p.step.number)));
            parts.push(p.step.purpose.to_string());
            parts.push(p.step.drive.map_or("silence".into(), |d| format!("{d}")));
            parts.push(format!("{} left", text::seconds(p.left_now_s())));
            if view.phase != Phase::Running {
                parts.push(phase);
            }
        }
        None => parts.push(phase),
    }
    parts.extend(view.waits_for.clone());
    if let Some(because) = view.repeated_because.as_ref().filter(|_| view.repeated > 0) {
        parts.push(format!("repeated {}: {because}", view.repeated));
    } else {
        parts.push(format!("repeated {}", view.repeated));
    }
    parts.push(CAUTION.into());
    parts.join(" · ")
}
