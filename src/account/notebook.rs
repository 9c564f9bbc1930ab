//! The notebook: all sessions as a table, one of them in a few lines, and the trend of a pairing. Terminal, files and window show
//! it from here.

use super::document::{Cell, Column, Part, Section, Table};
use crate::figure::Figure;
use crate::stock::notebook::{Entry, Measured, Trend};

/// Places of levels.
const DB: usize = 1;
/// Places of what is held against itself over months.
const FINE: usize = 2;
/// Letters of a time that are shown: the day and the minute.
const MINUTE: usize = 16;

/// Stands for a session that cannot be read.
const UNREADABLE: &str = "cannot be read";

/// Sessions in the order given, a row each.
pub fn table(entries: &[Entry]) -> Table {
    let columns = vec![
        Column::text("session"),
        Column::text("begun"),
        Column::text("output"),
        Column::text("headphone"),
        Column::text("ear"),
        Column::text("kind"),
        Column::numbers("seats", ""),
        Column::readings("highest clean level", "dB SPL").aside(),
        Column::readings("headroom", "dB").aside(),
        Column::text("verdict"),
        Column::numbers("doubts", ""),
        Column::text("notes"),
    ];
    let mut table = Table::new("notebook", "", columns);
    table.rows = entries.iter().map(row).collect();
    table
}

fn row(entry: &Entry) -> Vec<Cell> {
    let name = Cell::text(&entry.short);
    let m = match &entry.session {
        Ok(m) => m,
        Err(why) => {
            let mut row = vec![Cell::Empty; 12];
            (row[0], row[5], row[11]) = (name, Cell::text(UNREADABLE), Cell::text(why));
            return row;
        }
    };
    let climbed = matches!(m.kind, crate::stock::notebook::Kind::Full | crate::stock::notebook::Kind::Quick);
    vec![
        name,
        Cell::text(day_and_minute(&m.started_at)),
        Cell::text(m.output_name().words()),
        Cell::text(&m.headphone),
        Cell::text(m.ear_words()),
        Cell::text(m.kind_words()),
        Cell::number(Some(f64::from(m.seats)), 0),
        Cell::reading(Some(&m.highest_clean).filter(|_| climbed), DB),
        Cell::reading(Some(&m.headroom).filter(|_| climbed), DB),
        Cell::text(if climbed { m.verdict.to_string() } else { String::new() }),
        Cell::number(Some(m.doubts.len() as f64).filter(|n| *n > 0.0), 0),
        Cell::text(notes(m)),
    ]
}

/// Why it was set aside, then its notes.
fn notes(m: &Measured) -> String {
    let aside = m.set_aside.as_deref().filter(|why| !why.is_empty()).map(|why| format!("set aside: {why}"));
    aside.into_iter().chain(m.notes.iter().map(|note| note.text.clone())).collect::<Vec<_>>().join("; ")
}

/// `2026-03-01 09:12`.
pub fn day_and_minute(rfc3339: &str) -> String {
    rfc3339.chars().take(MINUTE).collect::<String>().replacen('T', " ", 1)
}

/// What is shown of how many, in a line.
pub fn counted(shown: usize, found: usize, all: usize, words: &[String]) -> String {
    let sessions = |n: usize| format!("{n} session{}", if n == 1 { "" } else { "s" });
    match (found, all) {
        (_, 0) => "No session is kept yet: `loudenough rehearse` plays one on the simulated bench, `loudenough run` on your desk.".into(),
        (0, _) => format!("None of {} has `{}` in it.", sessions(all), words.join(" ")),
        _ if shown < found => format!("{shown} of {}; --all lists them all, more words narrow the list.", sessions(found)),
        _ if found < all => format!("{} of {all}.", sessions(found)),
        _ => format!("{}.", sessions(all)),
    }
}

/// One session in lines: name of each, and what it says.
pub fn lines(entry: &Entry) -> Vec<(&'static str, String)> {
    let m = match &entry.session {
        Ok(m) => m,
        Err(why) => return vec![("session", entry.name.clone()), (UNREADABLE, why.clone())],
    };
    let mut lines = vec![
        ("session", entry.name.clone()),
        ("begun", day_and_minute(&m.started_at)),
        ("output", m.output_name().words()),
        ("headphone", m.headphone.clone()),
        ("kind", m.kind_words()),
        ("seats", m.seats.to_string()),
        ("highest clean level", Figure::new(&m.highest_clean, DB).in_unit("dB SPL")),
        ("headroom", Figure::new(&m.headroom, DB).in_unit("dB")),
        ("verdict", m.verdict.to_string()),
    ];
    lines.extend(m.set_aside.as_ref().filter(|why| !why.is_empty()).map(|why| ("set aside", why.clone())));
    lines.extend(m.doubts.iter().map(|doubt| ("doubt", doubt.clone())));
    lines.extend(m.notes.iter().map(|note| ("note", format!("{} ({})", note.text, day_and_minute(&note.at)))));
    lines
}

/// The trend of a pairing.
pub fn trend(trend: &Trend) -> Section {
    let calibrated = trend.rows.iter().any(|row| row.offset.is_some());
    let unit = if calibrated { "dB SPL" } else { "dBFS" };
    let columns = vec![
        Column::text("session"),
        Column::text("begun"),
        Column::readings("level for 0 dBFS", unit),
        Column::readings("less the first", "dB"),
        Column::readings("calibration offset", "dB"),
        Column::numbers("less the first", "dB"),
        Column::numbers("moved at the check after it", "dB"),
        Column::readings("highest clean level", "dB SPL"),
        Column::numbers("doubts", ""),
    ];
    let mut table = Table::new("trend", "", columns);
    for row in &trend.rows {
        table.rows.push(vec![
            Cell::text(&row.name),
            Cell::text(day_and_minute(&row.started_at)),
            Cell::estimate(Some(row.per_drive), FINE),
            Cell::estimate(row.change_db, FINE),
            Cell::estimate(row.offset.as_ref().map(|(offset, _)| *offset), FINE),
            Cell::number(row.offset_change_db, FINE),
            Cell::number(row.drift_db, FINE),
            Cell::reading(Some(&row.highest_clean), DB),
            Cell::number(Some(row.doubts as f64).filter(|n| *n > 0.0), 0),
        ]);
    }
    let mut section = Section::new(format!("{} with {} over time", trend.output, trend.headphone));
    if table.rows.is_empty() {
        section.paragraph("No session of this pairing has a quiet reference, so there is no level to follow.");
    } else {
        section.paragraph(
            "Level of pink noise at the ear for a drive of 0 dBFS RMS, from the quiet reference, mean of the seats. Intervals hold seats and calibration; the differences hold both twice, although one calibrator's own error is in all of them.",
        );
        section.parts.push(Part::Table(table));
    }
    if !trend.left_out.is_empty() {
        section.paragraph("Left out:");
        section.parts.push(Part::List(trend.left_out.clone()));
    }
    section
}
