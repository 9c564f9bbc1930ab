//! The table of pairings and the sentence over it.

use super::About;
use crate::account::document::{Cell, Column, Part, Section, Table};
use crate::account::{capital, when};
use crate::judgement::{Answer, Threshold};
use crate::stats::Reading;
use crate::stock::{self, Learnt, Listener, Matrix, Stock};
use std::collections::BTreeSet;

/// Places of levels.
pub const DB: usize = 1;

/// Pairings in reading order: output by output, most headroom first; of one headphone the best output first.
pub fn ranked<'a>(matrix: &'a Matrix, about: &About) -> Vec<&'a stock::Cell> {
    let mut cells: Vec<&stock::Cell> =
        matrix.outputs.iter().flat_map(|output| matrix.ranking(output)).filter(|cell| about.holds(cell)).collect();
    if let About::Headphone(_) = about {
        let headroom = |c: &stock::Cell| c.best().level_spl.estimate().map_or(f64::NEG_INFINITY, |h| h.value);
        cells.sort_by(|a, b| headroom(b).total_cmp(&headroom(a)));
    }
    cells
}

/// What the pairings are called, best first.
pub fn answer(cells: &[&stock::Cell], about: &About, listener: &Listener) -> String {
    if cells.is_empty() {
        return "Nothing is known of any pairing yet: run a session, or type what is known.".into();
    }
    let measured = cells.iter().filter(|cell| cell.measured.is_some()).count();
    let listens = listener
        .level
        .map_or("no listening level is kept".into(), |level| format!("for {level} ({})", listener.level_from.words()));
    // The whole verdict: what is at least borderline, or one of two, is not borderline.
    let all: BTreeSet<(Answer, String)> = cells.iter().map(|cell| verdict(cell)).collect();
    let group = |wanted: &(Answer, String)| {
        let names: Vec<String> = cells
            .iter()
            .filter(|cell| verdict(cell) == *wanted)
            .map(|cell| match about {
                About::Headphone(_) => cell.output.words(),
                About::Output(_) | About::All => cell.headphone.clone(),
            })
            .collect();
        let called = &wanted.1;
        match about {
            About::All => format!("{} {called}", names.len()),
            About::Output(_) => format!("{called} with {}", names.join(", ")),
            About::Headphone(_) => format!("{called} on {}", names.join(", ")),
        }
    };
    let groups: Vec<String> = all.iter().map(group).collect();
    let who = match about {
        About::All => format!("{} pairings", cells.len()),
        About::Output(output) => capital(&output.words()),
        About::Headphone(headphone) => capital(headphone),
    };
    let from = match cells.len() - measured {
        0 => "All of them were measured.".into(),
        predicted => format!("Measured: {measured}, predicted: {predicted}."),
    };
    format!("{who}, {listens}: {}. {from}", groups.join("; "))
}

fn verdict(cell: &stock::Cell) -> (Answer, String) {
    let verdict = &cell.best().verdict;
    (verdict.answer, verdict.to_string())
}

/// The pairings as a table.
pub fn section(cells: &[&stock::Cell]) -> Section {
    let columns = vec![
        Column::text("output"),
        Column::text("headphone"),
        Column::text("from"),
        Column::text("session").aside(),
        Column::readings("highest clean level", "dB SPL"),
        Column::readings("headroom", "dB"),
        Column::text("verdict"),
        Column::numbers("share of full drive", "%"),
        Column::text("ends because of"),
        Column::readings("predicted level", "dB SPL"),
        Column::numbers("prediction less measurement", "dB"),
        Column::text("remark"),
    ];
    let title =
        "Highest clean level of pink noise, most headroom first; share: of the full drive, at the listening level";
    let mut table = Table::new("pairings", title, columns);
    table.keys = 2;
    for cell in cells {
        let best = cell.best();
        let (from, session) = match &cell.measured {
            Some((session, _)) => ("measured", session.as_str()),
            None => ("predicted", ""),
        };
        let missing = best.missing().map(|why| format!("not determined: {why}"));
        let remarks: Vec<String> = missing.into_iter().chain(best.remarks.iter().cloned()).chain(leads(cell)).collect();
        table.rows.push(vec![
            Cell::text(cell.output.words()),
            Cell::text(&cell.headphone),
            Cell::text(from),
            Cell::text(session),
            Cell::reading(Some(&best.level_spl), DB),
            Cell::reading(Some(&best.headroom_db), DB),
            Cell::text(best.verdict.to_string()),
            Cell::number(best.share_of_full.map(|share| 100.0 * share), 2),
            Cell::text(best.stopped_by.map_or("", |by| by.words())),
            Cell::reading(Some(&cell.predicted.level_spl), DB),
            Cell::number(cell.error_db, 2),
            Cell::text(remarks.join("; ")),
        ]);
    }
    let mut section = Section::new("The pairings");
    section.parts.push(Part::Table(table));
    section
}

/// Which of several sessions stands here, and why: `of 3 sessions a leads (over b: it is calibrated; over c: it is finished)`.
fn leads(cell: &stock::Cell) -> Option<String> {
    let (lead, _) = cell.measured.as_ref()?;
    let over: Vec<String> = cell.others.iter().map(|(other, why)| format!("over {other}: {why}")).collect();
    (!over.is_empty()).then(|| format!("of {} sessions, {lead} is used ({})", over.len() + 1, over.join("; ")))
}

/// Its place among the sessions of its pairing.
fn place(session: &Learnt, matrix: &Matrix) -> String {
    let cell = matrix.cells.iter().find(|c| c.output == session.output && c.headphone == session.headphone);
    let Some((cell, (lead, _))) = cell.and_then(|c| Some((c, c.measured.as_ref()?))) else { return String::new() };
    match cell.others.iter().find(|(other, _)| *other == session.id) {
        Some((_, why)) => format!("after {lead}: {why}"),
        None if cell.others.is_empty() => "the only one".into(),
        None => "leads".into(),
    }
}

/// The sessions behind them, with the figures of each.
pub fn sessions(stock: &Stock, matrix: &Matrix, about: &About) -> Option<Section> {
    let columns = vec![
        Column::text("session"),
        Column::text("place among those of its pairing"),
        Column::text("output"),
        Column::text("headphone"),
        Column::text("started"),
        Column::readings("highest clean level", "dB SPL"),
        Column::readings("highest clean drive", "dBFS"),
        Column::readings("clipping threshold, positive peak", "dB re full scale"),
        Column::readings("clipping threshold, negative peak", "dB re full scale"),
        Column::readings("headroom, its own listener", "dB"),
        Column::readings("distortion at the ear over its limit from", "dB SPL"),
        Column::numbers("seats", ""),
        Column::numbers("doubts", ""),
    ];
    let mut table = Table::new(
        "sessions",
        "Sessions, each as judged by its own plan; with one seat, refitting is not included",
        columns,
    );
    for session in &stock.sessions {
        let holds = match about {
            About::All => true,
            About::Output(output) => session.output == *output,
            About::Headphone(headphone) => session.headphone == *headphone,
        };
        if !holds {
            continue;
        }
        let judgement = &session.judgement;
        let peaks: [Option<&Reading>; 2] = match &judgement.threshold {
            Threshold::Determined(stated) => [Some(&stated.positive), Some(&stated.negative)],
            _ => [None, None],
        };
        let doubts = judgement.flaws.iter().filter(|f| f.weight == crate::analysis::Weight::Doubt).count();
        table.rows.push(vec![
            Cell::text(&session.id),
            Cell::text(place(session, matrix)),
            Cell::text(session.output.words()),
            Cell::text(&session.headphone),
            Cell::text(when::words(&session.started_at)),
            Cell::reading(Some(&judgement.highest_clean.level_spl), 2),
            Cell::reading(Some(&judgement.highest_clean.drive), 2),
            Cell::reading(peaks[0], 2),
            Cell::reading(peaks[1], 2),
            Cell::reading(Some(&judgement.headroom.headroom_db), 2),
            Cell::estimate(judgement.ear_limit_from, 2),
            Cell::number(Some(session.seats as f64), 0),
            Cell::number(Some(doubts as f64), 0),
        ]);
    }
    (!table.rows.is_empty()).then(|| {
        let mut section = Section::new("The sessions behind them");
        section.paragraph("`loudenough report SESSION` shows how each of them was measured.");
        section.parts.push(Part::Table(table));
        section
    })
}
