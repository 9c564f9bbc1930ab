//! `settings.toml`: where it lies, and its text.

use crate::asked::Settings;
use crate::session::{plain_file, storage};
use std::path::PathBuf;

/// Under the help of the program.
pub const HELP: &str = "\
What you say once (listening level, rule, ceilings, theme) stands in `settings.toml`, in $LOUDENOUGH_HOME or else in
the program's data folder (on Linux ~/.local/share/loudenough). An option beats it. See `loudenough guide settings`.";

/// Beside the sessions.
fn path() -> PathBuf {
    storage::default_sessions_dir().with_file_name("settings.toml")
}

/// What the user says once; nothing where there is no such file.
///
/// # Errors
/// The file, the key at fault and what is wrong with it, as sentences.
pub fn settings() -> Result<Settings, String> {
    let path = path();
    if !path.exists() {
        return Ok(Settings::default());
    }
    let text = plain_file::read_text(&path).map_err(|error| error.to_string());
    text.and_then(|text| Settings::read(&text)).map_err(|why| format!("{}: {why}", path.display()))
}
