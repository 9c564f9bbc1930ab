//! What the buttons of a picture or a table ask for, whichever page it stands on: the same manners everywhere. The wish lies in
//! the window's memory until the picture is drawn; then the desk takes it.

use crate::account::document::{Cell, Column, Table};
use crate::account::picture::{Axis, Picture, Point};
use crate::account::write::csv;
use crate::figure::Figure;
use crate::stats::{Estimate, Interval, Reading};
use eframe::egui::{Context, Id, Ui};
use std::sync::Arc;

/// Something asked of what is shown.
#[derive(Clone, Debug, PartialEq)]
pub enum Wish {
    /// As large as the page, or back.
    Enlarge(Arc<Picture>),
    /// On the clipboard as a picture, and beside the sessions as a file.
    Picture(Arc<Picture>),
    /// On the clipboard as text; `what` it is, for the message.
    Text {
        /// In words: `the values of …`.
        what: String,
        /// The text.
        text: String,
    },
}

fn id() -> Id {
    Id::unique("wish")
}

/// Asks; the newest counts.
pub fn ask(ui: &Ui, wish: Wish) {
    ui.data_mut(|data| data.insert_temp(id(), Some(wish)));
}

/// Takes what was asked.
pub fn take(ctx: &Context) -> Option<Wish> {
    ctx.data_mut(|data| data.remove_temp::<Option<Wish>>(id())).flatten()
}

/// A table as text for a spreadsheet.
pub fn of_table(table: &Table) -> Wish {
    let what = if table.title.is_empty() { &table.name } else { &table.title };
    Wish::Text { what: format!("the table: {what}"), text: csv(table) }
}

/// The values of a picture, likewise.
pub fn values(picture: &Picture) -> Wish {
    let across = !picture.y.names.is_empty();
    let (x, y) = (Column::text(&picture.x.title), Column::text(&picture.y.title));
    let columns = match across {
        // Intervals lie along the numbers.
        true => vec![Column::text("series"), Column::text("of"), Column { holds: READINGS, ..x }],
        false => vec![Column::text("series"), Column { holds: NUMBERS, ..x }, Column { holds: READINGS, ..y }],
    };
    let mut table = Table::new(&picture.name, &picture.title, columns);
    for series in &picture.series {
        for point in series.points.iter().filter(|p| p.x.is_finite() && p.y.is_finite()) {
            let (own, other) = if across { (point.x, point.y) } else { (point.y, point.x) };
            let other = match across {
                true => Cell::text(named(&picture.y, other)),
                false => Cell::Figure(Figure::significant(Estimate::exact(other))),
            };
            table.rows.push(vec![Cell::text(&series.name), other, reading(own, point)]);
        }
    }
    Wish::Text { what: format!("the values of: {}", picture.title), text: csv(&table) }
}

const READINGS: crate::account::document::Holds = crate::account::document::Holds::Readings;
const NUMBERS: crate::account::document::Holds = crate::account::document::Holds::Numbers;

fn named(axis: &Axis, at: f64) -> String {
    axis.names.get(at.round().max(0.0) as usize).cloned().unwrap_or_default()
}

fn reading(value: f64, point: &Point) -> Cell {
    let interval = point.interval.map_or(Interval { low: value, high: value }, |(low, high)| Interval { low, high });
    Cell::reading(Some(&Reading::Determined(Estimate { value, interval })), 2)
}
