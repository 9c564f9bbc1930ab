//! One session: the answer, its numbers, its pictures, how it was measured, what is wrong or limited, and enough that
//! another bench can repeat it.

mod brief;
mod glance;
mod measured;
mod numbers;
mod pictures;
mod scale;
mod seating;
mod sounds;
mod spectra;
mod steps;

pub use brief::brief;
pub(super) use measured::section as measured;
pub use measured::{clock_ppm, uncertainty};
pub use pictures::{Ends, clipping_curve, distortion, level, peaks, straight_line};
pub use scale::{Scale, ScaleMark, ScaleRole, ScaleSpan, finding};
pub use seating::picture as seating;
pub use sounds::section as sounds;
pub use spectra::{bands, response, sweep};
pub use steps::{table as steps, words as step_words};

use super::document::{Cell, Column, Document, Part, Section, Table};
use super::{Added, CAUTIONS, capital, imprint, music, path, when};
use crate::judgement::Judgement;
use crate::session::record::Record;

/// The whole report of a session as judged.
pub fn document(record: &Record, judgement: &Judgement, added: &Added) -> Document {
    let chain = &record.head.chain;
    let first = [glance::section(record, judgement), pictures::section(record, judgement)];
    let found = first.into_iter().chain(found(record, judgement));
    let how = [
        Some(measured(record, "measured", "How it was measured")),
        measured::uncertainty(judgement),
        Some(flaws(judgement)),
        sounds::section(record).map(Section::behind),
        Some(cautions()),
        steps::section(record).map(Section::behind),
    ];
    Document {
        title: capital(&format!("{} with {}", chain.output, chain.headphone)),
        answer: judgement.sentence.clone(),
        verdict: judgement.headroom.verdict.to_string(),
        bench: imprint::session(record).bench,
        written: format!(
            "Measured {}, session {}. {}",
            when::words(&record.head.started_at),
            record.head.id,
            added.written()
        ),
        sections: found.chain(added.sections()).chain(how).flatten().collect(),
        data: steps::data(record, judgement),
    }
}

/// What was found, without pictures.
fn found(record: &Record, judgement: &Judgement) -> [Option<Section>; 7] {
    [
        path::section(record),
        numbers::section(record, judgement),
        numbers::exposure(judgement),
        music::section(judgement),
        numbers::seats(judgement),
        numbers::isolation(judgement),
        numbers::taper(judgement),
    ]
}

/// What follows the sentence where there is little room: what was found.
pub fn answer(record: &Record, judgement: &Judgement) -> Vec<Section> {
    found(record, judgement).into_iter().flatten().collect()
}

/// What its numbers stand on.
pub fn stands_on(judgement: &Judgement) -> Vec<Section> {
    [measured::uncertainty(judgement), Some(flaws(judgement))].into_iter().flatten().collect()
}

/// The steps and what else was played, as while it was measured.
pub fn played(record: &Record) -> Vec<Section> {
    [steps::section(record), sounds::section(record)].into_iter().flatten().collect()
}

/// What is wrong or limited, each with its weight.
fn flaws(judgement: &Judgement) -> Section {
    let mut section = Section::new("Doubts and notes");
    section.paragraph(
        "A note is a limit of validity: the verdict stays firm. A doubt widens a number or makes it one-sided, and the verdict follows.",
    );
    let columns =
        vec![Column::text("weight"), Column::text("about"), Column::text("code").aside(), Column::text("what")];
    let mut table = Table::new("flaws", "Flaws, heaviest first", columns);
    for flaw in &judgement.flaws {
        let about = flaw.about.to_string();
        let cells = [flaw.weight.in_words(), about.as_str(), flaw.code.as_str(), flaw.text.as_str()];
        table.rows.push(cells.into_iter().map(Cell::text).collect());
    }
    section.parts.push(match table.rows.is_empty() {
        true => Part::Paragraph("Nothing was found.".into()),
        false => Part::Table(table),
    });
    section
}

pub(super) fn cautions() -> Section {
    let mut section = Section::new("Cautions");
    section.parts.push(Part::Cautions(CAUTIONS.iter().map(|caution| (*caution).into()).collect()));
    section
}
