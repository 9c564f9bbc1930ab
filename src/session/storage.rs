//! The session folder: everything that was measured, kept so that no finished step is ever lost.
//!
//! ```text
//! 2026-03-01-planar/
//!   session.json             first of all: plan, chain, cards, versions
//!   stimuli/9c1f….wav        the played period at unit true peak
//!   steps/0007/pink-1.wav    every take, void ones too, one channel per input
//!   steps/0007/step.json     written last: the commit mark
//!   events/000012.json       append-only
//!   summary.csv              one row per step, rewritten after each
//!   SHA256SUMS               hashes of all of these but events and summary, rewritten after each step
//!   session.lock             empty; locked by the program that writes here
//! ```
//!
//! Every file is written under another name, synced, renamed, and its folder synced: a name that is there holds the
//! whole file. JSON ends in a fingerprint of itself: what was changed outside the program is seen and named. A step without `step.json` never happened; its folder is moved aside when the step is run again.

mod annotate;
mod disk;
mod error;
mod glance;
mod json;
mod labels;
mod names;
mod open;
mod recording;
mod summary;
mod sums;

pub use disk::{Disk, FileSystem};
pub use error::StorageError;
pub use glance::{Glance, all_sessions, at_a_glance, began, finished, unfinished};
pub use names::{can_name_a_session as is_plain_name, default_sessions_dir, of_time as name_of_time};

use super::record::{Record, SessionEvent, SessionHead, StepResult, TakeResult};
use super::step::Step;
use super::wav::Wav;
use crate::card::InputRole;
use crate::signal::{Period, Stimulus};
use crate::take::{Input, Take};
use json::Stamped;
use open::Changed;
use recording::Recording;
use serde::Serialize;
use std::collections::BTreeMap;
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use sums::Sums;

/// The stored period may differ from the computed one by this much of full scale: FFT code differs between
/// processors (1e-9), 32-bit floats round by 6e-8.
const SAME_PERIOD: f64 = 1e-6;

/// One open session folder.
pub struct Storage {
    disk: Box<dyn Disk>,
    folder: PathBuf,
    /// Input whose values stand in the summary.
    deciding_input: usize,
    /// What was recorded in each finished step, by file name; index 0 is step 1.
    finished: Vec<BTreeMap<String, Recording>>,
    /// Takes of the step now running.
    running: Option<BTreeMap<String, Recording>>,
    next_event: usize,
    /// Hashes of what is stored; of a session that is only read, none.
    sums: Sums,
    /// Held as long as this program may write here.
    _lock: Option<File>,
}

/// `step.json`.
#[derive(Serialize)]
struct StepFile<'a> {
    #[serde(flatten)]
    result: Stamped<'a, StepResult>,
    recordings: &'a BTreeMap<String, Recording>,
}

impl Storage {
    /// Makes the folder `head.id` inside `sessions` (made where missing) and writes `session.json`.
    ///
    /// # Errors
    /// [`StorageError`]; an existing session is never overwritten.
    pub fn create(sessions: &Path, head: &SessionHead) -> Result<Storage, StorageError> {
        let sessions = std::path::absolute(sessions).map_err(|e| io_error("make the folder", sessions, e))?;
        Storage::create_on(Box::new(FileSystem), &sessions, head)
    }

    /// [`Storage::create`] on any disk; `sessions` is absolute.
    ///
    /// # Errors
    /// As [`Storage::create`].
    pub fn create_on(disk: Box<dyn Disk>, sessions: &Path, head: &SessionHead) -> Result<Storage, StorageError> {
        if !names::can_name_a_session(&head.id) {
            return Err(StorageError::BadName(head.id.clone()));
        }
        let bytes = json::to_bytes("the session's head", head, head)?;
        let folder = sessions.join(&head.id);
        let mut storage = Storage::on(disk, folder, head);
        storage.make_folders(sessions)?;
        storage.disk.make_folder(&storage.folder).map_err(|e| match e.kind() {
            io::ErrorKind::AlreadyExists => StorageError::Exists(storage.folder.clone()),
            _ => io_error("make the folder", &storage.folder, e),
        })?;
        storage.sync(sessions)?;
        storage.lock()?;
        storage.put_listed(&storage.folder.join(names::HEAD), &bytes)?;
        Ok(storage)
    }

    /// Opens a session folder to read its finished steps and events, in order.
    ///
    /// # Errors
    /// [`StorageError`] naming the file that is missing, foreign, newer or broken.
    pub fn open(folder: &Path) -> Result<(Storage, Record), StorageError> {
        let mut changed = Vec::new();
        let head = open::head(&FileSystem, folder, &mut changed)?;
        Storage::on(Box::new(FileSystem), folder.into(), &head).read_all(head, changed)
    }

    /// Opens a session folder to write on: no other program can do so until this one lets go.
    ///
    /// # Errors
    /// As [`Storage::open`], and [`StorageError::InUse`].
    pub fn take_up(folder: &Path) -> Result<(Storage, Record), StorageError> {
        Storage::take_up_on(Box::new(FileSystem), folder)
    }

    /// [`Storage::take_up`] on any disk.
    ///
    /// # Errors
    /// As [`Storage::take_up`].
    pub fn take_up_on(disk: Box<dyn Disk>, folder: &Path) -> Result<(Storage, Record), StorageError> {
        // The head never changes, and shows that the lock is not made in somebody else's folder.
        let mut changed = Vec::new();
        let head = open::head(disk.as_ref(), folder, &mut changed)?;
        let mut storage = Storage::on(disk, folder.into(), &head);
        storage.lock()?;
        let (mut storage, record) = storage.read_all(head, changed)?;
        storage.read_sums()?;
        Ok((storage, record))
    }

    fn on(disk: Box<dyn Disk>, folder: PathBuf, head: &SessionHead) -> Storage {
        let deciding_input = head.chain.deciding_input();
        Storage {
            disk,
            folder,
            deciding_input,
            finished: Vec::new(),
            running: None,
            next_event: 1,
            sums: Sums::default(),
            _lock: None,
        }
    }

    fn read_all(mut self, head: SessionHead, mut changed: Changed) -> Result<(Storage, Record), StorageError> {
        let (steps, recordings) = open::steps(self.disk.as_ref(), &self.folder, &mut changed)?;
        let (events, next_event) = open::events(self.disk.as_ref(), &self.folder, &mut changed)?;
        self.finished = recordings;
        self.next_event = next_event;
        let mut record = Record { head, steps, events, changed };
        record.take_corrected_names();
        Ok((self, record))
    }

    fn lock(&mut self) -> Result<(), StorageError> {
        let path = self.folder.join(names::LOCK);
        self._lock = self.disk.lock(&path).map_err(|e| match e.kind() {
            io::ErrorKind::WouldBlock => StorageError::InUse(self.folder.clone()),
            _ => io_error("write", &path, e),
        })?;
        Ok(())
    }

    /// Where the session is kept.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Keeps the played period, once per stimulus and rate.
    ///
    /// # Errors
    /// [`StorageError::WrongPeriod`] where another period is kept under the same stimulus: steps would not compare.
    pub fn save_period(&mut self, stimulus: &Stimulus, period: &Period) -> Result<(), StorageError> {
        let folder = self.folder.join(names::STIMULI);
        let name = names::stimulus_file(stimulus, period.rate)?;
        let path = folder.join(&name);
        if self.list_or_nothing(&folder)?.contains(&name) {
            return self.check_period(&path, stimulus, period);
        }
        self.make_folder_once(&folder)?;
        let samples = period.samples.iter().map(|x| *x as f32).collect();
        let bytes = wav_bytes(&path, &Wav { rate_hz: period.rate.get(), channels: vec![samples] })?;
        self.put_listed(&path, &bytes)
    }

    fn check_period(&mut self, path: &Path, stimulus: &Stimulus, period: &Period) -> Result<(), StorageError> {
        let wrong = |why: String| StorageError::WrongPeriod { path: path.into(), stimulus: stimulus.to_string(), why };
        let bytes = self.read(path)?;
        let wav = Wav::from_bytes(&bytes).map_err(|e| wrong(e.to_string()))?;
        if wav.rate_hz != period.rate.get() || wav.channels.len() != 1 || wav.frames() != period.samples.len() {
            return Err(wrong("rate, channels or length differ".into()));
        }
        let differences = wav.channels[0].iter().zip(&period.samples).map(|(a, b)| (f64::from(*a) - b).abs());
        let largest = differences.fold(0.0, |most, d| if d <= most { most } else { d });
        if largest > SAME_PERIOD {
            return Err(wrong(format!("samples differ by up to {largest:.1e}")));
        }
        self.list(path, || sums::sha256(&bytes));
        Ok(())
    }

    /// Keeps one take of the running step, void or not, and gives its file name inside the step's folder.
    /// What an interrupted run of the same step left behind is moved aside first.
    ///
    /// # Errors
    /// [`StorageError`]; a step out of turn is refused before anything is written.
    pub fn save_take(&mut self, step: &Step, take: &Take) -> Result<String, StorageError> {
        self.check_turn(step.number)?;
        let folder = self.step_folder(step.number);
        if self.running.is_none() {
            self.begin_step(&folder, step.number)?;
        }
        let kept = self.running.get_or_insert_default();
        let name = names::take_file(&take.head.stimulus, kept);
        let path = folder.join(&name);
        let bytes = wav_bytes(&path, &recording::wav(take))?;
        let recording = Recording::of(take, &bytes);
        self.put(&path, &bytes)?;
        self.running.get_or_insert_default().insert(name.clone(), recording);
        Ok(name)
    }

    fn begin_step(&mut self, folder: &Path, number: usize) -> Result<(), StorageError> {
        let steps = self.folder.join(names::STEPS);
        self.make_folder_once(&steps)?;
        self.move_aside(&steps, number)?;
        self.disk.make_folder(folder).map_err(|e| io_error("make the folder", folder, e))?;
        self.sync(&steps)
    }

    fn move_aside(&mut self, steps: &Path, number: usize) -> Result<(), StorageError> {
        let present = self.list_or_nothing(steps)?;
        if !present.contains(&names::step_folder(number)) {
            return Ok(());
        }
        self.sums.leave_out(&sums::listed(&self.folder, &self.step_folder(number)));
        self.rename(&self.step_folder(number), &steps.join(names::aside(number, &present)))
    }

    /// The last finished step counts as never finished: it is moved aside with all its takes, to be run again.
    ///
    /// # Errors
    /// [`StorageError`]; it then stays finished.
    pub fn withdraw_last_step(&mut self) -> Result<(), StorageError> {
        self.move_aside(&self.folder.join(names::STEPS), self.finished.len())?;
        self.finished.pop();
        Ok(())
    }

    /// Reads a take back as it was analysed, one input per role.
    ///
    /// # Errors
    /// [`StorageError::WrongRecording`] where the file is missing, cut, of another rate, length or channel count, or
    /// holds other samples than were recorded.
    pub fn load_take(&self, step: usize, result: &TakeResult, roles: &[InputRole]) -> Result<Take, StorageError> {
        let path = self.step_folder(step).join(&result.file);
        let wrong = |why: String| StorageError::WrongRecording { path: path.clone(), why };
        if !names::is_plain(&result.file) {
            return Err(wrong("its name leads out of the step's folder".into()));
        }
        let bytes = match self.disk.read(&path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Err(wrong("it is missing".into())),
            read => read.map_err(|e| io_error("read", &path, e))?,
        };
        let wav = Wav::from_bytes(&bytes).map_err(|e| wrong(e.to_string()))?;
        let kept = step.checked_sub(1).and_then(|i| self.finished.get(i)).and_then(|files| files.get(&result.file));
        recording::check((&bytes, &wav), kept, &result.head, roles).map_err(wrong)?;
        let inputs = roles.iter().zip(wav.channels).map(|(role, samples)| Input { role: *role, samples }).collect();
        Ok(Take { head: result.head.clone(), inputs })
    }

    /// Makes a step finished: `step.json`, then the summary. Once `step.json` stands, the step survives whatever comes.
    ///
    /// # Errors
    /// [`StorageError`]; a value that is not finite, a take that was never saved or a step out of turn is refused
    /// before anything is written.
    pub fn commit_step(&mut self, result: &StepResult, record: &Record) -> Result<(), StorageError> {
        self.check_turn(result.step.number)?;
        let kept = self.running.clone().unwrap_or_default();
        if let Some(take) = result.takes.iter().find(|take| !kept.contains_key(&take.file)) {
            return Err(self.out_of_turn(result.step.number, format!("its take {} was never stored", take.file)));
        }
        if self.running.is_none() {
            self.begin_step(&self.step_folder(result.step.number), result.step.number)?;
        }
        self.put_step(result, &kept)?;
        self.finished.push(kept);
        self.running = None;
        self.write_summary(Some(result), record)
    }

    /// Puts a finished step's results in the place of the old ones, in one moment; for analysing again.
    ///
    /// # Errors
    /// [`StorageError`]; a step that is not finished cannot be replaced.
    pub fn replace_step(&mut self, result: &StepResult, record: &Record) -> Result<(), StorageError> {
        let number = result.step.number;
        let kept = number.checked_sub(1).and_then(|i| self.finished.get(i)).cloned();
        let kept = kept.ok_or_else(|| self.out_of_turn(number, "it is not finished".into()))?;
        self.put_step(result, &kept)?;
        self.write_summary(Some(result), record)
    }

    fn put_step(&mut self, result: &StepResult, kept: &BTreeMap<String, Recording>) -> Result<(), StorageError> {
        let file = StepFile { result: Stamped::new(result), recordings: kept };
        let bytes = json::to_bytes(&recording::what_is_wrong(result), &file, result)?;
        let folder = self.step_folder(result.step.number);
        self.put_listed(&folder.join(names::STEP), &bytes)?;
        self.list_recordings(&folder, kept);
        Ok(())
    }

    /// Rewrites the summary from the record, and the hashes. Every commit does so; a session taken up again needs it once,
    /// because the program may have ended between a commit mark and its summary.
    ///
    /// # Errors
    /// [`StorageError`].
    pub fn refresh_summary(&mut self, record: &Record) -> Result<(), StorageError> {
        self.write_summary(None, record)
    }

    fn write_summary(&mut self, latest: Option<&StepResult>, record: &Record) -> Result<(), StorageError> {
        let text = summary::table(record, latest, self.deciding_input);
        self.put(&self.folder.join(names::SUMMARY), text.as_bytes())?;
        self.put(&self.folder.join(names::SUMS), self.sums.text().as_bytes())
    }

    /// Adds one event; events are never changed.
    ///
    /// # Errors
    /// [`StorageError`].
    pub fn append_event(&mut self, event: &SessionEvent) -> Result<(), StorageError> {
        let bytes = json::to_bytes("a session event", &Stamped::new(event), event)?;
        let folder = self.folder.join(names::EVENTS);
        self.make_folder_once(&folder)?;
        self.put(&folder.join(names::event_file(self.next_event)), &bytes)?;
        self.next_event += 1;
        Ok(())
    }

    fn check_turn(&self, number: usize) -> Result<(), StorageError> {
        let next = self.finished.len() + 1;
        match number {
            n if n == next => Ok(()),
            n if n < next => Err(self.out_of_turn(number, "it is finished already".into())),
            _ => Err(self.out_of_turn(number, format!("step {next} comes first"))),
        }
    }

    fn out_of_turn(&self, asked: usize, why: String) -> StorageError {
        StorageError::OutOfTurn { folder: self.folder.clone(), asked, why }
    }

    fn step_folder(&self, number: usize) -> PathBuf {
        self.folder.join(names::STEPS).join(names::step_folder(number))
    }
}

/// The hashes of what is stored.
impl Storage {
    /// What is listed, and what a program that ended before its list had stored.
    fn read_sums(&mut self) -> Result<(), StorageError> {
        if self.list_or_nothing(&self.folder)?.iter().any(|name| name == names::SUMS) {
            self.sums = Sums::read(&self.read(&self.folder.join(names::SUMS))?);
        }
        self.list_as_written(&self.folder.join(names::HEAD))?;
        for (number, kept) in (1..).zip(std::mem::take(&mut self.finished)) {
            let folder = self.step_folder(number);
            self.list_recordings(&folder, &kept);
            self.list_as_written(&folder.join(names::STEP))?;
            self.finished.push(kept);
        }
        Ok(())
    }

    /// A file that was changed outside the program is not listed as if it had been written so.
    fn list_as_written(&mut self, path: &Path) -> Result<(), StorageError> {
        if !self.sums.has(&sums::listed(&self.folder, path)) {
            let bytes = self.read(path)?;
            if json::is_as_written(&bytes) {
                self.list(path, || sums::sha256(&bytes));
            }
        }
        Ok(())
    }

    /// Lists a file that is not listed yet.
    fn list(&mut self, path: &Path, hash: impl FnOnce() -> String) {
        let listed = sums::listed(&self.folder, path);
        if !self.sums.has(&listed) {
            self.sums.list(listed, hash());
        }
    }

    /// Sessions of earlier programs keep no hash of the file.
    fn list_recordings(&mut self, step: &Path, kept: &BTreeMap<String, Recording>) {
        for (file, recording) in kept {
            if let Some(hash) = &recording.sha256 {
                self.sums.list(sums::listed(&self.folder, &step.join(file)), hash.clone());
            }
        }
    }

    fn put_listed(&mut self, path: &Path, bytes: &[u8]) -> Result<(), StorageError> {
        self.put(path, bytes)?;
        self.sums.list(sums::listed(&self.folder, path), sums::sha256(bytes));
        Ok(())
    }
}

/// The file operations in the order that loses nothing.
impl Storage {
    /// Write aside, sync, rename, sync the folder.
    fn put(&mut self, path: &Path, bytes: &[u8]) -> Result<(), StorageError> {
        let part = names::part(path);
        self.disk.write(&part, bytes).map_err(|e| io_error("write", path, e))?;
        self.sync(&part)?;
        self.rename(&part, path)
    }

    fn rename(&mut self, from: &Path, to: &Path) -> Result<(), StorageError> {
        self.disk.rename(from, to).map_err(|e| io_error("put in place", to, e))?;
        to.parent().map_or(Ok(()), |folder| self.sync(folder))
    }

    fn sync(&mut self, path: &Path) -> Result<(), StorageError> {
        self.disk.sync(path).map_err(|e| io_error("write", path, e))
    }

    /// Makes a folder and those above it, each certain on the disk before the next.
    fn make_folders(&mut self, path: &Path) -> Result<(), StorageError> {
        let Some(above) = path.parent() else { return Ok(()) };
        if self.disk.list(path).is_ok() {
            // An earlier run may have ended between making and syncing it; where syncing is refused it is not ours.
            let _ = self.disk.sync(above);
            return Ok(());
        }
        self.make_folders(above)?;
        self.make_folder_once(path)
    }

    fn make_folder_once(&mut self, path: &Path) -> Result<(), StorageError> {
        match self.disk.make_folder(path) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
            made => made.map_err(|e| io_error("make the folder", path, e))?,
        }
        // Also where it was there: an earlier run may have ended between making and syncing it.
        path.parent().map_or(Ok(()), |parent| self.sync(parent))
    }

    fn list_or_nothing(&self, folder: &Path) -> Result<Vec<String>, StorageError> {
        open::list_or_nothing(self.disk.as_ref(), folder)
    }

    fn read(&self, path: &Path) -> Result<Vec<u8>, StorageError> {
        self.disk.read(path).map_err(|e| io_error("read", path, e))
    }
}

fn io_error(doing: &'static str, path: &Path, source: io::Error) -> StorageError {
    StorageError::Io { doing, path: path.into(), source }
}

fn wav_bytes(path: &Path, wav: &Wav) -> Result<Vec<u8>, StorageError> {
    wav.to_bytes().map_err(|e| StorageError::NoWav { path: path.into(), why: e.to_string() })
}
