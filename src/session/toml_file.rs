//! Text files that people write: TOML in which nothing misspelt is passed over, and whole files or none.

use serde::de::DeserializeOwned;
use serde_json::{Map, Value};
use std::io::Write;
use std::path::Path;

/// Reads a value; `what` names it in the error of an unknown key (`a chain`).
///
/// The text becomes JSON first, so that files and sessions share one reader: a second one for TOML alone would be built from
/// every stored type again.
///
/// # Errors
/// The line or key that is not understood and why, in words.
pub fn read<T: DeserializeOwned>(text: &str, what: &str) -> Result<T, String> {
    let table: toml::Table = toml::from_str(text).map_err(|error| error.to_string())?;
    let mut document = Value::Object(Map::new());
    for (key, value) in table {
        document[&key] = json(value).ok_or_else(|| format!("`{key}` is infinite or no number"))?;
    }
    let value: T = parsed(&document).map_err(|why| placed::<T>(&document, text, why))?;
    // A misspelt ceiling must not be passed over.
    match keys(&document).into_iter().find(|path| is_unread::<T>(&document, path)) {
        Some(unread) => Err(format!("nothing in {what} is called `{}`; is it misspelt?", unread.join("."))),
        None => Ok(value),
    }
}

/// The same in JSON; `None` where a number is none: TOML can write them, and no field means them.
fn json(value: toml::Value) -> Option<Value> {
    Some(match value {
        toml::Value::String(text) => Value::String(text),
        toml::Value::Integer(number) => number.into(),
        toml::Value::Float(number) => Value::Number(serde_json::Number::from_f64(number)?),
        toml::Value::Boolean(is) => Value::Bool(is),
        toml::Value::Datetime(time) => Value::String(time.to_string()),
        toml::Value::Array(all) => Value::Array(all.into_iter().map(json).collect::<Option<_>>()?),
        toml::Value::Table(table) => {
            let fields = table.into_iter().map(|(key, value)| Some((key, json(value)?)));
            Value::Object(fields.collect::<Option<_>>()?)
        }
    })
}

fn parsed<T: DeserializeOwned>(document: &Value) -> Result<T, String> {
    let bytes = serde_json::to_vec(document).map_err(|error| error.to_string())?;
    // Line and column of a text that nobody wrote are of no use.
    serde_json::from_slice(&bytes)
        .map_err(|error| error.to_string().split(" at line ").next().unwrap_or("").to_string())
}

/// The paths of all keys, those inside of tables and lists too.
fn keys(document: &Value) -> Vec<Vec<String>> {
    let inside: Vec<(String, &Value)> = match document {
        Value::Object(fields) => fields.iter().map(|(key, value)| (key.clone(), value)).collect(),
        Value::Array(all) => all.iter().enumerate().map(|(at, value)| (at.to_string(), value)).collect(),
        _ => Vec::new(),
    };
    let below = |(key, value): (String, &Value)| {
        let rest = keys(value).into_iter().map(|path| [vec![key.clone()], path].concat());
        std::iter::once(vec![key.clone()]).chain(rest.collect::<Vec<_>>()).collect::<Vec<_>>()
    };
    inside.into_iter().flat_map(below).collect()
}

/// The document with something that no field can hold in the place of this key.
fn spoilt(document: &Value, path: &[String]) -> Option<Value> {
    let mut document = document.clone();
    *document.pointer_mut(&pointer(path))? = serde_json::json!([[[[]]]]);
    Some(document)
}

fn pointer(path: &[String]) -> String {
    path.iter().map(|key| format!("/{}", key.replace('~', "~0").replace('/', "~1"))).collect()
}

/// True where nothing reads this key: whatever stands there, the rest is understood.
fn is_unread<T: DeserializeOwned>(document: &Value, path: &[String]) -> bool {
    spoilt(document, path).is_some_and(|spoilt| parsed::<T>(&spoilt).is_ok())
}

/// Why, with the line of the key at fault: keys are read in order, so it is the last one that still decides how the reading
/// fails; what is missing is missed at the end of its table.
fn placed<T: DeserializeOwned>(document: &Value, text: &str, why: String) -> String {
    let decides = |path: &&Vec<String>| {
        let spoilt = spoilt(document, path);
        spoilt.is_some_and(|spoilt| parsed::<T>(&spoilt).err().is_none_or(|other| other != why))
    };
    let all = keys(document);
    let Some(last) = all.iter().rfind(decides) else { return why };
    let path = if why.starts_with("missing field") { &last[..last.len() - 1] } else { &last[..] };
    let Some(key) = path.iter().rev().find(|key| key.parse::<usize>().is_err()) else { return why };
    let line = text.lines().position(|line| line.contains(key.as_str()));
    format!("{}`{}`: {why}", line.map_or(String::new(), |at| format!("line {}, ", at + 1)), path.join("."))
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

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;
    use std::collections::BTreeMap;

    #[derive(Debug, PartialEq, Deserialize)]
    struct Desk {
        name: String,
        #[serde(default)]
        ceiling: Option<f64>,
        #[serde(default)]
        inputs: Vec<Input>,
        #[serde(default)]
        curves: BTreeMap<String, Vec<f64>>,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    struct Input {
        channel: u16,
    }

    fn refused(text: &str) -> String {
        read::<Desk>(text, "a desk").unwrap_err()
    }

    #[test]
    fn what_is_read_is_what_was_written() {
        let text = "name = \"a/b~c\"\nceiling = 110\n[[inputs]]\nchannel = 3\n[curves]\n\"left/ear\" = [0.1, -2]\n";
        let desk: Desk = read(text, "a desk").unwrap();
        assert_eq!((desk.name.as_str(), desk.ceiling), ("a/b~c", Some(110.0)));
        assert_eq!((desk.inputs[0].channel, &desk.curves["left/ear"][..]), (3, &[0.1, -2.0][..]));
    }

    #[test]
    fn what_is_wrong_is_named_with_its_line() {
        assert!(refused("name = \"half").contains("line 1"), "{}", refused("name = \"half"));
        assert!(refused("name = \"x\"\nceilling = 1\n").contains("nothing in a desk is called `ceilling`"));
        let nested = "name = \"x\"\n[[inputs]]\nchannel = 1\n[[inputs]]\nchanel = 2\nchannel = 2\n";
        assert!(refused(nested).contains("`inputs.1.chanel`"), "{}", refused(nested));
        assert!(refused("name = \"x\"\nceiling = nan\n").contains("`ceiling` is infinite"));
        let kind = refused("name = \"x\"\nceiling = \"high\"\n");
        assert!(kind.starts_with("line 2, `ceiling`: invalid type"), "{kind}");
        let deep = refused("name = \"x\"\n[[inputs]]\nchannel = -1\n");
        assert!(deep.starts_with("line 3, `inputs.0.channel`: invalid value"), "{deep}");
        assert!(refused("ceiling = 1\n").contains("missing field `name`"));
    }
}
