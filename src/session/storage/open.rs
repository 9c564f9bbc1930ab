//! Reading a session folder: head, finished steps, events. Whatever else lies in it is left alone.

use super::recording::Recording;
use super::{Disk, StorageError, io_error, json, names};
use crate::session::record::{SessionEvent, SessionHead, StepResult};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;
use std::io;
use std::path::Path;

const HEAD_BROKEN: &str =
    "restore it from a copy of the session; without it the recordings in `steps` can still be opened as WAV files";
const STEP_BROKEN: &str = "restore it from a copy, or move the folder of this step and all later ones elsewhere and take the session up again with `loudenough run --continue`";
const EVENT_BROKEN: &str = "restore it from a copy, or move it elsewhere; the steps do not depend on it";

/// Steps with what was recorded for each.
type Steps = (Vec<StepResult>, Vec<BTreeMap<String, Recording>>);
/// Names of files that were changed outside the program.
pub type Changed = Vec<String>;

#[derive(Deserialize)]
struct Recordings {
    /// Absent in a step written by hand; its recordings are then held against the take's head alone.
    #[serde(default)]
    recordings: BTreeMap<String, Recording>,
}

/// Reads one file, and notes it where it was changed.
fn read<T: DeserializeOwned>(
    path: &Path,
    name: String,
    bytes: &[u8],
    way_out: &str,
    changed: &mut Changed,
) -> Result<T, StorageError> {
    let read = json::from_bytes(path, bytes, way_out)?;
    if let Some(detail) = json::impossible(bytes) {
        return Err(StorageError::Unreadable { path: path.into(), detail, way_out: way_out.into() });
    }
    if !json::is_as_written(bytes) {
        changed.push(name);
    }
    Ok(read)
}

pub fn head(disk: &dyn Disk, folder: &Path, changed: &mut Changed) -> Result<SessionHead, StorageError> {
    let path = folder.join(names::HEAD);
    match disk.read(&path) {
        Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => {
            Err(StorageError::NotASession(folder.into()))
        }
        Err(e) => Err(io_error("read", &path, e)),
        Ok(bytes) => read(&path, names::HEAD.into(), &bytes, HEAD_BROKEN, changed),
    }
}

pub fn steps(disk: &dyn Disk, folder: &Path, changed: &mut Changed) -> Result<Steps, StorageError> {
    let steps_folder = folder.join(names::STEPS);
    let mut numbers: Vec<usize> =
        list_or_nothing(disk, &steps_folder)?.iter().filter_map(|name| names::step_number(name)).collect();
    numbers.sort_unstable();
    let mut steps = (Vec::new(), Vec::new());
    for number in numbers {
        let path = steps_folder.join(names::step_folder(number)).join(names::STEP);
        let bytes = match disk.read(&path) {
            // No commit mark: this step never happened.
            Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => continue,
            read => read.map_err(|e| io_error("read", &path, e))?,
        };
        let missing = steps.0.len() + 1;
        if number != missing {
            return Err(StorageError::Gap { folder: folder.into(), missing, later: number });
        }
        let (result, recordings) = step(&path, &bytes, number, changed)?;
        steps.0.push(result);
        steps.1.push(recordings);
    }
    Ok(steps)
}

fn step(
    path: &Path,
    bytes: &[u8],
    number: usize,
    changed: &mut Changed,
) -> Result<(StepResult, BTreeMap<String, Recording>), StorageError> {
    let result: StepResult = read(path, format!("step {number}"), bytes, STEP_BROKEN, changed)?;
    if result.step.number != number {
        let detail = format!("it holds step {}", result.step.number);
        return Err(StorageError::Unreadable { path: path.into(), detail, way_out: STEP_BROKEN.into() });
    }
    let Recordings { recordings } = json::from_bytes(path, bytes, STEP_BROKEN)?;
    Ok((result, recordings))
}

/// Events in order and the number of the next one.
pub fn events(
    disk: &dyn Disk,
    folder: &Path,
    changed: &mut Changed,
) -> Result<(Vec<SessionEvent>, usize), StorageError> {
    let events_folder = folder.join(names::EVENTS);
    let mut numbers: Vec<usize> =
        list_or_nothing(disk, &events_folder)?.iter().filter_map(|name| names::event_number(name)).collect();
    numbers.sort_unstable();
    let mut events = Vec::new();
    for number in &numbers {
        let path = events_folder.join(names::event_file(*number));
        let bytes = disk.read(&path).map_err(|e| io_error("read", &path, e))?;
        events.push(read(&path, format!("event {number}"), &bytes, EVENT_BROKEN, changed)?);
    }
    Ok((events, numbers.last().map_or(1, |last| last + 1)))
}

pub fn list_or_nothing(disk: &dyn Disk, folder: &Path) -> Result<Vec<String>, StorageError> {
    match disk.list(folder) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        names => names.map_err(|e| io_error("list", folder, e)),
    }
}
