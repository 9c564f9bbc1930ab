//! Correction curves from plain text columns (frequency, dB, perhaps phase), as microphone makers and calibration
//! laboratories write them.
//!
//! ```text
//! bytes → encoding → lines → fields → rows (one decimal mark, one unit for the whole file) → Curve
//! ```
//!
//! Nothing but numbers is interpreted: a row whose first field is no number is skipped and shown, a sensitivity is typed
//! elsewhere, and where a file can be read in two ways it is refused with line and column until the user states which.

mod encoding;
mod fields;
mod number;
mod refused;
mod rows;

pub use number::Decimal;
pub use refused::{Refused, Trouble};
pub use rows::{Row, Rows, SkippedRow, rows};

use crate::analysis::Correction;
use crate::fingerprint;
use serde::{Deserialize, Serialize};

/// A curve this far from zero at 1 kHz shifts every level, dB: stated, because a sensitivity may have slipped in.
const FAR_AT_1_KHZ_DB: f64 = 3.0;

/// What the user states about a file where it can be read in two ways.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stated {
    /// Decimal mark.
    pub decimal: Option<Decimal>,
    /// What frequencies without a unit are counted in.
    pub frequencies: Option<FrequencyUnit>,
    /// What the dB are; a curve always needs it.
    pub column: Option<Column>,
}

/// What frequencies without a unit are counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FrequencyUnit {
    /// Hz.
    Hertz,
    /// kHz.
    Kilohertz,
}

/// What the dB of a curve are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Column {
    /// The response of the microphone (or of whatever stands in the way): it is taken off.
    Gain,
    /// What must be added.
    Correction,
}

/// A correction curve and where it came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// The file it was read from, or what it is.
    pub name: String,
    /// What the file's dB were.
    pub column: Column,
    /// Fingerprint of the file's bytes ([`fingerprint::of`]); empty where no file is known.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub fingerprint: String,
    /// Frequencies that stood there more than once, Hz; their levels were averaged.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub repeated_hz: Vec<f64>,
    /// Columns of numbers beyond frequency, dB and phase, not read.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub unread_columns: usize,
    /// Half width of its 95 % interval, dB, as its certificate states it; `None`: not stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub half_width_db: Option<f64>,
    /// dB to add.
    #[serde(flatten)]
    pub correction: Correction,
    /// Rows not read.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub skipped: Vec<SkippedRow>,
}

fn is_zero(count: &usize) -> bool {
    *count == 0
}

impl Curve {
    /// Reads the bytes of a text file called `name`.
    ///
    /// # Errors
    /// [`Refused`] with line and column, and what to state where the file leaves two readings open.
    pub fn read(name: &str, bytes: &[u8], stated: &Stated) -> Result<Curve, Refused> {
        let Rows { rows, skipped, repeated_hz, unread_columns } = rows(bytes, stated)?;
        let first = rows[0];
        if rows.len() < 2 {
            return Err(Refused::OneRow(first.frequency_hz));
        }
        let line = rows.iter().map(|row| row.line).min().unwrap_or(first.line);
        let asked = || Refused::At { line, column: 2, trouble: Trouble::GainOrCorrection };
        let column = stated.column.ok_or_else(asked)?;
        let sign = if column == Column::Gain { -1.0 } else { 1.0 };
        let points = rows.iter().map(|row| (row.frequency_hz, sign * row.level_db)).collect();
        // Rows are sorted, finite and positive, so this cannot fail.
        let correction = Correction::new(points).ok_or(Refused::NoRows { skipped: skipped.len() })?;
        let fingerprint = fingerprint::of(bytes);
        Ok(Curve {
            name: name.into(),
            column,
            fingerprint,
            repeated_hz,
            unread_columns,
            half_width_db: None,
            correction,
            skipped,
        })
    }

    /// A correction of which nothing else is known.
    pub fn of_unknown_origin(correction: Correction) -> Curve {
        Curve {
            name: "curve of unknown origin".into(),
            column: Column::Correction,
            fingerprint: String::new(),
            repeated_hz: Vec::new(),
            unread_columns: 0,
            half_width_db: None,
            correction,
            skipped: Vec::new(),
        }
    }

    /// What the user should see of how it was read, a sentence each.
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks: Vec<String> =
            self.skipped.iter().map(|row| format!("line {} was skipped: {}", row.line, row.text)).collect();
        if let Some(first) = self.repeated_hz.first() {
            let count = self.repeated_hz.len();
            remarks.push(format!(
                "{count} frequencies are given more than once (the first is {first} Hz); their dB were averaged"
            ));
        }
        if self.unread_columns > 0 {
            remarks.push(format!("{} more columns of numbers were not read", self.unread_columns));
        }
        let at_1_khz = self.correction.db_at(1000.0);
        if at_1_khz.abs() > FAR_AT_1_KHZ_DB {
            remarks.push(format!(
                "it is {at_1_khz:+.1} dB at 1 kHz and shifts every level by that much; a curve must be relative to its reference, so type the sensitivity separately"
            ));
        }
        remarks
    }
}
