//! Reads the notebook. What a session says is computed from its folder and kept in an index beside the sessions, with the sizes
//! and times of all files that it was computed from; where one of them differs it is computed again. The index can be deleted at
//! any time.
//!
//! ```text
//! .notebook-index      {"index":"loudenough-notebook/1","program":"loudenough 0.1.0"}
//!                      {"name":"2026-03-01_09-12-33","files":…,"newest_ns":…,"session":{…}}      one line a session
//! ```

use super::{Entry, Measured, SortBy, entry, name_shortly, sort};
use crate::session::storage::{Storage, all_sessions};
use crate::session::toml_file::write_whole;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::UNIX_EPOCH;

/// The index, in the folder of the sessions; no session can have this name.
const INDEX: &str = ".notebook-index";
const FORM: &str = "loudenough-notebook/1";
/// A file that changed so shortly before the index was written may change again without another time, ns (some file systems
/// count whole seconds, or two).
const TOO_NEAR_NS: u128 = 2_000_000_000;

/// First line of the index: another program judges otherwise.
#[derive(PartialEq, Serialize, Deserialize)]
struct Head {
    index: String,
    program: String,
}

impl Head {
    fn ours() -> Head {
        Head { index: FORM.into(), program: format!("loudenough {}", env!("CARGO_PKG_VERSION")) }
    }
}

/// One line of the index.
#[derive(Serialize, Deserialize)]
struct Line {
    name: String,
    files: u64,
    newest_ns: u128,
    session: Measured,
}

/// What a session's files looked like.
#[derive(Clone, Copy, PartialEq)]
struct Files {
    hash: u64,
    newest_ns: u128,
}

/// Every session in this folder, the latest first. A folder that cannot be read is an entry that says why.
pub fn read(sessions: &Path) -> Vec<Entry> {
    read_telling(sessions, |_, _| ())
}

/// The same; of those that must be read anew `stated` is told how many are done, and of how many.
pub fn read_telling(sessions: &Path, stated: impl Fn(usize, usize) + Sync) -> Vec<Entry> {
    let folders: Vec<(String, PathBuf)> = all_sessions(sessions)
        .into_iter()
        .filter_map(|folder| Some((folder.file_name()?.to_str()?.to_string(), folder)))
        .collect();
    let kept = kept(&sessions.join(INDEX)).unwrap_or_default();
    let known = kept.len();
    let files = in_parallel(&folders, |(_, folder)| files_of(folder).ok());
    let mut kept = kept;
    let mut lines: Vec<Option<Line>> = folders
        .iter()
        .zip(&files)
        .map(|((name, _), now)| kept.remove(name).filter(|line| *now == Some(files_as_kept(line))))
        .collect();
    let stale: Vec<usize> = (0..folders.len()).filter(|i| lines[*i].is_none()).collect();
    let done = AtomicUsize::new(0);
    let fresh = in_parallel(&stale, |i| {
        let measured =
            Storage::open(&folders[*i].1).map(|(_, record)| Measured::of(&record)).map_err(|e| e.to_string());
        stated(done.fetch_add(1, Ordering::Relaxed) + 1, stale.len());
        measured
    });
    let mut entries = Vec::with_capacity(folders.len());
    let mut news = false;
    let mut fresh = stale.iter().zip(fresh).collect::<BTreeMap<_, _>>();
    for (i, (name, folder)) in folders.iter().enumerate() {
        let session = match (fresh.remove(&i), lines[i].take()) {
            (Some(Ok(measured)), _) => {
                // What the files looked like before they were read: a change meanwhile is seen the next time.
                lines[i] = files[i].map(|files| line(name, files, &measured));
                news = true;
                Ok(measured)
            }
            (Some(Err(why)), _) => Err(why),
            (None, Some(kept)) => {
                let measured = kept.session.clone();
                lines[i] = Some(kept);
                Ok(measured)
            }
            (None, None) => Err("it was not read".into()),
        };
        entries.push(entry(folder, name, session));
    }
    let lines: Vec<Line> = lines.into_iter().flatten().collect();
    if news || lines.len() != known {
        // Without it the next look takes longer, nothing worse.
        let _ = write(&sessions.join(INDEX), &lines);
    }
    name_shortly(&mut entries);
    sort(&mut entries, SortBy::Date);
    entries
}

fn line(name: &str, files: Files, measured: &Measured) -> Line {
    Line { name: name.into(), files: files.hash, newest_ns: files.newest_ns, session: measured.clone() }
}

fn files_as_kept(line: &Line) -> Files {
    Files { hash: line.files, newest_ns: line.newest_ns }
}

/// Lines that may be believed as far as their files are unchanged; `None` where there is no index of this program.
fn kept(path: &Path) -> Option<BTreeMap<String, Line>> {
    let written_ns = modified_ns(&fs::symlink_metadata(path).ok().filter(fs::Metadata::is_file)?)?;
    let text = fs::read_to_string(path).ok()?;
    let mut lines = text.lines();
    let head: Head = serde_json::from_str(lines.next()?).ok()?;
    let sure = |line: &Line| line.newest_ns + TOO_NEAR_NS <= written_ns;
    let lines: Vec<&str> = lines.collect();
    let read = in_parallel(&lines, |line| serde_json::from_str::<Line>(line).ok());
    (head == Head::ours())
        .then(|| read.into_iter().flatten().filter(sure).map(|line| (line.name.clone(), line)).collect())
}

fn write(path: &Path, lines: &[Line]) -> io::Result<()> {
    let mut text = serde_json::to_string(&Head::ours())?;
    for line in lines {
        text.push('\n');
        text += &serde_json::to_string(line)?;
    }
    text.push('\n');
    write_whole(path, &text)
}

/// Names, sizes and times of everything that the entry of a session is computed from.
fn files_of(folder: &Path) -> io::Result<Files> {
    let mut hasher = DefaultHasher::new();
    let mut newest_ns = 0;
    let mut add = |name: &str, path: &Path| -> io::Result<()> {
        let what = fs::symlink_metadata(path)?;
        let at = modified_ns(&what).unwrap_or(u128::MAX);
        (name, what.len(), at, what.is_file()).hash(&mut hasher);
        newest_ns = newest_ns.max(at);
        Ok(())
    };
    add("session.json", &folder.join("session.json"))?;
    for name in listed(&folder.join("events"))? {
        add(&name, &folder.join("events").join(&name))?;
    }
    let steps = folder.join("steps");
    for name in listed(&steps)? {
        match add(&name, &steps.join(&name).join("step.json")) {
            // A step that is not finished is none.
            Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => {}
            added => added?,
        }
    }
    Ok(Files { hash: hasher.finish(), newest_ns })
}

fn listed(folder: &Path) -> io::Result<Vec<String>> {
    let entries = match fs::read_dir(folder) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other?,
    };
    let names: io::Result<Vec<Option<String>>> = entries.map(|e| Ok(e?.file_name().into_string().ok())).collect();
    let mut names: Vec<String> = names?.into_iter().flatten().collect();
    names.sort();
    Ok(names)
}

fn modified_ns(what: &fs::Metadata) -> Option<u128> {
    Some(what.modified().ok()?.duration_since(UNIX_EPOCH).ok()?.as_nanos())
}

/// The results in the order of the items, made on as many threads as the machine has.
fn in_parallel<T: Sync, R: Send>(items: &[T], of: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(items.len().max(1));
    let next = AtomicUsize::new(0);
    let work = || {
        let mut done = Vec::new();
        loop {
            let i = next.fetch_add(1, Ordering::Relaxed);
            match items.get(i) {
                Some(item) => done.push((i, of(item))),
                None => return done,
            }
        }
    };
    let mut all: Vec<(usize, R)> = match threads {
        1 => work(),
        _ => std::thread::scope(|scope| {
            let others: Vec<_> = (1..threads).map(|_| scope.spawn(work)).collect();
            let mut all = work();
            for other in others {
                match other.join() {
                    Ok(done) => all.extend(done),
                    Err(panic) => std::panic::resume_unwind(panic),
                }
            }
            all
        }),
    };
    all.sort_by_key(|(i, _)| *i);
    all.into_iter().map(|(_, result)| result).collect()
}
