//! Recomputes a stored session from its WAVs: what later takes are measured with first (silence, the quiet reference),
//! each take with the clock and delay that its step stored, all other steps on all cores. On one machine and build the
//! numbers are bit-identical.

use super::record::{InputResult, Record, StepResult};
use super::runner::{Known, RunError};
use super::storage::Storage;
use crate::card::InputRole;
use crate::take::{Take, VoidReason};
use crossbeam_channel::bounded;
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
    let mut recomputed = stored.clone();
    let roles: Vec<InputRole> = record.head.chain.routing.capture_channels.iter().map(|c| c.role).collect();
    let mut known = Known::new();
    for steps in recomputed.chunk_by_mut(|a, b| !teaches(a) && !teaches(b)) {
        if teaches(&steps[0]) {
            steps.iter_mut().try_for_each(|step| one_after_the_other(step, &storage, &record, &mut known, &roles))?;
        } else {
            on_all_cores(steps, &storage, &record, &known, &roles)?;
        }
    }
    let mut changed = Vec::new();
    for (before, step) in stored.into_iter().zip(recomputed) {
        let differs = step != before;
        record.steps.push(step);
        if let (true, Some(step)) = (differs, record.steps.last()) {
            changed.push(step.step.number);
            if write {
                storage.replace_step(step, &record)?;
            }
        }
    }
    Ok(Reanalysed { record, changed })
}

/// True for steps whose takes later ones are measured with.
fn teaches(step: &StepResult) -> bool {
    step.step.purpose.teaches()
}

type Analysed = Result<(Vec<InputResult>, Option<VoidReason>), RunError>;

fn one_after_the_other(
    step: &mut StepResult,
    storage: &Storage,
    record: &Record,
    known: &mut Known,
    roles: &[InputRole],
) -> Result<(), RunError> {
    for take in step.takes.iter_mut().filter(|t| t.head.void.is_none()) {
        let loaded = storage.load_take(step.step.number, take, roles)?;
        let pooled = (take.pooled_ppm, take.route_delay_s);
        (take.inputs, take.void) = known.analyse(record, step.step.purpose, &loaded, pooled)?;
    }
    Ok(())
}

/// Takes are read here, one by one, and analysed by as many threads as there are cores.
fn on_all_cores(
    steps: &mut [StepResult],
    storage: &Storage,
    record: &Record,
    known: &Known,
    roles: &[InputRole],
) -> Result<(), RunError> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let (jobs, waiting) = bounded::<(usize, usize, Take)>(cores);
    let asked = &*steps;
    let analysed = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..cores)
            .map(|_| {
                let (waiting, mut known) = (waiting.clone(), known.clone());
                scope.spawn(move || {
                    let analyse = |(s, t, loaded): (usize, usize, Take)| {
                        let take = &asked[s].takes[t];
                        let pooled = (take.pooled_ppm, take.route_delay_s);
                        (s, t, known.analyse(record, asked[s].step.purpose, &loaded, pooled))
                    };
                    waiting.iter().map(analyse).collect::<Vec<(usize, usize, Analysed)>>()
                })
            })
            .collect();
        drop(waiting);
        let read = read_all(asked, storage, roles, |s, t, take| jobs.send((s, t, take)).is_ok());
        drop(jobs);
        let analysed: Vec<_> = workers
            .into_iter()
            .flat_map(|worker| worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect();
        read.map(|()| analysed)
    })?;
    for (s, t, result) in analysed {
        let take = &mut steps[s].takes[t];
        (take.inputs, take.void) = result?;
    }
    Ok(())
}

fn read_all(
    steps: &[StepResult],
    storage: &Storage,
    roles: &[InputRole],
    send: impl Fn(usize, usize, Take) -> bool,
) -> Result<(), RunError> {
    for (s, step) in steps.iter().enumerate() {
        for (t, take) in step.takes.iter().enumerate().filter(|(_, t)| t.head.void.is_none()) {
            if !send(s, t, storage.load_take(step.step.number, take, roles)?) {
                return Ok(());
            }
        }
    }
    Ok(())
}
