//! The map of an output: border lines over impedance and sensitivity, the stock's headphones as points with bars.

use crate::gui::climb::still_plot;
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP};
use crate::stats::Reading;
use crate::stock::{Column, Map, OHMS, StoppedBy};
use eframe::egui::{Align2, Id, RichText, Ui};
use egui_plot::{GridInput, GridMark, Line, LineStyle, Plot, PlotBounds, PlotPoint, PlotPoints, Points, Text, VLine};

/// Height of the picture, points.
const HEIGHT: f32 = 38.0 * STEP;
/// Impedances with a mark, ohm.
const MARKS: [f64; 8] = [4.0, 8.0, 16.0, 32.0, 64.0, 150.0, 300.0, 600.0];

/// Draws it.
pub fn show(map: &Map, ui: &mut Ui) {
    let t = theme::tokens(ui);
    let borders: Vec<Vec<[f64; 2]>> = (0..3).map(|which| border(map, which)).collect();
    let (low, high) = range(map, &borders);
    let marks =
        |_: GridInput| -> Vec<GridMark> { MARKS.map(|ohm| GridMark { value: ohm.log10(), step_size: 0.3 }).to_vec() };
    let ohms = |m: GridMark, _: &std::ops::RangeInclusive<f64>| text::fixed(10f64.powf(m.value), 0);
    let plot: Plot = still_plot("map", HEIGHT, "impedance, Ω", "dB SPL for 1 V of pink noise at the plug", t)
        .x_grid_spacer(marks)
        .x_axis_formatter(ohms);
    let answer = plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([OHMS.0.log10(), low], [OHMS.1.log10(), high]));
        let styles = [LineStyle::Solid, LineStyle::dashed_dense(), LineStyle::dotted_dense()];
        let colours = [t.level, t.listening, t.threshold];
        for (i, (points, name)) in borders.iter().zip(["ample", "borderline", "reaches"]).enumerate() {
            let line: PlotPoints<'_> = points.iter().copied().collect();
            p.line(Line::new(name, line).color(colours[i]).style(styles[i]).width(2.0).allow_hover(false));
            if let Some(at) = points.last() {
                let words = RichText::new(format!("{name} ")).size(SMALL).color(colours[i]);
                let text = Text::new(name, PlotPoint::new(at[0], at[1] + 0.2), words).anchor(Align2::RIGHT_BOTTOM);
                p.text(text.allow_hover(false));
            }
        }
        for (from, until, by) in regimes(&map.columns) {
            let words = RichText::new(by.words()).size(SMALL).color(t.quiet);
            let middle = 0.5 * (from.log10() + until.log10());
            p.text(
                Text::new("by", PlotPoint::new(middle, low), words).anchor(Align2::CENTER_BOTTOM).allow_hover(false),
            );
            if from > OHMS.0 * 1.01 {
                p.vline(VLine::new("by", from.log10()).color(t.rule).width(1.0).allow_hover(false));
            }
        }
        for point in &map.points {
            let x = point.ohm.value.clamp(OHMS.0, OHMS.1).log10();
            let bar: PlotPoints<'_> =
                [point.per_volt_db.interval.low, point.per_volt_db.interval.high].map(|y| [x, y]).into_iter().collect();
            p.line(Line::new(point.headphone.clone(), bar).color(t.text).width(1.5).allow_hover(false));
            let dot = Points::new(point.headphone.clone(), [x, point.per_volt_db.value]);
            p.points(dot.radius(4.5).color(t.text).allow_hover(false));
            let words =
                RichText::new(format!("  {}: {}", point.headphone, point.says.verdict)).size(SMALL).color(t.text);
            let anchor = if x > 2.2 { Align2::RIGHT_CENTER } else { Align2::LEFT_CENTER };
            let words = if x > 2.2 {
                RichText::new(format!("{}: {}  ", point.headphone, point.says.verdict)).size(SMALL).color(t.text)
            } else {
                words
            };
            p.text(
                Text::new(point.headphone.clone(), PlotPoint::new(x, point.per_volt_db.value), words)
                    .anchor(anchor)
                    .allow_hover(false),
            );
        }
    });
    let lines = "A headphone above a line is ample, borderline, or reaches the listening level.";
    let bound = " Where no session drove the output to its end, the true lines lie at these or lower.";
    let words = if is_bound(map) { format!("{lines}{bound}") } else { lines.to_string() };
    parts::quiet(ui, words);
    let points: Vec<String> = map.points.iter().map(|p| format!("{}: {}", p.headphone, p.says.verdict)).collect();
    let said = format!("Map of {}: {}", map.output, points.join(", "));
    parts::announce(ui, answer.response.rect, Id::unique("map-words"), &said, false);
}

/// One border line as far as it is told.
fn border(map: &Map, which: usize) -> Vec<[f64; 2]> {
    let of = |c: &Column| {
        let y = match &c.borders_db[which] {
            Reading::Told(e) | Reading::AtLeast(e) => e.value,
            Reading::Below(high) => *high,
            Reading::NotTold(_) => return None,
        };
        Some([c.ohm.log10(), y])
    };
    map.columns.iter().filter_map(of).collect()
}

/// True where some borders are the highest that they can be, because the output was not driven to its end.
fn is_bound(map: &Map) -> bool {
    map.columns.iter().any(|c| matches!(c.borders_db[0], Reading::Below(_)))
}

/// Stretches of impedance that are stopped by the same.
fn regimes(columns: &[Column]) -> Vec<(f64, f64, StoppedBy)> {
    let mut all: Vec<(f64, f64, StoppedBy)> = Vec::new();
    for column in columns {
        let Some(by) = column.stopped_by else { continue };
        match all.last_mut() {
            Some((_, until, last)) if *last == by => *until = column.ohm,
            _ => all.push((column.ohm, column.ohm, by)),
        }
    }
    all
}

fn range(map: &Map, borders: &[Vec<[f64; 2]>]) -> (f64, f64) {
    let points = map.points.iter().flat_map(|p| [p.per_volt_db.interval.low, p.per_volt_db.interval.high]);
    // A border climbs without end towards low impedances: its right end and the headphones decide.
    let ends = borders.iter().filter_map(|b| b.last().map(|p| p[1]));
    let (low, high) = points.chain(ends).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    if low.is_finite() { (low - 6.0, high + 8.0) } else { (80.0, 130.0) }
}
