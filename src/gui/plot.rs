//! One picture kit for the window: it paints the same [`Picture`] that reports write, large with axes, legend, cursor and
//! pin, or small as a likeness of itself. Axes are the picture's own: nothing is rescaled here.

mod cursor;
mod handles;

use super::parts;
use super::text;
use super::theme::{self, SMALL, STEP, Tokens};
use crate::account::picture::{Along, Axis, Line, Mark, Picture, Point, Role, Rule, Series};
use eframe::egui::{
    Align2, Color32, FontId, Id, Pos2, Rect, Role as NodeRole, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, pos2, vec2,
};

/// Radius of a mark, points.
const DOT: f32 = 4.5;
/// How near the pointer has to be to a point to read it, points.
const NEAR: f32 = 16.0;
/// Opacity of a zone.
const TINT: f32 = 0.16;
/// Room left of a plot for its figures, points.
const LEFT: f32 = 60.0;
/// The same under it, with the axis' title.
const FOOT: f32 = 38.0;
/// Lower than this a picture does without its title, points: the page says what it is of.
const LOW: f32 = 28.0 * STEP;
/// Least distance between the figures of an axis, points.
const APART: [f32; 2] = [58.0, 28.0];

/// What is said of a point beside its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Note {
    /// Step that it belongs to.
    pub step: usize,
    /// Its place across.
    pub x: f64,
    /// Its place up.
    pub y: f64,
    /// Line by line.
    pub says: Vec<String>,
}

fn colour(role: Role, t: &Tokens) -> Color32 {
    match role {
        Role::Level => t.level,
        Role::Threshold => t.threshold,
        Role::Listening => t.listening,
        Role::Even => t.even,
        Role::Odd => t.odd,
        Role::Noise => t.noise,
        Role::First => t.first,
        Role::Second => t.second,
        Role::Quiet => t.quiet,
    }
}

/// Where a picture's plot stands on the screen.
struct Sheet<'a> {
    ui: &'a Ui,
    picture: &'a Picture,
    plot: Rect,
    t: &'static Tokens,
    /// Radius of marks.
    dot: f32,
    /// Places that text has taken.
    taken: Vec<Rect>,
}

impl Sheet<'_> {
    fn x(&self, value: f64) -> f32 {
        self.plot.left() + self.picture.x.place(value) as f32 * self.plot.width()
    }

    fn y(&self, value: f64) -> f32 {
        self.plot.bottom() - self.picture.y.place(value) as f32 * self.plot.height()
    }

    fn at(&self, point: &Point) -> Pos2 {
        pos2(self.x(point.x), self.y(point.y))
    }

    fn add(&self, shape: Shape) {
        self.ui.painter().with_clip_rect(self.plot.expand(1.0)).add(shape);
    }

    fn stroke(&self, points: &[Pos2], line: Line, stroke: Stroke) {
        match line {
            Line::Solid => self.add(Shape::line(points.to_vec(), stroke)),
            Line::Dashed => Shape::dashed_line(points, stroke, 7.0, 4.0).into_iter().for_each(|s| self.add(s)),
            Line::Dotted => Shape::dashed_line(points, stroke, 2.0, 3.5).into_iter().for_each(|s| self.add(s)),
        }
    }

    fn zones(&self) {
        for zone in &self.picture.zones {
            let rect = match zone.along {
                Along::Y => Rect::from_x_y_ranges(self.plot.x_range(), ordered(self.y(zone.from), self.y(zone.to))),
                Along::X => Rect::from_x_y_ranges(ordered(self.x(zone.from), self.x(zone.to)), self.plot.y_range()),
            };
            self.add(Shape::rect_filled(rect.intersect(self.plot), 0.0, self.t.listening.gamma_multiply(TINT)));
        }
    }

    fn rule(&self, rule: &Rule, width: f32) {
        let (p, stroke) = (self.plot, Stroke::new(width, colour(rule.role, self.t)));
        let ends = match rule.along {
            Along::X => [pos2(self.x(rule.at), p.top()), pos2(self.x(rule.at), p.bottom())],
            Along::Y => [pos2(p.left(), self.y(rule.at)), pos2(p.right(), self.y(rule.at))],
        };
        self.stroke(&ends, rule.line, stroke);
    }

    fn series(&self, series: &Series) {
        let ink = colour(series.role, self.t);
        if let Some(line) = series.line {
            for part in series.points.split(|p| !p.x.is_finite() || !p.y.is_finite()) {
                let points: Vec<Pos2> = part.iter().map(|p| self.at(p)).collect();
                if points.len() > 1 {
                    self.stroke(&points, line, Stroke::new(if self.dot < 3.0 { 1.0 } else { 1.8 }, ink));
                }
            }
        }
        let Some(mark) = series.mark else { return };
        for point in series.points.iter().filter(|p| p.x.is_finite() && p.y.is_finite()) {
            let by = aside(series.role, self.dot);
            self.interval(point, ink, by);
            self.mark(mark, self.at(point) + by, ink);
        }
    }

    fn interval(&self, point: &Point, ink: Color32, by: Vec2) {
        let Some((low, high)) = point.interval.filter(|_| self.dot > 3.0) else { return };
        let stroke = Stroke::new(1.5, ink);
        let across = !self.picture.y.names.is_empty();
        let (a, b) = match across {
            true => (pos2(self.x(low), self.y(point.y)), pos2(self.x(high), self.y(point.y))),
            false => (pos2(self.x(point.x), self.y(low)), pos2(self.x(point.x), self.y(high))),
        };
        // An end of no power has no place on a decibel axis: the bar runs off the picture.
        let kept = |p: Pos2| {
            let far = self.plot.expand(20.0);
            let inside = |v: f32, low: f32, high: f32| if v.is_finite() { v.clamp(low, high) } else { high };
            pos2(inside(p.x, far.left(), far.right()), inside(p.y, far.top(), far.bottom()))
        };
        let (a, b) = (kept(a) + by, kept(b) + by);
        self.add(Shape::line_segment([a, b], stroke));
        let tick = if across { vec2(0.0, 4.0) } else { vec2(4.0, 0.0) };
        for end in [a, b] {
            self.add(Shape::line_segment([end - tick, end + tick], stroke));
        }
    }

    fn mark(&self, mark: Mark, at: Pos2, ink: Color32) {
        let r = self.dot;
        match mark {
            Mark::Dot => self.add(Shape::circle_filled(at, r, ink)),
            Mark::Hollow => self.add(Shape::circle_stroke(at, r, Stroke::new(1.5, ink))),
            Mark::Square => self.add(Shape::rect_filled(Rect::from_center_size(at, Vec2::splat(1.8 * r)), 0.0, ink)),
            Mark::Triangle => {
                let corners = vec![at + vec2(0.0, -r - 1.0), at + vec2(r + 1.0, r), at + vec2(-r - 1.0, r)];
                self.add(Shape::convex_polygon(corners, ink, Stroke::NONE));
            }
            Mark::Below => {
                let (stroke, tip) = (Stroke::new(1.5, ink), at + vec2(0.0, 2.8 * r));
                self.add(Shape::line_segment([at - vec2(r, 0.0), at + vec2(r, 0.0)], stroke));
                self.add(Shape::line_segment([at, tip], stroke));
                if r > 3.0 {
                    self.add(Shape::line_segment([tip - vec2(3.0, 4.0), tip], stroke));
                    self.add(Shape::line_segment([tip + vec2(3.0, -4.0), tip], stroke));
                }
            }
        }
    }

    /// Figures and grid of one axis.
    fn axis(&self, axis: &Axis, along: Along) {
        let (p, t, painter) = (self.plot, self.t, self.ui.painter());
        let font = theme::figures(SMALL - 1.0);
        let length = if along == Along::X { p.width() } else { p.height() };
        for (value, words) in ticks(axis, length, APART[usize::from(along == Along::Y)]) {
            let place = axis.place(value) as f32;
            if !(-0.001..=1.001).contains(&place) {
                continue;
            }
            match along {
                Along::X => {
                    let x = p.left() + place * p.width();
                    painter.vline(x, p.y_range(), Stroke::new(1.0, t.rule));
                    painter.text(pos2(x, p.bottom() + 3.0), Align2::CENTER_TOP, words, font.clone(), t.quiet);
                }
                Along::Y => {
                    let y = p.bottom() - place * p.height();
                    if axis.names.is_empty() {
                        painter.hline(p.x_range(), y, Stroke::new(1.0, t.rule));
                    }
                    painter.text(pos2(p.left() - 5.0, y), Align2::RIGHT_CENTER, words, font.clone(), t.quiet);
                }
            }
        }
    }

    /// Text on the ground's colour, moved down until it covers no other text.
    fn words(&mut self, at: Pos2, anchor: Align2, lines: &[String], ink: Color32, down: f32) {
        let painter = self.ui.painter();
        let lines: Vec<&String> = lines.iter().filter(|l| !l.is_empty()).collect();
        if lines.is_empty() {
            return;
        }
        let all = lines.iter().map(|l| l.as_str()).collect::<Vec<_>>().join("\n");
        let galley = painter.layout(all, FontId::proportional(SMALL), ink, self.plot.width() - 2.0 * STEP);
        let mut rect = anchor.anchor_size(at, galley.size()).expand2(vec2(3.0, 1.0));
        let inside = self.plot.shrink(1.0);
        rect = rect.translate(vec2(
            (inside.left() - rect.left()).max(0.0) - (rect.right() - inside.right()).max(0.0),
            (inside.top() - rect.top()).max(0.0) - (rect.bottom() - inside.bottom()).max(0.0),
        ));
        for _ in 0..12 {
            let Some(other) = self.taken.iter().find(|other| other.intersects(rect)) else { break };
            let by = if down > 0.0 { other.bottom() - rect.top() + 1.0 } else { other.top() - rect.bottom() - 1.0 };
            rect = rect.translate(vec2(0.0, by));
        }
        painter.rect_filled(rect, 0.0, self.t.ground.gamma_multiply(0.88));
        painter.galley(rect.min + vec2(3.0, 1.0), galley, ink);
        self.taken.push(rect);
    }

    fn rule_words(&mut self, rule: &Rule, lines: usize) {
        let (p, ink, text) = (self.plot, colour(rule.role, self.t), &rule.text[..lines]);
        match rule.along {
            Along::Y => {
                let y = self.y(rule.at);
                let room_above = y - p.top() > 2.5 * STEP;
                let (at, anchor) = match room_above {
                    true => (pos2(p.left() + STEP, y - 2.0), Align2::LEFT_BOTTOM),
                    false => (pos2(p.left() + STEP, y + 2.0), Align2::LEFT_TOP),
                };
                self.words(at, anchor, text, ink, if room_above { -1.0 } else { 1.0 });
            }
            Along::X => {
                let x = self.x(rule.at);
                if !p.x_range().contains(x) {
                    return;
                }
                // "From here" means to the right; where there is no room it stands on the left.
                let wide = text.iter().map(|line| width_of(self.ui, line)).fold(0.0, f32::max);
                let right = p.right() - x > wide + 1.5 * STEP;
                let x = if right { x + 4.0 } else { x - 4.0 };
                let anchor = match (rule.text_low, right) {
                    (false, true) => Align2::LEFT_TOP,
                    (false, false) => Align2::RIGHT_TOP,
                    (true, true) => Align2::LEFT_BOTTOM,
                    (true, false) => Align2::RIGHT_BOTTOM,
                };
                let y = if rule.text_low { p.bottom() - 3.0 } else { p.top() + 3.0 };
                self.words(pos2(x, y), anchor, text, ink, if rule.text_low { -1.0 } else { 1.0 });
            }
        }
    }
}

fn width_of(ui: &Ui, words: &str) -> f32 {
    ui.painter().layout_no_wrap(words.into(), FontId::proportional(SMALL), Color32::WHITE).size().x
}

fn ordered(a: f32, b: f32) -> std::ops::RangeInclusive<f32> {
    a.min(b)..=a.max(b)
}

/// Side by side, so that equal values stay two.
fn aside(role: Role, dot: f32) -> Vec2 {
    match role {
        Role::Even => vec2(-0.6 * dot, 0.0),
        Role::Odd => vec2(0.6 * dot, 0.0),
        _ => Vec2::ZERO,
    }
}

/// Round values along an axis, no nearer to each other than `apart` points.
fn ticks(axis: &Axis, length: f32, apart: f32) -> Vec<(f64, String)> {
    if !axis.names.is_empty() {
        return axis.names.iter().enumerate().map(|(i, name)| (i as f64, name.clone())).collect();
    }
    if axis.log {
        let wide = length / (axis.high / axis.low).log10().max(0.1) as f32 > 4.0 * apart;
        let steps: &[f64] = if wide { &[1.0, 2.0, 5.0] } else { &[1.0] };
        let (first, last) = (axis.low.log10().floor() as i32, axis.high.log10().ceil() as i32);
        let values = (first..=last).flat_map(|decade| steps.iter().map(move |s| s * 10f64.powi(decade)));
        return values.filter(|v| (axis.low..=axis.high).contains(v)).map(|v| (v, short(v))).collect();
    }
    let (low, high) = (axis.low.min(axis.high), axis.low.max(axis.high));
    let least = (high - low) * f64::from(apart / length.max(1.0));
    if !least.is_finite() || least <= 0.0 {
        return Vec::new();
    }
    let decade = 10f64.powf(least.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|s| s * decade).into_iter().find(|s| *s >= least).unwrap_or(10.0 * decade);
    let places = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
    let (first, last) = ((low / step).ceil() as i64, (high / step).floor() as i64);
    (first..=last.min(first + 60)).map(|i| (i as f64 * step, text::fixed(i as f64 * step, places))).collect()
}

/// 20, 500, 1 k, 20 k.
fn short(value: f64) -> String {
    match value {
        v if v >= 1000.0 => format!("{} k", crate::units::tidy(v / 1000.0, 0)),
        v if v >= 1.0 => crate::units::tidy(v, 0),
        v => crate::units::tidy(v, 2),
    }
}

fn sheet<'a>(ui: &'a Ui, picture: &'a Picture, plot: Rect, dot: f32) -> Sheet<'a> {
    Sheet { ui, picture, plot, t: theme::tokens(ui), dot, taken: Vec::new() }
}

/// A likeness without words, painted into `rect`.
pub fn small(ui: &Ui, picture: &Picture, rect: Rect) {
    let sheet = sheet(ui, picture, rect, 2.0);
    ui.painter().rect_filled(rect, 0.0, sheet.t.ground);
    sheet.zones();
    picture.rules.iter().for_each(|rule| sheet.rule(rule, 1.0));
    picture.series.iter().for_each(|series| sheet.series(series));
}

/// The whole picture in this size. A click pins a point: of a note its step, of any other the point itself. Its own buttons
/// enlarge it and copy it.
pub fn large(ui: &mut Ui, picture: &Picture, size: Vec2, notes: &[Note], pinned: &mut Option<usize>) {
    let size = size.max(vec2(20.0 * STEP, 14.0 * STEP));
    let (rect, response) = ui.allocate_exact_size(size, Sense::click());
    let words = format!("{}. {}", picture.title, picture.says);
    response.widget_info(|| WidgetInfo::labeled(NodeRole::Image, true, words.clone()));
    let t = theme::tokens(ui);
    ui.painter().rect_filled(rect, 2.0, t.ground);
    let handles = handles::Handles::of(rect.width());
    let top = head(ui, picture, rect, handles.room());
    let left = left_room(ui, picture);
    let plot = Rect::from_min_max(pos2(rect.left() + left, top), pos2(rect.right() - 1.5 * STEP, rect.bottom() - FOOT));
    if plot.width() < 20.0 || plot.height() < 20.0 {
        return;
    }
    let mut sheet = sheet(ui, picture, plot, DOT);
    sheet.zones();
    sheet.axis(&picture.x, Along::X);
    sheet.axis(&picture.y, Along::Y);
    ui.painter().rect_stroke(plot, 0.0, Stroke::new(1.0, t.rule), eframe::egui::StrokeKind::Outside);
    let title = FontId::proportional(SMALL);
    let foot = pos2(plot.center().x, rect.bottom() - 3.0);
    ui.painter().text(foot, Align2::CENTER_BOTTOM, &picture.x.title, title, t.quiet);
    picture.rules.iter().for_each(|rule| sheet.rule(rule, if rule.role == Role::Threshold { 2.0 } else { 1.2 }));
    picture.series.iter().for_each(|series| sheet.series(series));
    // Where it is low, words would cover what they are about: one line of each rule, and no zone.
    let low = rect.height() < LOW;
    for rule in &picture.rules {
        let lines = if low { rule.text.len().min(1) } else { rule.text.len() };
        sheet.rule_words(rule, lines);
    }
    for zone in picture.zones.iter().filter(|zone| !zone.text.is_empty() && !low) {
        let (at, anchor) = match zone.along {
            Along::Y => (pos2(plot.left() + STEP, sheet.y(zone.from.max(zone.to)) + 2.0), Align2::LEFT_TOP),
            Along::X => (pos2(sheet.x(zone.from.min(zone.to)) + 3.0, plot.bottom() - 2.0), Align2::LEFT_BOTTOM),
        };
        sheet.words(at, anchor, std::slice::from_ref(&zone.text), t.listening, 1.0);
    }
    for text in &picture.texts {
        let at = sheet.at(&Point::at(text.x, text.y)) + vec2(DOT + 2.0, -DOT);
        sheet.words(at, Align2::LEFT_BOTTOM, std::slice::from_ref(&text.words), t.text, -1.0);
    }
    announce_rules(&sheet);
    let held = cursor::cursor(&sheet, &response, notes, pinned);
    handles.show(ui, picture, rect, held);
}

fn left_room(ui: &Ui, picture: &Picture) -> f32 {
    let font = theme::figures(SMALL - 1.0);
    let width = |name: &String| ui.painter().layout_no_wrap(name.clone(), font.clone(), Color32::WHITE).size().x;
    picture.y.names.iter().map(width).fold(LEFT - 2.0 * STEP, f32::max) + 2.0 * STEP
}

/// Title, upright axis and legend by word and shape; returns where the plot begins.
fn head(ui: &Ui, picture: &Picture, rect: Rect, handles: f32) -> f32 {
    let (t, painter) = (theme::tokens(ui), ui.painter());
    let width = rect.width() - 2.0 * STEP;
    let mut y = rect.top() + 0.75 * STEP;
    // The picture's buttons stand right of its title.
    let title = (&picture.title, t.text, theme::TEXT, width - handles);
    let upright = |width: f32| (&picture.y.title, t.quiet, SMALL, width);
    let lines = match rect.height() < LOW {
        true => vec![upright(width - handles)],
        false => vec![title, upright(width)],
    };
    for (words, ink, size, width) in lines.into_iter().filter(|(words, ..)| !words.is_empty()) {
        let galley = painter.layout(words.clone(), FontId::proportional(size), ink, width);
        let height = galley.size().y;
        painter.galley(pos2(rect.left() + STEP, y), galley, ink);
        y += height + 1.0;
    }
    y += 1.25 * STEP;
    let mut x = rect.left() + STEP;
    let named = picture.series.iter().filter(|s| !s.name.is_empty() && !s.points.is_empty());
    let sheet = sheet(ui, picture, rect, DOT);
    let mut any = false;
    for series in named {
        let ink = colour(series.role, t);
        let galley = painter.layout_no_wrap(series.name.clone(), FontId::proportional(SMALL), t.text);
        let wide = 3.5 * STEP + galley.size().x + 2.0 * STEP;
        if any && x + wide > rect.right() - STEP {
            (x, y) = (rect.left() + STEP, y + 2.0 * STEP);
        }
        if let Some(line) = series.line {
            sheet.stroke(&[pos2(x, y), pos2(x + 3.0 * STEP, y)], line, Stroke::new(1.8, ink));
        }
        if let Some(mark) = series.mark {
            sheet.mark(mark, pos2(x + 1.5 * STEP, y - if mark == Mark::Below { 5.0 } else { 0.0 }), ink);
        }
        painter.galley(pos2(x + 3.5 * STEP, y - 0.5 * galley.size().y), galley, t.text);
        x += wide;
        any = true;
    }
    y + if any { 1.5 * STEP } else { 0.0 }
}

/// What stands at the rules, for those who do not see them.
fn announce_rules(sheet: &Sheet<'_>) {
    let Picture { name, rules, .. } = sheet.picture;
    for (i, rule) in rules.iter().enumerate().filter(|(_, rule)| rule.role == Role::Threshold) {
        let at = match rule.along {
            Along::X => Rect::from_x_y_ranges(sheet.x(rule.at) - 1.0..=sheet.x(rule.at) + 1.0, sheet.plot.y_range()),
            Along::Y => Rect::from_x_y_ranges(sheet.plot.x_range(), sheet.y(rule.at) - 1.0..=sheet.y(rule.at) + 1.0),
        };
        let _ = parts::announce(sheet.ui, at, Id::unique(("rule", name, i)), &rule.text.join("; "), true);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_of_an_axis_are_round_and_stand_apart() {
        let axis = Axis::linear("", 20.0, 120.0);
        let shown: Vec<String> = ticks(&axis, 500.0, 28.0).into_iter().map(|(_, words)| words).collect();
        assert_eq!(shown[..3], ["20", "30", "40"]);
        let tight = ticks(&axis, 100.0, 28.0);
        assert_eq!(tight.iter().map(|(v, _)| *v as i32).collect::<Vec<_>>(), [50, 100]);
        let few: Vec<String> = ticks(&Axis::frequency(), 300.0, 58.0).into_iter().map(|(_, words)| words).collect();
        assert_eq!(few, ["100", "1 k", "10 k"]);
        let many = ticks(&Axis::frequency(), 900.0, 58.0);
        assert_eq!(many.first().map(|(_, w)| w.as_str()), Some("20"));
        assert_eq!(ticks(&Axis::linear("", -0.5, 0.5), 400.0, 58.0)[0].1, "−0.4");
    }
}
