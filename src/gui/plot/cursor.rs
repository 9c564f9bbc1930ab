//! What is read of a picture: the point nearest the pointer, its value and interval, and the point that is held by a click.

use super::{DOT, NEAR, Note, Sheet, aside};
use crate::account::picture::{Axis, Line, Point};
use crate::gui::theme::STEP;
use crate::gui::{parts, text};
use eframe::egui::{Align2, Id, Pos2, Response, Shape, Stroke, Vec2, pos2, vec2};

/// A point with what is said of it.
struct Found {
    at: Pos2,
    says: Vec<String>,
    step: Option<usize>,
    key: (usize, usize),
}

fn found(sheet: &Sheet<'_>, notes: &[Note], key: (usize, usize)) -> Option<Found> {
    let series = sheet.picture.series.get(key.0)?;
    let point = series.points.get(key.1)?;
    let near = |n: &&Note| (n.x - point.x).abs() < 1e-9 && (n.y - point.y).abs() < 1e-9;
    let at = sheet.at(point) + if series.mark.is_some() { aside(series.role, DOT) } else { Vec2::ZERO };
    if let Some(note) = notes.iter().find(near) {
        return Some(Found { at, says: note.says.clone(), step: Some(note.step), key });
    }
    // An axis is called by its quantity and its unit.
    let number = |axis: &Axis, v: f64| match axis.names.is_empty() {
        true => {
            let value = text::fixed(v, if axis.log { 0 } else { 2 });
            match axis.title.rsplit_once(", ") {
                Some((quantity, unit)) => format!("{quantity}: {value} {unit}"),
                None => format!("{}: {value}", axis.title),
            }
        }
        false => axis.names.get(v.round().max(0.0) as usize).cloned().unwrap_or_default(),
    };
    let interval = point
        .interval
        .map_or(String::new(), |(low, high)| format!(", 95 %: {} to {}", text::fixed(low, 2), text::fixed(high, 2)));
    let (up, interval) = match sheet.picture.y.names.is_empty() {
        true => (number(&sheet.picture.y, point.y) + &interval, String::new()),
        false => (number(&sheet.picture.y, point.y), interval),
    };
    let says = vec![series.name.clone(), number(&sheet.picture.x, point.x) + &interval, up];
    Some(Found { at, says: says.into_iter().filter(|l| !l.is_empty()).collect(), step: None, key })
}

fn nearest(sheet: &Sheet<'_>, pointer: Pos2) -> Option<(usize, usize)> {
    let mut best: Option<(f32, (usize, usize))> = None;
    for (i, series) in sheet.picture.series.iter().enumerate() {
        for (j, point) in series.points.iter().enumerate() {
            let at = sheet.at(point) + if series.mark.is_some() { aside(series.role, DOT) } else { Vec2::ZERO };
            // On a line the pointer is led along it.
            let off = if series.mark.is_some() { at.distance(pointer) } else { at.distance(pointer) + 3.0 };
            if off < NEAR && sheet.plot.expand(2.0).contains(at) && best.is_none_or(|(least, _)| off < least) {
                best = Some((off, (i, j)));
            }
        }
    }
    best.map(|(_, key)| key)
}

/// Draws it; returns what is said of the point that is held.
pub(super) fn cursor(
    sheet: &Sheet<'_>,
    response: &Response,
    notes: &[Note],
    pinned: &mut Option<usize>,
) -> Option<Vec<String>> {
    let (ui, t) = (sheet.ui, sheet.t);
    let id = Id::unique(("pinned", &sheet.picture.name));
    let kept: Option<(usize, usize)> = ui.data(|data| data.get_temp(id)).flatten();
    let near = response.hover_pos().and_then(|p| nearest(sheet, p)).and_then(|key| found(sheet, notes, key));
    if response.clicked() {
        match near.as_ref() {
            Some(Found { step: Some(step), .. }) => *pinned = (*pinned != Some(*step)).then_some(*step),
            Some(point) => {
                let next = (kept != Some(point.key)).then_some(point.key);
                ui.data_mut(|data| data.insert_temp(id, next));
            }
            None => {
                *pinned = None;
                ui.data_mut(|data| data.insert_temp::<Option<(usize, usize)>>(id, None));
            }
        }
    }
    let of_step = pinned.and_then(|step| notes.iter().find(|n| n.step == step)).map(|note| Found {
        at: sheet.at(&Point::at(note.x, note.y)),
        says: note.says.clone(),
        step: Some(note.step),
        key: (usize::MAX, 0),
    });
    let held = of_step.or_else(|| kept.and_then(|key| found(sheet, notes, key)));
    let same = |a: &Found, b: &Found| a.key == b.key || (a.step.is_some() && a.step == b.step);
    let near = near.filter(|n| held.as_ref().is_none_or(|h| !same(n, h)));
    for (point, is_held) in held.iter().map(|p| (p, true)).chain(near.iter().map(|p| (p, false))) {
        let p = sheet.plot;
        for line in [
            [pos2(point.at.x, p.top()), pos2(point.at.x, p.bottom())],
            [pos2(p.left(), point.at.y), pos2(p.right(), point.at.y)],
        ] {
            sheet.stroke(&line, Line::Dotted, Stroke::new(1.0, t.quiet));
        }
        sheet.add(Shape::circle_stroke(point.at, DOT + 3.0, Stroke::new(1.5, t.text)));
        let mut lines = point.says.clone();
        if is_held {
            lines.push("pinned; a click beside it lets go".into());
        }
        let place = point.at + vec2(1.5 * STEP, 1.5 * STEP);
        parts::note_box(ui, sheet.plot, place, Align2::LEFT_TOP, &lines, t.text);
    }
    held.map(|point| point.says)
}
