//! Texts as they stand in a form, by field.

use super::number::digits;
use super::text::{shown, words};
use super::{Field, Read, Why, Wrong};
use crate::stats::Estimate;
use std::collections::BTreeMap;

/// Texts as they stand in a form; a field that nothing was typed in is empty.
#[derive(Clone, Debug, Default)]
pub struct Typed(BTreeMap<Field, String>);

impl Field {
    /// Several numbers, parted by blanks, `;` or `±`.
    pub fn read_list(self, typed: &str) -> Read<Vec<f64>> {
        words(typed).iter().map(|word| self.read(word)).collect()
    }

    /// A number and half its 95 % interval, which does not reach below 0.
    pub fn read_with_half(self, typed: &str) -> Read<Estimate> {
        let [value, half] = self.two_words(typed)?;
        let (value, half) = (self.read(&value)?, digits(self, &half)?.value);
        if (0.0..=value).contains(&half) {
            Ok(Estimate::symmetric(value, half))
        } else {
            Err(Wrong { field: self, why: Why::HalfWidth { half, value } })
        }
    }

    /// Two pieces of text.
    pub(super) fn two_words(self, typed: &str) -> Read<[String; 2]> {
        let all = words(typed);
        let all = match all.as_slice() {
            // Before a decimal point a comma can only part two numbers.
            [one] if one.split_once(',').is_some_and(|(_, after)| after.contains('.')) => words(&one.replace(',', " ")),
            _ => all,
        };
        all.try_into().map_err(|_| Wrong { field: self, why: Why::Missing })
    }
}

impl Typed {
    /// As it stands; empty where nothing was typed.
    pub fn text(&self, field: Field) -> &str {
        self.0.get(&field).map_or("", |text| text.trim())
    }

    /// The text itself, to be edited.
    pub fn edit(&mut self, field: Field) -> &mut String {
        self.0.entry(field).or_default()
    }

    /// Puts a text in.
    pub fn set(&mut self, field: Field, text: impl Into<String>) {
        self.0.insert(field, text.into());
    }

    /// Puts a number in; empties the field where there is none.
    pub fn show(&mut self, field: Field, value: Option<f64>) {
        self.set(field, value.map_or_else(String::new, shown));
    }

    /// Puts numbers in.
    pub fn show_all(&mut self, field: Field, values: &[f64]) {
        self.set(field, values.iter().map(|v| shown(*v)).collect::<Vec<_>>().join(" "));
    }

    /// Puts a value and half its interval in; empties the field where there is none.
    pub fn show_with_half(&mut self, field: Field, value: Option<&Estimate>) {
        self.set(field, with_half_shown(value));
    }

    /// True where a value and half its interval stand as they were put in.
    pub fn still_shows(&self, field: Field, value: Option<&Estimate>) -> bool {
        self.text(field) == with_half_shown(value)
    }

    /// One number.
    pub fn number(&self, field: Field) -> Read<f64> {
        field.read(self.text(field))
    }

    /// One number, or nothing.
    pub fn optional(&self, field: Field) -> Read<Option<f64>> {
        self.filled(field).map(|text| field.read(text)).transpose()
    }

    /// Any number of numbers.
    pub fn numbers(&self, field: Field) -> Read<Vec<f64>> {
        field.read_list(self.text(field))
    }

    /// A number and half its interval, or nothing.
    pub fn with_half(&self, field: Field) -> Read<Option<Estimate>> {
        self.filled(field).map(|text| field.read_with_half(text)).transpose()
    }

    /// The text, where there is one.
    pub fn filled(&self, field: Field) -> Option<&str> {
        Some(self.text(field)).filter(|text| !text.is_empty())
    }
}

fn with_half_shown(value: Option<&Estimate>) -> String {
    value.map_or_else(String::new, |e| format!("{} {}", shown(e.value), shown(e.half_width())))
}
