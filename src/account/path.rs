//! A path check: an answer for each question and ear.

use super::document::{Cell, Column, Part, Section, Table};
use crate::card::InputRole;
use crate::judgement::path::{PathReport, path_report};
use crate::session::plan::Extent;
use crate::session::record::Record;

/// `None` of any other session.
pub fn section(record: &Record) -> Option<Section> {
    (record.head.plan.extent == Extent::PathCheck).then(|| of(&path_report(record)))
}

/// What a path check found.
pub fn of(report: &PathReport) -> Section {
    let columns = vec![Column::text("answer"), Column::text("question"), Column::text("ear"), Column::text("seen")];
    let mut table = Table::new("path-check", "", columns);
    for finding in &report.findings {
        let ear = finding.at.map_or("", InputRole::in_words);
        let cells = [finding.answer.to_string(), finding.what.to_string(), ear.into(), finding.text.clone()];
        table.rows.push(cells.into_iter().map(Cell::text).collect());
    }
    let mut section = Section::new("Path check");
    section.parts.push(Part::Table(table));
    section.paragraph(&report.sentence);
    section
}
