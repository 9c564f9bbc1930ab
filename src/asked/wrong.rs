//! What is wrong with a field, and the one message for it.

use super::field::{Field, Takes};
use crate::words::capital;

/// Longest piece of typed text that a message repeats, characters.
const LONGEST_QUOTE: usize = 40;

/// A field that was typed wrong. Its text is a whole sentence.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{}", self.message())]
pub struct Wrong {
    /// Which field.
    pub field: Field,
    /// What is wrong with it.
    pub why: Why,
}

/// What was read, or the field at fault with its message.
pub type Read<T> = Result<T, Wrong>;

/// What is wrong with a field.
#[derive(Clone, Debug, PartialEq)]
pub enum Why {
    /// Nothing was typed, or not all of it.
    Missing,
    /// The text is no such value.
    NotUnderstood(String),
    /// The text can be read as two different numbers.
    ReadsTwoWays(String),
    /// The number lies outside the range.
    OutOfRange(f64),
    /// Half an interval is below 0, or reaches below it.
    HalfWidth {
        /// Half the interval.
        half: f64,
        /// What it belongs to.
        value: f64,
    },
    /// It does not go with something else that was typed: a sentence.
    Says(String),
}

impl Wrong {
    /// Does not go with something else that was typed.
    pub fn says(field: Field, message: impl AsRef<str>) -> Wrong {
        Wrong { field, why: Why::Says(sentence(message.as_ref())) }
    }

    fn message(&self) -> String {
        let row = self.field.row();
        match &self.why {
            Why::Missing => row.what_to_type(),
            Why::NotUnderstood(typed) => {
                let no = if row.takes == Takes::Words { "a plain name" } else { row.takes.in_words() };
                format!("\u{201c}{}\u{201d} is not {no}. {}", quoted(typed), row.what_to_type())
            }
            Why::ReadsTwoWays(typed) => {
                let typed = quoted(typed);
                let (whole, point) = (typed.replace(',', ""), typed.replace(',', "."));
                format!("\u{201c}{typed}\u{201d} can be read as {whole} or as {point}. {}", row.what_to_type())
            }
            Why::OutOfRange(value) => {
                let value = row.unit.after(*value);
                format!("The {} is {value}; it must lie {}: {}.", row.name, row.range_in_words(), row.why)
            }
            Why::HalfWidth { half, value } => {
                let (half, value) = (row.unit.after(*half), row.unit.after(*value));
                format!("Half the interval of the {} is {half}; it must lie between 0 and {value}.", row.name)
            }
            Why::Says(sentence) => sentence.clone(),
        }
    }
}

/// Typed text as a message repeats it: short, and without control characters.
fn quoted(typed: &str) -> String {
    let plain: String =
        typed.trim().chars().take(LONGEST_QUOTE).map(|c| if c.is_control() { '·' } else { c }).collect();
    if typed.trim().chars().count() > LONGEST_QUOTE { plain + "…" } else { plain }
}

/// A message as a sentence: capital letter, full stop.
pub fn sentence(message: &str) -> String {
    let stop = if message.ends_with('.') { "" } else { "." };
    format!("{}{stop}", capital(message))
}
