//! Chains as TOML files, so that a desk is described once and its calibration offset is kept with it. Named ones lie in
//! the user's own folder; beside it lies the one that the window keeps.

use super::chain::Chain;
use super::record::Record;
use super::{plain_file, storage, toml_file};
use std::path::{Path, PathBuf};

/// A chain file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ChainFileError {
    /// Reading or writing failed.
    #[error("the chain file {path} cannot be {doing}: {cause}", path = path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// `read` or `written`.
        doing: &'static str,
        /// Why.
        cause: std::io::Error,
    },
    /// Not a chain.
    #[error("the chain file {path} is not understood: {why}", path = path.display())]
    Text {
        /// Which file.
        path: PathBuf,
        /// Where and why.
        why: String,
    },
    /// A name that is none.
    #[error("a chain cannot be called `{0}`: use letters, digits, `-`, `_` and `.`, beginning with a letter or digit")]
    BadName(String),
    /// A chain of that name is kept.
    #[error("a chain {name} is kept already, in {path}; choose another name, or replace it with --replace", path = path.display())]
    Exists {
        /// Its name.
        name: String,
        /// Where.
        path: PathBuf,
    },
}

/// One chain of the user's folder.
#[derive(Debug)]
pub struct Kept {
    /// Its name: that of the file.
    pub name: String,
    /// Where it is kept.
    pub path: PathBuf,
    /// The chain, or why it cannot be used.
    pub chain: Result<Chain, ChainFileError>,
}

/// From the text of a chain file.
///
/// # Errors
/// Where in the text and why, in words.
pub fn from_toml(text: &str) -> Result<Chain, String> {
    let mut chain: Chain = toml_file::read(text, "a chain")?;
    chain.check()?;
    chain.complete_settings();
    chain.complete_electrical();
    Ok(chain)
}

/// The text of a chain file.
///
/// # Errors
/// Why the chain cannot be written, in words.
pub fn to_toml(chain: &Chain) -> Result<String, String> {
    chain.check()?;
    toml::to_string(chain).map_err(|error| error.to_string())
}

/// Reads a chain.
///
/// # Errors
/// [`ChainFileError`] names the file, and the line where its text is not understood.
pub fn load(path: &Path) -> Result<Chain, ChainFileError> {
    let text =
        plain_file::read_text(path).map_err(|cause| ChainFileError::Io { path: path.into(), doing: "read", cause })?;
    from_toml(&text).map_err(|why| ChainFileError::Text { path: path.into(), why })
}

/// Writes a chain: temporary file, sync, rename.
///
/// # Errors
/// [`ChainFileError`] names the file; the file that was there stays whole.
pub fn save(path: &Path, chain: &Chain) -> Result<(), ChainFileError> {
    let text = to_toml(chain).map_err(|why| ChainFileError::Text { path: path.into(), why })?;
    toml_file::write_whole(path, &text).map_err(|cause| ChainFileError::Io {
        path: path.into(),
        doing: "written",
        cause,
    })
}

/// Adds what a session has shown of the inputs to the chain kept there; nothing where no chain is.
///
/// # Errors
/// [`ChainFileError`]; the file that was there stays whole.
pub fn learn(path: &Path, record: &Record) -> Result<(), ChainFileError> {
    if !path.exists() {
        return Ok(());
    }
    let mut chain = load(path)?;
    if chain.learn_seen_clean(record) { save(path, &chain) } else { Ok(()) }
}

/// The chain that the window keeps and that commands use where none is named.
pub fn default_path() -> PathBuf {
    storage::default_sessions_dir().with_file_name("chain.toml")
}

/// The user's folder of named chains.
pub fn folder() -> PathBuf {
    storage::default_sessions_dir().with_file_name("chains")
}

/// Where the chain of a name is kept.
///
/// # Errors
/// [`ChainFileError::BadName`].
pub fn named(name: &str) -> Result<PathBuf, ChainFileError> {
    if !storage::is_plain_name(name) {
        return Err(ChainFileError::BadName(name.into()));
    }
    Ok(folder().join(format!("{name}.toml")))
}

/// The kept chain of this name; `None` where none is kept under it.
///
/// # Errors
/// [`ChainFileError`] where it cannot be read.
pub fn kept(name: &str) -> Result<Option<Chain>, ChainFileError> {
    named(name).ok().filter(|path| path.exists()).map(|path| load(&path)).transpose()
}

/// What was meant by a file or a name: a name where it is a plain one that is kept and no such file lies here.
pub fn find(asked: &Path) -> PathBuf {
    let kept = asked.to_str().and_then(|name| named(name).ok()).filter(|path| path.exists());
    kept.filter(|_| !asked.exists()).unwrap_or_else(|| asked.into())
}

/// All chains of the user's folder, by name; none where there is no folder yet.
///
/// # Errors
/// [`ChainFileError::Io`] where the folder cannot be read.
pub fn list() -> Result<Vec<Kept>, ChainFileError> {
    let folder = folder();
    let failed = |cause| ChainFileError::Io { path: folder.clone(), doing: "read", cause };
    let entries = match std::fs::read_dir(&folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other.map_err(failed)?,
    };
    let mut kept = Vec::new();
    for entry in entries {
        let path = entry.map_err(failed)?.path();
        let name = path.file_stem().and_then(|stem| stem.to_str()).filter(|stem| storage::is_plain_name(stem));
        if let Some(name) = name.filter(|_| path.extension().is_some_and(|end| end == "toml")) {
            kept.push(Kept { name: name.into(), chain: load(&path), path: path.clone() });
        }
    }
    kept.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(kept)
}

/// Keeps a chain under a name.
///
/// # Errors
/// [`ChainFileError`]; without `replace` a chain that is kept under it stays.
pub fn keep(name: &str, chain: &Chain, replace: bool) -> Result<PathBuf, ChainFileError> {
    let path = named(name)?;
    if path.exists() && !replace {
        return Err(ChainFileError::Exists { name: name.into(), path });
    }
    save(&path, chain)?;
    Ok(path)
}
