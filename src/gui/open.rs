//! Opens a file with the program that the system has for it.

use std::path::Path;
use std::process::{Command, Stdio};

/// What opens files here.
const OPENER: &str = if cfg!(target_os = "windows") {
    "explorer"
} else if cfg!(target_os = "macos") {
    "open"
} else {
    "xdg-open"
};

/// Opens it, and waits until the opener has passed it on.
///
/// # Errors
/// Which program could not do it and why, with what to do.
pub fn open(path: &Path) -> Result<(), String> {
    let shown = path.display();
    let mut opener = Command::new(OPENER);
    opener.arg(path).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    match opener.status() {
        // Explorer says nothing useful by its exit code.
        Ok(status) if status.success() || cfg!(target_os = "windows") => Ok(()),
        Ok(_) => Err(format!("{OPENER} could not open {shown}; copy the path and open it by hand")),
        Err(error) => Err(format!("{shown} was not opened: {OPENER}: {error}; copy the path and open it by hand")),
    }
}
