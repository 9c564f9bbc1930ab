//! The listener's own music, as sections.

use super::document::{Cell, Column, Part, Section, Table};
use crate::judgement::Judgement;
use crate::judgement::music::{Needs, PieceJudged};
use crate::session::record::Record;
use crate::stats::Reading;

/// Places of levels.
const DB: usize = 1;

/// Every piece on one pairing; `None` without music.
pub fn section(judgement: &Judgement) -> Option<Section> {
    of(&judgement.music)
}

/// The same of these pieces.
pub fn of(pieces: &[PieceJudged]) -> Option<Section> {
    if pieces.is_empty() {
        return None;
    }
    let mut section = Section::new("The listener's own music");
    section.paragraph("Each piece is scaled so that its level at the point, through the response measured here, is the listening level. What is left is the distance from its highest peak to the limit of the output; a negative value is missing. Nothing of the music was stored.");
    section.parts.push(Part::Table(needs(pieces)));
    section.parts.push(Part::Table(of_time(pieces)));
    let why: Vec<String> = pieces.iter().filter_map(remark).collect();
    if !why.is_empty() {
        section.parts.push(Part::List(why));
    }
    Some(section)
}

fn needs(pieces: &[PieceJudged]) -> Table {
    let columns = vec![
        Column::text("piece"),
        Column::numbers("length", "min"),
        Column::numbers("true peak over average", "dB"),
        Column::readings("average drive", "dBFS"),
        Column::readings("highest peak", "dB re full scale"),
        Column::readings("highest peak", "V"),
        Column::readings("headroom needed, of pink noise", "dB"),
        Column::numbers("time within 3 dB of the limit", "%"),
        Column::readings("room", "dB"),
        Column::text("it plays"),
    ];
    let mut table = Table::new("music", "What each piece needs at the listening level", columns);
    for piece in pieces {
        let needed = piece.needed();
        table.rows.push(vec![
            Cell::text(&piece.file),
            Cell::number(Some(piece.seconds / 60.0), 1),
            Cell::number(Some(piece.peak_over_average_db), DB),
            Cell::estimate(needed.map(|n| n.average_dbfs), DB),
            Cell::estimate(needed.map(|n| n.highest_db()), DB),
            Cell::estimate(needed.and_then(|n| n.highest_v()), 3),
            Cell::reading(Some(&piece.headroom_needed_db), DB),
            Cell::number(needed.and_then(|n| n.near_limit).map(|share| 100.0 * share), 1),
            Cell::reading(Some(&piece.room_db), DB),
            Cell::text(piece.answer()),
        ]);
    }
    table
}

/// Percentiles over time, and what names the file for ever.
fn of_time(pieces: &[PieceJudged]) -> Table {
    let columns = vec![
        Column::text("piece"),
        Column::text("exceeded for"),
        Column::numbers("short-term level at the ear, re average", "dB"),
        Column::numbers("peaks at the output, re full scale", "dB"),
        Column::text("hash of the file").aside(),
    ];
    let mut table =
        Table::new("music-over-time", "Short-term levels (0.4 s) and peaks (of 0.2 s each) over time", columns);
    for piece in pieces {
        let peaks = piece.needed().map_or([None; 4], |needed| needed.peaks_db);
        for (i, of_time) in ["1 %", "10 %", "50 %", "90 %"].into_iter().enumerate() {
            table.rows.push(vec![
                Cell::text(&piece.file),
                Cell::text(format!("{of_time} of the time")),
                Cell::number(piece.short_term_db[i], DB),
                Cell::number(peaks[i], DB),
                Cell::text(if i == 0 { piece.hash.as_str() } else { "" }),
            ]);
        }
    }
    table
}

/// What a piece needs said.
fn remark(piece: &PieceJudged) -> Option<String> {
    let why = match (&piece.needs, &piece.room_db) {
        (Needs::NotDetermined(why), _) => Some(format!("{}: drive not determined: {why}.", piece.file)),
        (_, Reading::NotDetermined(_)) => Some(format!("{}: {}.", piece.file, piece.because)),
        _ => None,
    };
    let mislabelled = piece.mislabelled.as_ref().map(|words| format!("{}: {words}.", piece.file));
    let clipped = piece.clipped_places.map(|places| {
        format!(
            "{}: the file itself is clipped, in {places} places. No output can undo that, and the figures do not include the peaks that were cut off.",
            piece.file
        )
    });
    let remarks: Vec<String> = [why, mislabelled, clipped].into_iter().flatten().collect();
    (!remarks.is_empty()).then(|| remarks.join(" "))
}

/// Which pairings have it: a row for each piece on each pairing; `None` without music.
pub fn pairings(sessions: &[(Record, Judgement)]) -> Option<Section> {
    let columns =
        vec![Column::text("piece"), Column::text("pairing"), Column::readings("room", "dB"), Column::text("it plays")];
    let mut table =
        Table::new("music-pairings", "Headroom over the highest peak; a negative value is missing", columns);
    let (_, first) = sessions.first()?;
    for (i, piece) in first.music.iter().enumerate() {
        for (record, judgement) in sessions {
            let Some(judged) = judgement.music.get(i) else { continue };
            let chain = &record.head.chain;
            table.rows.push(vec![
                Cell::text(&piece.file),
                Cell::text(format!("{} with {}", chain.output, chain.headphone)),
                Cell::reading(Some(&judged.room_db), DB),
                Cell::text(judged.answer()),
            ]);
        }
    }
    if table.rows.is_empty() {
        return None;
    }
    let mut section = Section::new("The listener's own music");
    section.parts.push(Part::Table(table));
    Some(section)
}
