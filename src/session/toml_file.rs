//! Text files that people write: TOML in which nothing misspelt is passed over, and whole files or none.

use serde::de::DeserializeOwned;
use std::io::Write;
use std::path::Path;

/// Reads a value; `what` names it in the error of an unknown key (`a chain`).
///
/// # Errors
/// The line or key that is not understood and why, in words.
pub fn read<T: DeserializeOwned>(text: &str, what: &str) -> Result<T, String> {
    let table: toml::Table = toml::from_str(text).map_err(|error| error.to_string())?;
    if let Some(key) = not_a_number(&table) {
        return Err(format!("`{key}` is infinite or no number"));
    }
    let document = toml::Deserializer::parse(text).map_err(|error| error.to_string())?;
    let mut unknown = Vec::new();
    // A misspelt ceiling must not be passed over.
    let read = serde_ignored::deserialize(document, |path| unknown.push(path.to_string()));
    let value: T = read.map_err(|error: toml::de::Error| error.to_string())?;
    match unknown.first() {
        Some(first) => Err(format!("nothing in {what} is called `{first}`; is it misspelt?")),
        None => Ok(value),
    }
}

/// The key of a number that is none: TOML can write them, and no field means them.
fn not_a_number(table: &toml::Table) -> Option<&str> {
    fn holds(value: &toml::Value) -> bool {
        match value {
            toml::Value::Float(x) => !x.is_finite(),
            toml::Value::Array(all) => all.iter().any(holds),
            toml::Value::Table(table) => table.values().any(holds),
            _ => false,
        }
    }
    table.iter().find(|(_, value)| holds(value)).map(|(key, _)| key.as_str())
}

/// Writes a file: temporary file, sync, rename.
///
/// # Errors
/// What the system says; the file that was there stays whole.
pub fn write_whole(path: &Path, text: &str) -> std::io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder)?;
    let mut file = tempfile::NamedTempFile::new_in(folder)?;
    file.write_all(text.as_bytes())?;
    file.as_file().sync_all()?;
    file.persist(path)?;
    Ok(())
}
