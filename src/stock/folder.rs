//! The stock on disk: one TOML file per output and headphone in the user's folder, beside the sessions that teach it.

use super::{HeadphoneEntry, KeptListener, MeasuredLevel, OutputEntry, Stock, learn};
use crate::judgement::comparison::Hears;
use crate::session::plan::ListeningLevel;
use crate::session::storage::{Storage, all_sessions, default_sessions_dir, is_plain_name};
use crate::session::toml_file;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::path::{Path, PathBuf};

/// A stock file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum StockError {
    /// Reading or writing failed.
    #[error("the stock file {path} cannot be {doing}: {cause}", path = path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// `read`, `written` or `removed`.
        doing: &'static str,
        /// Why.
        cause: std::io::Error,
    },
    /// Not what it should be.
    #[error("the stock file {path} is not understood: {why}", path = path.display())]
    Text {
        /// Which file.
        path: PathBuf,
        /// Where and why.
        why: String,
    },
    /// It cannot be kept like this.
    #[error("{0}")]
    Wrong(String),
    /// Kept already.
    #[error("{path} is there already; replace it with --replace", path = path.display())]
    Exists {
        /// Where.
        path: PathBuf,
    },
}

/// A session that could not be read, and why.
pub type PassedOver = (PathBuf, String);

/// The user's folder of outputs and headphones.
pub fn default_folder() -> PathBuf {
    beside(&default_sessions_dir())
}

/// The folder of outputs and headphones that belongs to a folder of sessions.
pub fn beside(sessions: &Path) -> PathBuf {
    sessions.with_file_name("stock")
}

/// Everything typed in `folder` and taught by the sessions in `sessions` that were not set aside (those of the simulated bench
/// only where there are no others); and the sessions that could not be read.
///
/// # Errors
/// [`StockError`] names the file that is not understood.
pub fn load(folder: &Path, sessions: &Path) -> Result<(Stock, Vec<PassedOver>), StockError> {
    let mut stock = Stock {
        outputs: entries(&folder.join("outputs"), "an output of the stock", OutputEntry::check)?,
        headphones: entries(&folder.join("headphones"), "a headphone of the stock", HeadphoneEntry::check)?,
        sessions: Vec::new(),
        listener: listener(folder)?,
    };
    let mut passed_over = Vec::new();
    for path in all_sessions(sessions) {
        match Storage::open(&path) {
            Ok((_, record)) if record.set_aside().is_some() => {}
            Ok((_, record)) => stock.sessions.extend(learn(&record)),
            Err(error) => passed_over.push((path, error.to_string())),
        }
    }
    // What is invented teaches nothing about real devices.
    if stock.sessions.iter().any(|session| !session.simulated) {
        stock.sessions.retain(|session| !session.simulated);
    }
    Ok((stock, passed_over))
}

/// Keeps an output; its file is named after it.
///
/// # Errors
/// [`StockError`]; without `replace` one that is kept stays.
pub fn keep_output(folder: &Path, entry: &OutputEntry, replace: bool) -> Result<Written, StockError> {
    entry.check().map_err(StockError::Wrong)?;
    let name =
        if entry.positions.is_empty() { entry.name.clone() } else { format!("{} {}", entry.name, entry.positions) };
    keep(&folder.join("outputs"), &name, entry, replace)
}

/// Keeps a headphone, likewise.
///
/// # Errors
/// [`StockError`]; without `replace` one that is kept stays.
pub fn keep_headphone(folder: &Path, entry: &HeadphoneEntry, replace: bool) -> Result<Written, StockError> {
    entry.check().map_err(StockError::Wrong)?;
    keep(&folder.join("headphones"), &entry.name, entry, replace)
}

/// An entry that was kept, and what its file held before.
#[derive(Clone, Debug)]
pub struct Written {
    /// Its file.
    pub path: PathBuf,
    /// What was replaced; `None`: nothing.
    pub before: Option<String>,
}

/// Puts back what an entry's file held before it was replaced.
///
/// # Errors
/// [`StockError`].
pub fn put_back(path: PathBuf, before: &str) -> Result<PathBuf, StockError> {
    write_text(path, before)
}

/// The listener whose level is kept in this folder.
///
/// # Errors
/// [`StockError`] where the file is not understood.
pub fn listener(folder: &Path) -> Result<Option<KeptListener>, StockError> {
    let path = folder.join(LISTENER);
    if !path.exists() {
        return Ok(None);
    }
    entry(path, "a listener", KeptListener::check).map(Some)
}

/// Keeps a listener; who was kept before is replaced.
///
/// # Errors
/// [`StockError`].
pub fn keep_listener(folder: &Path, kept: &KeptListener) -> Result<PathBuf, StockError> {
    kept.check().map_err(StockError::Wrong)?;
    write(folder.join(LISTENER), kept)
}

/// Keeps a level as the listener's, stated or measured; what they state that they hear stays.
///
/// # Errors
/// [`StockError`].
pub fn keep_level(
    folder: &Path,
    stated_at: String,
    listening: ListeningLevel,
    measured: Option<MeasuredLevel>,
) -> Result<PathBuf, StockError> {
    let hears = listener(folder)?.map_or(Hears::default(), |kept| kept.hears);
    keep_listener(folder, &KeptListener { stated_at, listening, hears, measured })
}

/// Forgets who is kept; true where there was one.
///
/// # Errors
/// [`StockError`].
pub fn forget_listener(folder: &Path) -> Result<bool, StockError> {
    let path = folder.join(LISTENER);
    match std::fs::remove_file(&path) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(false),
        Err(cause) => Err(StockError::Io { path, doing: "removed", cause }),
    }
}

/// The file of the listener.
const LISTENER: &str = "listener.toml";

fn keep<T: Serialize>(folder: &Path, name: &str, entry: &T, replace: bool) -> Result<Written, StockError> {
    let path = folder.join(format!("{}.toml", file_name(name)));
    if !path.exists() {
        return Ok(Written { path: write(path, entry)?, before: None });
    }
    if !replace {
        return Err(StockError::Exists { path });
    }
    let before = crate::session::plain_file::read_text(&path);
    let before = before.map_err(|cause| StockError::Io { path: path.clone(), doing: "read", cause })?;
    Ok(Written { path: write(path, entry)?, before: Some(before) })
}

fn write<T: Serialize>(path: PathBuf, value: &T) -> Result<PathBuf, StockError> {
    let text = toml::to_string(value).map_err(|error| StockError::Wrong(error.to_string()))?;
    write_text(path, &text)
}

fn write_text(path: PathBuf, text: &str) -> Result<PathBuf, StockError> {
    match toml_file::write_whole(&path, text) {
        Ok(()) => Ok(path),
        Err(cause) => Err(StockError::Io { path, doing: "written", cause }),
    }
}

/// Words as a plain file name: `closed 80 Ω` becomes `closed-80-ohm`.
fn file_name(words: &str) -> String {
    let words = words.replace('Ω', "ohm");
    let plain: String =
        words.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
    let name = plain.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-");
    if is_plain_name(&name) { name } else { format!("entry-{name}") }
}

fn entries<T: DeserializeOwned>(
    folder: &Path,
    what: &str,
    check: impl Fn(&T) -> Result<(), String>,
) -> Result<Vec<T>, StockError> {
    let failed = |cause| StockError::Io { path: folder.into(), doing: "read", cause };
    let listed = match std::fs::read_dir(folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other.map_err(failed)?,
    };
    let mut paths = Vec::new();
    for entry in listed {
        let path = entry.map_err(failed)?.path();
        if path.extension().is_some_and(|end| end == "toml") {
            paths.push(path);
        }
    }
    paths.sort();
    paths.into_iter().map(|path| entry(path, what, &check)).collect()
}

fn entry<T: DeserializeOwned>(
    path: PathBuf,
    what: &str,
    check: impl Fn(&T) -> Result<(), String>,
) -> Result<T, StockError> {
    let text = crate::session::plain_file::read_text(&path);
    let text = text.map_err(|cause| StockError::Io { path: path.clone(), doing: "read", cause })?;
    let value: T = toml_file::read(&text, what).map_err(|why| StockError::Text { path: path.clone(), why })?;
    check(&value).map_err(|why| StockError::Text { path, why })?;
    Ok(value)
}
