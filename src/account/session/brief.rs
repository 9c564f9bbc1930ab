//! The answer in at most twelve lines: what a terminal shows first.

use crate::analysis::{Flaw, Weight};
use crate::figure::Figure;
use crate::judgement::Judgement;
use crate::session::record::Record;
use crate::stats::{Estimate, Reading};
use crate::units::tidy;

/// Letters of the bar from the listening level to the clean limit.
const BAR: usize = 46;
/// Doubts that are shown; the others are counted.
const DOUBTS: usize = 3;

/// One paragraph an item, the sentence first.
pub fn brief(record: &Record, judgement: &Judgement) -> Vec<String> {
    let doubts: Vec<&Flaw> = judgement.flaws.iter().filter(|f| f.weight == Weight::Doubt).collect();
    let notes = judgement.flaws.iter().filter(|f| f.weight == Weight::Note).count();
    let shown = doubts.iter().take(DOUBTS).map(|flaw| format!("Doubt: {}", first_sentence(&flaw.text)));
    let more = doubts.len().saturating_sub(DOUBTS);
    let counted = match (more, notes) {
        (0, 0) => String::new(),
        (0, notes) => format!("{}. ", counted(notes, "note")),
        (more, notes) => format!("{} more and {}. ", counted(more, "doubt"), counted(notes, "note")),
    };
    [Some(judgement.sentence.clone()), bar(judgement), peaks(record, judgement)]
        .into_iter()
        .flatten()
        .chain(shown)
        .chain([format!("{counted}Steps and every figure: add --details.")])
        .collect()
}

/// `70.0 ├───── headroom 25.3 ±0.9 dB ─────┤ 95.3 dB SPL: ample`.
fn bar(judgement: &Judgement) -> Option<String> {
    let headroom = &judgement.headroom;
    let (e, open): (&Estimate, bool) = match &headroom.headroom_db {
        Reading::Determined(e) => (e, false),
        Reading::AtLeast(e) => (e, true),
        Reading::Below(_) | Reading::NotDetermined(_) => return None,
    };
    let (from, to) = (headroom.listening_z?, judgement.highest_clean.level_spl.estimate()?);
    if e.value < 0.0 {
        return Some(format!(
            "{} dB SPL clean ├ {} dB short of ┤ {} dB SPL: {}",
            tidy(to.value, 1),
            tidy(-e.value, 1),
            tidy(from.db(), 1),
            headroom.verdict
        ));
    }
    let words = format!(" headroom {} dB ", Figure::new(&headroom.headroom_db, 1).words());
    let left = BAR.saturating_sub(words.chars().count());
    let [before, after] = [left / 2, left - left / 2].map(|n| "─".repeat(n));
    let end = if open { "→" } else { "┤" };
    let (from, to) = (tidy(from.db(), 1), tidy(to.value, 1));
    Some(format!("{from} ├{before}{words}{after}{end} {to} dB SPL: {}", headroom.verdict))
}

/// Peak headroom, and how much of the output it takes.
fn peaks(record: &Record, judgement: &Judgement) -> Option<String> {
    judgement.headroom.headroom_db.estimate()?;
    let peak = Figure::new(&judgement.headroom.peak_headroom_db, 1).words();
    let used = judgement.drive_needed.as_ref().map_or(String::new(), |needed| {
        let share = Figure::significant(needed.listening.share_percent).words();
        format!(", peaks at the listening level reach {share} % of full scale")
    });
    let seats = match judgement.seats.first().map_or(0, |seats| seats.tight()) {
        0 | 1 => ", one seat".to_string(),
        seats => format!(", {seats} seats"),
    };
    let calibrated = if record.head.chain.is_calibrated() { "" } else { ", not calibrated" };
    Some(format!("Peak headroom {peak} dB{used}{seats}{calibrated}."))
}

fn first_sentence(text: &str) -> &str {
    text.split_inclusive(". ").next().unwrap_or(text).trim_end()
}

fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}
