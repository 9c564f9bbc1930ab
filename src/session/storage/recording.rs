//! What is remembered of each recording beside its samples, so that another file in its place is noticed.

use super::json;
use crate::card::InputRole;
use crate::fingerprint::fnv_1a;
use crate::session::record::StepResult;
use crate::session::wav::Wav;
use crate::take::{Take, TakeHead};
use serde::{Deserialize, Serialize};

/// Kept in `step.json` for every take's file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Recording {
    /// Frames per channel.
    pub frames: usize,
    /// Inputs.
    pub channels: usize,
    /// Captured rate.
    pub rate_hz: u32,
    /// FNV-1a, 64 bits, of the samples as 32-bit floats, little-endian, channel after channel: other header or
    /// metadata do not matter, one changed bit of sound does.
    pub fnv_1a: String,
}

impl Recording {
    pub fn of(take: &Take) -> Recording {
        Recording {
            frames: take.inputs.first().map_or(0, |input| input.samples.len()),
            channels: take.inputs.len(),
            rate_hz: take.head.captured_rate.get(),
            fnv_1a: hash(take.inputs.iter().map(|input| input.samples.as_slice())),
        }
    }
}

/// The take's samples as a file.
pub fn wav(take: &Take) -> Wav {
    let mut channels: Vec<Vec<f32>> = take.inputs.iter().map(|input| input.samples.clone()).collect();
    if channels.is_empty() {
        // The card was lost before it gave anything: the void take is kept, and a WAV has at least one channel.
        channels.push(Vec::new());
    }
    Wav { rate_hz: take.head.captured_rate.get(), channels }
}

/// Is this the recording that was made?
///
/// # Errors
/// What differs, in words.
pub fn check(wav: &Wav, kept: Option<&Recording>, head: &TakeHead, roles: &[InputRole]) -> Result<(), String> {
    let rate_hz = head.captured_rate.get();
    if wav.rate_hz != rate_hz {
        return Err(format!("its rate is {} Hz, {rate_hz} Hz were recorded", wav.rate_hz));
    }
    if kept.is_some_and(|kept| kept.channels == 0) && wav.frames() == 0 {
        return Ok(());
    }
    if wav.channels.len() != roles.len() {
        return Err(format!("it has {} channels, {} were recorded", wav.channels.len(), roles.len()));
    }
    let Some(kept) = kept else { return Ok(()) };
    if wav.frames() != kept.frames {
        return Err(format!("it has {} frames, {} were recorded", wav.frames(), kept.frames));
    }
    if hash(wav.channels.iter().map(Vec::as_slice)) != kept.fnv_1a {
        return Err("its samples are others".into());
    }
    Ok(())
}

fn hash<'a>(channels: impl Iterator<Item = &'a [f32]>) -> String {
    format!("{:016x}", fnv_1a(channels.flatten().flat_map(|sample| sample.to_le_bytes())))
}

/// Names the part of a step that does not survive JSON, for the message.
pub fn what_is_wrong(result: &StepResult) -> String {
    let number = result.step.number;
    let Some(take) = result.takes.iter().find(|take| !json::reads_back(*take)) else {
        return format!("step {number}");
    };
    match take.inputs.iter().position(|input| !json::reads_back(input)) {
        Some(input) => format!("step {number}, {}, input {}", take.file, input + 1),
        None => format!("step {number}, {}", take.file),
    }
}
