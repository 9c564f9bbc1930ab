//! Page Climb. It asks a question and shows the four stations on the way to its answer; while it sounds and when it is
//! finished it shows the scale of level as its spine, the answer, and the evidence beside it.
//!
//! ```text
//!  Will … drive … at … ?                    │      │  HEADROOM  24.9 dB ±0.4   ample
//!  cards → calibrate → path → climb         │scale │  sentence
//!         [ what comes next  Enter ]        │      │  one piece of evidence   ▫▫ the others
//! ```

mod answer;
mod asked;
mod elsewhere;
mod evidence;
pub(in crate::gui) mod heard;
mod own_level;
mod own_music;
mod question;
mod series;
mod spine;
mod track;

use super::desk::Desk;
use super::theme::STEP;
use crate::account::session::Scale;
use eframe::egui::{CentralPanel, Frame, Margin, Panel, ScrollArea, Ui};

/// Widest a column in the place of the answer gets, points.
const WIDEST: f32 = 150.0 * STEP;
/// From this width on parts of a page stand beside each other, points.
pub const WIDE: f32 = 1040.0;
/// Narrower than this the scale stands in the page's flow.
const SLIM: f32 = 560.0;
/// Narrower or lower than this the answer and its evidence stand close to each other.
const ROOMY: (f32, f32) = (900.0, 480.0);
/// Lower than this they scroll together.
const CLOSE: f32 = 400.0;

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    if series::is_shown(desk) {
        return series::show(desk, ui);
    }
    let asks = desk.asking && !shows_work(desk);
    if asks && desk.own.open {
        return own_level::show(desk, ui);
    }
    if asks && desk.elsewhere.open {
        return elsewhere::show(desk, ui);
    }
    if asks { question::show(desk, ui) } else { answered(desk, ui) }
}

/// A session at work is shown whatever was asked for; a path check and the calibrator are followed at their stations.
fn shows_work(desk: &Desk) -> bool {
    use super::view::Phase;
    match desk.view.phase {
        Phase::Opening | Phase::Running | Phase::Seating | Phase::Turning | Phase::Matching => true,
        Phase::Idle | Phase::Stopping | Phase::SwapNow | Phase::SwapCheck => false,
        Phase::Calibrating | Phase::Checking | Phase::Electrical | Phase::OwnLevel | Phase::Gone => false,
        Phase::Following => desk.view.session_sounds,
    }
}

fn answered(desk: &mut Desk, ui: &mut Ui) {
    let size = ui.available_size();
    let scale = scale(desk);
    let ears = heard::ears(desk);
    let margin = Frame::central_panel(ui.style()).inner_margin(Margin::same(STEP as i8));
    if desk.enlarged {
        CentralPanel::default().frame(margin).show(ui, |ui| evidence::alone(desk, ui));
        return;
    }
    if size.x >= SLIM
        && let Some(scale) = &scale
    {
        let width = (0.27 * size.x).clamp(26.5 * STEP, 52.0 * STEP);
        let frame = Frame::NONE.inner_margin(Margin::same(STEP as i8)).fill(ui.visuals().panel_fill);
        Panel::left("spine").resizable(false).exact_size(width).show_separator_line(false).frame(frame).show(
            ui,
            |ui| {
                spine::show(ui, scale, &ears);
            },
        );
    }
    CentralPanel::default().frame(margin).show(ui, |ui| {
        if size.x >= ROOMY.0 && size.y >= ROOMY.1 {
            answer::show(desk, ui, false);
            evidence::fill(desk, ui);
            return;
        }
        if size.x >= SLIM && size.y >= CLOSE {
            answer::show(desk, ui, true);
            evidence::close(desk, ui);
            return;
        }
        ScrollArea::vertical().id_salt("answered").auto_shrink(false).show(ui, |ui| {
            answer::show(desk, ui, false);
            evidence::flow(desk, ui);
            if size.x < SLIM
                && let Some(scale) = &scale
            {
                ui.allocate_ui(eframe::egui::vec2(ui.available_width(), 40.0 * STEP), |ui| {
                    spine::show(ui, scale, &ears)
                });
            }
        });
    });
}

/// Of the session shown, else what the plan says.
fn scale(desk: &Desk) -> Option<Scale> {
    match &desk.view.digest {
        Some(digest) => Some(digest.scale.clone()),
        None => desk.form.ready().map(|(plan, chain)| Scale::planned(plan, chain)),
    }
}

/// A scrolling column in the middle of the page; `salt` keeps its scroll position apart from that of others.
fn column<R>(ui: &mut Ui, salt: &str, add: impl FnOnce(&mut Ui) -> R) -> R {
    let frame = Frame::central_panel(ui.style()).inner_margin(Margin::symmetric(2 * STEP as i8, STEP as i8));
    let scrolled = |ui: &mut Ui| {
        let width = ui.available_width();
        ui.horizontal_top(|ui| {
            ui.add_space((0.5 * (width - WIDEST)).max(0.0));
            ui.vertical(|ui| {
                ui.set_max_width(width.min(WIDEST));
                add(ui)
            })
        })
    };
    let panel = CentralPanel::default().frame(frame);
    panel
        .show(ui, |ui| ScrollArea::vertical().id_salt(salt).auto_shrink(false).show(ui, scrolled))
        .inner
        .inner
        .inner
        .inner
}
