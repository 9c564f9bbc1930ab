//! Values of options, read by the table of fields ([`crate::asked`]): limits and messages are those of the window.

use crate::asked::choice::Choice;
use crate::asked::sheet::{self, SheetFigure};
use crate::asked::{Field, Read, Wrong, chain, could_be_thousands, electrical};
use crate::session::electrical::MeterReading;
use crate::signal::{KINDS, Kind};
use crate::stats::Estimate;
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use std::ffi::OsStr;

/// Reads the word of a choice.
pub(super) fn chosen<T: Copy + Send + Sync + 'static>(all: &'static [Choice<T>]) -> impl TypedValueParser<Value = T> {
    of_table(all, |choice| (choice.word, choice.meaning)).map(|choice| choice.value)
}

/// Reads the word of a sound.
pub(super) fn sound() -> impl TypedValueParser<Value = Kind> {
    of_table(&KINDS, |kind| (kind.word, kind.meaning))
}

/// A row of a table, by its word; the help shows what each means.
fn of_table<R: Copy + Send + Sync + 'static>(
    rows: &'static [R],
    words: fn(&R) -> (&'static str, &'static str),
) -> impl TypedValueParser<Value = R> {
    let possible = rows.iter().map(words).map(|(word, meaning)| PossibleValue::new(word).help(meaning));
    let row = move |word: String| rows.iter().find(|row| words(row).0 == word).copied();
    AnyCase(PossibleValuesParser::new(possible)).try_map(move |word| row(word).ok_or("no such word"))
}

/// Words of small letters, typed in any letter case.
#[derive(Clone)]
struct AnyCase(PossibleValuesParser);

impl TypedValueParser for AnyCase {
    type Value = String;

    fn parse_ref(
        &self,
        command: &clap::Command,
        arg: Option<&clap::Arg>,
        typed: &OsStr,
    ) -> Result<String, clap::Error> {
        let small = typed.to_str().map(str::to_lowercase);
        self.0.parse_ref(command, arg, small.as_deref().map_or(typed, OsStr::new))
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        self.0.possible_values()
    }
}

/// Reads one number.
pub(super) fn number(field: Field) -> impl Fn(&str) -> Read<f64> + Clone + Send + Sync + 'static {
    move |typed| field.read(typed)
}

/// Reads a figure of a data sheet, with or without its tolerance.
pub(super) fn sheet_figure(field: Field) -> impl Fn(&str) -> Read<SheetFigure> + Clone + Send + Sync + 'static {
    move |typed| sheet::figure(field, typed)
}

/// Reads a whole number.
pub(super) fn whole(field: Field) -> impl Fn(&str) -> Read<u32> + Clone + Send + Sync + 'static {
    move |typed| field.read(typed).map(|value| value as u32)
}

/// Reads a number and half its interval.
pub(super) fn with_half(field: Field) -> impl Fn(&str) -> Read<Estimate> + Clone + Send + Sync + 'static {
    move |typed| field.read_with_half(&two_parted(typed))
}

/// Reads so many numbers, each by its own field.
pub(super) fn numbers<const N: usize>(
    fields: [Field; N],
) -> impl Fn(&str) -> Read<[f64; N]> + Clone + Send + Sync + 'static {
    move |typed| {
        let words = crate::asked::words(&parted(typed));
        let all = fields.iter().zip(&words).map(|(field, word)| field.read(word)).collect::<Result<Vec<_>, _>>()?;
        let counted = Some(all).filter(|_| words.len() == N).and_then(|all| all.try_into().ok());
        counted.ok_or_else(|| Wrong::says(fields[0], format!("give {N} numbers with commas between them")))
    }
}

/// Reads two readings of a voltmeter.
pub(super) fn readings(typed: &str) -> Read<[MeterReading; 2]> {
    electrical::readings(&two_parted(typed))
}

/// Reads a name.
pub(super) fn name(field: Field) -> impl Fn(&str) -> Read<String> + Clone + Send + Sync + 'static {
    move |typed| chain::name(field, typed)
}

/// Channels of one option, counted from 0 as cards do.
pub type Channels = Vec<u16>;

/// Reads channels that are counted from 1.
pub(super) fn channels(typed: &str) -> Read<Channels> {
    chain::channels(Field::PlaybackChannels, typed, None)
}

/// Reads one channel.
pub(super) fn channel(typed: &str) -> Read<u16> {
    chain::channel(Field::CaptureChannels, typed, None)
}

/// The same of two numbers that belong together: `10,000` is not ten and nothing.
fn two_parted(typed: &str) -> String {
    if could_be_thousands(typed.trim()) { typed.into() } else { parted(typed) }
}

/// Several numbers of one option: commas part them here, unless something else does.
fn parted(typed: &str) -> String {
    if crate::asked::words(typed).len() > 1 { typed.into() } else { typed.replace(',', " ") }
}
