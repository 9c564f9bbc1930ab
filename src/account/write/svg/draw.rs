//! Where everything of a picture goes.

mod labels;

use super::Frame;
use super::text::{escape, width, wrapped};
use crate::account::picture::{Along, Axis, Line, Mark, Picture, Point, Role, Rule, Series, Text, Zone};
use crate::units::tidy;

/// Title over other text.
const TITLE: f64 = 1.3;
/// Height of a line of text.
const LINE: f64 = 1.35;
/// Origin over other text.
const SMALL: f64 = 0.75;

/// A picture on its way.
pub struct Drawing<'a> {
    picture: &'a Picture,
    frame: Frame,
    id: &'a str,
    labels: bool,
    title: Vec<String>,
    legend: Vec<Vec<&'a Series>>,
    origin: Vec<String>,
    /// Ends of the plot, pixels.
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl<'a> Drawing<'a> {
    /// Lays the picture out. Alone it has a title and says where it comes from.
    pub fn of(picture: &'a Picture, frame: Frame, id: &'a str, labels: bool, alone: bool) -> Drawing<'a> {
        let t = frame.text;
        let inner = frame.width - 2.0 * t;
        let title = match (alone, labels) {
            (true, true) => wrapped(&picture.title_alone(), TITLE * t, inner),
            (true, false) => picture.imprint.bench.word().map(str::to_string).into_iter().collect(),
            (false, _) => Vec::new(),
        };
        let origin = if alone && labels { wrapped(&picture.origin(), SMALL * t, inner) } else { Vec::new() };
        let legend = if labels { legend(picture, t, inner) } else { Vec::new() };
        let above = title.len() as f64 * TITLE * LINE * t + (legend.len() as f64 * 1.5 + 0.4) * t;
        Drawing {
            picture,
            frame,
            id,
            labels,
            title,
            legend,
            left: left(picture, frame),
            right: frame.width - 1.2 * t,
            top: 0.8 * t + above,
            bottom: frame.height - 4.0 * t - origin.len() as f64 * LINE * SMALL * t,
            origin,
        }
    }

    /// Everything between the tags.
    pub fn body(&self) -> String {
        let Frame { width, height, text } = self.frame;
        let [x, y, w, h] = [self.left, self.top, self.right - self.left, self.bottom - self.top];
        let mut out = format!(
            "<rect class=\"p-ground\" width=\"{width}\" height=\"{height}\"/>\n<clipPath id=\"{id}-plot\"><rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{w:.1}\" height=\"{h:.1}\"/></clipPath>\n<g font-size=\"{text}\">\n",
            id = self.id
        );
        out += &self.head();
        out += &format!("<g clip-path=\"url(#{}-plot)\">\n", self.id);
        out += &self.picture.zones.iter().map(|zone| self.zone(zone)).collect::<String>();
        out += "</g>\n";
        out += &self.grid(&self.picture.x, Along::X);
        out += &self.grid(&self.picture.y, Along::Y);
        out += &format!("<g clip-path=\"url(#{}-plot)\">\n", self.id);
        out += &self.picture.rules.iter().map(|rule| self.rule(rule)).collect::<String>();
        out += &self.picture.series.iter().map(|series| self.series(series)).collect::<String>();
        out += "</g>\n";
        if self.labels {
            out += &self.labels();
        }
        out += &self.foot();
        out += "</g>\n";
        out
    }

    fn t(&self) -> f64 {
        self.frame.text
    }

    fn x(&self, value: f64) -> f64 {
        self.left + self.picture.x.place(value) * (self.right - self.left)
    }

    fn y(&self, value: f64) -> f64 {
        self.bottom - self.picture.y.place(value) * (self.bottom - self.top)
    }

    /// Title and legend.
    fn head(&self) -> String {
        let t = self.t();
        let mut out = String::new();
        let mut y = 0.6 * t;
        for line in &self.title {
            y += TITLE * LINE * t;
            out += &format!(
                "<text class=\"p-text\" x=\"{:.1}\" y=\"{:.1}\" font-size=\"{:.1}\">{}</text>\n",
                t,
                y - 0.35 * t,
                TITLE * t,
                escape(line)
            );
        }
        for row in &self.legend {
            let mut x = t;
            y += 1.5 * t;
            let middle = y - 0.75 * t;
            for series in row {
                let role = series.role;
                if let Some(line) = series.line {
                    out += &self.path(role, line, &format!("M{x:.1} {middle:.1}h{:.1}", 2.2 * t));
                }
                if let Some(mark) = series.mark {
                    out += &self.mark(role, mark, x + 1.1 * t, middle);
                }
                out += &self.words("p-text", x + 2.7 * t, middle + 0.35 * t, "start", &series.name);
                x += entry_width(series, t);
            }
        }
        out
    }

    /// Where it comes from, along the lower edge.
    fn foot(&self) -> String {
        let t = self.t();
        let below = |i: usize| (self.origin.len() - i) as f64 - 1.0;
        let line = |(i, words): (usize, &String)| {
            format!(
                "<text class=\"p-soft\" x=\"{t:.1}\" y=\"{:.1}\" font-size=\"{:.1}\">{}</text>\n",
                self.frame.height - 0.5 * t - below(i) * LINE * SMALL * t,
                SMALL * t,
                escape(words)
            )
        };
        self.origin.iter().enumerate().map(line).collect()
    }

    fn zone(&self, zone: &Zone) -> String {
        let ((x0, x1), (y0, y1)) = match zone.along {
            Along::X => ((self.x(zone.from), self.x(zone.to)), (self.top, self.bottom)),
            Along::Y => ((self.left, self.right), (self.y(zone.to), self.y(zone.from))),
        };
        format!(
            "<rect class=\"p-zone\" x=\"{x0:.1}\" y=\"{y0:.1}\" width=\"{:.1}\" height=\"{:.1}\"/>\n",
            (x1 - x0).max(0.0),
            (y1 - y0).max(0.0)
        )
    }

    /// Grid lines, ticks and title of one axis.
    fn grid(&self, axis: &Axis, along: Along) -> String {
        let t = self.t();
        let ticks = match along {
            Along::X => ticks(axis, ((self.right - self.left) / (3.4 * t)) as usize),
            Along::Y => ticks(axis, ((self.bottom - self.top) / (2.6 * t)) as usize),
        };
        let (mut lines, mut words) = (String::new(), String::new());
        for (value, label) in &ticks {
            match along {
                Along::X => {
                    let x = self.x(*value);
                    lines += &format!("M{x:.1} {:.1}V{:.1}", self.top, self.bottom);
                    words += &self.words("p-soft", x, self.bottom + 1.3 * t, "middle", label);
                }
                Along::Y => {
                    let y = self.y(*value);
                    lines += &format!("M{:.1} {y:.1}H{:.1}", self.left, self.right);
                    // A long name takes more than one line.
                    let room = if axis.names.is_empty() { f64::INFINITY } else { self.left - t };
                    let name = wrapped(label, t, room);
                    let first = y + 0.35 * t - 0.5 * LINE * t * (name.len() as f64 - 1.0);
                    for (i, line) in name.iter().enumerate() {
                        words += &self.words("p-soft", self.left - 0.5 * t, first + LINE * t * i as f64, "end", line);
                    }
                }
            }
        }
        let title = match along {
            Along::X => {
                self.words("p-text", 0.5 * (self.left + self.right), self.bottom + 3.0 * t, "middle", &axis.title)
            }
            Along::Y => {
                let y = 0.5 * (self.top + self.bottom);
                format!(
                    "<text class=\"p-text\" text-anchor=\"middle\" transform=\"translate({:.1} {y:.1}) rotate(-90)\">{}</text>\n",
                    1.5 * t,
                    escape(&axis.title)
                )
            }
        };
        format!("<path class=\"p-grid\" stroke-width=\"{:.1}\" d=\"{lines}\"/>\n{words}{title}", 0.06 * t)
    }

    fn rule(&self, rule: &Rule) -> String {
        let path = match rule.along {
            Along::X => format!("M{:.1} {:.1}V{:.1}", self.x(rule.at), self.top, self.bottom),
            Along::Y => format!("M{:.1} {:.1}H{:.1}", self.left, self.y(rule.at), self.right),
        };
        self.path(rule.role, rule.line, &path)
    }

    fn series(&self, series: &Series) -> String {
        let mut out = String::new();
        let drawn: Vec<&Point> =
            series.points.iter().filter(|p| self.x(p.x).is_finite() && self.y(p.y).is_finite()).collect();
        if let Some(line) = series.line {
            let path: String = drawn
                .iter()
                .enumerate()
                .map(|(i, p)| format!("{}{:.1} {:.1}", if i == 0 { "M" } else { "L" }, self.x(p.x), self.y(p.y)))
                .collect();
            if !path.is_empty() {
                out += &self.path(series.role, line, &path);
            }
        }
        for point in drawn {
            let (x, y) = (self.x(point.x), self.y(point.y));
            if let Some(interval) = point.interval {
                out += &self.bar(series.role, (x, y), interval);
            }
            if let Some(mark) = series.mark {
                out += &self.mark(series.role, mark, x, y);
            }
        }
        out
    }

    /// An interval: along y, or along x beside names. An end without decibels runs off the plot.
    fn bar(&self, role: Role, (x, y): (f64, f64), (low, high): (f64, f64)) -> String {
        let (cap, beyond) = (0.18 * self.t(), 9.0);
        let d = if self.picture.y.names.is_empty() {
            let end = |v: f64| self.y(v).clamp(self.top - beyond, self.bottom + beyond);
            let (low, high) = (if low.is_finite() { end(low) } else { self.bottom + beyond }, end(high));
            let (x, w) = (x - cap, 2.0 * cap);
            format!("M{:.1} {low:.1}V{high:.1}M{x:.1} {low:.1}h{w:.1}M{x:.1} {high:.1}h{w:.1}", x + cap)
        } else {
            let end = |v: f64| self.x(v).clamp(self.left - beyond, self.right + beyond);
            let (low, high) = (end(low), end(high));
            let (y, h) = (y - cap, 2.0 * cap);
            format!("M{low:.1} {:.1}H{high:.1}M{low:.1} {y:.1}v{h:.1}M{high:.1} {y:.1}v{h:.1}", y + cap)
        };
        format!("<path class=\"s-{}\" stroke-width=\"{:.1}\" d=\"{d}\"/>\n", role.word(), 0.08 * self.t())
    }

    fn path(&self, role: Role, line: Line, d: &str) -> String {
        let t = self.t();
        let dash = match line {
            Line::Solid => String::new(),
            Line::Dashed => format!(" stroke-dasharray=\"{:.1} {:.1}\"", 0.55 * t, 0.35 * t),
            Line::Dotted => format!(" stroke-dasharray=\"{:.1} {:.1}\"", 0.16 * t, 0.22 * t),
        };
        let thick = if line == Line::Dotted { 0.16 } else { 0.13 };
        format!("<path class=\"s-{}\" stroke-width=\"{:.1}\"{dash} d=\"{d}\"/>\n", role.word(), thick * t)
    }

    fn mark(&self, role: Role, mark: Mark, x: f64, y: f64) -> String {
        let (word, r) = (role.word(), 0.27 * self.t());
        match mark {
            Mark::Dot => format!("<circle class=\"f-{word}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\"/>\n"),
            Mark::Hollow => format!(
                "<circle class=\"s-{word}\" stroke-width=\"{:.1}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\"/>\n",
                0.35 * r
            ),
            Mark::Square => format!(
                "<rect class=\"f-{word}\" x=\"{:.1}\" y=\"{:.1}\" width=\"{s:.1}\" height=\"{s:.1}\"/>\n",
                x - 0.9 * r,
                y - 0.9 * r,
                s = 1.8 * r
            ),
            Mark::Triangle => format!(
                "<path class=\"f-{word}\" d=\"M{:.1} {:.1}h{:.1}L{x:.1} {:.1}z\"/>\n",
                x - 1.1 * r,
                y + 0.9 * r,
                2.2 * r,
                y - 1.1 * r
            ),
            Mark::Below => format!(
                "<path class=\"s-{word}\" stroke-width=\"{:.1}\" d=\"M{:.1} {y:.1}h{:.1}M{x:.1} {y:.1}v{:.1}m{:.1} {:.1}L{x:.1} {:.1}L{:.1} {:.1}\"/>\n",
                0.3 * r,
                x - r,
                2.0 * r,
                2.4 * r,
                -0.8 * r,
                -r,
                y + 2.4 * r,
                x + 0.8 * r,
                y + 1.4 * r
            ),
        }
    }

    fn words(&self, class: &str, x: f64, y: f64, anchor: &str, words: &str) -> String {
        let halo =
            if class.contains("p-halo") { format!(" stroke-width=\"{:.1}\"", 0.3 * self.t()) } else { String::new() };
        let anchor = if anchor == "start" { String::new() } else { format!(" text-anchor=\"{anchor}\"") };
        format!("<text class=\"{class}\"{halo}{anchor} x=\"{x:.1}\" y=\"{y:.1}\">{}</text>\n", escape(words))
    }
}

/// Widest share of a picture that names may take.
const NAMES: f64 = 0.36;

/// Room for the title of the y axis and its ticks, pixels.
fn left(picture: &Picture, frame: Frame) -> f64 {
    let t = frame.text;
    let longest = picture.y.names.iter().map(|name| width(name, t)).fold(0.0, f64::max);
    if longest > 0.0 { (longest + 1.5 * t).min(NAMES * frame.width) } else { 5.2 * t }
}

fn entry_width(series: &Series, t: f64) -> f64 {
    2.7 * t + width(&series.name, t) + 1.2 * t
}

/// Named series in rows that fit.
fn legend(picture: &Picture, t: f64, inner: f64) -> Vec<Vec<&Series>> {
    let mut rows: Vec<(f64, Vec<&Series>)> = Vec::new();
    for series in picture.series.iter().filter(|s| !s.name.is_empty()) {
        let wide = entry_width(series, t);
        match rows.last_mut() {
            Some((taken, row)) if *taken + wide <= inner => {
                *taken += wide;
                row.push(series);
            }
            _ => rows.push((wide, vec![series])),
        }
    }
    rows.into_iter().map(|(_, row)| row).collect()
}

/// Values and labels of at most about `most` ticks.
fn ticks(axis: &Axis, most: usize) -> Vec<(f64, String)> {
    if !axis.names.is_empty() {
        return axis.names.iter().enumerate().map(|(i, name)| (i as f64, name.clone())).collect();
    }
    let inside = |v: f64| (-1e-9..=1.0 + 1e-9).contains(&axis.place(v));
    if axis.log {
        let (first, last) = (axis.low.log10().floor() as i32, axis.high.log10().ceil() as i32);
        let of = |steps: &[f64]| -> Vec<f64> {
            (first..=last).flat_map(|d| steps.iter().map(move |s| s * 10f64.powi(d))).filter(|v| inside(*v)).collect()
        };
        let all = of(&[1.0, 2.0, 5.0]);
        let values = if all.len() <= most.max(10) { all } else { of(&[1.0]) };
        return values.into_iter().map(|v| (v, hertz(v))).collect();
    }
    let range = axis.high - axis.low;
    if range.is_nan() || range <= 0.0 {
        return Vec::new();
    }
    let rough = range / most.clamp(2, 12) as f64;
    let decade = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|s| s * decade).find(|s| *s >= rough * 0.999).unwrap_or(decade);
    let places = (-step.log10().floor()).max(0.0) as usize;
    let count = |v: f64| (v / step).round() as i64;
    (count(axis.low) - 1..=count(axis.high) + 1)
        .map(|i| i as f64 * step)
        .filter(|v| inside(*v))
        .map(|v| (v, tidy(v, places)))
        .collect()
}

/// `200`, `2 k`.
fn hertz(value: f64) -> String {
    let plain = |v: f64| format!("{}", (v * 1000.0).round() / 1000.0);
    if value < 1000.0 { plain(value) } else { format!("{} k", plain(value / 1000.0)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(axis: &Axis, most: usize) -> Vec<String> {
        ticks(axis, most).into_iter().map(|(_, label)| label).collect()
    }

    #[test]
    fn ticks_are_round_numbers_and_end_inside() {
        assert_eq!(labels(&Axis::linear("", -60.0, 0.0), 7), ["−60", "−50", "−40", "−30", "−20", "−10", "0"]);
        assert_eq!(labels(&Axis::linear("", -0.55, 0.55), 5), ["−0.5", "0.0", "0.5"]);
        assert_eq!(labels(&Axis::frequency(), 12)[..4], ["20", "50", "100", "200"]);
        assert_eq!(labels(&Axis::frequency(), 12).last().unwrap(), "20 k");
        assert!(labels(&Axis::linear("", 1.0, 1.0), 5).is_empty());
    }

    #[test]
    fn a_logarithmic_axis_stands_at_its_decades() {
        let axis = Axis::frequency();
        assert!((axis.place(200.0) - 1.0 / 3.0).abs() < 1e-12 && (axis.place(20_000.0) - 1.0).abs() < 1e-12);
    }
}
