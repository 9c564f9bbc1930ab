//! A report before it has a format: what is said, in which order, with every number as a value.
//!
//! ```text
//! Document ── title, answer
//!    └─ Section ── Paragraph · Caution · List · Table · Picture        shown by every writer
//!    └─ data ── Table                                                  too long to read: CSV only
//! ```
//!
//! A number keeps its interval and its fixed places here, so that every writer prints the same digits.

use super::picture::Picture;
use crate::stats::{Estimate, Reading};
use crate::units::tidy;

/// A whole report.
#[derive(Clone, Debug, PartialEq)]
pub struct Document {
    /// What it is about.
    pub title: String,
    /// The answer in a sentence.
    pub answer: String,
    /// What the answer is called, in words; empty where it has no name.
    pub verdict: String,
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
    /// Its rows, each as long as `columns`; the first cell heads its row.
    pub rows: Vec<Vec<Cell>>,
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
}

/// What the cells of a column hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// Text.
    Text,
    /// Numbers that are exact or whose interval is not told.
    Numbers,
    /// Readings: value, interval, and what is told. In CSV four columns.
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

/// A number as every writer prints it.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Value and interval, or what is told instead.
    pub reading: Reading,
    /// Places after the point.
    pub places: usize,
}

impl Section {
    /// An empty one.
    pub fn new(title: impl Into<String>) -> Section {
        Section { title: title.into(), parts: Vec::new() }
    }

    /// Its text.
    pub fn paragraph(&mut self, text: impl Into<String>) {
        self.parts.push(Part::Paragraph(text.into()));
    }
}

impl Table {
    /// An empty one.
    pub fn new(name: impl Into<String>, title: impl Into<String>, columns: Vec<Column>) -> Table {
        Table { name: name.into(), title: title.into(), columns, rows: Vec::new() }
    }
}

impl Column {
    /// Of text.
    pub fn text(name: &str) -> Column {
        Column { name: name.into(), unit: "", holds: Holds::Text }
    }

    /// Of exact numbers.
    pub fn numbers(name: &str, unit: &'static str) -> Column {
        Column { name: name.into(), unit, holds: Holds::Numbers }
    }

    /// Of readings.
    pub fn readings(name: &str, unit: &'static str) -> Column {
        Column { name: name.into(), unit, holds: Holds::Readings }
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
        Cell::reading(value.map(Reading::Told).as_ref(), places)
    }

    /// A reading; likewise.
    pub fn reading(reading: Option<&Reading>, places: usize) -> Cell {
        let written = |r: &&Reading| match r {
            Reading::Told(e) | Reading::AtLeast(e) => e.value.is_finite(),
            Reading::Below(at) => at.is_finite(),
            Reading::NotTold(_) => true,
        };
        reading.filter(written).map_or(Cell::Empty, |reading| Cell::Figure(Figure { reading: reading.clone(), places }))
    }
}

impl Figure {
    /// As people read it: `94.31 ±0.92`, `at least 94.31 ±0.92`, `below −62.1`, `not told`.
    pub fn words(&self) -> String {
        match &self.reading {
            Reading::Told(e) => self.with_interval(e),
            Reading::AtLeast(e) => format!("at least {}", self.with_interval(e)),
            Reading::Below(at) => format!("below {}", tidy(*at, self.places)),
            Reading::NotTold(_) => self.told().into(),
        }
    }

    /// What is told of it, as machines read it.
    pub fn told(&self) -> &'static str {
        match &self.reading {
            Reading::Told(_) => "told",
            Reading::AtLeast(_) => "at least",
            Reading::Below(_) => "below",
            Reading::NotTold(_) => "not told",
        }
    }

    /// Value, lower and upper end as machines read them; `None` where there is none.
    pub fn plain(&self) -> [Option<String>; 3] {
        let one = |v: f64| v.is_finite().then(|| tidy(v, self.places).replace('−', "-"));
        match &self.reading {
            Reading::Told(e) | Reading::AtLeast(e) => [one(e.value), one(e.interval.low), one(e.interval.high)],
            Reading::Below(at) => [one(*at), None, one(*at)],
            Reading::NotTold(_) => [None, None, None],
        }
    }

    fn with_interval(&self, e: &Estimate) -> String {
        with_interval(e, self.places)
    }
}

/// Ends so much nearer on one side than on the other are told themselves.
const LOPSIDED: f64 = 0.8;

/// Value and half width, `94.31 ±0.92`, or both ends where one is much nearer, `15.6 (5.6 to 43.8)`; a narrow interval keeps
/// a figure of its own.
pub fn with_interval(e: &Estimate, places: usize) -> String {
    let value = tidy(e.value, places);
    let half_width = e.half_width();
    if half_width <= 0.0 {
        return value;
    }
    if !half_width.is_finite() {
        // Of a sum of powers whose lower end is nothing: that end has no decibels.
        let high = e.interval.high;
        return if high.is_finite() { format!("{value}, at most {}", tidy(high, places)) } else { value };
    }
    let (below, above) = (e.value - e.interval.low, e.interval.high - e.value);
    if below.min(above) < LOPSIDED * below.max(above) && half_width > 0.5 * 10f64.powi(-(places as i32)) {
        return format!("{value} ({} to {})", tidy(e.interval.low, places), tidy(e.interval.high, places));
    }
    // "±0.00" would claim exactness.
    let needed = (-half_width.log10()).ceil().max(0.0) as usize;
    format!("{value} ±{half_width:.*}", places.max(needed.min(MOST_PLACES)))
}

/// Most places after the point of a half width.
const MOST_PLACES: usize = 6;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Interval;

    fn figure(reading: Reading, places: usize) -> Figure {
        Figure { reading, places }
    }

    #[test]
    fn people_and_machines_read_the_same_digits() {
        let told = figure(Reading::Told(Estimate::symmetric(-12.345, 0.62)), 1);
        assert_eq!(told.words(), "−12.3 ±0.6");
        assert_eq!(told.plain().map(Option::unwrap), ["-12.3", "-13.0", "-11.7"]);
        assert_eq!(figure(Reading::AtLeast(Estimate::symmetric(25.3, 0.92)), 2).words(), "at least 25.30 ±0.92");
        assert_eq!(figure(Reading::Below(-62.04), 1).words(), "below −62.0");
        assert_eq!(figure(Reading::Below(-62.04), 1).plain(), [Some("-62.0".into()), None, Some("-62.0".into())]);
        assert_eq!(figure(Reading::NotTold("why".into()), 1).words(), "not told");
    }

    #[test]
    fn an_interval_never_reads_as_none_and_an_open_end_is_named() {
        assert_eq!(figure(Reading::Told(Estimate::symmetric(-6.02, 0.004)), 2).words(), "−6.02 ±0.004");
        assert_eq!(figure(Reading::Told(Estimate::exact(-0.001)), 1).words(), "0.0");
        let open = Estimate { value: -50.0, interval: Interval { low: f64::NEG_INFINITY, high: -47.0 } };
        assert_eq!(figure(Reading::Told(open), 1).words(), "−50.0, at most −47.0");
        assert_eq!(figure(Reading::Told(open), 1).plain()[1], None);
        assert_eq!(Cell::number(Some(f64::NAN), 1), Cell::Empty);
    }

    #[test]
    fn ends_at_unlike_distances_are_told_themselves() {
        let of = |value, low, high| with_interval(&Estimate { value, interval: Interval { low, high } }, 2);
        assert_eq!(of(94.31, 93.39, 95.23), "94.31 ±0.92");
        assert_eq!(of(15.62, 5.58, 43.76), "15.62 (5.58 to 43.76)");
        assert_eq!(of(1.0, 0.9988, 1.0002), "1.00 ±0.0007", "too near for these places");
    }
}
