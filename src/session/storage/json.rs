//! JSON with its schema in front: `{"schema": "loudenough-session/1", …}`. Refuses to write what would not read back.

use super::error::StorageError;
use crate::fingerprint;
use crate::session::record::SCHEMA;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::path::Path;

/// Major version of [`SCHEMA`].
const MAJOR: u64 = 1;

#[derive(Deserialize)]
struct Stamp {
    schema: Option<Value>,
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
    seal(&mut bytes);
    bytes.push(b'\n');
    Ok(bytes)
}

/// What a stored file ends in: a fingerprint of all before it, so that a change outside the program is seen.
const SEAL: &[u8] = b",\"seal\":\"";

fn seal(bytes: &mut Vec<u8>) {
    let fingerprint = fingerprint::of(bytes);
    if bytes.pop() == Some(b'}') {
        bytes.extend_from_slice(SEAL);
        bytes.extend_from_slice(fingerprint.as_bytes());
        bytes.extend_from_slice(b"\"}");
    }
}

/// True where the file is as this program wrote it, or was written before files were sealed.
pub fn is_as_written(bytes: &[u8]) -> bool {
    let text = bytes.trim_ascii_end();
    let Some(at) = text.windows(SEAL.len()).rposition(|w| w == SEAL) else {
        return !bytes.windows(6).any(|w| w == b"\"seal\"");
    };
    let (before, after) = text.split_at(at);
    let sealed = [before, b"}"].concat();
    after[SEAL.len()..].strip_suffix(b"\"}") == Some(fingerprint::of(&sealed).as_bytes())
}

/// A number that no measurement gives: an interval upside down, a level of thousands of dB, a drive over full scale. The path to
/// it; `None` where all could be.
pub fn impossible(bytes: &[u8]) -> Option<String> {
    fn within(value: &Value, at: &str) -> Option<String> {
        match value {
            Value::Object(map) => {
                let number = |map: &serde_json::Map<String, Value>, key: &str| map.get(key)?.as_f64();
                if let (Some(mid), Some(Value::Object(ends))) = (number(map, "value"), map.get("interval"))
                    && let (Some(low), Some(high)) = (number(ends, "low"), number(ends, "high"))
                    && !(low <= mid && mid <= high)
                {
                    return Some(format!("{at}: {mid} does not lie between {low} and {high}"));
                }
                map.iter().find_map(|(key, value)| {
                    let is_level =
                        key == "drive" || key == "noise" || key.starts_with("level") || key.ends_with("_dbfs");
                    let db = value.as_f64().or_else(|| value.get("value")?.as_f64()).filter(|_| is_level);
                    match db {
                        Some(x) if x.abs() > LARGEST_LEVEL => Some(format!("{at}.{key} is {x} dB")),
                        Some(x) if key == "drive" && x > FULL_SCALE_DRIVE => Some(format!("{at}.{key} is {x} dBFS")),
                        _ => within(value, &format!("{at}.{key}")),
                    }
                })
            }
            Value::Array(all) => all.iter().enumerate().find_map(|(i, value)| within(value, &format!("{at}[{i}]"))),
            _ => None,
        }
    }
    within(&serde_json::from_slice(bytes).ok()?, "it").map(|what| what.trim_start_matches("it.").to_string())
}

/// No level that this program stores is larger, dB: digital zero and double precision included.
const LARGEST_LEVEL: f64 = 1000.0;
/// A full-scale square wave, dBFS.
const FULL_SCALE_DRIVE: f64 = 3.02;

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
        Some(Value::String(text)) => text,
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
