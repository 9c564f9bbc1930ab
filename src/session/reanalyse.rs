//! Recomputes a stored session from its WAVs: what later takes are measured with first (silence, the quiet reference),
//! each take with the clock and delay that its step stored, all other steps on all cores. On one machine and build the
//! numbers are bit-identical. A recording that cannot be read costs what is computed from it, and no more: those numbers
//! stay as they were stored, and are named.

use super::program::ARITHMETIC;
use super::record::{InputResult, Record, StepResult, TakeResult};
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
    /// Takes that could not be recomputed, in order; their numbers are the stored ones.
    pub kept: Vec<Kept>,
}

/// A take that keeps its stored numbers.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Kept {
    /// Number of its step.
    pub step: usize,
    /// Its recording.
    pub file: String,
    /// Why.
    pub why: String,
}

/// Recomputes every finished step. With `write` the steps on disk are replaced where their numbers differ.
///
/// # Errors
/// [`RunError`] where the folder cannot be read or written, or a take cannot be analysed.
pub fn reanalyse(folder: &Path, write: bool) -> Result<Reanalysed, RunError> {
    let (mut storage, mut record) = if write { Storage::take_up(folder)? } else { Storage::open(folder)? };
    let stored = std::mem::take(&mut record.steps);
    let mut recomputed = stored.clone();
    let roles: Vec<InputRole> = record.head.chain.routing.capture_channels.iter().map(|c| c.role).collect();
    let (mut known, mut kept) = (Known::new(), Vec::new());
    for steps in recomputed.chunk_by_mut(|a, b| !teaches(a) && !teaches(b)) {
        let already = kept.len();
        if teaches(&steps[0]) {
            for step in &mut *steps {
                kept.extend(one_after_the_other(step, &storage, &record, &mut known, &roles)?);
            }
        } else {
            kept.extend(on_all_cores(steps, &storage, &record, &known, &roles)?);
        }
        if let (true, Some(lost)) = (teaches(&steps[0]), kept.get(already)) {
            // What comes later was measured with it.
            let because = format!("it was measured with step {}, whose recording cannot be used", lost.step);
            let last = steps.last().map_or(0, |step| step.step.number);
            let later = stored.iter().filter(|step| step.step.number > last);
            kept.extend(later.flat_map(|step| played(step).map(|take| keep(step, take, because.clone()))));
            break;
        }
    }
    let mut changed = Vec::new();
    for (before, mut step) in stored.into_iter().zip(recomputed) {
        let number = step.step.number;
        if step != before {
            changed.push(number);
        }
        if !kept.iter().any(|kept| kept.step == number) {
            step.arithmetic = Some(ARITHMETIC);
        }
        let rewrites = write && step != before;
        record.steps.push(step);
        if let (true, Some(step)) = (rewrites, record.steps.last()) {
            storage.replace_step(step, &record)?;
        }
    }
    Ok(Reanalysed { record, changed, kept })
}

/// The takes of a step that tell something.
fn played(step: &StepResult) -> impl Iterator<Item = &TakeResult> {
    step.takes.iter().filter(|take| take.head.void.is_none())
}

fn keep(step: &StepResult, take: &TakeResult, why: String) -> Kept {
    Kept { step: step.step.number, file: take.file.clone(), why }
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
) -> Result<Vec<Kept>, RunError> {
    let mut kept = Vec::new();
    for t in 0..step.takes.len() {
        let take = &step.takes[t];
        if take.head.void.is_some() {
            continue;
        }
        match storage.load_take(step.step.number, take, roles) {
            Err(why) => kept.push(keep(step, take, why.to_string())),
            Ok(loaded) => {
                let pooled = (take.pooled_ppm, take.route_delay_s);
                let (inputs, void) = known.analyse(record, step.step.purpose, &loaded, pooled)?;
                (step.takes[t].inputs, step.takes[t].void) = (inputs, void);
            }
        }
    }
    Ok(kept)
}

/// Takes are read here, one by one, and analysed by as many threads as there are cores.
fn on_all_cores(
    steps: &mut [StepResult],
    storage: &Storage,
    record: &Record,
    known: &Known,
    roles: &[InputRole],
) -> Result<Vec<Kept>, RunError> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let (jobs, waiting) = bounded::<(usize, usize, Take)>(cores);
    let asked = &*steps;
    let (analysed, kept) = std::thread::scope(|scope| {
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
        let kept = read_all(asked, storage, roles, |s, t, take| jobs.send((s, t, take)).is_ok());
        drop(jobs);
        let analysed: Vec<_> = workers
            .into_iter()
            .flat_map(|worker| worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect();
        (analysed, kept)
    });
    for (s, t, result) in analysed {
        let take = &mut steps[s].takes[t];
        (take.inputs, take.void) = result?;
    }
    Ok(kept)
}

/// Hands over what can be read, and returns what cannot.
fn read_all(
    steps: &[StepResult],
    storage: &Storage,
    roles: &[InputRole],
    send: impl Fn(usize, usize, Take) -> bool,
) -> Vec<Kept> {
    let mut kept = Vec::new();
    for (s, step) in steps.iter().enumerate() {
        for (t, take) in step.takes.iter().enumerate().filter(|(_, t)| t.head.void.is_none()) {
            match storage.load_take(step.step.number, take, roles) {
                Err(why) => kept.push(keep(step, take, why.to_string())),
                Ok(loaded) => {
                    if !send(s, t, loaded) {
                        return kept;
                    }
                }
            }
        }
    }
    kept
}
