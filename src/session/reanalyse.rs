//! Recomputes a stored session from its WAVs, in the order in which it was measured: the quiet reference first, each
//! take with the clock and delay that its step stored. On one machine and build the numbers are bit-identical.

use super::record::Record;
use super::runner::{Known, RunError};
use super::storage::Storage;
use std::path::Path;

/// What changed.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Reanalysed {
    /// The recomputed session.
    pub record: Record,
    /// Numbers of steps whose stored numbers differed.
    pub changed: Vec<usize>,
}

/// Recomputes every finished step. With `write` the steps on disk are replaced where their numbers differ.
///
/// # Errors
/// [`RunError`] where the folder, a WAV or a take cannot be read or analysed.
pub fn reanalyse(folder: &Path, write: bool) -> Result<Reanalysed, RunError> {
    let (mut storage, mut record) = if write { Storage::take_up(folder)? } else { Storage::open(folder)? };
    let stored = std::mem::take(&mut record.steps);
    let roles: Vec<_> = record.head.chain.routing.capture_channels.iter().map(|c| c.role).collect();
    let mut known = Known::new();
    let mut changed = Vec::new();
    for mut step in stored {
        let before = step.clone();
        for take in step.takes.iter_mut().filter(|t| t.head.void.is_none()) {
            let loaded = storage.load_take(before.step.number, take, &roles)?;
            let pooled = (take.pooled_ppm, take.route_delay_s);
            let (inputs, void) = known.analyse(&record, before.step.purpose, &loaded, pooled)?;
            take.inputs = inputs;
            take.void = void;
        }
        let differs = step != before;
        record.steps.push(step.clone());
        if differs {
            changed.push(step.step.number);
            if write {
                storage.replace_step(&step, &record)?;
            }
        }
    }
    Ok(Reanalysed { record, changed })
}
