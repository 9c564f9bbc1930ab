//! What the window remembers from one start to the next, in one small text file beside the sessions: where it stood, how it
//! looked, who listens and which names were used. The chain of real cards has a file of its own, which commands read too.
//!
//! A file that is not understood is named and left alone: nothing is written over before somebody has seen to it.

use super::desk::Page;
use super::form::sentence;
use super::work::{Lost, Wake, Work};
use crate::session::plan::ListeningLevel;
use crate::session::{plain_file, storage, toml_file};
use eframe::egui::{Pos2, Rect, ViewportInfo};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Names of a kind that are remembered.
const NAMES: usize = 12;
/// A change is written once nothing more has changed for so long, seconds: a window that is being resized changes with every
/// picture.
pub const SETTLED_S: f64 = 0.8;

/// Light or dark.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Ground {
    /// As the system has it.
    #[default]
    System,
    /// Dark.
    Dark,
    /// Light.
    Light,
}

/// The pairing on the simulated bench: a chain of simulated cards is not kept as the desk's.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Pairing {
    /// Output.
    pub output: String,
    /// Its volume.
    pub volume: String,
    /// Headphone.
    pub headphone: String,
    /// Listening level.
    pub listening: Option<ListeningLevel>,
}

/// Everything that is remembered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Remembered {
    /// Size of the window, points at its ordinary type size.
    pub size: Option<[u32; 2]>,
    /// Its upper left corner.
    pub place: Option<[i32; 2]>,
    /// It filled the screen.
    pub maximized: bool,
    /// Light or dark.
    pub theme: Ground,
    /// Page shown.
    pub page: Page,
    /// Names of outputs, the last used first.
    pub outputs: Vec<String>,
    /// Names of headphones, likewise.
    pub headphones: Vec<String>,
    /// Listening level as it was asked for last on real cards.
    pub listening: Option<ListeningLevel>,
    /// Plan file of a sound for an output elsewhere, as it was used last.
    pub plan_file: String,
    /// What stood on the simulated bench.
    pub simulated: Option<Pairing>,
}

impl Default for Remembered {
    fn default() -> Remembered {
        Remembered {
            size: None,
            place: None,
            maximized: false,
            theme: Ground::System,
            page: Page::Climb,
            outputs: Vec::new(),
            headphones: Vec::new(),
            listening: None,
            plan_file: String::new(),
            simulated: None,
        }
    }
}

impl Remembered {
    /// From the file.
    ///
    /// # Errors
    /// Which file, what is wrong with it and what to do, as sentences.
    pub fn load(path: &Path) -> Result<Remembered, String> {
        if !path.exists() {
            return Ok(Remembered::default());
        }
        let text = plain_file::read_text(path).map_err(|error| error.to_string());
        text.and_then(|text| toml_file::read(&text, "what the window remembers")).map_err(|why| {
            let first = why.lines().next().unwrap_or_default().trim_end_matches(['.', ':']);
            format!(
                "What the window remembers cannot be read: {first}, in {}. The file is left alone, and nothing new is remembered: set it right or delete it.",
                path.display()
            )
        })
    }

    fn save(&self, path: &Path) -> Result<(), String> {
        let text = toml::to_string(self).map_err(|error| error.to_string())?;
        toml_file::write_whole(path, &text).map_err(|error| error.to_string())
    }

    /// Takes over where the window stands; while it fills the screen the size before that stays. A corner on another screen is
    /// not kept: that one may be gone the next time.
    pub fn stands(&mut self, window: &ViewportInfo, zoom: f32) {
        if window.minimized == Some(true) {
            return;
        }
        self.maximized = window.maximized == Some(true) || window.fullscreen == Some(true);
        if self.maximized {
            return;
        }
        if let Some(inner) = window.inner_rect {
            let size = inner.size() * zoom;
            self.size = Some([size.x.round() as u32, size.y.round() as u32]);
        }
        if let (Some(outer), Some(screen)) = (window.outer_rect, window.monitor_size) {
            let here = Rect::from_min_size(Pos2::ZERO, screen).contains(outer.min);
            let corner = outer.min * zoom;
            self.place = here.then(|| [corner.x.round() as i32, corner.y.round() as i32]);
        }
    }

    /// These names were used now.
    pub fn used(&mut self, output: &str, headphone: &str) {
        use_name(&mut self.outputs, output);
        use_name(&mut self.headphones, headphone);
    }
}

/// Puts a name first.
fn use_name(names: &mut Vec<String>, name: &str) {
    let name = name.trim();
    if name.is_empty() {
        return;
    }
    names.retain(|known| known != name);
    names.insert(0, name.into());
    names.truncate(NAMES);
}

/// Names to choose from: those used last first, then the others, none twice.
pub fn offered(last: &[String], others: &[String]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for name in last.iter().chain(others) {
        if !all.contains(name) {
            all.push(name.clone());
        }
    }
    all
}

/// Where it is kept.
pub fn default_path() -> PathBuf {
    storage::default_sessions_dir().with_file_name("window.toml")
}

/// What is remembered now, and its way to the disk, which a thread goes.
#[derive(Debug, Default)]
pub struct Memory {
    /// As it stands.
    pub now: Remembered,
    /// File; `None` keeps nothing.
    path: Option<PathBuf>,
    /// As it was written last.
    kept: Remembered,
    /// What is to be written, and since when it has not changed, seconds.
    waits: Option<(Remembered, f64)>,
    work: Work<Result<(), String>>,
    /// What is being written.
    writes: Option<Remembered>,
}

impl Memory {
    /// Goes on from what was remembered.
    pub fn new(now: Remembered, path: Option<PathBuf>) -> Memory {
        Memory { kept: now.clone(), now, path, ..Memory::default() }
    }

    /// Writes what has changed once it has settled; `at`: seconds of any clock. Returns when to look again, seconds from now,
    /// or why it could not be kept.
    ///
    /// # Errors
    /// Which file, and why.
    pub fn look(&mut self, at: f64, wake: &Wake) -> Result<Option<f64>, String> {
        self.written()?;
        if self.path.is_none() || self.now == self.kept && self.writes.is_none() {
            self.waits = None;
            return Ok(None);
        }
        match &self.waits {
            Some((waits, since)) if *waits == self.now => {
                let left = SETTLED_S - (at - since);
                if left > 0.0 {
                    return Ok(Some(left));
                }
            }
            _ => {
                self.waits = Some((self.now.clone(), at));
                return Ok(Some(SETTLED_S));
            }
        }
        self.write(wake).map(|()| None)
    }

    /// Writes at once what is not written yet, and waits for it: the program ends.
    ///
    /// # Errors
    /// As [`Memory::look`].
    pub fn finish(&mut self, wake: &Wake) -> Result<(), String> {
        let before = self.work.wait();
        self.taken(before)?;
        if self.path.is_some() && self.now != self.kept {
            self.write(wake)?;
            let last = self.work.wait();
            self.taken(last)?;
        }
        Ok(())
    }

    fn write(&mut self, wake: &Wake) -> Result<(), String> {
        // One at a time; the newest follows.
        if self.work.is_under_way() {
            return Ok(());
        }
        let Some(path) = self.path.clone() else { return Ok(()) };
        let (keep, shown) = (self.now.clone(), path.display().to_string());
        (self.writes, self.waits) = (Some(keep.clone()), None);
        self.work
            .begin("remember", wake, move || keep.save(&path))
            .map_err(|error| not_kept(&shown, &error.to_string()))
    }

    fn written(&mut self) -> Result<(), String> {
        let looked = self.work.look();
        self.taken(looked)
    }

    fn taken(&mut self, looked: Option<Result<Result<(), String>, Lost>>) -> Result<(), String> {
        let Some(looked) = looked else { return Ok(()) };
        // What could not be written is not tried again with every picture.
        if let Some(written) = self.writes.take() {
            self.kept = written;
        }
        let path = self.path.as_ref().map_or_else(String::new, |path| path.display().to_string());
        match looked {
            Ok(Ok(())) => Ok(()),
            Ok(Err(why)) => Err(not_kept(&path, &why)),
            Err(Lost) => Err(not_kept(&path, "its writer ended")),
        }
    }
}

fn not_kept(path: &str, why: &str) -> String {
    sentence(&format!("what the window remembers could not be written to {path}: {why}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::SoundField;
    use crate::session::plan::Weighting;
    use crate::units::DbSpl;

    #[test]
    fn names_come_last_used_first_and_none_twice() {
        let mut remembered = Remembered::default();
        for name in ["a", "b", "a ", ""] {
            remembered.used(name, "h");
        }
        assert_eq!((remembered.outputs.join(" "), remembered.headphones.join(" ")), ("a b".into(), "h".into()));
        assert_eq!(offered(&remembered.outputs, &["c".into(), "b".into()]).join(" "), "a b c");
    }

    #[test]
    fn what_is_written_is_read_again_and_a_damaged_file_is_named_and_left() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("window.toml");
        assert_eq!(Remembered::load(&path), Ok(Remembered::default()));
        let level = ListeningLevel { level: DbSpl(71.5), weighting: Weighting::A, field: Some(SoundField::Diffuse) };
        let mut memory = Memory::new(Remembered::default(), Some(path.clone()));
        memory.now = Remembered {
            size: Some([900, 700]),
            place: Some([-3, 20]),
            maximized: true,
            theme: Ground::Light,
            page: Page::Stock,
            outputs: vec!["a \"b\"".into()],
            headphones: vec!["c".into()],
            listening: Some(level),
            plan_file: "/a/plan.json".into(),
            simulated: Some(Pairing {
                output: "o".into(),
                volume: "v".into(),
                headphone: "h".into(),
                listening: Some(level),
            }),
        };
        // Only once it has settled.
        assert_eq!(memory.look(0.0, &Wake::default()), Ok(Some(SETTLED_S)));
        assert!(memory.look(0.5, &Wake::default()).unwrap().is_some() && !path.exists());
        assert_eq!(memory.look(1.0, &Wake::default()), Ok(None));
        assert_eq!(memory.finish(&Wake::default()), Ok(()));
        assert_eq!(Remembered::load(&path), Ok(memory.now.clone()));
        // A file of today's keys alone.
        for (damaged, says) in [("size = 3", "invalid type"), ("sise = [3, 4]", "sise"), ("\u{0}", "window.toml")] {
            std::fs::write(&path, damaged).unwrap();
            let why = Remembered::load(&path).unwrap_err();
            assert!(why.contains(says) && why.contains("left alone"), "{why}");
            assert_eq!(std::fs::read_to_string(&path).unwrap(), damaged);
        }
    }
}
