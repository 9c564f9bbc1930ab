//! Chains as TOML files, so that a desk is described once and its calibration offset is kept with it.

use super::chain::Chain;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A chain file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ChainFileError {
    /// Reading or writing failed.
    #[error("the chain file {path} cannot be {doing}: {source}", path = path.display())]
    Io {
        /// Which file.
        path: PathBuf,
        /// `read` or `written`.
        doing: &'static str,
        /// Why.
        source: std::io::Error,
    },
    /// Not a chain.
    #[error("the chain file {path} is not understood: {why}", path = path.display())]
    Text {
        /// Which file.
        path: PathBuf,
        /// Where and why.
        why: String,
    },
}

/// Reads a chain.
///
/// # Errors
/// [`ChainFileError`] names the file, and the line where its text is not understood.
pub fn load(path: &Path) -> Result<Chain, ChainFileError> {
    let text = std::fs::read_to_string(path).map_err(|source| ChainFileError::Io {
        path: path.into(),
        doing: "read",
        source,
    })?;
    toml::from_str(&text).map_err(|error| ChainFileError::Text { path: path.into(), why: error.to_string() })
}

/// Writes a chain: temporary file, sync, rename.
///
/// # Errors
/// [`ChainFileError`] names the file; the file that was there stays whole.
pub fn save(path: &Path, chain: &Chain) -> Result<(), ChainFileError> {
    let text = toml::to_string_pretty(chain)
        .map_err(|error| ChainFileError::Text { path: path.into(), why: error.to_string() })?;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let write = || -> std::io::Result<()> {
        std::fs::create_dir_all(folder)?;
        let mut file = tempfile::NamedTempFile::new_in(folder)?;
        file.write_all(text.as_bytes())?;
        file.as_file().sync_all()?;
        file.persist(path)?;
        Ok(())
    };
    write().map_err(|source| ChainFileError::Io { path: path.into(), doing: "written", source })
}

/// The chain that the window keeps and that commands use where none is named.
pub fn default_path() -> PathBuf {
    super::storage::default_sessions_dir().with_file_name("chain.toml")
}
