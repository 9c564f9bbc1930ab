//! The spine of the page: one full-height scale of level with all that the answer stands between, and a mark that moves
//! while it sounds.

use crate::account::session::{Scale, ScaleMark, ScaleRole};
use crate::gui::parts;
use crate::gui::text;
use crate::gui::theme::{self, SMALL, STEP, TEXT, Tokens};
use eframe::egui::{Align2, Color32, FontId, Id, Pos2, Rect, Sense, Shape, Stroke, Ui, pos2, vec2};

/// Room for the figures of the scale, points.
const FIGURES: f32 = 5.0 * STEP;
/// Width of the column of one ear, points.
const EAR: f32 = 2.5 * STEP;
/// Distance of two words on the scale, points.
const LINE: f32 = 2.25 * STEP;
/// The same under a mark whose words take lines of their own: at least so much, and so much beside their height.
const HEAVY: f32 = 6.0 * STEP;
const HEAVY_GAP: f32 = 2.5 * STEP;
/// From a mark to its words, points.
const TO_WORDS: f32 = 10.0;
/// Under this width each mark has one word, points.
const WORDY: f32 = 24.0 * STEP;

/// What one ear hears now, on the scale.
#[derive(Clone, Debug, PartialEq)]
pub struct EarNow {
    /// `left ear`; empty where there is one.
    pub name: String,
    /// Level.
    pub level: Option<f64>,
    /// Peak of the samples.
    pub peak: Option<f64>,
}

struct Sheet<'a> {
    ui: &'a Ui,
    t: &'static Tokens,
    scale: &'a Scale,
    rect: Rect,
}

impl Sheet<'_> {
    fn y(&self, level: f64) -> f32 {
        let place = (level - self.scale.low) / (self.scale.high - self.scale.low);
        self.rect.bottom() - place.clamp(0.0, 1.0) as f32 * self.rect.height()
    }
}

fn ink(role: ScaleRole, t: &Tokens) -> Color32 {
    match role {
        ScaleRole::Ceiling | ScaleRole::Noise => t.quiet,
        ScaleRole::Clean | ScaleRole::CleanOtherEar => t.threshold,
        ScaleRole::CleanUpTo => t.level,
        ScaleRole::Wanted | ScaleRole::Listening => t.listening,
    }
}

/// Draws it over the whole height that is left.
pub fn show(ui: &mut Ui, scale: &Scale, ears: &[EarNow]) {
    let t = theme::tokens(ui);
    let size = vec2(ui.available_width(), ui.available_height().max(24.0 * STEP));
    let (all, _) = ui.allocate_exact_size(size, Sense::hover());
    ui.painter().rect_filled(all, 2.0, t.ground);
    let unit = format!("{}, {}", scale.unit, scale.point);
    ui.painter().text(all.min + vec2(STEP, 0.5 * STEP), Align2::LEFT_TOP, unit, FontId::proportional(SMALL), t.quiet);
    let top = all.top() + 3.5 * STEP;
    let rect = Rect::from_min_max(pos2(all.left() + FIGURES, top), pos2(all.right() - STEP, all.bottom() - 1.5 * STEP));
    let sheet = Sheet { ui, t, scale, rect };
    ruler(&sheet);
    let columns = ears.len().max(1) as f32;
    let begin = rect.left() + columns * EAR + STEP;
    wanted(&sheet);
    marks(&sheet, begin);
    for (i, ear) in ears.iter().enumerate() {
        now(&sheet, ear, rect.left() + i as f32 * EAR + 4.0);
    }
    announce(&sheet, ears);
}

fn ruler(sheet: &Sheet<'_>) {
    let (painter, t, rect, scale) = (sheet.ui.painter(), sheet.t, sheet.rect, sheet.scale);
    let apart = if rect.height() > 40.0 * STEP { 5 } else { 10 };
    let (first, last) = ((scale.low / 5.0).ceil() as i32, (scale.high / 5.0).floor() as i32);
    for five in first..=last {
        let (level, y) = (f64::from(5 * five), sheet.y(f64::from(5 * five)));
        let ten = five % 2 == 0;
        let tick = if ten { 8.0 } else { 4.0 };
        painter.hline(rect.left() - tick..=rect.left(), y, Stroke::new(1.0, t.quiet));
        if ten && (5 * five) % (2 * apart) == 0 {
            let at = pos2(rect.left() - 10.0, y);
            painter.text(at, Align2::RIGHT_CENTER, text::fixed(level, 0), theme::figures(SMALL - 1.0), t.quiet);
        }
    }
    painter.vline(rect.left(), rect.y_range(), Stroke::new(1.5, t.quiet));
}

/// From the listening level to the headroom that is wanted.
fn wanted(sheet: &Sheet<'_>) {
    let at = |role| sheet.scale.marks.iter().find(|m| m.role == role).map(|m| m.at);
    let (Some(low), Some(high)) = (at(ScaleRole::Listening), at(ScaleRole::Wanted)) else { return };
    let rect = Rect::from_x_y_ranges(sheet.rect.x_range(), sheet.y(high)..=sheet.y(low));
    sheet.ui.painter().rect_filled(rect, 0.0, sheet.t.listening.gamma_multiply(0.16));
}

fn marks(sheet: &Sheet<'_>, begin: f32) {
    let (t, rect) = (sheet.t, sheet.rect);
    let wordy = rect.right() - begin > WORDY;
    let arrow = begin + 1.25 * STEP;
    let words_from = if sheet.scale.headroom.is_some() { arrow + 1.25 * STEP } else { begin };
    let painter = sheet.ui.painter();
    let heavy = |mark: &ScaleMark| matches!(mark.role, ScaleRole::Clean | ScaleRole::CleanUpTo);
    let left = words_from + TO_WORDS + 4.0;
    let under = |mark: &ScaleMark| {
        painter.layout(
            mark.words.clone(),
            FontId::proportional(SMALL),
            ink(mark.role, t),
            (rect.right() - left).max(STEP),
        )
    };
    let high = |mark: &ScaleMark| match heavy(mark) {
        true => (under(mark).size().y + HEAVY_GAP).max(HEAVY),
        false => LINE,
    };
    let wanted: Vec<(f32, f32)> = sheet.scale.marks.iter().map(|mark| (sheet.y(mark.at), high(mark))).collect();
    let places = spread(&wanted, rect);
    for (mark, place) in sheet.scale.marks.iter().zip(&places) {
        let (y, ink) = (sheet.y(mark.at), ink(mark.role, t));
        rule(sheet, mark, y, rect.left(), words_from - 3.0);
        if let Some((low, high)) = mark.interval {
            let band = Rect::from_x_y_ranges(
                rect.left()..=words_from - 3.0,
                sheet.y(high)..=sheet.y(low).max(sheet.y(high) + 1.0),
            );
            painter.rect_filled(band, 0.0, ink.gamma_multiply(0.3));
        }
        let to = pos2(words_from + TO_WORDS, *place);
        painter.line_segment([pos2(words_from - 3.0, y), to], Stroke::new(1.0, ink));
        let heavy = heavy(mark);
        let laid = |size: f32| painter.layout_no_wrap(mark.figure.clone(), theme::figures(size), ink);
        let sizes: &[f32] = if heavy { &[TEXT + 3.0, TEXT, SMALL, SMALL - 2.0] } else { &[SMALL + 1.0] };
        // The largest that fits: an interval that reaches farther on one side is long.
        let fits = sizes.iter().map(|size| laid(*size)).find(|galley| left + galley.size().x <= rect.right());
        let galley = fits.unwrap_or_else(|| laid(sizes[sizes.len() - 1]));
        let size = galley.size();
        painter.galley(pos2(left, to.y - 0.5 * size.y), galley, ink);
        if heavy {
            // Under its figure, where there is room for who it is that clips.
            painter.galley(pos2(left, to.y + 0.5 * size.y), under(mark), ink);
        } else {
            let begin = left + size.x + 6.0;
            let words = if wordy { mark.words.as_str() } else { mark.short };
            let words = fitted(sheet.ui, words, FontId::proportional(SMALL), t.text, rect.right() - begin);
            painter.galley(pos2(begin, to.y - 0.5 * words.size().y), words, ink);
        }
    }
    if let Some(span) = &sheet.scale.headroom {
        let (a, b) = (pos2(arrow, sheet.y(span.from)), pos2(arrow, sheet.y(span.to)));
        dimension(sheet, a, b, &span.figure);
    }
}

/// One line that ends in dots where there is too little room.
fn fitted(ui: &Ui, words: &str, font: FontId, ink: Color32, width: f32) -> std::sync::Arc<eframe::egui::Galley> {
    let mut job = eframe::egui::text::LayoutJob::simple_singleline(words.into(), font, ink);
    job.wrap = eframe::egui::text::TextWrapping::truncate_at_width(width.max(0.0));
    ui.painter().layout_job(job)
}

fn rule(sheet: &Sheet<'_>, mark: &ScaleMark, y: f32, from: f32, to: f32) {
    let ink = ink(mark.role, sheet.t);
    let ends = [pos2(from, y), pos2(to, y)];
    let (width, dash, gap) = match mark.role {
        ScaleRole::Clean => {
            sheet.ui.painter().line_segment(ends, Stroke::new(3.0, ink));
            return;
        }
        ScaleRole::Ceiling | ScaleRole::CleanUpTo => {
            sheet.ui.painter().line_segment(ends, Stroke::new(1.5, ink));
            return;
        }
        ScaleRole::CleanOtherEar => (2.0, 3.0, 3.0),
        ScaleRole::Listening => (2.0, 7.0, 4.0),
        ScaleRole::Wanted => (1.0, 7.0, 4.0),
        ScaleRole::Noise => (1.0, 2.0, 4.0),
    };
    sheet.ui.painter().extend(Shape::dashed_line(&ends, Stroke::new(width, ink), dash, gap));
}

/// The words' places, each with the height it takes below: near their marks, from the top, none over another, all inside.
fn spread(wanted: &[(f32, f32)], rect: Rect) -> Vec<f32> {
    let mut places = Vec::with_capacity(wanted.len());
    let mut least = rect.top() + 0.25 * LINE;
    for (y, high) in wanted {
        let place = y.max(least);
        places.push(place);
        least = place + high;
    }
    let mut most = rect.bottom() + 0.75 * LINE;
    for (place, (_, high)) in places.iter_mut().zip(wanted).rev() {
        *place = place.min(most - high);
        most = *place;
    }
    places
}

/// An arrow with two heads, and its figure along it.
fn dimension(sheet: &Sheet<'_>, low: Pos2, high: Pos2, words: &str) {
    let (painter, t) = (sheet.ui.painter(), sheet.t);
    let stroke = Stroke::new(2.0, t.text);
    painter.line_segment([low, high], stroke);
    let up = if low.y > high.y { 1.0 } else { -1.0 };
    for (tip, way) in [(low, -up), (high, up)] {
        for aside in [-4.0, 4.0] {
            painter.line_segment([tip, tip + vec2(aside, 7.0 * way)], stroke);
        }
    }
    let galley = painter.layout_no_wrap(words.into(), FontId::proportional(SMALL), t.text);
    let size = galley.size();
    if (low.y - high.y).abs() < size.x + 2.5 * STEP {
        return;
    }
    let middle = pos2(low.x, 0.5 * (low.y + high.y));
    let ground = Rect::from_center_size(middle, vec2(size.y, size.x + STEP));
    painter.rect_filled(ground, 0.0, t.ground);
    // Along the arrow, read from below.
    let at = pos2(middle.x - 0.5 * size.y, middle.y + 0.5 * size.x);
    painter.add(eframe::epaint::TextShape::new(at, galley, t.text).with_angle(-std::f32::consts::FRAC_PI_2));
}

/// The level as a column with its peak, and an empty column while nothing is heard.
fn now(sheet: &Sheet<'_>, ear: &EarNow, x: f32) {
    let (painter, t, rect) = (sheet.ui.painter(), sheet.t, sheet.rect);
    let column = Rect::from_min_max(pos2(x, rect.top()), pos2(x + EAR - 6.0, rect.bottom()));
    painter.rect_stroke(column, 0.0, Stroke::new(1.0, t.rule), eframe::egui::StrokeKind::Inside);
    if let Some(level) = ear.level {
        let filled = Rect::from_min_max(pos2(column.left(), sheet.y(level)), column.max);
        painter.rect_filled(filled, 0.0, t.level.gamma_multiply(0.75));
        painter.hline(column.left() - 4.0..=column.right() + 4.0, sheet.y(level), Stroke::new(3.0, t.level));
    }
    if let Some(peak) = ear.peak {
        painter.hline(column.x_range(), sheet.y(peak), Stroke::new(1.5, t.text));
    }
    if !ear.name.is_empty() {
        let letter = ear.name.chars().take(1).collect::<String>().to_uppercase();
        let at = pos2(column.center().x, rect.bottom() + 1.0);
        painter.text(at, Align2::CENTER_TOP, letter, FontId::proportional(SMALL - 1.0), t.quiet);
    }
}

fn announce(sheet: &Sheet<'_>, ears: &[EarNow]) {
    for (i, mark) in sheet.scale.marks.iter().enumerate() {
        let y = sheet.y(mark.at);
        let place = Rect::from_x_y_ranges(sheet.rect.x_range(), y - 1.0..=y + 1.0);
        let words = format!("on the scale: {}, {} {}", mark.words, mark.figure, sheet.scale.unit);
        let live = mark.role == ScaleRole::Clean;
        let _ = parts::announce(sheet.ui, place, Id::unique(("scale", i)), &words, live);
    }
    let ends = format!(
        "scale of level from {} to {} {}, {} with a column of what is heard",
        text::fixed(sheet.scale.low, 0),
        text::fixed(sheet.scale.high, 0),
        sheet.scale.unit,
        match ears.len() {
            1 => "one ear".to_string(),
            n => format!("{n} ears"),
        }
    );
    let foot = Rect::from_min_max(pos2(sheet.rect.left(), sheet.rect.bottom() - 1.0), sheet.rect.max);
    let _ = parts::announce(sheet.ui, foot, Id::unique("scale-itself"), &ends, false);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_on_the_scale_stand_apart_and_inside() {
        let rect = Rect::from_min_max(pos2(0.0, 100.0), pos2(10.0, 400.0));
        let wanted = [(100.0, LINE), (104.0, HEAVY), (250.0, LINE), (398.0, LINE), (399.0, LINE)];
        let places = spread(&wanted, rect);
        for (pair, (_, high)) in places.windows(2).zip(wanted) {
            assert!(pair[1] - pair[0] >= high - 1e-3, "{places:?}");
        }
        assert!(places.iter().all(|y| rect.y_range().contains(*y)), "{places:?}");
        assert!((places[2] - 250.0).abs() < 1e-3, "what has room stays at its mark");
    }
}
