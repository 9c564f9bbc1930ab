//! What is remembered of each recording beside its samples, so that another file in its place is noticed.

use super::json;
use super::sums::sha256;
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
    /// Of the file as it was written. A file with the same samples and other metadata counts as the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
    /// Of sessions that were begun before that was kept: FNV-1a, 64 bits, of the samples as 32-bit floats, little-endian, channel
    /// after channel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fnv_1a: Option<String>,
}

impl Recording {
    /// Of a take and the bytes of its file.
    pub fn of(take: &Take, bytes: &[u8]) -> Recording {
        Recording {
            frames: take.inputs.first().map_or(0, |input| input.samples.len()),
            channels: take.inputs.len(),
            rate_hz: take.head.captured_rate.get(),
            sha256: Some(sha256(bytes)),
            fnv_1a: None,
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

/// Is this the recording that was made? `bytes` is the file that `wav` was read from.
///
/// # Errors
/// What differs, in words.
pub fn check(
    (bytes, wav): (&[u8], &Wav),
    kept: Option<&Recording>,
    head: &TakeHead,
    roles: &[InputRole],
) -> Result<(), String> {
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
    let same = match (&kept.sha256, &kept.fnv_1a) {
        // Written anew, a file that another program gave other metadata is the one that was kept.
        (Some(kept), _) => sha256(bytes) == *kept || wav.to_bytes().is_ok_and(|own| sha256(&own) == *kept),
        (None, Some(kept)) => format!("{:016x}", fnv_1a(samples(wav))) == *kept,
        (None, None) => return Err("its hash is missing from step.json".into()),
    };
    if same { Ok(()) } else { Err("its samples are others".into()) }
}

fn samples(wav: &Wav) -> impl Iterator<Item = u8> {
    wav.channels.iter().flatten().flat_map(|sample| sample.to_le_bytes())
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
