//! What stands under the picture: the steps, the clipping curve, the responses, distortion by band.

use super::picture::{glyph, still_plot};
use crate::account::write::columns::{Room, blocks};
use crate::gui::account;
use crate::gui::app::{Desk, Table};
use crate::gui::digest::{Bands, Curve, Digest, Response, SweepCurves};
use crate::gui::music;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP};
use eframe::egui::{Button, RichText, ScrollArea, TextWrapMode, Ui, pos2};
use egui_plot::{GridInput, GridMark, Line, LineStyle, PlotBounds, PlotPoint, PlotPoints};

/// Nominal mid-band frequencies of the one-third octaves from band −17 (20 Hz) on, IEC 61260-1.
const NOMINAL: [&str; 31] = [
    "20", "25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200", "250", "315", "400", "500", "630", "800",
    "1 k", "1.25 k", "1.6 k", "2 k", "2.5 k", "3.15 k", "4 k", "5 k", "6.3 k", "8 k", "10 k", "12.5 k", "16 k", "20 k",
];
/// Number of the lowest of them; 0 is 1 kHz.
const LOWEST_BAND: i32 = -17;

/// Draws the chosen one.
pub fn show(desk: &mut Desk, ui: &mut Ui, height: f32) {
    let Some(digest) = desk.view.digest.clone() else {
        parts::quiet(ui, "Appears with the first finished step.");
        return;
    };
    match desk.table {
        Table::Steps => steps(desk, ui, &digest, height),
        Table::Curve => match &digest.curve {
            Some(c) => curve(ui, c, height),
            None => nothing(ui, "The clipping curve needs a step above the quiet reference."),
        },
        Table::Response if digest.responses.is_empty() => nothing(ui, "The response comes with the quiet reference."),
        Table::Response => responses(ui, &digest.responses, height),
        Table::Bands => match &digest.bands {
            Some(b) => bands(ui, b, height),
            None => nothing(ui, "Distortion by band comes with the quiet reference."),
        },
        Table::Sounds => match &digest.sounds {
            Some(section) => {
                let down = ScrollArea::vertical().id_salt("sounds-down").max_height(height).auto_shrink(false);
                down.show(ui, |ui| account::section(ui, section));
            }
            None => nothing(ui, NO_SOUNDS),
        },
        Table::Music => {
            let asked = music::show(&mut desk.music, ui, height);
            desk.judge_music(asked, &ui.ctx().clone());
        }
        Table::Sweep => match &digest.sweep {
            Some(s) => sweep(ui, s, height),
            None => nothing(
                ui,
                "The harmonics of a sweep come with its first take: choose it under \u{201c}Beside the noise\u{201d}.",
            ),
        },
    }
}

fn nothing(ui: &mut Ui, why: &str) {
    parts::quiet(ui, why);
}

/// What to do where nothing was played beside the noise.
const NO_SOUNDS: &str =
    "No sine and no other sound was played yet: choose them under \u{201c}Beside the noise\u{201d}.";

/// A row for each step, which pins its values.
fn steps(desk: &mut Desk, ui: &mut Ui, digest: &Digest, height: f32) {
    let Some(table) = &digest.steps else { return };
    let top = ui.cursor().top();
    parts::quiet(ui, format!("{}; a row pins its values", table.title));
    ScrollArea::horizontal().id_salt("steps-across").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        for block in blocks(table, Room { letters: usize::MAX, aside: true }) {
            account::head(ui, &block);
            let left = (height - (ui.cursor().top() - top)).max(5.0 * STEP);
            let rows =
                ScrollArea::vertical().id_salt("steps-down").max_height(left).auto_shrink(false).stick_to_bottom(true);
            rows.show(ui, |ui| {
                ui.spacing_mut().interact_size.y = 2.0 * STEP;
                ui.spacing_mut().button_padding = eframe::egui::vec2(0.0, 1.0);
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

fn curve(ui: &mut Ui, curve: &Curve, height: f32) {
    let t = theme::tokens(ui);
    let reach = (1.08 * curve.reach).max(1e-6);
    let title = format!(
        "played, re full scale (step {}; straight dashes: undistorted; upright rules: fitted limits)",
        curve.step
    );
    let plain = |m: GridMark, _: &std::ops::RangeInclusive<f64>| text::fixed(m.value, 2);
    let few = move |_: GridInput| {
        let step = round_step(reach / 1.5);
        let most = (reach / step).floor() as i32;
        (-most..=most).map(|n| GridMark { value: f64::from(n) * step, step_size: step }).collect()
    };
    let plot = still_plot("curve", height, &title, "came back", t)
        .x_axis_formatter(plain)
        .y_axis_formatter(plain)
        .y_grid_spacer(few);
    plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([-reach, -reach], [reach, reach]));
        let straight: PlotPoints<'_> = [[-reach, -reach], [reach, reach]].into_iter().collect();
        p.line(Line::new("undistorted", straight).color(t.quiet).style(LineStyle::dashed_dense()).allow_hover(false));
        for (limit, says) in &curve.limits {
            p.vline(egui_plot::VLine::new(says.clone(), *limit).color(t.threshold).width(1.5).allow_hover(false));
            let (align, y) = if *limit > 0.0 {
                (eframe::egui::Align2::RIGHT_BOTTOM, -0.9)
            } else {
                (eframe::egui::Align2::LEFT_TOP, 0.9)
            };
            let text = RichText::new(format!(" {says} ")).size(SMALL).color(t.threshold);
            p.text(
                egui_plot::Text::new(says.clone(), PlotPoint::new(*limit, y * reach), text)
                    .anchor(align)
                    .allow_hover(false),
            );
        }
        let points: PlotPoints<'_> = curve.points.iter().copied().collect();
        p.line(Line::new("came back", points).color(t.level).width(2.0).allow_hover(false));
    });
}

/// The largest of 1, 2 and 5 times a power of ten that is no more than `most`.
fn round_step(most: f64) -> f64 {
    let decade = 10f64.powf(most.max(1e-9).log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|m| m * decade).find(|step| *step <= most * (1.0 + 1e-9)).unwrap_or(decade)
}

/// Marks at 1, 2 and 5 of each decade on an axis of lg Hz.
fn decades(input: GridInput) -> Vec<GridMark> {
    let (low, high) = (input.bounds.0.floor() as i32, input.bounds.1.ceil() as i32);
    let decade = |d: i32| {
        [1.0f64, 2.0, 5.0]
            .map(|m| GridMark { value: f64::from(d) + m.log10(), step_size: if m < 1.5 { 1.0 } else { 0.3 } })
    };
    (low.clamp(-3, 9)..=high.clamp(-3, 9)).flat_map(decade).collect()
}

fn hertz(lg: f64) -> String {
    let hz = 10f64.powf(lg);
    if hz > 999.0 { format!("{} k", text::fixed(hz / 1000.0, 0)) } else { text::fixed(hz, 0) }
}

fn responses(ui: &mut Ui, all: &[Response], height: f32) {
    let t = theme::tokens(ui);
    let values = all.iter().flat_map(|r| r.points.iter().map(|p| p[1]));
    let (low, high) = values.fold((-10.0f64, 10.0f64), |(a, b), v| (a.min(v), b.max(v)));
    let named: Vec<String> =
        all.iter().zip(["solid", "dashed", "dotted"]).map(|(r, how)| format!("{how}: {}", r.name)).collect();
    parts::quiet(ui, named.join(" · "));
    let plot = still_plot("response", height - 2.5 * STEP, "Hz", "dB re 1 kHz", t)
        .x_grid_spacer(decades)
        .x_axis_formatter(|m, _| hertz(m.value));
    plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([20f64.log10(), low - 3.0], [20_000f64.log10(), high + 3.0]));
        for (i, response) in all.iter().enumerate() {
            let (colour, style) = match i {
                0 => (t.level, LineStyle::Solid),
                1 => (t.threshold, LineStyle::dashed_dense()),
                _ => (t.even, LineStyle::dotted_dense()),
            };
            let points: PlotPoints<'_> = response.points.iter().copied().collect();
            p.line(Line::new(response.name.clone(), points).color(colour).width(1.5).style(style).allow_hover(false));
        }
    });
}

/// Harmonics against the exciting frequency; what is only known to be below is left out of the line and drawn hollow.
fn sweep(ui: &mut Ui, curves: &SweepCurves, height: f32) {
    let t = theme::tokens(ui);
    let styles = [
        (t.even, LineStyle::Solid, "solid"),
        (t.odd, LineStyle::Solid, "solid"),
        (t.even, LineStyle::dashed_dense(), "dashed"),
        (t.odd, LineStyle::dashed_dense(), "dashed"),
    ];
    let values = curves.orders.iter().flat_map(|(_, points)| points.iter().map(|p| p.0[1]));
    let (low, high) = values.fold((-60.0f64, -40.0f64), |(a, b), v| (a.min(v), b.max(v)));
    let named: Vec<String> =
        curves.orders.iter().zip(&styles).map(|((order, _), style)| format!("H{order} {}", style.2)).collect();
    let words = format!("step {}; {}; squares even, triangles odd, hollow: below", curves.step, named.join(", "));
    parts::quiet(ui, words);
    let plot = still_plot("sweep", height - 2.5 * STEP, "frequency that made it, Hz", "dB re H1", t)
        .x_grid_spacer(decades)
        .x_axis_formatter(|m, _| hertz(m.value));
    let answer = plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([20f64.log10(), low - 5.0], [12_000f64.log10(), high + 5.0]));
        for ((order, points), (colour, style, _)) in curves.orders.iter().zip(&styles) {
            for (i, told) in points.split(|(_, below)| *below).enumerate() {
                let line: PlotPoints<'_> = told.iter().map(|(at, _)| *at).collect();
                let name = format!("H{order} part {i}");
                p.line(Line::new(name, line).color(*colour).width(1.5).style(*style).allow_hover(false));
            }
        }
    });
    let painter = ui.painter().with_clip_rect(*answer.transform.frame());
    for ((order, points), (colour, ..)) in curves.orders.iter().zip(&styles) {
        for ([x, y], below) in points {
            let at = answer.transform.position_from_point(&PlotPoint::new(*x, *y));
            painter.add(glyph(pos2(at.x, at.y), order % 2 == 0, !below, *colour));
        }
    }
}

fn bands(ui: &mut Ui, bands: &Bands, height: f32) {
    let t = theme::tokens(ui);
    let values = bands.even.iter().chain(&bands.odd).map(|b| b.1).chain(bands.noise.iter().map(|n| n[1]));
    let (low, high) = values.fold((-60.0f64, -20.0f64), |(a, b), v| (a.min(v), b.max(v)));
    let title = format!(
        "one-third octave, Hz (step {}; squares even-order, triangles odd-order, hollow: below; dotted: noise)",
        bands.step
    );
    let every = |_: GridInput| {
        (0..31).step_by(3).map(|i| GridMark { value: f64::from(LOWEST_BAND + i), step_size: 3.0 }).collect::<Vec<_>>()
    };
    let plot =
        still_plot("bands", height, &title, "dB re the band", t).x_grid_spacer(every).x_axis_formatter(|m, _| {
            let index = m.value.round() as i32 - LOWEST_BAND;
            usize::try_from(index).ok().and_then(|i| NOMINAL.get(i)).map_or(String::new(), ToString::to_string)
        });
    let answer = plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([-18.0, low.max(-160.0) - 5.0], [14.0, high.min(40.0) + 5.0]));
        let noise: PlotPoints<'_> = bands.noise.iter().copied().collect();
        p.line(Line::new("noise", noise).color(t.noise).width(1.5).style(LineStyle::dotted_dense()).allow_hover(false));
    });
    let painter = ui.painter().with_clip_rect(*answer.transform.frame());
    for (all, square, colour, aside) in [(&bands.even, true, t.even, -3.0), (&bands.odd, false, t.odd, 3.0)] {
        for (x, value, below) in all {
            let at = answer.transform.position_from_point(&PlotPoint::new(f64::from(*x), *value));
            painter.add(glyph(pos2(at.x + aside, at.y), square, !below, colour));
        }
    }
}
