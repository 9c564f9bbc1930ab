//! Follows a running bench in the terminal: progress, messages, Ctrl-C.

use super::args::Shown;
use super::{Unfinished, show};
use crate::calibration::Acoustic;
use crate::session::protocol::{Command, ElectricalHeard, Event, Following};
use crate::session::record::Record;
use crate::session::runner::{Bench, Stop};
use crate::session::waiting::Waiting;
use crate::session::{elsewhere, positions, seats};
use crate::units::tidy_signed;
use anyhow::{Result, bail};
use indicatif::{ProgressBar, ProgressStyle};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What the bench waits for is said again after so long.
const SAID_AGAIN: Duration = Duration::from_secs(30);

/// The bench that Ctrl-C stops; a process has one signal handler and may run more than one bench in turn.
static RUNNING: Mutex<Option<Stop>> = Mutex::new(None);

/// Signals so far.
static ASKED: AtomicUsize = AtomicUsize::new(0);
/// After the second one the program ends when the fade is out: within a second, whatever it waits for.
const LAST_FADE: Duration = Duration::from_millis(600);
/// Exit code of a program that was interrupted (128 + SIGINT, as shells have it).
const INTERRUPTED: i32 = 130;

/// From here on Ctrl-C (and a polite kill) fades out what `bench` plays; a second one ends the program.
pub fn stop_on_ctrl_c(bench: &Bench) {
    let mut running = RUNNING.lock().unwrap_or_else(PoisonError::into_inner);
    let first = running.is_none();
    *running = Some(bench.stop.clone());
    drop(running);
    if first {
        // Where a handler cannot be set the default one ends the process: the card then falls silent by itself.
        let _ = ctrlc::set_handler(|| {
            if let Some(stop) = RUNNING.lock().unwrap_or_else(PoisonError::into_inner).as_ref() {
                stop.now();
            }
            if ASKED.fetch_add(1, Ordering::Relaxed) > 0 {
                std::thread::sleep(LAST_FADE);
                std::process::exit(INTERRUPTED);
            }
        });
    }
}

/// Turns while something is computed whose end nobody knows; nothing where no terminal shows it.
pub fn busy() -> ProgressBar {
    let bar = ProgressBar::new_spinner();
    bar.enable_steady_tick(Duration::from_millis(200));
    bar
}

/// Waits for the calibration offset that `bench` was asked to take.
pub fn calibration(bench: &Bench, quiet: bool) -> Result<Acoustic> {
    listening(bench, quiet, |event| match event {
        Event::Calibrated { acoustic, .. } => Some(acoustic),
        _ => None,
    })
}

/// Waits for the check of a session's calibration.
pub fn calibration_check(bench: &Bench, quiet: bool) -> Result<Arc<Record>> {
    listening(bench, quiet, |event| match event {
        Event::CalibrationChecked(record) => Some(record),
        _ => None,
    })
}

/// Waits for the take of an electrical measurement.
pub fn electrical(bench: &Bench, quiet: bool) -> Result<ElectricalHeard> {
    let bar = if quiet { ProgressBar::hidden() } else { ProgressBar::new_spinner() };
    loop {
        match bench.events.recv()? {
            Event::Playing { done_s, total_s } => {
                bar.tick();
                bar.set_message(format!("plays, {done_s:.0} of {total_s:.0} s"));
            }
            Event::Electrical(heard) => {
                bar.finish_and_clear();
                return Ok(*heard);
            }
            Event::Failed(failure) => {
                bar.finish_and_clear();
                bail!("{}", failure.message)
            }
            _ => {}
        }
    }
}

/// Tells what is heard of the calibrator until `ends` has what it waits for.
fn listening<T>(bench: &Bench, quiet: bool, ends: impl Fn(Event) -> Option<T>) -> Result<T> {
    let bar = if quiet { ProgressBar::hidden() } else { ProgressBar::new_spinner() };
    if let Ok(style) = ProgressStyle::with_template("{spinner} {msg}") {
        bar.set_style(style);
    }
    bar.set_message("waiting for the calibrator's tone");
    loop {
        match bench.events.recv()? {
            Event::Listening { tone, steady_s, because } => {
                bar.tick();
                bar.set_message(show::listening(tone.as_ref(), steady_s, because.as_deref()));
            }
            Event::Failed(failure) => {
                bar.finish_and_clear();
                bail!("{}", failure.message)
            }
            event => {
                if let Some(found) = ends(event) {
                    bar.finish_and_clear();
                    return Ok(found);
                }
            }
        }
    }
}

/// Adds a seat to a session: with `hold` noise is held until Enter is pressed.
pub fn seat(
    bench: &Bench,
    record: &Record,
    folder: &Path,
    hold: bool,
    shown: &Shown,
    out: &mut dyn Write,
) -> Result<Record> {
    let next = record.seat() + 1;
    if hold {
        writeln!(
            show::aside(shown.json, out),
            "Seat {next}: quiet noise plays. Take the headphone off the coupler and put it on again; press Enter when it is seated. Ctrl-C skips this seat."
        )?;
        ready_on_enter(bench);
    }
    bench.commands.send(Command::Seat { folder: folder.to_path_buf(), hold })?;
    session(bench, shown, out).map(|(record, _)| record)
}

/// Adds the positions of the output's volume control to a session, until Enter is pressed or nobody turns it any more.
pub fn positions(bench: &Bench, folder: &Path, somebody: bool, shown: &Shown, out: &mut dyn Write) -> Result<Record> {
    if somebody {
        writeln!(
            show::aside(shown.json, out),
            "Quiet noise plays. Turn the output's volume control step by step from one end to the other, some seven seconds at each; press Enter at the end. Ctrl-C skips it."
        )?;
        ready_on_enter(bench);
    }
    bench.commands.send(Command::Positions { folder: folder.to_path_buf() })?;
    session(bench, shown, out).map(|(record, _)| record)
}

/// Enter says that it is right now. The line is waited for beside the bench; a bench that ends first leaves the reader to
/// the end of the program. An input that ends without a line is nobody's consent: the sound fades out and nothing is kept.
pub fn ready_on_enter(bench: &Bench) {
    let (ready, stop) = (bench.ready.clone(), bench.stop.clone());
    std::thread::spawn(move || {
        let mut line = String::new();
        match std::io::stdin().read_line(&mut line) {
            Ok(read) if read > 0 => ready.now(),
            // A command that begins forgets what was asked before it: asked until the program ends.
            _ => loop {
                stop.now();
                std::thread::sleep(Duration::from_millis(100));
            },
        }
    });
}

/// What the bench waits for, said once and then again from time to time.
struct Waits {
    waiting: Waiting,
    said: Option<Instant>,
}

impl Waits {
    fn begin() -> Waits {
        Waits { waiting: Waiting::new(Instant::now()), said: None }
    }

    fn news(&mut self) -> Option<String> {
        let now = Instant::now();
        let words = self.waiting.words(now);
        match (&words, self.said) {
            (None, _) => self.said = None,
            (Some(_), Some(said)) if now.duration_since(said) < SAID_AGAIN => return None,
            (Some(_), _) => self.said = Some(now),
        }
        words
    }
}

/// Waits for a session's end and tells what happens on the way.
pub fn session(bench: &Bench, keep: &Shown, out: &mut dyn Write) -> Result<(Record, PathBuf)> {
    stop_on_ctrl_c(bench);
    let quiet = keep.json || keep.no_progress;
    let bar = if quiet { ProgressBar::hidden() } else { ProgressBar::new(1) };
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos}/{len} {msg}") {
        bar.set_style(style);
    }
    let mut waits = Waits::begin();
    loop {
        // Whoever hides the progress wants no news of what goes on; that nothing goes on is news.
        if let Some(words) = waits.news() {
            // Where nobody can be told, the measuring goes on.
            bar.suspend(|| writeln!(std::io::stderr(), "{words}")).unwrap_or_default();
        }
        let event = match bench.events.recv_timeout(Duration::from_millis(500)) {
            Ok(event) => event,
            Err(crossbeam_channel::RecvTimeoutError::Timeout) => continue,
            Err(crossbeam_channel::RecvTimeoutError::Disconnected) => {
                bail!("the bench ended unexpectedly; please report this")
            }
        };
        waits.waiting.hear(&event, Instant::now());
        match event {
            Event::Elsewhere(now) => {
                let Some(words) = elsewhere::in_words(&now) else { continue };
                // Whoever hides the progress is told all the same what has to be done at once.
                if elsewhere::is_alarm(&now) || matches!(now, Following::Clips { .. }) {
                    bar.suspend(|| writeln!(std::io::stderr(), "{words}")).unwrap_or_default();
                }
                bar.set_message(words);
            }
            Event::Turning { positions } => bar.set_message(positions::heard(&positions)),
            Event::Matching { off_db } => bar.set_message(match off_db {
                Some(off) => format!("turn until 0.0: {} dB", tidy_signed(off, 1)),
                None => "turn until 0.0: listening".into(),
            }),
            Event::Seating { seat, ears } => bar.set_message(seats::how_it_sits(seat, &ears)),
            Event::Began { record, folder, granted: (playback, capture) } if !keep.json && record.steps.is_empty() => {
                bar.suspend(|| show::began(&record, &folder, &playback, &capture, out))?;
            }
            Event::StepBegan { step, expected_steps, left_s } => {
                bar.set_length(expected_steps as u64);
                bar.set_position(step.number.saturating_sub(1) as u64);
                let drive = step.drive.map_or(String::new(), |d| format!(" at {d}"));
                bar.set_message(format!("{}{drive} · about {left_s:.0} s of measuring left", step.purpose));
            }
            Event::Repeated { reason } if !keep.json => {
                bar.suspend(|| writeln!(out, "the take is played again: {reason}"))?;
            }
            Event::StepDone(record) => {
                let done = record.steps.len() as u64;
                bar.set_length(bar.length().unwrap_or(done).max(done));
                bar.set_position(done);
            }
            Event::Ended { record, folder } => {
                bar.finish_and_clear();
                return Ok((record.as_ref().clone(), folder));
            }
            Event::Failed(failure) => {
                bar.finish_and_clear();
                match failure.kept {
                    Some(folder) => bail!(Unfinished(format!(
                        "{}\nFinished steps are kept in {}; go on with `loudenough run --continue \"{}\"`.",
                        failure.message,
                        folder.display(),
                        folder.display()
                    ))),
                    None => bail!("{}", failure.message),
                }
            }
            _ => {}
        }
    }
}
