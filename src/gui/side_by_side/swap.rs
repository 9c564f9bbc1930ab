//! The guided swap: two outputs by turns on one seat, one button a round.

use crate::gui::desk::Desk;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::remembered::offered;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP, TEXT};
use crate::gui::view::Phase;
use crate::session::plan::Order;
use crate::session::swap::DEFAULT_ROUNDS;
use eframe::egui::accesskit::Live;
use eframe::egui::{Label, RichText, Sense, Shape, Stroke, Ui, pos2, vec2};

/// Size of what the hands are to do, points.
const HANDS: f32 = 22.0;

/// What is asked: both outputs, and swaps that were left off.
pub(super) fn asked(desk: &mut Desk, ui: &mut Ui) {
    parts::heading(ui, "Swap two outputs on one seat");
    parts::quiet(
        ui,
        "The headphone stays on the coupler; the outputs alternate: first, second, first again. Any difference then comes from the outputs alone.",
    );
    let idle = !desk.view.phase.is_busy() && desk.side.swap.turns.is_none();
    ui.add_enabled_ui(idle, |ui| {
        for (i, label) in ["The first one", "The second one"].into_iter().enumerate() {
            parts::edit(ui, label, true, &mut desk.side.swap.names[i]);
            known(desk, ui, i);
        }
        ui.checkbox(&mut desk.side.swap.by_hand, "the second has a knob: turn it to the level");
        let left_off = if idle { desk.side.swap.known.left_off.clone() } else { Vec::new() };
        for (i, one) in left_off.iter().enumerate().take(3) {
            parts::quiet(ui, one.words.clone());
            if ui.button(format!("Resume swap {}", i + 1)).clicked() {
                desk.ask(Action::SwapTakeUp(i));
            }
        }
    });
    if let Some(wrong) = &desk.side.swap.wrong {
        parts::wrong(ui, wrong);
    }
}

/// Names to choose from: those used last, kept chains, and outputs of the simulated bench.
fn known(desk: &mut Desk, ui: &mut Ui, which: usize) {
    let simulated = desk.simulated().map_or(Vec::new(), |devices| devices.outputs.clone());
    let others: Vec<String> = desk.side.swap.known.chains.iter().cloned().chain(simulated).collect();
    let names = offered(&desk.memory.now.outputs, &others);
    let others = names.iter().filter(|name| !desk.side.swap.names.contains(name)).take(6).cloned().collect::<Vec<_>>();
    if others.is_empty() {
        return;
    }
    let word = if which == 0 { "first" } else { "second" };
    ui.menu_button(RichText::new(format!("Choose the {word}")).size(SMALL), |ui| {
        for name in others {
            if ui.button(&name).clicked() {
                desk.side.swap.names[which] = name;
                ui.close();
            }
        }
    });
}

/// The swap under way, over whatever else the page shows.
pub(super) fn guide(desk: &mut Desk, ui: &mut Ui) {
    let Some(turns) = desk.side.swap.turns.clone() else { return };
    let played = turns.played();
    let names = [0, 1].map(|i| turns.halves[i].chain().output.clone());
    track(ui, played, turns.next(DEFAULT_ROUNDS).is_some(), &names);
    let Some(order) = turns.next(DEFAULT_ROUNDS) else {
        if ui.button("Another swap").clicked() {
            desk.ask(Action::SwapLeave);
        }
        return;
    };
    let output = &names[usize::from(order == Order::Second)];
    let round = played + 1;
    let guides = |ui: &mut Ui, words: &str| {
        let label = ui.add(Label::new(RichText::new(words).size(HANDS).strong()).wrap());
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
    };
    match desk.view.phase {
        Phase::Idle => {
            guides(ui, &format!("Plug in {output}."));
            parts::quiet(
                ui,
                "Nothing plays now. Leave the headphone on the coupler as it is, and the volume where it is noted.",
            );
            ui.add_space(STEP);
            ui.horizontal_wrapped(|ui| {
                if parts::main_button(ui, true, &format!("It is plugged in: play round {round}"), "Enter").clicked() {
                    desk.ask(Action::Next);
                }
                if ui.button("Leave the swap").clicked() {
                    desk.ask(Action::SwapLeave);
                }
            });
        }
        Phase::Matching => {
            guides(ui, &format!("Turn the knob of {output} until 0.0."));
            let figure = desk.view.turned_off_db.map_or("listening".into(), |off| {
                let sign = if off >= 0.05 { "+" } else { "" };
                format!("{sign}{} dB", text::db(off))
            });
            let large = theme::figures(theme::large(ui.ctx().content_rect().height()));
            let label = ui.label(RichText::new(figure).font(large));
            ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
            if parts::main_button(ui, true, "It is right", &Action::Match.key()).clicked() {
                desk.ask(Action::Match);
            }
        }
        _ => {
            guides(ui, &format!("Round {round} plays {output}. Leave everything as it is."));
            parts::quiet(ui, format!("{} ends it; what was played is kept.", Action::Stop.key()));
        }
    }
    ui.add_space(STEP);
    ui.separator();
}

/// The rounds as a track: played ones filled, the next one ringed.
fn track(ui: &mut Ui, played: usize, more: bool, names: &[String; 2]) {
    let t = theme::tokens(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width().max(20.0 * STEP), 5.5 * STEP), Sense::hover());
    let step = rect.width() / DEFAULT_ROUNDS as f32;
    for round in 0..DEFAULT_ROUNDS {
        let at = pos2(rect.left() + round as f32 * step + STEP, rect.top() + 1.5 * STEP);
        if round + 1 < DEFAULT_ROUNDS {
            let ends = [at + vec2(1.5 * STEP, 0.0), at + vec2(step - 1.5 * STEP, 0.0)];
            if round < played {
                ui.painter().line_segment(ends, Stroke::new(2.0, t.quiet));
            } else {
                ui.painter().extend(Shape::dashed_line(&ends, Stroke::new(1.0, t.quiet), 4.0, 4.0));
            }
        }
        let (done, next) = (round < played, round == played && more);
        if done {
            ui.painter().circle_filled(at, 0.75 * STEP, t.quiet);
        } else {
            ui.painter().circle_stroke(at, 0.75 * STEP, Stroke::new(2.0, if next { t.level } else { t.quiet }));
        }
        let words = format!("round {}: {}", round + 1, names[round % 2]);
        let says = format!(
            "{words}{}",
            if done {
                ", played"
            } else if next {
                ", next"
            } else {
                ""
            }
        );
        let font = eframe::egui::FontId::proportional(TEXT - 1.0);
        let ink = if next { t.text } else { t.quiet };
        let mut job = eframe::egui::text::LayoutJob::simple_singleline(words, font, ink);
        job.wrap = eframe::egui::text::TextWrapping::truncate_at_width(step - STEP);
        let galley = ui.painter().layout_job(job);
        let place = pos2(at.x - 0.75 * STEP, at.y + 1.25 * STEP);
        let size = galley.size();
        ui.painter().galley(place, galley, ink);
        let heard = eframe::egui::Rect::from_min_size(place, size);
        let _ = parts::announce(ui, heard, eframe::egui::Id::unique(("round", round)), &says, false);
    }
}
