//! What was typed of a chain → the chain.

use super::{Field, Read, Why, Wrong};
use crate::calibration::is_date;
use crate::card::CaptureChannel;
use crate::session::chain::{Chain, ElectricalPart};
use crate::stats::Estimate;

/// A name as typed, without blanks around it.
pub fn name(field: Field, typed: &str) -> Read<String> {
    match typed.trim() {
        "" => Err(Wrong { field, why: Why::Missing }),
        name if name.chars().any(char::is_control) => Err(Wrong { field, why: Why::NotUnderstood(name.into()) }),
        name => Ok(name.into()),
    }
}

/// A date as typed.
pub fn date(typed: &str) -> Read<String> {
    let (field, date) = (Field::Certificate, typed.trim());
    if is_date(date) { Ok(date.into()) } else { Err(Wrong { field, why: Why::NotUnderstood(date.into()) }) }
}

/// Channels as typed from 1, counted from 0 as cards do. `most`: how many the card has, where that is known.
pub fn channels(field: Field, typed: &str, most: Option<u16>) -> Read<Vec<u16>> {
    let mut kept = Vec::new();
    let parts = |c: char| c.is_whitespace() || [',', ';', '+'].contains(&c);
    for word in typed.split(parts).filter(|w| !w.is_empty()) {
        let channel = word.parse::<u16>().ok().filter(|c| *c >= 1);
        let channel = channel.ok_or_else(|| Wrong { field, why: Why::NotUnderstood(word.into()) })?;
        if let Some(most) = most.filter(|most| channel > *most) {
            return Err(Wrong::says(field, format!("this card has {most} channels; {channel} is not one of them")));
        }
        if kept.contains(&(channel - 1)) {
            return Err(Wrong::says(field, format!("channel {channel} is typed twice; each channel can be used once")));
        }
        kept.push(channel - 1);
    }
    if kept.is_empty() { Err(Wrong { field, why: Why::Missing }) } else { Ok(kept) }
}

/// One of them.
pub fn channel(field: Field, typed: &str, most: Option<u16>) -> Read<u16> {
    match channels(field, typed, most)?.as_slice() {
        [one] => Ok(*one),
        _ => Err(Wrong::says(field, "each input has one channel, for example 1")),
    }
}

/// Inputs, each with a channel and a role of its own.
pub fn inputs(all: &[CaptureChannel]) -> Read<()> {
    for (i, one) in all.iter().enumerate() {
        if all[..i].iter().any(|other| other.channel == one.channel || other.role == one.role) {
            return Err(Wrong::says(Field::CaptureChannels, "each channel and each role can be used once"));
        }
    }
    Ok(())
}

/// Replaces a figure of the output side by what was typed: it belongs to the desk as it is now, and what was measured of
/// it is forgotten.
pub fn type_electrical(chain: &mut Chain, part: ElectricalPart, value: Option<Estimate>) {
    let side = &mut chain.output_side;
    match part {
        ElectricalPart::Volts => {
            (side.volts_per_full_scale, side.volts_from, side.volts_taken_on) = (value, None, None);
        }
        ElectricalPart::Source => (side.source_impedance_ohm, side.source, side.source_taken_on) = (value, None, None),
        ElectricalPart::Load => (side.load_impedance_ohm, side.load, side.load_taken_on) = (value, None, None),
        // Volts of an input are measured, not typed.
        ElectricalPart::Input(_) => return,
    }
    chain.electrical_belongs_here(value.map(|_| part));
}
