//! Where labels go: beside what they name, and on no line, no border and no other label where there is such a place. Each has
//! places that it may take, the usual one first; the first of the freest is taken.

use super::{Along, Drawing, LINE, Rule, Text, Zone, width, wrapped};

/// A label on a line, a border or another label; what is drawn of the series counts one each.
const CROSSED: f64 = 1000.0;
/// Outside of the plot are ticks and titles: worse than a line, which a halo keeps from the letters.
const OUTSIDE: usize = 3;
/// A place further down the list.
const LATER: f64 = 0.25;
/// Of the text size: how far letters reach above and below their line.
const REACH: (f64, f64) = (0.8, 0.25);
/// Points that a line of a series is looked at between two of its own.
const BETWEEN: usize = 8;
/// Places along a horizontal line.
const ALONG: usize = 5;

/// A label in its place.
#[derive(Clone, Debug)]
pub struct Label {
    class: String,
    lines: Vec<String>,
    x: f64,
    first: f64,
    anchor: &'static str,
}

/// What it covers, pixels.
#[derive(Clone, Copy, Debug)]
struct Bounds {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl Bounds {
    fn holds(&self, x: f64, y: f64) -> bool {
        (self.left..self.right).contains(&x) && (self.top..self.bottom).contains(&y)
    }

    fn overlaps(&self, other: &Bounds) -> bool {
        self.left < other.right && other.left < self.right && self.top < other.bottom && other.top < self.bottom
    }
}

impl Label {
    fn bounds(&self, t: f64) -> Bounds {
        let wide = self.lines.iter().map(|line| width(line, t)).fold(0.0, f64::max);
        let left = match self.anchor {
            "start" => self.x,
            "end" => self.x - wide,
            _ => self.x - 0.5 * wide,
        };
        let last = self.first + LINE * t * (self.lines.len() as f64 - 1.0);
        Bounds { left, right: left + wide, top: self.first - REACH.0 * t, bottom: last + REACH.1 * t }
    }
}

impl Drawing<'_> {
    /// Every label of rules, zones and points.
    pub(super) fn labels(&self) -> String {
        let drawn = |label: &Label| -> String {
            let line = |(i, line): (usize, &String)| {
                self.words(&label.class, label.x, label.first + LINE * self.t() * i as f64, label.anchor, line)
            };
            label.lines.iter().enumerate().map(line).collect()
        };
        self.placed().iter().map(drawn).collect()
    }

    /// Those that have the fewest places first.
    fn placed(&self) -> Vec<Label> {
        let rules =
            |along: Along| self.picture.rules.iter().filter(move |rule| rule.along == along && self.is_on(rule));
        let zones = self.picture.zones.iter().filter(|zone| !zone.text.is_empty());
        let upright = rules(Along::X).map(|rule| self.beside(rule));
        let level = rules(Along::Y).map(|rule| self.over(rule));
        let places = upright.chain(level).chain(zones.map(|zone| self.within(zone)));
        let mut placed: Vec<Label> = Vec::new();
        for places in places.chain(self.picture.texts.iter().map(|text| self.at(text))) {
            let costs = places.into_iter().enumerate().map(|(i, l)| (self.cost(&l, &placed) + LATER * i as f64, l));
            let best = costs.min_by(|a, b| a.0.total_cmp(&b.0));
            placed.extend(best.map(|(_, label)| label));
        }
        placed
    }

    fn is_on(&self, rule: &Rule) -> bool {
        let place = match rule.along {
            Along::X => self.picture.x.place(rule.at),
            Along::Y => self.picture.y.place(rule.at),
        };
        (0.0..=1.0).contains(&place) && !rule.text.is_empty()
    }

    /// What stands against a place.
    fn cost(&self, label: &Label, placed: &[Label]) -> f64 {
        let bounds = label.bounds(self.t());
        let upright = |x: f64| bounds.left < x && x < bounds.right;
        let level = |y: f64| bounds.top < y && y < bounds.bottom;
        let line = |along: Along, at: f64| match along {
            Along::X => upright(self.x(at)),
            Along::Y => level(self.y(at)),
        };
        let edges = self.picture.zones.iter().flat_map(|zone| [(zone.along, zone.from), (zone.along, zone.to)]);
        let lines = self.picture.rules.iter().map(|rule| (rule.along, rule.at)).chain(edges);
        let crossed = lines.filter(|(along, at)| line(*along, *at)).count()
            + placed.iter().filter(|other| other.bounds(self.t()).overlaps(&bounds)).count()
            + [bounds.left < self.left, bounds.right > self.right, bounds.top < self.top, bounds.bottom > self.bottom]
                .iter()
                .filter(|outside| **outside)
                .count()
                * OUTSIDE;
        CROSSED * crossed as f64 + self.covered(&bounds) as f64
    }

    /// How much of the series lies under it.
    fn covered(&self, bounds: &Bounds) -> usize {
        let of = |series: &super::Series| {
            let at: Vec<(f64, f64)> = series.points.iter().map(|p| (self.x(p.x), self.y(p.y))).collect();
            let marks = at.iter().filter(|(x, y)| bounds.holds(*x, *y)).count();
            let between = |pair: &[(f64, f64)]| {
                let share = |k: usize| k as f64 / BETWEEN as f64;
                let on = |k: usize| {
                    let (a, b) = (pair[0], pair[1]);
                    bounds.holds(a.0 + share(k) * (b.0 - a.0), a.1 + share(k) * (b.1 - a.1))
                };
                (1..BETWEEN).filter(|k| on(*k)).count()
            };
            let lines = if series.line.is_some() { at.windows(2).map(between).sum() } else { 0 };
            marks + lines
        };
        self.picture.series.iter().map(of).sum()
    }

    fn rows(&self) -> usize {
        ((self.bottom - self.top) / (LINE * self.t())) as usize
    }

    /// Of an upright rule: to its right where it fits, else to its left; at the top (or the bottom) and from there on.
    fn beside(&self, rule: &Rule) -> Vec<Label> {
        let t = self.t();
        let x = self.x(rule.at);
        let widest = rule.text.iter().map(|line| width(line, t)).fold(0.0, f64::max);
        let leftwards = self.picture.x.place(rule.at) > 0.5 && widest > self.right - x - t;
        let side = |leftwards: bool| {
            let room = if leftwards { x - self.left } else { self.right - x } - t;
            let lines: Vec<String> = rule.text.iter().flat_map(|line| wrapped(line, t, room)).collect();
            let (x, anchor) = if leftwards { (x - 0.5 * t, "end") } else { (x + 0.5 * t, "start") };
            let place = move |row: usize| {
                let down = 0.5 * LINE * t * row as f64;
                let first = match rule.text_low {
                    true => self.bottom - 0.6 * t - LINE * t * (lines.len() as f64 - 1.0) - down,
                    false => self.top + 1.2 * t + down,
                };
                Label { class: class(rule), lines: lines.clone(), x, first, anchor }
            };
            (0..2 * self.rows()).map(place).collect::<Vec<_>>()
        };
        let (usual, other) = (side(leftwards), side(!leftwards));
        // Near the usual end on either side, before the far end of the usual one.
        usual.into_iter().zip(other).flat_map(|(usual, other)| [usual, other]).collect()
    }

    /// Of a level rule: over it, or under it, from the left.
    fn over(&self, rule: &Rule) -> Vec<Label> {
        let t = self.t();
        let lines = wrapped(&rule.text.join(" · "), t, self.right - self.left - t);
        let y = self.y(rule.at);
        let over = y - 0.4 * t - LINE * t * (lines.len() as f64 - 1.0);
        let place = |(first, (x, anchor)): (f64, (f64, &'static str))| Label {
            class: class(rule),
            lines: lines.clone(),
            x,
            first,
            anchor,
        };
        let firsts = [over, y + 1.1 * t];
        firsts.into_iter().flat_map(|first| self.across().map(move |across| (first, across))).map(place).collect()
    }

    /// From the left end of the plot to the right one.
    fn across(&self) -> impl Iterator<Item = (f64, &'static str)> {
        let (left, right) = (self.left + 0.6 * self.t(), self.right - 0.6 * self.t());
        let middle = (1..ALONG).map(move |k| (left + (right - left) * k as f64 / ALONG as f64, "middle"));
        std::iter::once((left, "start")).chain([(right, "end")]).chain(middle)
    }

    fn within(&self, zone: &Zone) -> Vec<Label> {
        let t = self.t();
        let label = |x: f64, first: f64, anchor: &'static str| Label {
            class: "p-soft p-halo".into(),
            lines: vec![zone.text.clone()],
            x,
            first,
            anchor,
        };
        match zone.along {
            Along::X => {
                let (from, to) = (self.x(zone.from).max(self.left), self.x(zone.to).min(self.right));
                let x = (0.5 * (from + to)).clamp(self.left, self.right);
                (0..self.rows()).map(|row| label(x, self.top + 1.3 * t + LINE * t * row as f64, "middle")).collect()
            }
            Along::Y => {
                let top = self.y(zone.to).max(self.top);
                let rows = ((self.y(zone.from).min(self.bottom) - top) / (LINE * t)) as usize;
                let firsts = (0..rows.max(1)).map(|row| top + 1.2 * t + LINE * t * row as f64);
                firsts.flat_map(|first| self.across().map(move |(x, anchor)| label(x, first, anchor))).collect()
            }
        }
    }

    /// Beside a point: over it towards the middle, then further along, then under it.
    fn at(&self, text: &Text) -> Vec<Label> {
        let t = self.t();
        let (x, y) = (self.x(text.x), self.y(text.y));
        let back = self.picture.x.place(text.x) > 0.5;
        let sides = if back { [(-0.6, "end"), (0.6, "start")] } else { [(0.6, "start"), (-0.6, "end")] };
        let firsts = [y - 0.4 * t, y + 1.2 * t, y - 1.7 * t, y + 2.5 * t];
        let places = (0..8).flat_map(move |k| sides.map(|(by, anchor)| (x + by * (1.0 + 2.0 * k as f64) * t, anchor)));
        let places: Vec<(f64, &'static str)> = places.collect();
        let label = |first: f64, (x, anchor): (f64, &'static str)| Label {
            class: "p-text p-halo".into(),
            lines: vec![text.words.clone()],
            x,
            first,
            anchor,
        };
        firsts.iter().flat_map(|first| places.iter().map(move |place| label(*first, *place))).collect()
    }
}

fn class(rule: &Rule) -> String {
    format!("f-{} p-halo", rule.role.word())
}

#[cfg(test)]
mod tests {
    use super::super::super::Frame;
    use super::*;
    use crate::account::picture::{Axis, Imprint, Line, Mark, Picture, Point, Role, Series};

    const FRAMES: [Frame; 5] = [Frame::WIDE, Frame::TALL, Frame::PAGE, Frame::NARROW, Frame::PAPER];

    fn rule(along: Along, at: f64, words: &[&str], text_low: bool) -> Rule {
        let text = words.iter().map(|word| (*word).to_string()).collect();
        Rule { along, at, role: Role::Quiet, line: Line::Dashed, text, text_low }
    }

    /// As a report has it: a ceiling under the top, a limit with a long label through it, two thresholds side by side, a zone.
    fn crowded() -> Picture {
        let points = (0..20).map(|i| {
            let x = -80.0 + 3.5 * f64::from(i);
            Point { x, y: 110.0 + x, interval: None }
        });
        Picture {
            name: "level".into(),
            title: "Level".into(),
            says: String::new(),
            x: Axis::linear("drive", -80.0, -5.0),
            y: Axis::linear("level", 30.0, 120.0),
            rules: vec![
                rule(Along::Y, 115.0, &["ceiling 115.0 dB SPL"], false),
                rule(Along::Y, 70.0, &["listening level 70.0 dB SPL"], false),
                rule(
                    Along::X,
                    -15.6,
                    &["output or capture chain clips from here (which: not determined)", "peak −6.0 dB"],
                    false,
                ),
                rule(Along::X, -9.6, &["full scale, −9.6 dBFS"], true),
            ],
            zones: vec![Zone { along: Along::Y, from: 70.0, to: 90.0, text: "wanted headroom 20.0 dB".into() }],
            texts: vec![Text { x: -17.0, y: 93.0, words: "25.3 ±0.9 dB".into() }],
            series: vec![Series {
                name: "level".into(),
                role: Role::Level,
                line: None,
                mark: Some(Mark::Dot),
                points: points.collect(),
            }],
            imprint: Imprint::default(),
        }
    }

    /// As at a glance: two thresholds side by side, with a figure on the line across them.
    fn thresholds() -> Picture {
        let mut picture = crowded();
        picture.rules = vec![rule(Along::X, -40.0, &["+15 dB"], true), rule(Along::X, -35.0, &["+20 dB"], true)];
        picture.texts = vec![Text { x: -41.0, y: 60.0, words: "25.3 ±0.9 dB".into() }];
        picture
    }

    #[test]
    fn no_label_lies_on_a_line_a_border_or_another_label() {
        let picture = crowded();
        for (picture, frame) in FRAMES.into_iter().flat_map(|frame| [(crowded(), frame), (thresholds(), frame)]) {
            let drawing = Drawing::of(&picture, frame, "it", true, false);
            let placed = drawing.placed();
            let mut crossed = 0.0;
            assert_eq!(placed.len(), picture.rules.len() + picture.zones.len() + picture.texts.len());
            for (i, label) in placed.iter().enumerate() {
                let others = [&placed[..i], &placed[i + 1..]].concat();
                let cost = drawing.cost(label, &others);
                // One label, that of full scale beside the limit, has no free place in any of them.
                assert!(cost <= 2.0 * CROSSED - 1.0, "{label:?} in {}: {cost}", frame.words());
                crossed += (cost / CROSSED).floor();
            }
            assert!(crossed <= 1.0, "{crossed} labels lie on something in {}", frame.words());
        }
        for frame in FRAMES {
            let drawing = Drawing::of(&picture, frame, "it", true, false);
            // Each where it first would be: they do cross, so that the test could fail.
            let usual = [drawing.beside(&picture.rules[2]).remove(0), drawing.over(&picture.rules[0]).remove(0)];
            assert!(drawing.cost(&usual[0], &usual[1..]) >= CROSSED, "nothing is crowded in {}", frame.words());
        }
    }
}
