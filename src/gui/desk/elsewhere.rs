//! An output that this computer cannot drive: its sound is written, followed while it plays elsewhere, or taken from a recording.

use super::copy::path_of;
use super::{Desk, Notice, Page};
use crate::gui::elsewhere::{Found, Part, Place, found, in_words, written};
use crate::gui::form::sentence;
use crate::gui::view::Phase;
use crate::gui::work::Lost;
use crate::session::elsewhere::{ElsewhereRequest, plan_path};
use crate::session::protocol::{Command, Event};
use std::path::{Path, PathBuf};

impl Desk {
    /// Shows it in place of the question, or the question again.
    pub(super) fn elsewhere(&mut self) {
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        let was = self.elsewhere_is_shown();
        (self.page, self.asking, self.own.open) = (Page::Climb, true, false);
        (self.next_headphone, self.to_go_on) = (None, None);
        let now = &mut self.elsewhere;
        now.open = !was;
        now.failed = None;
        if now.sound.is_empty() {
            now.name_sound(self.form.sessions(), &self.now);
        }
        if now.plan.is_empty() {
            now.plan.clone_from(&self.memory.now.plan_file);
        }
    }

    /// True where the page shows it.
    pub fn elsewhere_is_shown(&self) -> bool {
        self.page == Page::Climb && self.asking && self.elsewhere.open
    }

    /// Enter on it: what the large button does. True where it is shown.
    pub(super) fn elsewhere_enter(&mut self) -> bool {
        if !self.elsewhere_is_shown() {
            return false;
        }
        if self.view.phase != Phase::Idle || self.elsewhere.is_at_work() {
            return true;
        }
        match self.elsewhere.part {
            Part::Write if self.elsewhere.written.is_some() => self.turn_to(Part::Listen),
            Part::Write => self.write_sound(),
            Part::Listen => self.read_plan(None),
            Part::Recording => {
                let recording = path_of(&self.elsewhere.recording);
                match recording.is_empty() {
                    true => self.elsewhere_wrong(Place::Recording, "Name the recording: WAV or FLAC."),
                    false => self.read_plan(Some(recording.into())),
                }
            }
        }
        true
    }

    /// Another of its three parts.
    pub(in crate::gui) fn turn_to(&mut self, part: Part) {
        let now = &mut self.elsewhere;
        (now.part, now.failed, now.written) = (part, None, None);
        now.wrong.clear();
    }

    fn elsewhere_wrong(&mut self, place: Place, why: &str) {
        self.elsewhere.wrong.insert(place, why.into());
    }

    fn write_sound(&mut self) {
        self.elsewhere.failed = None;
        let Some(asked) = self.elsewhere.asked(&self.form) else { return };
        let sound = PathBuf::from(path_of(&self.elsewhere.sound));
        if sound.as_os_str().is_empty() {
            return self.elsewhere_wrong(Place::Sound, "Name the file to write, for example sound.wav.");
        }
        let write = move || written(&asked, &sound);
        if let Err(error) = self.elsewhere.writing.begin("write-sound", &self.wake, write) {
            self.elsewhere.failed = Some(format!("The sound was not written: {error}."));
        }
    }

    fn read_plan(&mut self, recording: Option<PathBuf>) {
        let now = &mut self.elsewhere;
        now.failed = None;
        now.wrong.clear();
        let plan = PathBuf::from(path_of(&now.plan));
        if plan.as_os_str().is_empty() {
            return self
                .elsewhere_wrong(Place::Plan, "Name the plan file: the .json that was written beside the sound.");
        }
        let read = move || found(&plan, recording);
        if let Err(error) = now.reading.begin("read-plan", &self.wake, read) {
            now.failed = Some(format!("The plan was not read: {error}."));
        }
    }

    /// Takes what threads have written or read.
    pub(super) fn look_at_elsewhere(&mut self) {
        let lost = |Lost| Err((Place::Sound, "Its thread ended; try again.".to_string()));
        if let Some(done) = self.elsewhere.writing.look() {
            match done.unwrap_or_else(lost) {
                Err((place, why)) => self.elsewhere_wrong(place, &why),
                Ok((sound, plan)) => {
                    let now = &mut self.elsewhere;
                    now.written = Some(in_words(&sound, &plan));
                    now.plan = plan_path(&sound).display().to_string();
                    self.memory.now.plan_file.clone_from(&now.plan);
                    now.name_sound(self.form.sessions(), &self.now);
                    self.last_written = Some(sound.clone());
                    self.notice =
                        Some(Notice { words: "The sound and its plan are written.".into(), path: Some(sound) });
                }
            }
        }
        if let Some(done) = self.elsewhere.reading.look() {
            match done.unwrap_or_else(|Lost| Err((Place::Plan, "Its reader ended; try again.".to_string()))) {
                Err((place, why)) => self.elsewhere_wrong(place, &why),
                // Something else was begun meanwhile, or the page was left.
                Ok(_) if self.view.phase != Phase::Idle || !self.elsewhere.open => {}
                Ok(found) => self.follow(found),
            }
        }
    }

    /// Follows what was read.
    fn follow(&mut self, found: Found) {
        let Some((plan, desk)) = self.form.ready().cloned() else {
            self.elsewhere.failed = Some(self.not_ready_because());
            return;
        };
        let Some(desk) = self.elsewhere.named(&desk) else { return };
        let Found { sound, recording } = found;
        let chain = match &recording {
            None => Some(desk),
            Some((_, rate)) => self.elsewhere.chain_of(&desk, *rate, &self.now),
        };
        let Some(chain) = chain else { return };
        self.memory.now.plan_file = path_of(&self.elsewhere.plan);
        self.memory.now.used(&chain.output, &chain.headphone);
        self.view.put_aside_failure();
        (self.goes_on, self.pinned) = (false, None);
        let request = ElsewhereRequest {
            sound,
            recording: recording.map(|(path, _)| path),
            chain,
            listening: plan.listening,
            rule: plan.rule,
            sessions: self.form.sessions().to_path_buf(),
            id: None,
        };
        self.send(Command::Elsewhere(Box::new(request)));
    }

    /// What one event means for it.
    pub(super) fn elsewhere_hears(&mut self, event: &Event) {
        if self.view.followed.is_none() {
            return;
        }
        match event {
            Event::Ended { .. } => self.elsewhere.open = false,
            Event::Failed(_) if self.view.session_sounds => self.elsewhere.open = false,
            Event::Failed(_) if self.view.phase == Phase::Stopping => {
                self.elsewhere.failed = Some("Stopped before the sound was heard. Nothing was kept.".into());
            }
            Event::Failed(failure) => self.elsewhere.failed = Some(sentence(&failure.message)),
            _ => {}
        }
    }

    /// Files dropped on the window: for the page that is shown, else pieces of music.
    pub(in crate::gui) fn take_files(&mut self, files: Vec<PathBuf>) {
        if !self.elsewhere_is_shown() {
            return self.judge_music(files);
        }
        for file in files {
            self.take_file(&file);
        }
    }

    /// A plan file or a recording. True where it is one of them and is wanted here.
    pub(super) fn take_file(&mut self, file: &Path) -> bool {
        if !self.elsewhere_is_shown() || self.view.phase != Phase::Idle {
            return false;
        }
        let path = file.display().to_string();
        match file.extension().map(|e| e.to_string_lossy().to_lowercase()).as_deref() {
            Some("json") => {
                if self.elsewhere.part == Part::Write {
                    self.turn_to(Part::Listen);
                }
                self.elsewhere.plan = path;
                self.elsewhere.edited(Place::Plan);
                self.notice = Some(Notice { words: "Taken as the plan file.".into(), path: None });
            }
            _ => {
                self.turn_to(Part::Recording);
                self.elsewhere.recording = path;
                self.elsewhere.edited(Place::Recording);
                self.notice = Some(Notice { words: "Taken as the recording.".into(), path: None });
            }
        }
        true
    }
}
