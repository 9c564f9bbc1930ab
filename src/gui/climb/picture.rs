//! Level against drive with the straight line, the zones and the clipping threshold; distortion below on the same axis.

use super::asked::listening_words;
use crate::gui::desk::Desk;
use crate::gui::digest::{Picture, Point, Share};
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP, Tokens};
use eframe::egui::{Align2, Color32, FontId, Id, Pos2, Rect, RichText, Shape, Stroke, Ui, pos2, vec2};
use egui_plot::{
    AxisHints, GridInput, GridMark, Line, LineStyle, Plot, PlotBounds, PlotPoint, PlotPoints, PlotTransform,
};

/// Radius of a point, points.
const DOT: f32 = 4.5;
/// How near the pointer has to be to a point to read it, points.
const NEAR: f32 = 14.0;
/// Width kept for the figures of the upright axes, so that both pictures stand under each other, points.
const AXIS: f32 = 52.0;
/// From this height on the whole title stands beside the level axis, points.
const TALL: f32 = 270.0;
/// Opacity of a tinted zone.
const TINT: f32 = 0.16;

/// A plot that keeps still: bounds given, no dragging or zooming.
fn still_plot<'a>(id: &str, height: f32, x_title: &str, y_title: &str, t: &Tokens) -> Plot<'a> {
    let hints = |h: AxisHints<'a>, title: &str, across: bool| {
        let title = RichText::new(title).size(SMALL).color(t.quiet);
        // Ticks closer than this are left out rather than paled: pale figures cannot be read from afar.
        let apart = if across { 34.0..=38.0 } else { 13.0..=15.0 };
        h.label(title).label_spacing(apart).tick_label_color(t.quiet).tick_label_font(theme::figures(SMALL - 1.0))
    };
    let plain = |m: GridMark, _: &std::ops::RangeInclusive<f64>| text::fixed(m.value, 0);
    Plot::new(id.to_string())
        .height(height.max(6.0 * STEP))
        .allow_drag(false)
        .allow_zoom(false)
        .allow_scroll(false)
        .allow_boxed_zoom(false)
        .allow_double_click_reset(false)
        .allow_axis_zoom_drag(false)
        .show_crosshair(false)
        .grid_color(t.rule)
        .custom_x_axes(vec![hints(AxisHints::new_x(), x_title, true).formatter(plain)])
        .custom_y_axes(vec![hints(AxisHints::new_y(), y_title, false).formatter(plain).min_thickness(AXIS)])
        .label_formatter(|_| None)
}

/// Where things stand on the screen.
struct Sheet<'a> {
    ui: &'a Ui,
    transform: PlotTransform,
    t: &'static Tokens,
}

impl Sheet<'_> {
    fn frame(&self) -> Rect {
        *self.transform.frame()
    }

    fn at(&self, x: f64, y: f64) -> Pos2 {
        self.transform.position_from_point(&PlotPoint::new(x, y))
    }

    fn add(&self, shape: Shape) {
        self.ui.painter().with_clip_rect(self.frame()).add(shape);
    }

    fn line(&self, a: Pos2, b: Pos2, stroke: Stroke) {
        self.add(Shape::line_segment([a, b], stroke));
    }

    fn text(&self, at: Pos2, anchor: Align2, text: &str, colour: Color32) {
        let painter = self.ui.painter().with_clip_rect(self.frame());
        let galley = painter.layout_no_wrap(text.into(), FontId::proportional(SMALL), colour);
        let rect = anchor.anchor_size(at, galley.size());
        painter.rect_filled(rect.expand2(vec2(3.0, 0.0)), 0.0, self.t.ground.gamma_multiply(0.8));
        painter.galley(rect.min, galley, colour);
    }

    /// A rule across the picture with its words at the left end.
    fn across(&self, level: f64, words: &str, colour: Color32, dashed: bool) {
        let f = self.frame();
        let y = self.at(0.0, level).y;
        let (a, b) = (pos2(f.left(), y), pos2(f.right(), y));
        if dashed {
            parts::dashes(self.ui, f, a, b, Stroke::new(1.5, colour), 7.0, 4.0);
        } else {
            self.line(a, b, Stroke::new(1.5, colour));
        }
        // Words stand over their rule, or under it where the picture ends.
        let (y, align) =
            if y - f.top() < 2.0 * STEP { (y + 2.0, Align2::LEFT_TOP) } else { (y - 1.0, Align2::LEFT_BOTTOM) };
        self.text(pos2(f.left() + STEP, y), align, words, colour);
    }

    /// An upright rule with its words at the foot, in line `line` of it.
    fn upright(&self, drive: f64, words: &str, colour: Color32, line: f32) {
        let f = self.frame();
        let x = self.at(drive, 0.0).x;
        parts::dashes(self.ui, f, pos2(x, f.top()), pos2(x, f.bottom()), Stroke::new(1.0, colour), 2.0, 4.0);
        if !words.is_empty() {
            self.text(pos2(x - 4.0, f.bottom() - 2.0 - line * 2.0 * STEP), Align2::RIGHT_BOTTOM, words, colour);
        }
    }
}

/// The main picture.
pub fn level(desk: &mut Desk, ui: &mut Ui, height: f32) {
    let t = theme::tokens(ui);
    let held = desk.view.digest.clone();
    let picture = held.as_ref().map_or(&desk.empty, |d| &d.picture);
    let title = if height < TALL { picture.unit.short_title() } else { picture.unit.title() };
    let plot = still_plot("level", height, "", &title, t);
    let (x, y) = (picture.drive_range, picture.level_range);
    let answer = plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([x.0, y.0], [x.1, y.1]));
        if let Some(gain) = picture.gain {
            let ends: PlotPoints<'_> = [x.0, picture.full_drive].map(|d| [d, d + gain]).into_iter().collect();
            p.line(
                Line::new("straight line", ends)
                    .color(t.level)
                    .width(1.5)
                    .style(LineStyle::dashed_dense())
                    .allow_hover(false),
            );
        }
    });
    let sheet = Sheet { ui, transform: answer.transform, t };
    zones(&sheet, picture);
    for point in &picture.points {
        dot(&sheet, point);
    }
    if let Some(gain) = picture.gain {
        straight_words(&sheet, picture, gain);
    }
    marker(&sheet, picture, true);
    if picture.points.is_empty() {
        let words = format!("{} starts. Level against drive appears here step by step.", Action::Start.key());
        sheet.text(sheet.frame().center(), Align2::CENTER_CENTER, &words, t.quiet);
    }
    let pointer = answer.response.hover_pos();
    let near = pointer.and_then(|p| nearest(&sheet, picture, p));
    let pinned = desk.pinned.and_then(|step| picture.points.iter().find(|p| p.step == step && !p.void));
    for (point, word) in [(pinned, "pinned"), (near.filter(|n| pinned.is_none_or(|p| p != *n)), "")] {
        if let Some(point) = point {
            exact(&sheet, point, word);
        }
    }
    announce(&sheet, picture);
    if answer.response.clicked() {
        let step = near.map(|p| p.step);
        desk.pinned = if step == desk.pinned { None } else { step };
    }
}

fn straight_words(sheet: &Sheet<'_>, picture: &Picture, gain: f64) {
    // Right of the middle and under the line, where nothing else stands.
    let drive = picture.drive_range.0 + 0.45 * (picture.full_drive - picture.drive_range.0);
    let at = sheet.at(drive, drive + gain);
    sheet.text(at + vec2(STEP, 2.0), Align2::LEFT_TOP, "straight line", sheet.t.level);
}

fn zones(sheet: &Sheet<'_>, picture: &Picture) {
    let (t, f) = (sheet.t, sheet.frame());
    if let (Some(listening), Some((top, headroom))) = (picture.listening, picture.wanted) {
        let band =
            Rect::from_min_max(pos2(f.left(), sheet.at(0.0, top).y), pos2(f.right(), sheet.at(0.0, listening).y));
        sheet.add(Shape::rect_filled(band.intersect(f), 0.0, t.listening.gamma_multiply(TINT)));
        let words = format!("wanted headroom {} dB", text::db(headroom));
        sheet.text(pos2(f.left() + STEP, band.top() + 1.0), Align2::LEFT_TOP, &words, t.listening);
        sheet.across(listening, &listening_words(listening), t.listening, true);
    }
    if let Some(ceiling) = picture.ceiling {
        sheet.across(ceiling, &format!("ceiling {} dB SPL", text::db(ceiling)), t.quiet, false);
    }
    if let Some(ceiling) = picture.drive_ceiling {
        let because = match picture.drive_ceiling_because.as_str() {
            // The drive itself needs no second name.
            "" => String::new(),
            words if words.contains("of drive") => String::new(),
            words => format!(": {words}"),
        };
        sheet.upright(ceiling, &format!("ceiling {} dBFS{because}", text::db(ceiling)), t.quiet, 1.0);
    }
    sheet.upright(
        picture.full_drive,
        &format!("peak at full scale: {} dBFS", text::db(picture.full_drive)),
        t.quiet,
        0.0,
    );
}

/// Where a point is drawn: a void take stands just left of its drive, so that the take that replaced it does not hide it.
fn place(sheet: &Sheet<'_>, point: &Point) -> Pos2 {
    sheet.at(point.drive, point.level) - vec2(if point.void { 2.5 * DOT } else { 0.0 }, 0.0)
}

fn dot(sheet: &Sheet<'_>, point: &Point) {
    let t = sheet.t;
    let at = place(sheet, point);
    if point.void {
        sheet.add(Shape::circle_stroke(at, DOT, Stroke::new(1.5, t.level)));
        return;
    }
    let (low, high) = (sheet.at(point.drive, point.interval.0), sheet.at(point.drive, point.interval.1));
    bar(sheet, low, high, t.level);
    sheet.add(Shape::circle_filled(at, DOT, t.level));
}

fn bar(sheet: &Sheet<'_>, low: Pos2, high: Pos2, colour: Color32) {
    let stroke = Stroke::new(1.5, colour);
    sheet.line(low, high, stroke);
    for end in [low, high] {
        sheet.line(end - vec2(4.0, 0.0), end + vec2(4.0, 0.0), stroke);
    }
}

fn marker(sheet: &Sheet<'_>, picture: &Picture, flag: bool) {
    let Some(marker) = &picture.marker else { return };
    let (t, f) = (sheet.t, sheet.frame());
    let x = |drive| sheet.at(drive, 0.0).x;
    let band = Rect::from_x_y_ranges(x(marker.interval.0)..=x(marker.interval.1), f.y_range());
    sheet.add(Shape::rect_filled(band.intersect(f), 0.0, t.threshold.gamma_multiply(TINT + 0.1)));
    let at = x(marker.drive);
    sheet.line(pos2(at, f.top()), pos2(at, f.bottom()), Stroke::new(2.0, t.threshold));
    if flag {
        let corner = pos2(at, f.top() + 2.0);
        let left = at - f.left() > 0.5 * f.width();
        let align = if left { Align2::RIGHT_TOP } else { Align2::LEFT_TOP };
        parts::note_box(sheet.ui, f, corner, align, &marker.flag, t.threshold);
    }
}

fn nearest<'p>(sheet: &Sheet<'_>, picture: &'p Picture, pointer: Pos2) -> Option<&'p Point> {
    let distance = |p: &Point| place(sheet, p).distance(pointer);
    picture.points.iter().filter(|p| distance(p) < NEAR).min_by(|a, b| distance(a).total_cmp(&distance(b)))
}

/// The exact values beside a point.
fn exact(sheet: &Sheet<'_>, point: &Point, word: &str) {
    let at = place(sheet, point);
    sheet.add(Shape::circle_stroke(at, DOT + 3.0, Stroke::new(1.5, sheet.t.text)));
    let mut lines = point.says.clone();
    if !word.is_empty() {
        lines.push("pinned; click it again to let go".into());
    }
    parts::note_box(sheet.ui, sheet.frame(), at + vec2(1.5 * STEP, 1.5 * STEP), Align2::LEFT_TOP, &lines, sheet.t.text);
}

fn announce(sheet: &Sheet<'_>, picture: &Picture) {
    let f = sheet.frame();
    if let Some(marker) = &picture.marker {
        let x = sheet.at(marker.drive, 0.0).x;
        let rect = Rect::from_x_y_ranges(x - 3.0..=x + 3.0, f.y_range());
        let _ = parts::announce(sheet.ui, rect, Id::unique("threshold-marker"), &marker.label, true);
    }
    let words = format!("{} against drive in dBFS RMS, {} takes shown", picture.unit.title(), picture.points.len());
    // One point high: it carries the words only and must not take the pointer from the points.
    let foot = Rect::from_min_max(pos2(f.left(), f.bottom() - 1.0), f.right_bottom());
    let _ = parts::announce(sheet.ui, foot, Id::unique("level-picture"), &words, false);
}

/// Even- and odd-order distortion and noise at the ear, on the drive axis of the main picture.
pub fn distortion(desk: &Desk, ui: &mut Ui, height: f32) {
    let t = theme::tokens(ui);
    let held = desk.view.digest.clone();
    let picture = held.as_ref().map_or(&desk.empty, |d| &d.picture);
    let (x, y) = (picture.drive_range, picture.distortion_range);
    let title = format!("drive, dBFS RMS (peak in dB re full scale: {} dB higher)", text::db(-picture.full_drive));
    let every_20 = |input: GridInput| {
        let (low, high) = ((input.bounds.0 / 20.0).ceil() as i32, (input.bounds.1 / 20.0).floor() as i32);
        (low..=high).map(|n| GridMark { value: 20.0 * f64::from(n), step_size: 20.0 }).collect()
    };
    let plot = still_plot("distortion", height, &title, "at the ear, dB", t).y_grid_spacer(every_20);
    let answer = plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([x.0, y.0], [x.1, y.1]));
        if !picture.noise.is_empty() {
            let line: PlotPoints<'_> = sorted(&picture.noise).into_iter().collect();
            p.line(
                Line::new("noise", line).color(t.noise).width(1.5).style(LineStyle::dotted_dense()).allow_hover(false),
            );
        }
    });
    let sheet = Sheet { ui, transform: answer.transform, t };
    sheet.across(picture.limit_db, &format!("limit {}", text::percent(picture.limit_db)), t.quiet, true);
    marker(&sheet, picture, false);
    for (shares, square) in [(&picture.even, true), (&picture.odd, false)] {
        for share in shares {
            share_mark(&sheet, share, square);
        }
    }
    legend(&sheet);
    let words = format!(
        "distortion at the ear against drive: {} even-order, {} odd-order values, noise dotted",
        picture.even.len(),
        picture.odd.len()
    );
    let f = sheet.frame();
    let foot = Rect::from_min_max(pos2(f.left(), f.bottom() - 1.0), f.right_bottom());
    let _ = parts::announce(ui, foot, Id::unique("distortion-picture"), &words, false);
}

/// In order of the drive, so that the line does not run back (the reference comes again at the end).
fn sorted(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut points = points.to_vec();
    points.sort_by(|a, b| a[0].total_cmp(&b[0]));
    points
}

fn share_mark(sheet: &Sheet<'_>, share: &Share, square: bool) {
    let colour = if square { sheet.t.even } else { sheet.t.odd };
    // Side by side, so that equal values stay two.
    let aside = vec2(if square { -3.0 } else { 3.0 }, 0.0);
    let at = sheet.at(share.drive, share.at) + aside;
    if share.below {
        arrow_down(sheet, at, colour);
    } else {
        bar(
            sheet,
            sheet.at(share.drive, share.interval.0) + aside,
            sheet.at(share.drive, share.interval.1) + aside,
            colour,
        );
    }
    sheet.add(glyph(at, square, !share.below, colour));
}

fn arrow_down(sheet: &Sheet<'_>, at: Pos2, colour: Color32) {
    let tip = at + vec2(0.0, 13.0);
    let stroke = Stroke::new(1.5, colour);
    for (a, b) in [(at + vec2(0.0, 4.0), tip), (tip - vec2(3.0, 4.0), tip), (tip + vec2(3.0, -4.0), tip)] {
        sheet.line(a, b, stroke);
    }
}

/// A square for even, a triangle for odd; hollow where only known to be below.
fn glyph(at: Pos2, square: bool, filled: bool, colour: Color32) -> Shape {
    let r = DOT - 0.5;
    let corners = if square {
        vec![at + vec2(-r, -r), at + vec2(r, -r), at + vec2(r, r), at + vec2(-r, r)]
    } else {
        vec![at + vec2(0.0, -r - 1.0), at + vec2(r + 1.0, r), at + vec2(-r - 1.0, r)]
    };
    if filled {
        Shape::convex_polygon(corners, colour, Stroke::NONE)
    } else {
        Shape::closed_line(corners, Stroke::new(1.5, colour))
    }
}

fn legend(sheet: &Sheet<'_>) {
    let (t, f) = (sheet.t, sheet.frame());
    let mut x = f.left() + 10.0 * STEP;
    let y = f.top() + 1.25 * STEP;
    for (word, colour, mark) in [
        ("even-order", t.even, 0),
        ("odd-order", t.odd, 1),
        ("noise", t.noise, 2),
        ("hollow with arrow: below", t.quiet, 3),
    ] {
        let at = pos2(x, y);
        match mark {
            0 | 1 => sheet.add(glyph(at, mark == 0, true, colour)),
            2 => {
                parts::dashes(sheet.ui, f, at - vec2(8.0, 0.0), at + vec2(8.0, 0.0), Stroke::new(1.5, colour), 2.0, 3.0)
            }
            _ => {}
        }
        sheet.text(at + vec2(1.5 * STEP, 0.0), Align2::LEFT_CENTER, word, colour);
        x += 3.5 * STEP + 6.4 * word.len() as f32;
    }
}
