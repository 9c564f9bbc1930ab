//! The map of an output as tables: its borders, and the headphones of the stock on it.

use super::pairings::DB;
use crate::account::document::{Cell, Column, Part, Section, Table};
use crate::figure::Figure;
use crate::stock::Map;
use crate::units::{amplitude_from_db, tidy};

/// What a headphone must give for a volt, and what those of the stock give.
pub fn sections(map: &Map) -> Vec<Section> {
    let mut section = Section::new(format!("Map of {}", map.output));
    section.paragraph(format!(
        "Listening level {} dB SPL, Z at the point, {}. A headphone's level and verdict are those of its pairing, measured where a session exists; \"below\" beside a border: no limit was seen, the output may drive less sensitive ones too.",
        tidy(map.listening_z, 1),
        map.level_from.words()
    ));
    section.parts.push(Part::Table(borders(map, "map-borders")));
    let headphones = headphones(map);
    if !headphones.rows.is_empty() {
        section.parts.push(Part::Table(headphones));
    }
    vec![section]
}

/// By impedance; `name` is that of its file.
pub(super) fn borders(map: &Map, name: &str) -> Table {
    let columns = vec![
        Column::numbers("impedance", "Ω"),
        Column::readings("pink noise at the plug", "V RMS"),
        Column::readings("ample", "dB SPL"),
        Column::readings("borderline", "dB SPL"),
        Column::readings("reaches the listening level", "dB SPL"),
        Column::text("stopped by"),
    ];
    let title = "Level that a headphone must reach with 1 V of pink noise at its plug";
    let mut table = Table::new(name, title, columns);
    for column in &map.columns {
        let [ample, borderline, reaches] = column.borders_db.each_ref().map(|border| Cell::reading(Some(border), DB));
        table.rows.push(vec![
            Cell::number(Some(column.ohm), 1),
            Cell::Figure(Figure::significant(column.volts_db.rescaled(amplitude_from_db))),
            ample,
            borderline,
            reaches,
            Cell::text(column.stopped_by.map_or("", |by| by.words())),
        ]);
    }
    table
}

fn headphones(map: &Map) -> Table {
    let columns = vec![
        Column::text("headphone"),
        Column::readings("impedance at 1 kHz", "Ω"),
        Column::readings("for 1 V of pink noise", "dB SPL"),
        Column::numbers("for 1 mW", "dB SPL"),
        Column::readings("highest clean level", "dB SPL"),
        Column::text("verdict"),
    ];
    let mut table = Table::new("map-headphones", "Headphones of the stock", columns);
    for point in &map.points {
        table.rows.push(vec![
            Cell::text(&point.headphone),
            Cell::Figure(Figure::significant(point.ohm)),
            Cell::estimate(Some(point.per_volt_db), DB),
            Cell::number(Some(point.per_milliwatt_db()), DB),
            Cell::reading(Some(&point.says.level_spl), DB),
            Cell::text(point.says.verdict.to_string()),
        ]);
    }
    table
}
