//! Disks that are full, files that may not grow.

use super::{bench, store};
use crate::stored_session as stored;
use loudenough::session::storage::{Disk, FileSystem, Storage, StorageError};
use std::fs;
use std::io;
use std::path::Path;
use std::process::Command;

/// The file system, on which this file finds no more space.
struct Full(String);

impl Disk for Full {
    fn make_folder(&mut self, path: &Path) -> io::Result<()> {
        FileSystem.make_folder(path)
    }

    fn write(&mut self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        if path.ends_with(&self.0) { Err(io::ErrorKind::StorageFull.into()) } else { FileSystem.write(path, bytes) }
    }

    fn sync(&mut self, path: &Path) -> io::Result<()> {
        FileSystem.sync(path)
    }

    fn rename(&mut self, from: &Path, to: &Path) -> io::Result<()> {
        FileSystem.rename(from, to)
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<String>> {
        FileSystem.list(folder)
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        FileSystem.read(path)
    }

    fn lock(&mut self, path: &Path) -> io::Result<Option<fs::File>> {
        FileSystem.lock(path)
    }
}

#[test]
fn a_full_disk_is_named_and_finished_steps_are_kept() {
    for file in ["sine-997hz-1.wav", "step.json"] {
        let bench = bench();
        let disk = Box::new(Full(format!("steps/0004/{file}.part")));
        let (mut storage, record) = Storage::take_up_on(disk, &bench.folder).unwrap();
        let (mut step, takes) = stored::script().swap_remove(2);
        step.number = 4;
        let mut files = vec![storage.save_take(&step, &takes[0]).unwrap()];
        let rest: Result<Vec<String>, StorageError> = takes[1..].iter().map(|t| storage.save_take(&step, t)).collect();
        let outcome = rest.and_then(|rest| {
            files.extend(rest);
            storage.commit_step(&stored::result(&step, &takes, &files), &record)
        });
        let message = outcome.unwrap_err().to_string();
        for part in [file, "disk is full", "free some space", "--continue"] {
            assert!(message.contains(part), "{part:?} is not in: {message}");
        }
        assert_eq!(Storage::open(&bench.folder).unwrap().1, bench.record);
        drop(storage);
        // Space was freed (the failed part is gone): the same step is run again.
        let (mut storage, record) = Storage::take_up(&bench.folder).unwrap();
        store(&mut storage, &record, 4, |_| {}).unwrap();
        assert_eq!(Storage::open(&bench.folder).unwrap().1.steps.len(), 4);
    }
}

const LIMITED: &str = "LOUDENOUGH_TEST_LIMITED_SESSION";

/// Under `ulimit -f` Linux ends a process that writes too much; the program must say it before that.
#[cfg(target_os = "linux")]
#[test]
fn a_limit_on_file_size_is_named_and_finished_steps_are_kept() {
    let bench = bench();
    let this = std::env::current_exe().unwrap();
    let script = format!(
        "ulimit -f 100 && exec '{}' --exact storage_bad_input::full::limited --ignored --nocapture",
        this.display()
    );
    let output = Command::new("sh").args(["-c", &script]).env(LIMITED, &bench.folder).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{:?}: {text}", output.status);
    for part in ["could not write", "steps/0004/pink-1.wav", "ulimit -f", "finished steps are kept"] {
        assert!(text.contains(part), "{part:?} is not in: {text}");
    }
    assert_eq!(Storage::open(&bench.folder).unwrap().1, bench.record);
}

/// Not a test of its own: run by the one above in a process with a limit.
#[test]
#[ignore = "needs the limit that its caller sets"]
fn limited() {
    let Some(folder) = std::env::var_os(LIMITED) else { return };
    let (mut storage, _) = Storage::take_up(Path::new(&folder)).unwrap();
    let (mut step, mut takes) = stored::script().swap_remove(2);
    step.number = 4;
    takes[0].inputs.iter_mut().for_each(|input| input.samples = vec![0.25; 100_000]);
    println!("{}", storage.save_take(&step, &takes[0]).unwrap_err());
}
