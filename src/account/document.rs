//! An account before it has a format: what is said, in which order, with every number as a value.
//!
//! ```text
//! Document ── title, answer
//!    └─ Section ── Paragraph · Caution · List · Table · Picture        shown by every writer
//!    └─ data ── Table                                                  too long to read: CSV only
//! ```
//!
//! A number keeps its interval and its fixed places here, so that every writer prints the same digits.

use super::picture::{Bench, Picture};
pub use crate::figure::Figure;
use crate::stats::{Estimate, Reading};

/// Stands where a cell holds nothing.
pub const NOTHING: &str = "–";

/// A whole report.
#[derive(Clone, Debug, PartialEq)]
pub struct Document {
    /// What it is about.
    pub title: String,
    /// The answer in a sentence.
    pub answer: String,
    /// What the answer is called, in words; empty where it has no name.
    pub verdict: String,
    /// Whether the devices were simulated: said before everything else.
    pub bench: Bench,
    /// Who wrote it, and when.
    pub written: String,
    /// In reading order.
    pub sections: Vec<Section>,
    /// Tables that are for machines.
    pub data: Vec<Table>,
}

/// A part under a heading.
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    /// The heading.
    pub title: String,
    /// In reading order.
    pub parts: Vec<Part>,
    /// How the answer was come by: folded until it is opened, and not printed before.
    pub is_behind: bool,
}

/// Something that is shown.
#[derive(Clone, Debug, PartialEq)]
pub enum Part {
    /// Plain text.
    Paragraph(String),
    /// What must not be overlooked.
    Caution(String),
    /// Sentences under each other.
    List(Vec<String>),
    /// What the user must not do and must look to: small on paper, never left out.
    Cautions(Vec<String>),
    /// A table.
    Table(Table),
    /// A picture.
    Picture(Box<Picture>),
}

/// A table, also written as CSV.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Name of its file without the ending: plain ASCII, ours.
    pub name: String,
    /// What it shows.
    pub title: String,
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows, each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
    /// So many cells in front name their row.
    pub keys: usize,
}

/// A column.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Its head.
    pub name: String,
    /// Unit of its numbers; empty where they have none, or each row its own.
    pub unit: &'static str,
    /// What its cells hold.
    pub holds: Holds,
    /// For pages and files: left out in a terminal.
    pub aside: bool,
}

/// What the cells of a column hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// Text.
    Text,
    /// Numbers that are exact or whose interval is not known.
    Numbers,
    /// Readings: value, interval, and what kind of statement it is. In CSV four columns.
    Readings,
}

/// A cell.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Nothing there.
    Empty,
    /// Text.
    Text(String),
    /// A number.
    Figure(Figure),
}

impl Section {
    /// An empty one.
    pub fn new(title: impl Into<String>) -> Section {
        Section { title: title.into(), parts: Vec::new(), is_behind: false }
    }

    /// Folded until it is opened.
    pub fn behind(self) -> Section {
        Section { is_behind: true, ..self }
    }

    /// Its text.
    pub fn paragraph(&mut self, text: impl Into<String>) {
        self.parts.push(Part::Paragraph(text.into()));
    }
}

impl Table {
    /// An empty one.
    pub fn new(name: impl Into<String>, title: impl Into<String>, columns: Vec<Column>) -> Table {
        Table { name: name.into(), title: title.into(), columns, rows: Vec::new(), keys: 1 }
    }

    /// A row as a sentence would list it: `step 5; drive −30.5 dBFS; level, Z 80.12 ±0.42 dB SPL`.
    pub fn row_words(&self, row: &[Cell]) -> String {
        let named = |(column, cell): (&Column, &Cell)| match cell {
            Cell::Empty => None,
            Cell::Text(words) => Some(words.clone()),
            Cell::Figure(figure) => Some(match column.unit {
                "" => format!("{} {}", column.name, figure.words()),
                unit => format!("{} {}", column.name, figure.in_unit(unit)),
            }),
        };
        self.columns.iter().zip(row).filter_map(named).collect::<Vec<_>>().join("; ")
    }
}

impl Column {
    /// Of text.
    pub fn text(name: &str) -> Column {
        Column { name: name.into(), unit: "", holds: Holds::Text, aside: false }
    }

    /// Of exact numbers.
    pub fn numbers(name: &str, unit: &'static str) -> Column {
        Column { name: name.into(), unit, holds: Holds::Numbers, aside: false }
    }

    /// Of readings.
    pub fn readings(name: &str, unit: &'static str) -> Column {
        Column { name: name.into(), unit, holds: Holds::Readings, aside: false }
    }

    /// The same, left out in a terminal.
    pub fn aside(self) -> Column {
        Column { aside: true, ..self }
    }

    /// Name and unit.
    pub fn head(&self) -> String {
        if self.unit.is_empty() { self.name.clone() } else { format!("{}, {}", self.name, self.unit) }
    }
}

impl Cell {
    /// Text; empty where there is none.
    pub fn text(text: impl Into<String>) -> Cell {
        let text = text.into();
        if text.is_empty() { Cell::Empty } else { Cell::Text(text) }
    }

    /// An exact number; empty where there is none, or none that can be written.
    pub fn number(value: Option<f64>, places: usize) -> Cell {
        Cell::estimate(value.map(Estimate::exact), places)
    }

    /// A number with its interval; likewise.
    pub fn estimate(value: Option<Estimate>, places: usize) -> Cell {
        Cell::reading(value.map(Reading::Determined).as_ref(), places)
    }

    /// A reading; likewise.
    pub fn reading(reading: Option<&Reading>, places: usize) -> Cell {
        let written = |r: &&Reading| match r {
            Reading::Determined(e) | Reading::AtLeast(e) => !e.value.is_nan(),
            Reading::Below(at) => !at.is_nan(),
            Reading::NotDetermined(_) => true,
        };
        reading.filter(written).map_or(Cell::Empty, |reading| Cell::Figure(Figure::new(reading, places)))
    }

    /// As people read it.
    pub fn words(&self) -> String {
        match self {
            Cell::Empty => NOTHING.into(),
            Cell::Text(words) => words.clone(),
            Cell::Figure(figure) => figure.words(),
        }
    }
}
