//! JSON with its schema in front: `{"schema": "loudenough-session/1", …}`. Refuses to write what would not read back.

use super::error::StorageError;
use crate::session::record::SCHEMA;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Major version of [`SCHEMA`].
const MAJOR: u64 = 1;

#[derive(Deserialize)]
struct Stamp {
    schema: Option<serde_json::Value>,
}

/// `body` with the schema as its first key; a body that has the key itself ([`crate::session::record::SessionHead`])
/// is stored as it stands.
#[derive(Serialize)]
pub struct Stamped<'a, T> {
    schema: &'a str,
    #[serde(flatten)]
    body: &'a T,
}

impl<'a, T> Stamped<'a, T> {
    /// With the schema of this program.
    pub fn new(body: &'a T) -> Stamped<'a, T> {
        Stamped { schema: SCHEMA, body }
    }
}

/// Bytes of `file`, from which `body` must read back equal. `what` names it for the message.
///
/// # Errors
/// [`StorageError::NotFinite`] where it does not: JSON has no NaN and no infinity, and a number must come back as it
/// went.
pub fn to_bytes<F: Serialize, T: DeserializeOwned + PartialEq>(
    what: &str,
    file: &F,
    body: &T,
) -> Result<Vec<u8>, StorageError> {
    let refused = |detail: String| StorageError::NotFinite { what: what.into(), detail };
    let mut bytes = serde_json::to_vec(file).map_err(|e| refused(e.to_string()))?;
    let back: T = from_bytes(Path::new("it"), &bytes, "").map_err(|e| refused(e.to_string()))?;
    if back != *body {
        return Err(refused("it would read back differently".into()));
    }
    bytes.push(b'\n');
    Ok(bytes)
}

/// True where `body` survives JSON unchanged.
pub fn reads_back<T: Serialize + DeserializeOwned + PartialEq>(body: &T) -> bool {
    to_bytes("", &Stamped::new(body), body).is_ok()
}

/// Reads what [`to_bytes`] made; fields it does not know are passed over, so that a later minor version can add some.
///
/// # Errors
/// [`StorageError`] naming the file: a newer major version, another program's JSON, half a JSON. `way_out` says what
/// to do about the last.
pub fn from_bytes<T: DeserializeOwned>(path: &Path, bytes: &[u8], way_out: &str) -> Result<T, StorageError> {
    let unreadable = |e: serde_json::Error| StorageError::Unreadable {
        path: path.into(),
        detail: if e.is_eof() { format!("it ends too soon: {e}") } else { e.to_string() },
        way_out: way_out.into(),
    };
    let stamp: Stamp = serde_json::from_slice(bytes).map_err(unreadable)?;
    check_version(path, stamp)?;
    serde_json::from_slice(bytes).map_err(unreadable)
}

fn check_version(path: &Path, stamp: Stamp) -> Result<(), StorageError> {
    let not_ours = |found: String| StorageError::NotOurs { path: path.into(), found };
    let found = match stamp.schema {
        Some(serde_json::Value::String(text)) => text,
        Some(other) => return Err(not_ours(other.to_string())),
        None => return Err(not_ours("it has no \"schema\"".into())),
    };
    let (ours, _) = SCHEMA.split_once('/').unwrap_or((SCHEMA, ""));
    let version = found.strip_prefix(ours).and_then(|rest| rest.strip_prefix('/'));
    let major = version.and_then(|v| v.split('.').next()?.parse::<u64>().ok());
    match major {
        Some(MAJOR) => Ok(()),
        Some(newer) if newer > MAJOR => Err(StorageError::Newer { path: path.into(), found: newer, ours: MAJOR }),
        _ => Err(not_ours(format!("it says {found:?}"))),
    }
}
