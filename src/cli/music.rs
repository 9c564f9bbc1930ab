//! How the listener's own music is shown in a terminal.

use super::show::{reading, tidy};
use crate::judgement::Judgement;
use crate::judgement::music::{Needs, PieceJudged};
use crate::session::record::Record;
use crate::stats::Reading;
use std::io::{Result, Write};

/// Widest name in a table, characters.
const NAME: usize = 28;

/// Every piece on one pairing.
pub(super) fn table(judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    if judgement.music.is_empty() {
        return Ok(());
    }
    writeln!(
        out,
        "\n{:NAME$} {:>6} {:>8} {:>8} {:>8} {:>7} {:>8} {:>6} {:>6}",
        "music", "min", "peak/avg", "average", "peak", "V peak", "headroom", "near", "room"
    )?;
    writeln!(
        out,
        "{:NAME$} {:>6} {:>8} {:>8} {:>8} {:>7} {:>8} {:>6} {:>6}",
        "", "", "dB", "dBFS", "dB re FS", "", "dB", "%", "dB"
    )?;
    for piece in &judgement.music {
        row(piece, out)?;
    }
    writeln!(
        out,
        "average, peak, V: drive at the listening level; headroom: of pink noise, needed; near: share of the time within 3 dB of the limit; ≥ at least"
    )?;
    for piece in &judgement.music {
        details(piece, out)?;
    }
    writeln!(out)
}

fn row(piece: &PieceJudged, out: &mut dyn Write) -> Result<()> {
    let blank = || "·".to_string();
    let needed = piece.needed();
    let cell = |value: Option<f64>, places: usize| value.map_or_else(blank, |value| tidy(value, places));
    let average = cell(needed.map(|n| n.average_dbfs.value), 1);
    let peak = cell(needed.map(|n| n.highest_db().value), 1);
    let volts = cell(needed.and_then(|n| n.highest_v()).map(|v| v.value), 3);
    let near = cell(needed.and_then(|n| n.near_limit).map(|share| 100.0 * share), 1);
    writeln!(
        out,
        "{:NAME$} {:>6} {:>8} {average:>8} {peak:>8} {volts:>7} {:>8} {near:>6} {:>6}  {}",
        short(&piece.file),
        tidy(piece.seconds / 60.0, 1),
        tidy(piece.peak_over_average_db, 1),
        reading(&piece.headroom_needed_db),
        reading(&piece.room_db),
        piece.answer()
    )
}

/// What the table has no room for.
fn details(piece: &PieceJudged, out: &mut dyn Write) -> Result<()> {
    writeln!(out, "{:NAME$} {}", short(&piece.file), piece.over_time())?;
    if matches!(piece.room_db, Reading::NotTold(_)) && matches!(piece.needs, Needs::Told(_)) {
        writeln!(out, "{:NAME$} {}", "", piece.because)?;
    }
    if let Some(mislabelled) = &piece.mislabelled {
        writeln!(out, "{:NAME$} {mislabelled}", "")?;
    }
    Ok(())
}

/// Which pairings have it: pieces down, sessions across.
pub(super) fn pairings(sessions: &[(Record, Judgement)], out: &mut dyn Write) -> Result<()> {
    writeln!(out, "\nroom over the highest peak, dB; negative: missing; ≥ at least; · not told")?;
    for (n, (record, _)) in sessions.iter().enumerate() {
        writeln!(out, "  {}  {} → {}", n + 1, record.head.chain.output, record.head.chain.headphone)?;
    }
    let heads: String = (1..=sessions.len()).map(|n| format!(" {n:>7}")).collect();
    writeln!(out, "{:NAME$}{heads}", "music")?;
    let Some((_, first)) = sessions.first() else { return Ok(()) };
    for (i, piece) in first.music.iter().enumerate() {
        let cells: String = sessions
            .iter()
            .map(|(_, judgement)| judgement.music.get(i).map_or("·".into(), |p| reading(&p.room_db)))
            .map(|cell| format!(" {cell:>7}"))
            .collect();
        writeln!(out, "{:NAME$}{cells}", short(&piece.file))?;
    }
    Ok(())
}

fn short(name: &str) -> String {
    if name.chars().count() <= NAME {
        return name.into();
    }
    let kept: String = name.chars().take(NAME - 1).collect();
    format!("{kept}…")
}
