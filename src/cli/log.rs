//! The log for a report of a problem (`--verbose`, `--log`): what the program does, with the seconds since it began, and
//! nothing of what a person typed.
//!
//! ```text
//!   arguments ─┐
//!   events ────┼─► journal::words ──► names left out ──► standard error · file
//!   failure ───┘
//! ```
//!
//! It listens to the events of the bench on a thread of its own; no callback of a card comes near it.

use super::Printable;
use super::args::command;
use crate::account::{capital, journal};
use crate::session::program;
use crate::session::protocol::Event;
use crate::session::runner::Bench;
use crossbeam_channel::{Receiver, bounded};
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{IsTerminal, Write};
use std::path::{Component, Path};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

/// Stands for what a person typed.
const LEFT_OUT: &str = "…";
/// Shorter words of a person are parts of too many others.
const SHORTEST: usize = 3;
/// Events that may wait for a slow front end, as without a log.
const EVENTS_WAITING: usize = 256;

/// Where lines go; nowhere unless one was asked for. A copy writes to the same place.
#[derive(Clone, Debug, Default)]
pub struct Log(Option<Arc<Mutex<Writer>>>);

#[derive(Debug)]
struct Writer {
    began: Instant,
    stderr: bool,
    file: Option<File>,
    private: Private,
    last: String,
}

impl Log {
    /// Begins one, with the program, the system and the command as typed.
    ///
    /// # Errors
    /// The system's, where the file cannot be made; a file that is there is left alone.
    pub fn begin(verbose: bool, file: Option<&Path>, typed: &[String]) -> std::io::Result<Log> {
        if !verbose && file.is_none() {
            return Ok(Log::default());
        }
        let file = file.map(File::create_new).transpose()?;
        let mut private = Private::of_this_user();
        let shown = private.command(typed);
        let writer = Writer { began: Instant::now(), stderr: verbose, file, private, last: String::new() };
        let log = Log(Some(Arc::new(Mutex::new(writer))));
        log.line(&program::program());
        log.line(&format!("on {} {}", std::env::consts::OS, std::env::consts::ARCH));
        log.line(&format!("command: {shown}"));
        Ok(log)
    }

    /// A line of what happens. One that says the same as the last is left out.
    pub fn line(&self, words: &str) {
        let Some(writer) = &self.0 else { return };
        writer.lock().unwrap_or_else(PoisonError::into_inner).line(words);
    }

    /// The bench, whose events are written on their way to the front end.
    pub fn watched(&self, mut bench: Bench) -> Bench {
        if self.0.is_some() {
            bench.events = self.passed_on(bench.events.clone());
        }
        bench
    }

    fn passed_on(&self, events: Receiver<Event>) -> Receiver<Event> {
        let (pass_on, heard) = bounded(EVENTS_WAITING);
        let log = self.clone();
        // Ends when the bench does, or when nobody hears any more.
        std::thread::spawn(move || {
            for event in events {
                log.event(&event);
                if pass_on.send(event).is_err() {
                    return;
                }
            }
        });
        heard
    }

    fn event(&self, event: &Event) {
        if let Some(writer) = &self.0 {
            let private = &mut writer.lock().unwrap_or_else(PoisonError::into_inner).private;
            let named = journal::names(event).into_iter().filter(|name| !private.known.contains(name));
            private.words.extend(named);
        }
        journal::words(event).iter().for_each(|words| self.line(words));
    }
}

impl Writer {
    fn line(&mut self, words: &str) {
        let words = self.private.left_out(words);
        if words == self.last {
            return;
        }
        let line = format!("{:9.3} s  {words}\n", self.began.elapsed().as_secs_f64());
        self.last = words;
        // Where it cannot be written the measuring goes on.
        if self.stderr {
            // A progress bar may stand on the line; it is drawn again.
            let clear = if std::io::stderr().is_terminal() { "\r\u{1b}[K" } else { "" };
            let _ = std::io::stderr().write_all(clear.as_bytes());
            let _ = Printable::new(std::io::stderr()).write_all(line.as_bytes());
        }
        if let Some(file) = &mut self.file {
            let _ = Printable::new(file).write_all(line.as_bytes());
        }
    }
}

/// What does not belong in a log.
#[derive(Clone, Debug, Default)]
struct Private {
    /// Folder, and what stands for it.
    folders: Vec<(String, &'static str)>,
    /// What a person typed.
    words: BTreeSet<String>,
    /// The program's own words are nobody's name.
    known: BTreeSet<String>,
}

impl Private {
    fn of_this_user() -> Private {
        let own = std::env::var("LOUDENOUGH_HOME").ok().map(|folder| (folder, "$LOUDENOUGH_HOME"));
        let home = directories::BaseDirs::new().map(|dirs| (dirs.home_dir().display().to_string(), "~"));
        let folders = own.into_iter().chain(home).filter(|(folder, _)| folder.len() >= SHORTEST);
        Private { folders: folders.collect(), words: BTreeSet::new(), known: known_words() }
    }

    /// The command as typed, with what is a person's own left out, here and in all lines that follow.
    fn command(&mut self, typed: &[String]) -> String {
        let known = &self.known;
        let is_ours = |word: &str| {
            let number = !word.is_empty() && word.chars().all(|c| c.is_ascii_digit() || "+-−.,".contains(c));
            let card = word.split_once(':').is_some_and(|(host, _)| program::hosts().any(|known| known == host));
            number || card || known.contains(word.to_lowercase().as_str())
        };
        let (mut shown, words) = (Vec::new(), &mut self.words);
        for word in typed {
            let (option, value) = match word.split_once('=') {
                Some((option, value)) if word.starts_with("--") => (Some(option), Some(value)),
                _ if word.starts_with("--") => (Some(word.as_str()), None),
                _ => (None, Some(word.as_str())),
            };
            let value = value.map(|value| {
                if is_ours(value) || (option.is_none() && value.starts_with('-') && value.len() == 2) {
                    return value.to_string();
                }
                words.insert(value.into());
                let parts = Path::new(value).components().filter_map(|part| match part {
                    Component::Normal(part) => Some(part.to_string_lossy().into_owned()),
                    _ => None,
                });
                words.extend(parts);
                LEFT_OUT.into()
            });
            shown.push(option.map(str::to_string).into_iter().chain(value).collect::<Vec<_>>().join("="));
        }
        shown.join(" ")
    }

    /// The same words without folders and names of a person.
    fn left_out(&self, words: &str) -> String {
        let mut out = words.to_string();
        for (folder, sign) in &self.folders {
            out = out.replace(folder, sign);
        }
        let mut names: Vec<&String> = self.words.iter().filter(|name| name.chars().count() >= SHORTEST).collect();
        // A name inside of another one is not what is left over of it.
        names.sort_by_key(|name| std::cmp::Reverse(name.len()));
        for name in names {
            out = out.replace(name.as_str(), LEFT_OUT).replace(&capital(name), LEFT_OUT);
        }
        out
    }
}

/// Commands, and values that are chosen from a few.
fn known_words() -> BTreeSet<String> {
    fn add(command: &clap::Command, all: &mut BTreeSet<String>) {
        all.insert(command.get_name().to_lowercase());
        for argument in command.get_arguments() {
            all.extend(argument.get_possible_values().iter().map(|value| value.get_name().to_lowercase()));
        }
        command.get_subcommands().for_each(|sub| add(sub, all));
    }
    let mut all = BTreeSet::from(["last".to_string()]);
    all.extend(program::hosts().map(str::to_string));
    add(&command(), &mut all);
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn private(typed: &[&str]) -> (Private, String) {
        let folders = vec![("/home/anna".into(), "~")];
        let mut private = Private { folders, words: BTreeSet::new(), known: known_words() };
        let shown = private.command(&typed.iter().map(|word| (*word).to_string()).collect::<Vec<_>>());
        (private, shown)
    }

    #[test]
    fn of_a_command_stay_options_numbers_cards_and_the_programs_own_words() {
        let (private, shown) = private(&[
            "run",
            "--headphone",
            "Anna's pair",
            "--listening=70",
            "--weighting",
            "A",
            "--playback",
            "simulated:bench",
            "--at-drive",
            "-30,−20",
            "-v",
            "--sessions=/home/anna/Studio",
        ]);
        assert_eq!(
            shown,
            "run --headphone … --listening=70 --weighting A --playback simulated:bench --at-drive -30,−20 -v --sessions=…"
        );
        assert_eq!(private.left_out("no session in /home/anna/Studio/x: Anna's pair"), "no session in ~/…/x: …");
    }

    #[test]
    fn a_name_at_the_start_of_a_sentence_is_one_too_and_a_short_word_is_none() {
        let (private, _) = private(&["report", "desk of anna", "dB"]);
        assert_eq!(private.left_out("Desk of anna plays at 3 dB"), "… plays at 3 dB");
    }
}
