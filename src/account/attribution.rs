//! Where the distortion comes from, as a section.

use super::capital;
use super::document::{Cell, Column, Part, Section, Table};
use crate::judgement::attribution::Attribution;
use crate::session::record::Record;

/// Of the first of these sessions, in the order in which they were held against it.
pub fn section(attribution: &Attribution, sessions: &[&Record]) -> Section {
    let columns = vec![
        Column::text("product"),
        Column::readings("in session 1, re its stimulus", "dB"),
        Column::text("whose"),
        Column::text("because it"),
    ];
    let mut table = Table::new("whose-distortion", "Distortion of session 1, and what causes each product", columns);
    for product in attribution.rows() {
        table.rows.push(vec![
            Cell::text(product.name()),
            Cell::estimate(Some(product.size_db), 1),
            Cell::text(product.owner.to_string()),
            Cell::text(product.proofs_in_words()),
        ]);
    }
    let mut section = Section::new("Where the distortion comes from");
    section.paragraph(capital(&format!("{}.", attribution.question())));
    let named = (1..).zip(sessions).map(|(n, record)| {
        let chain = &record.head.chain;
        format!("Session {n}: {} with {}, {}.", chain.output, chain.headphone, record.head.id)
    });
    let named = named.collect();
    section.parts.push(Part::List(named));
    if !table.rows.is_empty() {
        section.parts.push(Part::Table(table));
    }
    let lines: Vec<String> = attribution.lines().iter().map(|line| capital(&format!("{line}."))).collect();
    if !lines.is_empty() {
        section.parts.push(Part::List(lines));
    }
    section
}
