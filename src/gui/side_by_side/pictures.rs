//! The difference of the responses with the zone in which they are the same, and the distortion of both by band.

use crate::analysis::band::centre_hz;
use crate::gui::climb::{glyph, still_plot};
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP, Tokens};
use crate::judgement::comparison::{Comparison, Difference, Product, Told, Where};
use crate::stats::Reading;
use eframe::egui::{Align2, Color32, FontId, Id, Pos2, Rect, Shape, Stroke, Ui, pos2, vec2};
use egui_plot::{GridInput, GridMark, Line, LineStyle, PlotBounds, PlotPoint, PlotPoints, PlotTransform};

/// Ends of the frequency axis, lg Hz.
const ENDS: (f64, f64) = (1.25, 4.35);
/// Frequencies with a figure, Hz.
const MARKED: [f64; 10] = [20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 1e4, 2e4];
/// Least reach of the difference axis, in limits.
const LEAST_REACH: f64 = 3.0;
/// Half the length of a mark, points.
const MARK: f32 = 4.0;
/// Opacity of the zone in which both are the same.
const TINT: f32 = 0.16;

fn frequency_axis(_: GridInput) -> Vec<GridMark> {
    MARKED.iter().map(|f| GridMark { value: f.log10(), step_size: 0.3 }).collect()
}

fn hertz(mark: GridMark, _: &std::ops::RangeInclusive<f64>) -> String {
    let f = 10f64.powf(mark.value);
    if f >= 999.0 { format!("{} k", text::fixed(f / 1e3, 0)) } else { text::fixed(f, 0) }
}

struct Sheet<'a> {
    ui: &'a Ui,
    transform: PlotTransform,
    t: &'static Tokens,
}

impl Sheet<'_> {
    fn at(&self, f_hz: f64, y: f64) -> Pos2 {
        self.transform.position_from_point(&PlotPoint::new(f_hz.log10(), y))
    }

    fn add(&self, shape: Shape) {
        self.ui.painter().with_clip_rect(*self.transform.frame()).add(shape);
    }

    fn bar(&self, low: Pos2, high: Pos2, colour: Color32) {
        self.add(Shape::line_segment([low, high], Stroke::new(1.5, colour)));
    }

    fn text(&self, at: Pos2, anchor: Align2, words: &str, colour: Color32) {
        let painter = self.ui.painter().with_clip_rect(*self.transform.frame());
        let galley = painter.layout_no_wrap(words.into(), FontId::proportional(SMALL), colour);
        let rect = anchor.anchor_size(at, galley.size());
        painter.rect_filled(rect.expand2(vec2(3.0, 0.0)), 0.0, self.t.ground.gamma_multiply(0.8));
        painter.galley(rect.min, galley, colour);
    }
}

/// Second less first: one-third octaves with bars, the 1/48-octave line behind them.
pub(super) fn response(c: &Comparison, ui: &mut Ui, height: f32) {
    let t = theme::tokens(ui);
    let most = c.bands.iter().map(|b| b.difference_db.value.abs() + b.difference_db.half_width().min(3.0));
    let reach = most.fold(LEAST_REACH * c.within_db, f64::max) * 1.1;
    let title = "second less first, dB";
    let plain = |m: GridMark, _: &std::ops::RangeInclusive<f64>| text::fixed(m.value, 1);
    let plot = still_plot("side-by-side-response", height, "Hz", title, t)
        .x_axis_formatter(hertz)
        .x_grid_spacer(frequency_axis)
        .y_axis_formatter(plain);
    let answer = plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([ENDS.0, -reach], [ENDS.1, reach]));
        let line: PlotPoints<'_> = c.fine.iter().map(|f| [f.frequency_hz.log10(), f.difference_db.value]).collect();
        p.line(Line::new("1/48 octave", line).color(t.quiet).width(1.0).allow_hover(false));
    });
    let sheet = Sheet { ui, transform: answer.transform, t };
    let frame = *sheet.transform.frame();
    let zone = Rect::from_x_y_ranges(frame.x_range(), sheet.at(1e3, c.within_db).y..=sheet.at(1e3, -c.within_db).y);
    sheet.add(Shape::rect_filled(zone.intersect(frame), 0.0, t.listening.gamma_multiply(TINT)));
    let words = format!("same within ±{} dB", text::fixed(c.within_db, 2));
    sheet.text(zone.left_top() + vec2(STEP, 0.0), Align2::LEFT_BOTTOM, &words, t.listening);
    for band in &c.bands {
        mark(&sheet, band);
    }
    sheet.text(
        frame.right_top() + vec2(-STEP, 2.0),
        Align2::RIGHT_TOP,
        "square: differs · ring: same · cross: not determined · thin line: 1/48 octave",
        t.quiet,
    );
    let count = |told| c.bands.iter().filter(|b| b.told == told).count();
    let words = format!(
        "difference of the responses by one-third octave: {} differ, {} the same, {} not determined",
        count(Told::Differs),
        count(Told::Same),
        count(Told::NotTold)
    );
    announce(&sheet, "side-by-side-response", &words);
}

/// One band: its bar, and a shape for its word.
fn mark(sheet: &Sheet<'_>, band: &Difference) {
    let (f, d, colour) = (centre_hz(band.x), &band.difference_db, sheet.t.text);
    let at = sheet.at(f, d.value);
    sheet.bar(sheet.at(f, d.interval.low), sheet.at(f, d.interval.high), colour);
    match band.told {
        Told::Differs => sheet.add(Shape::rect_filled(Rect::from_center_size(at, vec2(8.0, 8.0)), 0.0, colour)),
        Told::Same => {
            sheet.add(Shape::circle_filled(at, MARK, sheet.t.ground));
            sheet.add(Shape::circle_stroke(at, MARK, Stroke::new(1.5, colour)));
        }
        Told::NotTold => {
            for tilt in [vec2(MARK, MARK), vec2(MARK, -MARK)] {
                sheet.add(Shape::line_segment([at - tilt, at + tilt], Stroke::new(1.5, colour)));
            }
        }
    }
}

/// Even (squares) and odd (triangles) order of both by band: the first solid, the second dashed; hollow where only known to
/// lie below.
pub(super) fn distortion(c: &Comparison, ui: &mut Ui, height: f32) {
    let t = theme::tokens(ui);
    let by_band: Vec<(bool, f64, &Reading, &Reading)> = c
        .distortions
        .quantities
        .iter()
        .filter_map(|q| match (q.product, q.place) {
            (product, Where::Band { x }) => Some((product == Product::Even, centre_hz(x), &q.of.0, &q.of.1)),
            _ => None,
        })
        .collect();
    let values = by_band.iter().flat_map(|(_, _, a, b)| [shown(a), shown(b)]).flatten().map(|(v, _)| v);
    let (low, high) = values.fold((-60.0f64, -40.0f64), |(l, h), v| (l.min(v), h.max(v)));
    let plot = still_plot("side-by-side-distortion", height, "Hz", "distortion at the ear, dB", t)
        .x_axis_formatter(hertz)
        .x_grid_spacer(frequency_axis);
    let line = |even: bool, second: bool| -> Vec<[f64; 2]> {
        let of = by_band.iter().filter(|(is_even, ..)| *is_even == even);
        let value =
            |(_, f, a, b): &(bool, f64, &Reading, &Reading)| Some([f.log10(), shown(if second { b } else { a })?.0]);
        of.filter_map(value).collect()
    };
    let answer = plot.show(ui, |p| {
        p.set_plot_bounds(PlotBounds::from_min_max([ENDS.0, low - 6.0], [ENDS.1, high + 6.0]));
        for even in [true, false] {
            for (second, colour) in [(false, t.first), (true, t.second)] {
                let style = if second { LineStyle::dashed_dense() } else { LineStyle::Solid };
                let points: PlotPoints<'_> = line(even, second).into_iter().collect();
                p.line(Line::new("", points).color(colour).width(1.5).style(style).allow_hover(false));
            }
        }
    });
    let sheet = Sheet { ui, transform: answer.transform, t };
    for (even, f, a, b) in &by_band {
        for (reading, colour) in [(a, t.first), (b, t.second)] {
            if let Some((value, told)) = shown(reading) {
                sheet.add(glyph(sheet.at(*f, value), *even, told, colour));
            }
        }
    }
    let frame = *sheet.transform.frame();
    let legend = [(format!("{}: solid", c.outputs.0), t.first), (format!("{}: dashed", c.outputs.1), t.second)];
    for (i, (words, colour)) in legend.iter().enumerate() {
        let at = frame.left_top() + vec2(STEP, 2.0 + 2.0 * STEP * i as f32);
        sheet.text(at, Align2::LEFT_TOP, words, *colour);
    }
    let words = "square: even order · triangle: odd order · hollow: below this";
    sheet.text(frame.right_top() + vec2(-STEP, 2.0), Align2::RIGHT_TOP, words, t.quiet);
    announce(
        &sheet,
        "side-by-side-distortion",
        "distortion of both at the ear by one-third octave, even and odd order",
    );
}

/// Value and whether it is told; else the bound under which it lies.
fn shown(reading: &Reading) -> Option<(f64, bool)> {
    match reading {
        Reading::Told(e) => Some((e.value, true)),
        Reading::Below(most) => Some((*most, false)),
        Reading::AtLeast(_) | Reading::NotTold(_) => None,
    }
}

fn announce(sheet: &Sheet<'_>, id: &str, words: &str) {
    let f = sheet.transform.frame();
    let foot = Rect::from_min_max(pos2(f.left(), f.bottom() - 1.0), f.right_bottom());
    let _ = parts::announce(sheet.ui, foot, Id::unique(format!("{id}-words")), words, false);
}
