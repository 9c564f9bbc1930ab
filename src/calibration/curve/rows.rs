//! Rows of frequency and dB from plain text columns, whoever wrote them. What could mean two things is refused.

use super::encoding::{lines, text_of};
use super::fields::{Fields, Separator, fields};
use super::number::{HIGHEST_HZ, any, frequency, level_db};
use super::refused::{Refused, Trouble};
use super::{Decimal, FrequencyUnit, Stated};
use serde::{Deserialize, Serialize};

/// Rows of one frequency within this are one row printed with few figures; further apart they are two curves, dB.
const REPEATED_DB: f64 = 0.5;
/// A curve whose numbers end here or below may be in kHz: those that reach 192 kHz do, and none in Hz ends at 200 Hz.
const HIGHEST_KILOHERTZ: f64 = 200.0;
/// Letters kept of a row that was skipped.
const SHOWN: usize = 120;

/// One row.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Line in the file, from 1.
    pub line: usize,
    /// Hz.
    pub frequency_hz: f64,
    /// dB, as they stand there.
    pub level_db: f64,
}

/// A row that was not read, shown to the user.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SkippedRow {
    /// Line in the file, from 1.
    pub line: usize,
    /// Its beginning.
    pub text: String,
}

/// What the columns hold.
#[derive(Clone, Debug, PartialEq)]
pub struct Rows {
    /// Rising in frequency, each once.
    pub rows: Vec<Row>,
    /// Rows whose first field is no number (or 0 Hz, which has no logarithm).
    pub skipped: Vec<SkippedRow>,
    /// Frequencies that stood there more than once; their levels were averaged.
    pub repeated_hz: Vec<f64>,
    /// Numbers in a row beyond frequency, dB and phase: not read.
    pub unread_columns: usize,
}

/// A line that begins with a number, both marks still possible.
struct Candidate<'a> {
    line: usize,
    text: &'a str,
    fields: Fields,
}

/// Reads frequency and dB from the bytes of a text file.
///
/// # Errors
/// [`Refused`] with line and column, and what to state where the file leaves two readings open.
pub fn rows(bytes: &[u8], stated: &Stated) -> Result<Rows, Refused> {
    let text = text_of(bytes)?;
    let (mut candidates, mut skipped) = (Vec::new(), Vec::new());
    for (line, text) in lines(&text).filter(|(_, text)| !text.trim().is_empty()) {
        let fields = fields(text);
        if begins_with_a_number(&fields) {
            candidates.push(Candidate { line, text, fields });
        } else {
            skipped.push(skip(line, text));
        }
    }
    let decimal = decimal(&candidates, stated.decimal)?;
    let unit = unit(&candidates, decimal, stated.frequencies)?;
    let mut rows = Vec::new();
    for candidate in &candidates {
        let row = candidate.row(decimal, unit)?;
        if row.frequency_hz > 0.0 { rows.push(row) } else { skipped.push(skip(row.line, candidate.text)) }
    }
    let columns = same_columns(&candidates, decimal)?;
    if rows.is_empty() {
        return Err(Refused::NoRows { skipped: skipped.len() });
    }
    skipped.sort_by_key(|row| row.line);
    let (rows, repeated_hz) = merged(rows)?;
    Ok(Rows { rows, skipped, repeated_hz, unread_columns: columns.saturating_sub(3) })
}

impl Candidate<'_> {
    fn at(&self, column: usize, trouble: Trouble) -> Refused {
        Refused::At { line: self.line, column, trouble }
    }

    fn field(&self, column: usize) -> &str {
        self.fields.texts.get(column - 1).map_or("", String::as_str)
    }

    /// Numbers at the beginning of the row: frequency, dB, phase and whatever follows.
    fn numbers(&self, decimal: Decimal) -> usize {
        2 + self.fields.texts.iter().skip(2).take_while(|text| any(text, decimal).is_some()).count()
    }

    fn row(&self, decimal: Decimal, unit_hz: f64) -> Result<Row, Refused> {
        let text = self.field(1);
        let frequency_hz = frequency(text, decimal)
            .map(|f| f.number * f.unit_hz.unwrap_or(unit_hz))
            .filter(|hz| *hz <= HIGHEST_HZ)
            .ok_or_else(|| self.at(1, not_read(text, decimal, Trouble::Frequency)))?;
        let text = self.field(2);
        let level_db = level_db(text, decimal).ok_or_else(|| self.at(2, not_read(text, decimal, Trouble::Level)))?;
        Ok(Row { line: self.line, frequency_hz, level_db })
    }
}

/// Why a text is not the number that is wanted: `beyond` where it is a number at all.
fn not_read(text: &str, decimal: Decimal, beyond: fn(String) -> Trouble) -> Trouble {
    if any(text, decimal).is_some() {
        beyond(text.into())
    } else if any(text, decimal.other()).is_some() {
        Trouble::OtherMark { text: text.into(), stated: decimal }
    } else if text.is_empty() {
        Trouble::NoLevel("nothing".into())
    } else {
        Trouble::NoLevel(format!("`{text}`"))
    }
}

fn skip(line: usize, text: &str) -> SkippedRow {
    // A terminal must not obey what stands in a file.
    let shown = text.trim().chars().take(SHOWN).map(|c| if c.is_control() { ' ' } else { c });
    SkippedRow { line, text: shown.collect() }
}

/// True also for a number that is no frequency: it is refused later rather than passed over.
fn begins_with_a_number(fields: &Fields) -> bool {
    let Some(first) = fields.texts.first() else { return false };
    let plain = !first.ends_with(|c: char| c.is_alphabetic() || c == '°');
    [Decimal::Point, Decimal::Comma]
        .iter()
        .any(|mark| frequency(first, *mark).is_some() || (plain && any(first, *mark).is_some()))
}

/// The decimal mark of the whole file: as stated, else as its numbers prove it.
fn decimal(candidates: &[Candidate], stated: Option<Decimal>) -> Result<Decimal, Refused> {
    commas_are_clear(candidates, stated)?;
    if let Some(stated) = stated {
        return Ok(stated);
    }
    let (proof, open) = marks(candidates, &[1, 2])?;
    // A phase is not needed, but may show the mark.
    let proof = if proof.is_none() && open.is_some() { marks(candidates, &[3])?.0 } else { proof };
    match (proof, open) {
        (Some(mark), _) => Ok(mark),
        (None, Some(refused)) => Err(refused),
        (None, None) => Ok(Decimal::Point),
    }
}

/// The mark that some columns prove, and the first number that both marks can read.
fn marks(candidates: &[Candidate], columns: &[usize]) -> Result<(Option<Decimal>, Option<Refused>), Refused> {
    let mut proof: Option<(usize, usize, Decimal)> = None;
    let mut open = None;
    for (candidate, column) in candidates.iter().flat_map(|c| columns.iter().map(move |column| (c, *column))) {
        let text = candidate.field(column);
        let read = |mark| match column {
            1 => frequency(text, mark).map(|f| f.number),
            2 => level_db(text, mark),
            _ => any(text, mark),
        };
        let here = match (read(Decimal::Point), read(Decimal::Comma)) {
            (Some(_), None) => Decimal::Point,
            (None, Some(_)) => Decimal::Comma,
            (Some(as_point), Some(as_comma)) if as_point.total_cmp(&as_comma).is_ne() => {
                let trouble = || Trouble::OneOrThousand { text: text.into(), as_point, as_comma };
                open.get_or_insert_with(|| candidate.at(column, trouble()));
                continue;
            }
            _ => continue,
        };
        let (other_line, other_column, there) = *proof.get_or_insert((candidate.line, column, here));
        if there != here {
            let trouble = Trouble::BothMarks { text: text.into(), here, other_line, other_column, there };
            return Err(candidate.at(column, trouble));
        }
    }
    Ok((proof.map(|(_, _, mark)| mark), open))
}

/// Commas between columns must not be able to be decimal marks or marks between groups of three.
fn commas_are_clear(candidates: &[Candidate], stated: Option<Decimal>) -> Result<(), Refused> {
    if let Some(candidate) = candidates.iter().find(|c| c.is_cut_group()) {
        return Err(candidate.at(1, Trouble::Grouped(candidate.text.trim().into())));
    }
    let bare = || candidates.iter().filter(|c| c.fields.separator == Separator::Comma && !c.text.contains('"'));
    if stated == Some(Decimal::Comma)
        && let Some(candidate) = bare().next()
    {
        return Err(candidate.at(1, Trouble::CommaSeparates(candidate.text.trim().into())));
    }
    let proven = stated.is_some() || bare().any(|c| c.has_points() || c.is_only_columns());
    match bare().find(|c| c.fields.texts.len() > 2) {
        Some(candidate) if !proven => Err(candidate.at(1, Trouble::CommaTwice(candidate.text.trim().into()))),
        _ => Ok(()),
    }
}

impl Candidate<'_> {
    /// True where a column is a number with a decimal point.
    fn has_points(&self) -> bool {
        self.fields.texts.iter().any(|text| text.contains('.') && any(text, Decimal::Point).is_some())
    }

    /// True for three columns and more of which none can be the decimals of the one before.
    fn is_only_columns(&self) -> bool {
        let texts = &self.fields.texts;
        let digits = |text: &String| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        texts.len() > 2 && !texts.iter().skip(1).any(digits)
    }

    /// True where the separator may have cut `1,000` or `1 000` into two columns.
    fn is_cut_group(&self) -> bool {
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        let (first, second) = (self.field(1), self.field(2));
        let group = second.split(['.', ',']).next().unwrap_or("");
        let cut = digits(first)
            && first.len() <= 3
            && !first.starts_with('0')
            && group.len() == 3
            && digits(group)
            && second.bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b',');
        let soft = matches!(self.fields.separator, Separator::Blank | Separator::Comma) && !self.text.contains('"');
        soft && cut && (self.fields.texts.len() > 2 || group.starts_with('0'))
    }
}

/// What a frequency without a unit is counted in, Hz.
fn unit(candidates: &[Candidate], decimal: Decimal, stated: Option<FrequencyUnit>) -> Result<f64, Refused> {
    match stated {
        Some(FrequencyUnit::Hertz) => return Ok(1.0),
        Some(FrequencyUnit::Kilohertz) => return Ok(1000.0),
        None => {}
    }
    let all = || candidates.iter().filter_map(|c| frequency(c.field(1), decimal));
    let top = all().map(|f| f.number).fold(0.0, f64::max);
    match candidates.first() {
        Some(first) if top > 0.0 && top <= HIGHEST_KILOHERTZ && all().all(|f| f.unit_hz.is_none()) => {
            Err(first.at(1, Trouble::HertzOrKilohertz { top }))
        }
        _ => Ok(1.0),
    }
}

/// Numbers in each row; all rows have as many.
fn same_columns(candidates: &[Candidate], decimal: Decimal) -> Result<usize, Refused> {
    let Some(first) = candidates.first() else { return Ok(0) };
    let there = first.numbers(decimal);
    match candidates.iter().find(|c| c.numbers(decimal) != there) {
        Some(other) => {
            let here = other.numbers(decimal);
            Err(other.at(here.min(there) + 1, Trouble::Ragged { here, there, other_line: first.line }))
        }
        None => Ok(there),
    }
}

/// Sorted; rows of one frequency become one with their mean level.
fn merged(mut rows: Vec<Row>) -> Result<(Vec<Row>, Vec<f64>), Refused> {
    rows.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz).then(a.line.cmp(&b.line)));
    let (mut kept, mut repeated_hz) = (Vec::new(), Vec::new());
    for same in rows.chunk_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz).is_eq()) {
        let first = same[0];
        if let Some(other) = same.iter().find(|row| (row.level_db - first.level_db).abs() > REPEATED_DB) {
            let trouble = Trouble::TwoLevels {
                frequency_hz: other.frequency_hz,
                here_db: other.level_db,
                other_line: first.line,
                there_db: first.level_db,
            };
            return Err(Refused::At { line: other.line, column: 2, trouble });
        }
        if same.len() > 1 {
            repeated_hz.push(first.frequency_hz);
        }
        let level_db = same.iter().map(|row| row.level_db).sum::<f64>() / same.len() as f64;
        kept.push(Row { level_db, ..first });
    }
    Ok((kept, repeated_hz))
}
