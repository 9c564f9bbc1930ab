//! A series as reported at its end: a row for each headphone, and how much sound it took.

use super::document::{Cell, Column, Table};
use crate::judgement::{Judgement, judge};
use crate::session::record::{Happening, Record};
use crate::units::tidy;

/// Pairings that an evening is reckoned with.
const AN_EVENING: f64 = 10.0;

/// A row for each session.
pub fn table(records: &[&Record]) -> Table {
    let columns = vec![
        Column::text("headphone"),
        Column::readings("highest clean level", "dB SPL"),
        Column::readings("headroom", "dB"),
        Column::text("verdict"),
        Column::numbers("seats", ""),
        Column::numbers("sound", "s"),
        Column::text("swap"),
    ];
    let mut table = Table::new("series", "", columns);
    for record in records {
        let judgement = judge(record);
        table.rows.push(vec![
            Cell::text(record.head.chain.headphone.trim()),
            Cell::reading(Some(&judgement.highest_clean.level_spl), 1),
            Cell::reading(Some(&judgement.headroom.headroom_db), 1),
            Cell::text(judgement.headroom.verdict.to_string()),
            Cell::number(Some(f64::from(record.seat())), 0),
            Cell::number(Some(sound_s(record)), 0),
            Cell::text(swap_words(record)),
        ]);
    }
    table
}

/// What the check after the swap found, in short.
fn swap_words(record: &Record) -> String {
    let mut checks = record.events.iter().filter_map(|event| match &event.what {
        Happening::SwapChecked { checked } => Some(checked),
        _ => None,
    });
    checks.next_back().map_or(String::new(), |checked| match checked.flaws.first() {
        Some(flaw) => flaw.text.clone(),
        None => "nothing against it".into(),
    })
}

/// The answer on one headphone in a line.
pub fn line(record: &Record, judgement: &Judgement) -> String {
    format!("{}: {}", record.head.chain.headphone.trim(), judgement.sentence)
}

/// Seconds of noise and silence that were played for a session, void takes included.
pub fn sound_s(record: &Record) -> f64 {
    let takes = record.steps.iter().flat_map(|step| &step.takes);
    takes.map(|take| take.head.played_frames as f64 / take.head.played_rate.hz()).sum()
}

/// How much was played for all of them, each with a check of `check_s` seconds, and what ten such pairings take.
pub fn sound(records: &[&Record], check_s: f64) -> String {
    if records.is_empty() {
        return "Nothing was measured.".into();
    }
    let n = records.len() as f64;
    let each = records.iter().map(|record| sound_s(record)).sum::<f64>() / n + check_s;
    format!(
        "Sound: {} minutes for {} pairings with their checks; at that rate {} minutes for ten.",
        tidy(n * each / 60.0, 1),
        records.len(),
        tidy(AN_EVENING * each / 60.0, 1)
    )
}
