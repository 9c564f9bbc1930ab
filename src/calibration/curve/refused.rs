//! Why a file was not read as a curve, where, and what the user has to state.

use super::Decimal;

/// A curve file that is not read. Where it could mean two things, the message says which statement decides.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refused {
    /// Not text at all.
    #[error("this is no text file: {0}; save the curve as plain text")]
    NoText(String),
    /// Nothing that begins with a number.
    #[error(
        "no row begins with a frequency, so there is no curve in it ({skipped} rows skipped); a row is a frequency and its dB"
    )]
    NoRows {
        /// Rows skipped.
        skipped: usize,
    },
    /// One row is no line.
    #[error("a curve needs at least two frequencies, this has only {0} Hz")]
    OneRow(f64),
    /// Something in a row.
    #[error("line {line}, column {column}: {trouble}")]
    At {
        /// From 1.
        line: usize,
        /// Column of the table, from 1 (1 is the frequency, 2 the dB).
        column: usize,
        /// What.
        trouble: Trouble,
    },
}

/// What is wrong at one place of a file.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Trouble {
    /// No dB where they must stand.
    #[error("instead of a level in dB there is {0}; every row needs one after its frequency")]
    NoLevel(String),
    /// A level no curve has.
    #[error("`{0}` is not a curve level: it lies outside ±200 dB")]
    Level(String),
    /// A frequency no curve has.
    #[error("`{0}` is not a curve frequency: it lies outside 0 Hz to 1 MHz")]
    Frequency(String),
    /// One or a thousand.
    #[error(
        "`{text}` is {as_point} with a decimal point, {as_comma} with a decimal comma, and nothing in the file decides; state `decimal = point` or `decimal = comma`"
    )]
    OneOrThousand {
        /// As it stands there.
        text: String,
        /// Its value with a decimal point.
        as_point: f64,
        /// Its value with a decimal comma.
        as_comma: f64,
    },
    /// Points here, commas there.
    #[error(
        "`{text}` has a decimal {here}, but line {other_line}, column {other_column} has a decimal {there}; write all numbers one way"
    )]
    BothMarks {
        /// As it stands there.
        text: String,
        /// Mark here.
        here: Decimal,
        /// Where the other mark stands.
        other_line: usize,
        /// Its column.
        other_column: usize,
        /// Mark there.
        there: Decimal,
    },
    /// A number, but not with the mark that was stated.
    #[error("`{text}` is not a number with a decimal {stated}; state the other mark or mend the row")]
    OtherMark {
        /// As it stands there.
        text: String,
        /// What was stated.
        stated: Decimal,
    },
    /// Commas between columns, and perhaps inside numbers.
    #[error(
        "the commas in `{0}` may stand between columns or inside numbers; state `decimal = point` if they stand between columns, else save the file with semicolons or tabs between them"
    )]
    CommaTwice(String),
    /// A decimal comma was stated where commas separate columns.
    #[error(
        "commas separate the columns of `{0}`, so they cannot be decimal marks too; save the file with semicolons or tabs between its columns"
    )]
    CommaSeparates(String),
    /// Groups of three that the separator cuts.
    #[error(
        "`{0}` may begin with one number in groups of three or with two columns; write frequencies without grouping, or put semicolons or tabs between the columns"
    )]
    Grouped(String),
    /// Hertz or kilohertz.
    #[error(
        "all frequencies lie at or below {top}, so they may be in Hz or in kHz; state `frequencies = hz` or `frequencies = khz`"
    )]
    HertzOrKilohertz {
        /// Highest number.
        top: f64,
    },
    /// The microphone's response or what must be added.
    #[error(
        "are these dB the microphone's own response or what must be added to correct it? State `column = gain` or `column = correction`"
    )]
    GainOrCorrection,
    /// Same frequency, other level.
    #[error(
        "{frequency_hz} Hz has {here_db} dB here and in line {other_line} it has {there_db} dB; two curves in one file? Keep one"
    )]
    TwoLevels {
        /// Which frequency.
        frequency_hz: f64,
        /// Level here.
        here_db: f64,
        /// Line of the other.
        other_line: usize,
        /// Level there.
        there_db: f64,
    },
    /// Ragged table.
    #[error(
        "{here} numbers stand in this row, {there} in line {other_line}; every row needs the same columns, frequency, dB and perhaps phase"
    )]
    Ragged {
        /// Numbers here.
        here: usize,
        /// Numbers there.
        there: usize,
        /// Line compared with.
        other_line: usize,
    },
}
