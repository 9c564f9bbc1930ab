//! Names inside a session folder: plain ASCII that every system takes.

use super::error::StorageError;
use super::recording::Recording;
use crate::fingerprint::fnv_1a;
use crate::signal::Stimulus;
use crate::units::SampleRate;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

pub const HEAD: &str = "session.json";
pub const STEP: &str = "step.json";
pub const LOCK: &str = "session.lock";
pub const SUMMARY: &str = "summary.csv";
pub const SUMS: &str = "SHA256SUMS";
pub const STIMULI: &str = "stimuli";
pub const STEPS: &str = "steps";
pub const EVENTS: &str = "events";

/// Ending of a file that is not whole yet.
const PART: &str = ".part";
/// Names that Windows keeps for devices, whatever the ending.
const DEVICES: [&str; 4] = ["con", "prn", "aux", "nul"];

/// Where sessions are kept unless told otherwise: `$LOUDENOUGH_HOME/sessions` where that is set, else
/// `loudenough/sessions` in the user's data folder, else `loudenough-sessions` here.
pub fn default_sessions_dir() -> PathBuf {
    sessions_dir(std::env::var_os("LOUDENOUGH_HOME").map(PathBuf::from))
}

fn sessions_dir(home: Option<PathBuf>) -> PathBuf {
    match (home.filter(|home| !home.as_os_str().is_empty()), directories::BaseDirs::new()) {
        (Some(home), _) => home.join("sessions"),
        (None, Some(user)) => user.data_dir().join("loudenough").join("sessions"),
        (None, None) => PathBuf::from("loudenough-sessions"),
    }
}

/// A folder's name from a time: `2026-03-01T09:12:33+01:00` → `2026-03-01_09-12-33`.
pub fn of_time(rfc3339: &str) -> String {
    let plain = |c| match c {
        'T' => '_',
        ':' => '-',
        c => c,
    };
    rfc3339.chars().take(19).map(plain).collect()
}

/// True for a folder name that is safe on every system.
pub fn can_name_a_session(id: &str) -> bool {
    let stem = id.split('.').next().unwrap_or("").to_ascii_lowercase();
    let numbered = ["com", "lpt"].iter().any(|port| stem.strip_prefix(port).is_some_and(|n| n.len() == 1));
    is_plain(id) && id.len() <= 100 && !id.ends_with('.') && !DEVICES.contains(&stem.as_str()) && !numbered
}

/// True for a name that stays in its folder: letters, digits, `-`, `_`, `.`, beginning with a letter or digit.
pub fn is_plain(name: &str) -> bool {
    name.starts_with(|c: char| c.is_ascii_alphanumeric())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.'))
}

/// `0007`.
pub fn step_folder(number: usize) -> String {
    format!("{number:04}")
}

/// The number of a step's folder; `None` for any other name.
pub fn step_number(name: &str) -> Option<usize> {
    let number = name.parse().ok()?;
    (number > 0 && step_folder(number) == name).then_some(number)
}

/// Where an interrupted step is moved: `0007-unfinished-1`, the first that is free.
pub fn aside(number: usize, present: &[String]) -> String {
    let name = |n: usize| format!("{}-unfinished-{n}", step_folder(number));
    (1..).map(name).find(|name| !present.contains(name)).unwrap_or_else(|| name(0))
}

/// `000012.json`.
pub fn event_file(number: usize) -> String {
    format!("{number:06}.json")
}

/// The number of an event's file; `None` for any other name.
pub fn event_number(name: &str) -> Option<usize> {
    let number = name.strip_suffix(".json")?.parse().ok()?;
    (event_file(number) == name).then_some(number)
}

/// `pink-1.wav`, `sine-997hz-1.wav`, `silence-1.wav`: the first number that is free.
pub fn take_file(stimulus: &Stimulus, kept: &BTreeMap<String, Recording>) -> String {
    let base = match stimulus {
        Stimulus::Sine(sine) => format!("sine-{}hz", sine.frequency_hz),
        other => other.short_name().to_string(),
    };
    let name = |n: usize| format!("{base}-{n}.wav");
    (1..).map(name).find(|name| !kept.contains_key(name)).unwrap_or_else(|| name(0))
}

/// `<hash>.wav` of the stimulus and the rate: the same on every machine and in every version.
pub fn stimulus_file(stimulus: &Stimulus, rate: SampleRate) -> Result<String, StorageError> {
    let text = serde_json::to_string(stimulus)
        .map_err(|e| StorageError::NotFinite { what: "a stimulus".into(), detail: e.to_string() })?;
    let hash = fnv_1a(format!("{text}@{}", rate.get()).bytes());
    Ok(format!("{hash:016x}.wav"))
}

/// The name under which a file is written until it is whole.
pub fn part(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_os_string();
    name.push(PART);
    PathBuf::from(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn session_names_are_safe_on_every_system() {
        for good in ["2026-03-01-planar", "a", "comma", "x.y_z"] {
            assert!(can_name_a_session(good), "{good}");
        }
        for bad in ["", "..", ".hidden", "a/b", "a\\b", "12:30", "käse", "nul", "CON.x", "com1", "a.", "-x", " x"] {
            assert!(!can_name_a_session(bad), "{bad}");
        }
        assert!(!can_name_a_session(&"a".repeat(101)));
    }

    #[test]
    fn takes_are_numbered_per_stimulus() {
        let mut kept = BTreeMap::new();
        let sine = Stimulus::sine(997.0);
        let empty = || Recording { frames: 0, channels: 0, rate_hz: 0, sha256: None, fnv_1a: None };
        assert_eq!(take_file(&sine, &kept), "sine-997hz-1.wav");
        kept.insert("sine-997hz-1.wav".into(), empty());
        assert_eq!(take_file(&sine, &kept), "sine-997hz-2.wav");
        assert_eq!(take_file(&Stimulus::silence(), &kept), "silence-1.wav");
        assert!(is_plain(&take_file(&Stimulus::sine(31.5), &kept)));
    }

    #[test]
    fn only_our_own_names_are_steps_and_events() {
        assert_eq!((step_number("0007"), step_number("12345")), (Some(7), Some(12_345)));
        for other in ["7", "0000", "0007-unfinished-1", "+007", "notes"] {
            assert_eq!(step_number(other), None, "{other}");
        }
        assert_eq!((event_number("000012.json"), event_number("000012.json.part")), (Some(12), None));
    }

    #[test]
    fn the_environment_overrides_the_place_of_sessions() {
        assert_eq!(sessions_dir(Some("/bench".into())), Path::new("/bench/sessions"));
        assert!(sessions_dir(None).ends_with("loudenough/sessions") || sessions_dir(None).is_relative());
        assert_eq!(sessions_dir(Some("".into())), sessions_dir(None));
    }
}
