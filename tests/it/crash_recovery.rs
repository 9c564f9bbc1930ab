//! Is a finished step ever lost? A session is stored on a disk of the test's own that stops after operation k, for
//! every k, in three ways; what is left is opened, held against what had been promised, and run to its end.

use crate::stored_session as stored;
use loudenough::session::record::{Record, SessionEvent, StepResult};
use loudenough::session::storage::{Disk, FileSystem, Storage, StorageError};
use loudenough::signal::Stimulus;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io;
use std::path::{Component, Path};
use std::sync::{Arc, Mutex};

/// None of it is there before.
const HOME: &str = "/home/bench/sessions";
const ID: &str = "session-1";

/// How the lights go out.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Loss {
    /// The program is killed: all it did stands, the write it was in is half done.
    Killed,
    /// Power fails and everything that was not synced is gone, names and content.
    Unsynced,
    /// Power fails; names were already on the disk, content that was not synced is empty.
    NamesBeforeContent,
}

#[derive(Clone, Copy)]
enum Node {
    File(usize),
    Folder(usize),
}

#[derive(Clone, Default)]
struct FileState {
    now: Vec<u8>,
    synced: Option<Vec<u8>>,
}

#[derive(Clone, Default)]
struct FolderState {
    now: BTreeMap<String, Node>,
    synced: BTreeMap<String, Node>,
}

/// A file system in memory that knows which of it would survive.
#[derive(Clone)]
struct Model {
    files: Vec<FileState>,
    folders: Vec<FolderState>,
    /// Operations done so far and how many are granted.
    done: usize,
    granted: usize,
}

#[derive(Clone)]
struct TestDisk(Arc<Mutex<Model>>);

fn no_entry() -> io::Error {
    io::ErrorKind::NotFound.into()
}

impl Model {
    fn new() -> Model {
        Model { files: Vec::new(), folders: vec![FolderState::default()], done: 0, granted: usize::MAX }
    }

    fn find(&self, path: &Path) -> io::Result<Node> {
        let names = path.components().filter_map(|c| match c {
            Component::Normal(name) => Some(name.to_str().unwrap()),
            _ => None,
        });
        names.into_iter().try_fold(Node::Folder(0), |node, name| match node {
            Node::Folder(i) => self.folders[i].now.get(name).copied().ok_or_else(no_entry),
            Node::File(_) => Err(io::ErrorKind::NotADirectory.into()),
        })
    }

    fn folder_and_name(&self, path: &Path) -> io::Result<(usize, String)> {
        match self.find(path.parent().unwrap())? {
            Node::Folder(i) => Ok((i, path.file_name().unwrap().to_str().unwrap().into())),
            Node::File(_) => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    /// Counts one operation; false where the power is gone.
    fn spend(&mut self) -> bool {
        self.done += 1;
        self.done <= self.granted
    }

    fn gone() -> io::Error {
        io::Error::other("the power is gone")
    }

    /// The program is gone, the system goes on: what was not synced still is not.
    fn after_kill(&self) -> Model {
        Model { done: 0, granted: usize::MAX, ..self.clone() }
    }

    /// What is found after the lights are on again.
    fn after(&self, loss: Loss) -> Model {
        let mut left = self.clone();
        if loss != Loss::Killed {
            left.files.iter_mut().for_each(|f| f.now = f.synced.clone().unwrap_or_default());
        }
        if loss == Loss::Unsynced {
            left.folders.iter_mut().for_each(|f| f.now = f.synced.clone());
        }
        // What is read after a restart is what the disk holds.
        left.files.iter_mut().for_each(|f| f.synced = Some(f.now.clone()));
        left.folders.iter_mut().for_each(|f| f.synced = f.now.clone());
        Model { done: 0, granted: usize::MAX, ..left }
    }
}

impl Disk for TestDisk {
    fn make_folder(&mut self, path: &Path) -> io::Result<()> {
        let mut m = self.0.lock().unwrap();
        if !m.spend() {
            return Err(Model::gone());
        }
        let (folder, name) = m.folder_and_name(path)?;
        if m.folders[folder].now.contains_key(&name) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        m.folders.push(FolderState::default());
        let new = Node::Folder(m.folders.len() - 1);
        m.folders[folder].now.insert(name, new);
        Ok(())
    }

    fn write(&mut self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let mut m = self.0.lock().unwrap();
        let whole = m.spend();
        let last_breath = m.done - 1 == m.granted;
        if !whole && !last_breath {
            return Err(Model::gone());
        }
        let (folder, name) = m.folder_and_name(path)?;
        let old = m.folders[folder].now.get(&name).copied();
        let file = match old {
            Some(Node::File(i)) => i,
            Some(Node::Folder(_)) => return Err(io::ErrorKind::IsADirectory.into()),
            None => {
                m.files.push(FileState::default());
                let i = m.files.len() - 1;
                m.folders[folder].now.insert(name, Node::File(i));
                i
            }
        };
        m.files[file] =
            FileState { now: bytes[..if whole { bytes.len() } else { bytes.len() / 2 }].to_vec(), synced: None };
        if whole { Ok(()) } else { Err(Model::gone()) }
    }

    fn sync(&mut self, path: &Path) -> io::Result<()> {
        let mut m = self.0.lock().unwrap();
        if !m.spend() {
            return Err(Model::gone());
        }
        match m.find(path)? {
            Node::File(i) => m.files[i].synced = Some(m.files[i].now.clone()),
            Node::Folder(i) => m.folders[i].synced = m.folders[i].now.clone(),
        }
        Ok(())
    }

    fn rename(&mut self, from: &Path, to: &Path) -> io::Result<()> {
        let mut m = self.0.lock().unwrap();
        if !m.spend() {
            return Err(Model::gone());
        }
        let (folder, name) = m.folder_and_name(from)?;
        let (new_folder, new_name) = m.folder_and_name(to)?;
        let node = m.folders[folder].now.remove(&name).ok_or_else(no_entry)?;
        m.folders[new_folder].now.insert(new_name, node);
        Ok(())
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<String>> {
        let m = self.0.lock().unwrap();
        match m.find(folder)? {
            Node::Folder(i) => Ok(m.folders[i].now.keys().cloned().collect()),
            Node::File(_) => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        let m = self.0.lock().unwrap();
        match m.find(path)? {
            Node::File(i) => Ok(m.files[i].now.clone()),
            Node::Folder(_) => Err(io::ErrorKind::IsADirectory.into()),
        }
    }

    /// Nobody else sees this disk.
    fn lock(&mut self, _: &Path) -> io::Result<Option<File>> {
        Ok(None)
    }
}

/// What storage has promised so far: each was reported as done.
#[derive(Clone, Debug, Default, PartialEq)]
struct Promised {
    head: bool,
    steps: usize,
    events: usize,
}

/// Everything the session should hold in the end.
struct Expected {
    steps: Vec<StepResult>,
    events: Vec<SessionEvent>,
}

fn disk(model: Model) -> (TestDisk, Arc<Mutex<Model>>) {
    let shared = Arc::new(Mutex::new(model));
    (TestDisk(shared.clone()), shared)
}

/// Runs the script from wherever `storage` and `record` stand, as a runner would.
fn run(storage: &mut Storage, record: &mut Record, promised: &mut Promised) -> Result<(), StorageError> {
    storage.refresh_summary(record)?;
    storage.save_period(&Stimulus::sine(997.0), &stored::small_period())?;
    if record.events.is_empty() {
        append(storage, record, promised)?;
    }
    for (step, takes) in stored::script().into_iter().skip(record.steps.len()) {
        let mut files = Vec::new();
        for take in &takes {
            files.push(storage.save_take(&step, take)?);
        }
        let result = stored::result(&step, &takes, &files);
        let stored = storage.commit_step(&result, record);
        record.steps.push(result);
        stored?;
        promised.steps += 1;
    }
    if record.events.len() == 1 {
        append(storage, record, promised)?;
    }
    Ok(())
}

fn append(storage: &mut Storage, record: &mut Record, promised: &mut Promised) -> Result<(), StorageError> {
    let event = stored::events()[record.events.len()].clone();
    storage.append_event(&event)?;
    record.events.push(event);
    promised.events += 1;
    Ok(())
}

fn run_from_nothing(disk: TestDisk, id: &str, promised: &mut Promised) -> Result<Record, StorageError> {
    let head = stored::head(id);
    let mut storage = Storage::create_on(Box::new(disk), Path::new(HOME), &head)?;
    promised.head = true;
    let mut record = Record::new(head);
    run(&mut storage, &mut record, promised)?;
    Ok(record)
}

fn open(model: Model) -> Result<(Storage, Record, Arc<Mutex<Model>>), StorageError> {
    let (disk, shared) = disk(model);
    let (storage, record) = Storage::take_up_on(Box::new(disk), &Path::new(HOME).join(ID))?;
    Ok((storage, record, shared))
}

/// Opens what is left and holds it against what was promised. `None` where the session had not begun.
fn check(
    left: Model,
    promised: &Promised,
    expected: &Expected,
    case: &str,
) -> Option<(Storage, Record, Arc<Mutex<Model>>)> {
    let (storage, record, shared) = match open(left) {
        Err(StorageError::NotASession(_)) if !promised.head => return None,
        opened => opened.unwrap_or_else(|e| panic!("{case}: {e}")),
    };
    assert_eq!(record.head, stored::head(ID), "{case}");
    assert!(record.steps.len() >= promised.steps, "{case}: {} steps of {promised:?}", record.steps.len());
    assert!(record.steps.len() <= promised.steps + 1, "{case}: a step nobody finished");
    assert_eq!(record.steps[..], expected.steps[..record.steps.len()], "{case}");
    assert!(record.events.len() >= promised.events, "{case}: an event is lost");
    assert_eq!(record.events[..], expected.events[..record.events.len()], "{case}");
    for (result, (_, takes)) in record.steps.iter().zip(stored::script()) {
        for (kept, take) in result.takes.iter().zip(takes) {
            assert_eq!(storage.load_take(result.step.number, kept, &stored::ROLES).unwrap(), take, "{case}");
        }
    }
    Some((storage, record, shared))
}

/// Runs the rest and checks that the whole session is there, in a summary of one row per step.
fn finish(mut storage: Storage, mut record: Record, shared: &Mutex<Model>, expected: &Expected, case: &str) {
    run(&mut storage, &mut record, &mut Promised::default()).unwrap_or_else(|e| panic!("{case}: {e}"));
    let everything = Promised { head: true, steps: expected.steps.len(), events: expected.events.len() };
    let left = shared.lock().unwrap().after(Loss::Unsynced);
    let (_, record, shared) = check(left, &everything, expected, case).unwrap();
    assert_eq!(record.steps, expected.steps, "{case}");
    assert_eq!(record.events, expected.events, "{case}");
    let disk = TestDisk(shared);
    is_listed(&disk, &record, case);
    let summary = disk.read(&Path::new(HOME).join(ID).join("summary.csv")).unwrap();
    let rows = String::from_utf8(summary).unwrap().lines().count();
    assert_eq!(rows, 1 + expected.steps.len(), "{case}");
}

/// Head, period, every recording and every step are listed with their hashes, and nothing else.
fn is_listed(disk: &TestDisk, record: &Record, case: &str) {
    let read =
        |path: &str| disk.read(&Path::new(HOME).join(ID).join(path)).unwrap_or_else(|e| panic!("{case}: {path}: {e}"));
    let text = String::from_utf8(read("SHA256SUMS")).unwrap();
    let mut listed = Vec::new();
    for (hash, path) in text.lines().map(|line| line.split_once("  ").unwrap()) {
        let found: String = Sha256::digest(read(path)).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(found, hash, "{case}: {path}");
        listed.push(path);
    }
    let mut expected = vec!["session.json".to_string()];
    for step in &record.steps {
        let files = step.takes.iter().map(|take| take.file.as_str()).chain(["step.json"]);
        expected.extend(files.map(|file| format!("steps/{:04}/{file}", step.step.number)));
    }
    listed.retain(|path| !path.starts_with("stimuli/"));
    expected.sort();
    assert_eq!(listed, expected, "{case}");
    assert_eq!(text.matches("  stimuli/").count(), 1, "{case}");
}

fn undisturbed() -> (Expected, usize) {
    let (disk, shared) = disk(Model::new());
    let mut promised = Promised::default();
    let record = run_from_nothing(disk, ID, &mut promised).unwrap();
    assert_eq!(promised, Promised { head: true, steps: 3, events: 2 });
    let operations = shared.lock().unwrap().done;
    (Expected { steps: record.steps, events: record.events }, operations)
}

fn stopped_after(k: usize, promised: &mut Promised) -> Model {
    let (disk, shared) = disk(Model { granted: k, ..Model::new() });
    assert!(run_from_nothing(disk, ID, promised).is_err(), "operation {k}");
    shared.lock().unwrap().clone()
}

const LOSSES: [Loss; 3] = [Loss::Killed, Loss::Unsynced, Loss::NamesBeforeContent];

#[test]
fn stopped_after_any_operation_a_session_reopens_with_every_finished_step_and_runs_to_its_end() {
    let (expected, operations) = undisturbed();
    assert!(operations > 60, "{operations}");
    let mut steps_seen = [false; 4];
    for k in 0..operations {
        for loss in LOSSES {
            let case = format!("stopped after operation {k} of {operations}, {loss:?}");
            let mut promised = Promised::default();
            let left = stopped_after(k, &mut promised).after(loss);
            if let Some((storage, record, shared)) = check(left, &promised, &expected, &case) {
                steps_seen[record.steps.len()] = true;
                finish(storage, record, &shared, &expected, &case);
            }
        }
    }
    assert!(steps_seen.iter().all(|seen| *seen), "the stops did not fall into every step: {steps_seen:?}");
}

#[test]
fn a_second_stop_while_the_rest_is_run_loses_nothing_either() {
    let (expected, operations) = undisturbed();
    let mut second_stops = 0;
    for k in (0..operations).step_by(7) {
        let mut promised = Promised::default();
        let left = stopped_after(k, &mut promised).after(Loss::Unsynced);
        let Some((_, first, _)) = check(left.clone(), &promised, &expected, "first stop") else { continue };
        let before = Promised { head: true, steps: first.steps.len(), events: first.events.len() };
        for again in 0.. {
            let (mut storage, mut record, shared) = open(left.clone()).unwrap();
            shared.lock().unwrap().granted = again;
            let mut promised = before.clone();
            if run(&mut storage, &mut record, &mut promised).is_ok() {
                break;
            }
            second_stops += 1;
            let case = format!("stopped after operation {k}, then after {again}");
            let left = shared.lock().unwrap().after(LOSSES[again % 3]);
            let (storage, record, shared) = check(left, &promised, &expected, &case).unwrap();
            finish(storage, record, &shared, &expected, &case);
        }
    }
    assert!(second_stops > 200, "{second_stops}");
}

/// The first program is killed with folders made that are certain on no disk yet; the second finds them in place.
#[test]
fn folders_that_an_earlier_program_made_and_did_not_sync_hold_the_next_session() {
    for k in 0..12 {
        let left = stopped_after(k, &mut Promised::default()).after_kill();
        let (disk, shared) = disk(left);
        run_from_nothing(disk, "session-2", &mut Promised::default()).unwrap();
        let left = shared.lock().unwrap().after(Loss::Unsynced);
        let (disk, _) = self::disk(left);
        let (_, record) = Storage::take_up_on(Box::new(disk), &Path::new(HOME).join("session-2"))
            .unwrap_or_else(|e| panic!("killed after operation {k}: {e}"));
        assert_eq!(record.steps.len(), 3, "killed after operation {k}");
    }
}

/// A step that was given up is there, or it never happened; whatever else was finished stays.
#[test]
fn a_withdrawn_step_is_whole_or_gone_wherever_it_stops() {
    let (expected, _) = undisturbed();
    let (disk, shared) = disk(Model::new());
    run_from_nothing(disk, ID, &mut Promised::default()).unwrap();
    let whole = shared.lock().unwrap().clone();
    let mut seen = [false; 4];
    for (k, loss) in (0..4).flat_map(|k| LOSSES.map(|loss| (k, loss))) {
        let (mut storage, _, shared) = open(Model { done: 0, granted: k, ..whole.clone() }).unwrap();
        let withdrawn = storage.withdraw_last_step().is_ok();
        let left = shared.lock().unwrap().after(loss);
        let (_, record, _) = open(left).unwrap();
        assert!(record.steps.len() == 2 || record.steps.len() == 3 && !withdrawn, "{k}, {loss:?}");
        assert_eq!(record.steps[..], expected.steps[..record.steps.len()], "{k}, {loss:?}");
        seen[record.steps.len()] = true;
    }
    assert!(seen[2] && seen[3]);
}

#[test]
fn what_an_interrupted_step_left_is_moved_aside_and_not_mixed_with_the_new_takes() {
    let home = tempfile::tempdir().unwrap();
    let head = stored::head(ID);
    let (step, takes) = stored::script().swap_remove(1);
    let step = loudenough::session::step::Step { number: 1, ..step };
    let mut storage = Storage::create(home.path(), &head).unwrap();
    assert_eq!(storage.save_take(&step, &takes[0]).unwrap(), "pink-1.wav");
    assert_eq!(storage.save_take(&step, &takes[0]).unwrap(), "pink-2.wav");
    let folder = storage.folder().to_path_buf();
    drop(storage);

    let (mut storage, record) = Storage::take_up(&folder).unwrap();
    assert!(record.steps.is_empty());
    assert_eq!(storage.save_take(&step, &takes[1]).unwrap(), "pink-1.wav");
    let files = vec!["pink-1.wav".to_string()];
    storage.commit_step(&stored::result(&step, &takes[1..], &files), &record).unwrap();
    assert_eq!(FileSystem.list(&folder.join("steps")).unwrap(), ["0001", "0001-unfinished-1"]);
    assert_eq!(FileSystem.list(&folder.join("steps/0001")).unwrap(), ["pink-1.wav", "step.json"]);
    assert_eq!(Storage::open(&folder).unwrap().1.steps.len(), 1);
}
