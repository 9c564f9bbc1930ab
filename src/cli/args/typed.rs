//! Values of options, read by the table of fields ([`crate::asked`]): limits and messages are those of the window.

use crate::asked::{Field, Wrong, chain, electrical};
use crate::session::electrical::MeterReading;
use crate::stats::Estimate;

/// Reads one number.
pub(super) fn number(field: Field) -> impl Fn(&str) -> Result<f64, Wrong> + Clone + Send + Sync + 'static {
    move |typed| field.read(typed)
}

/// Reads a whole number.
pub(super) fn whole(field: Field) -> impl Fn(&str) -> Result<u32, Wrong> + Clone + Send + Sync + 'static {
    move |typed| field.read(typed).map(|value| value as u32)
}

/// Reads a number and half its interval.
pub(super) fn with_half(field: Field) -> impl Fn(&str) -> Result<Estimate, Wrong> + Clone + Send + Sync + 'static {
    move |typed| field.read_with_half(&parted(typed))
}

/// Reads so many numbers, each by its own field.
pub(super) fn numbers<const N: usize>(
    fields: [Field; N],
) -> impl Fn(&str) -> Result<[f64; N], Wrong> + Clone + Send + Sync + 'static {
    move |typed| {
        let words = crate::asked::words(&parted(typed));
        let all = fields.iter().zip(&words).map(|(field, word)| field.read(word)).collect::<Result<Vec<_>, _>>()?;
        let counted = Some(all).filter(|_| words.len() == N).and_then(|all| all.try_into().ok());
        counted.ok_or_else(|| Wrong::says(fields[0], format!("give {N} numbers with commas between them")))
    }
}

/// Reads two readings of a voltmeter.
pub(super) fn readings(typed: &str) -> Result<[MeterReading; 2], Wrong> {
    electrical::readings(&parted(typed))
}

/// Reads a name.
pub(super) fn name(field: Field) -> impl Fn(&str) -> Result<String, Wrong> + Clone + Send + Sync + 'static {
    move |typed| chain::name(field, typed)
}

/// Channels of one option, counted from 0 as cards do.
pub type Channels = Vec<u16>;

/// Reads channels that are counted from 1.
pub(super) fn channels(typed: &str) -> Result<Channels, Wrong> {
    chain::channels(Field::PlaybackChannels, typed, None)
}

/// Reads one channel.
pub(super) fn channel(typed: &str) -> Result<u16, Wrong> {
    chain::channel(Field::CaptureChannels, typed, None)
}

/// Several numbers of one option: commas part them here, unless something else does.
fn parted(typed: &str) -> String {
    if crate::asked::words(typed).len() > 1 { typed.into() } else { typed.replace(',', " ") }
}
