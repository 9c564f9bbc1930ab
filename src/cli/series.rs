//! `run --series`: one output, headphone after headphone, at the terminal. Nothing is typed twice: output, volume, listener and
//! ceilings hold for all of them.

use super::args::{Run, Shown};
use super::{Environment, follow, request, show};
use crate::account::series as account;
use crate::judgement::judge;
use crate::session::chain::Chain;
use crate::session::chain_file;
use crate::session::plan::Plan;
use crate::session::protocol::{Command, Event, NextHeadphone, SeriesCommand, SeriesEvent, SessionRequest};
use crate::session::record::Record;
use crate::session::runner::Bench;
use crate::session::series::{Stored, SwapChecked, check_s, named, request_of, seat_is_due};
use crate::session::storage;
use crate::stock::notebook;
use anyhow::{Result, bail};
use crossbeam_channel::{Receiver, RecvTimeoutError, unbounded};
use serde::Serialize;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Lines that a person types, or a script.
pub(super) enum Keys {
    /// Standard input, one line after the other.
    Typed(Receiver<String>),
    /// Names that are given beforehand: each begins, whatever the check says.
    Given(std::vec::IntoIter<String>),
}

impl Keys {
    /// Reads standard input beside the bench.
    pub(super) fn typed() -> Keys {
        let (to, lines) = unbounded();
        std::thread::spawn(move || {
            for line in std::io::stdin().lines() {
                let Ok(line) = line else { return };
                if to.send(line).is_err() {
                    return;
                }
            }
        });
        Keys::Typed(lines)
    }

    /// Names that are known beforehand.
    pub(super) fn given(names: Vec<String>) -> Keys {
        Keys::Given(names.into_iter())
    }

    /// The next line; `None` at the end.
    fn line(&mut self) -> Option<String> {
        match self {
            Keys::Typed(lines) => lines.recv().ok(),
            Keys::Given(names) => names.next(),
        }
    }

    fn nobody_types(&self) -> bool {
        matches!(self, Keys::Given(_))
    }
}

/// What holds for all headphones of a series.
pub(super) struct Fixed {
    pub(super) chain: Chain,
    pub(super) plan: Plan,
    pub(super) sessions: PathBuf,
    pub(super) simulated: bool,
    /// Where the chain is kept, which learns from each session.
    pub(super) chain_file: Option<PathBuf>,
}

impl Fixed {
    /// The session of one headphone.
    fn request(&self, headphone: &str) -> SessionRequest {
        request_of(headphone, &self.plan, &self.chain, &self.sessions)
    }
}

pub(super) fn run(wanted: &Run, env: &mut Environment) -> Result<()> {
    let (mut chain, path) = request::chain(&wanted.desk, &(env.now)())?;
    request::use_valid_offsets(&mut chain, &wanted.desk)?;
    request::use_valid_electrical(&mut chain, &wanted.desk)?;
    if wanted.extension_lead {
        // The output then senses no new load.
        chain.output_side.replugged_with_load = Some(false);
    }
    let settings = env.settings()?;
    let plan = request::plan(&wanted.ask, &chain, &settings, &mut show::aside(wanted.keep.shown.json, env.out))?;
    super::run::keep_listener(wanted, env)?;
    let sessions = wanted.keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir);
    let simulated = chain.routing.playback == crate::card::CardId::simulated();
    let fixed = Fixed { chain, plan, sessions, simulated, chain_file: Some(path) };
    let bench = env.bench();
    series(&bench, &fixed, &mut Keys::typed(), &wanted.keep.shown, env.out)
}

/// One headphone of the series.
struct Pairing {
    record: Record,
    folder: PathBuf,
    /// What was heard after the swap.
    swap: SwapChecked,
}

/// A headphone that was not measured to the end, and why.
#[derive(Serialize)]
struct NotMeasured {
    headphone: String,
    message: String,
}

/// The whole series: words on the way and a table at its end, or one JSON document.
pub(super) fn series(bench: &Bench, fixed: &Fixed, keys: &mut Keys, shown: &Shown, out: &mut dyn Write) -> Result<()> {
    let (done, failed) = played(bench, fixed, keys, shown, &mut *show::aside(shown.json, out))?;
    let check_s = check_s(&fixed.request(&fixed.chain.headphone));
    if shown.json {
        return show::json(&document(&done, &failed, check_s), out);
    }
    let pairings: Vec<&Record> = done.iter().map(|pairing| &pairing.record).collect();
    write!(out, "\n{}", crate::account::write::terminal::table(&account::table(&pairings)))?;
    writeln!(out, "{}", account::sound(&pairings, check_s))?;
    Ok(())
}

fn document(done: &[Pairing], failed: &[NotMeasured], check_s: f64) -> serde_json::Value {
    let sessions = done.iter().map(|Pairing { record, folder, swap }| {
        let headphone = record.head.chain.headphone.trim();
        serde_json::json!({
            "folder": folder,
            "headphone": headphone,
            "judgement": judge(record),
            "swap": swap,
            "sound_s": account::sound_s(record),
        })
    });
    serde_json::json!({ "sessions": sessions.collect::<Vec<_>>(), "failed": failed, "check_s": check_s })
}

/// Headphone after headphone, until nobody names another one.
fn played(
    bench: &Bench,
    fixed: &Fixed,
    keys: &mut Keys,
    shown: &Shown,
    out: &mut dyn Write,
) -> Result<(Vec<Pairing>, Vec<NotMeasured>)> {
    follow::stop_on_ctrl_c(bench);
    bench.commands.send(Command::Series(SeriesCommand::Begin(Box::new(fixed.chain.clone()))))?;
    checked(bench, shown)?;
    let (mut done, mut failed) = (Vec::new(), Vec::new());
    writeln!(out, "{}", super::show::CAUTION)?;
    while let Some(name) = next_name(fixed, keys, done.len(), out)? {
        let entries = notebook::read(&fixed.sessions);
        let stored = notebook::stored(&entries, &fixed.chain, fixed.simulated);
        let Some(swap) = listen(bench, fixed, &name, &stored, keys, shown, out)? else { continue };
        bench.commands.send(Command::Series(SeriesCommand::Start))?;
        match follow::session(bench, shown, out) {
            Ok((record, folder)) => {
                if let Some(path) = &fixed.chain_file {
                    chain_file::learn(path, &record)?;
                }
                let record = seats(bench, record, &folder, keys, shown, out)?;
                stated(&record, &swap, out)?;
                done.push(Pairing { record, folder, swap });
            }
            // What was finished is kept; the other headphones are still to be measured.
            Err(error) => {
                writeln!(out, "{error:#}")?;
                failed.push(NotMeasured { headphone: name, message: format!("{error:#}") });
            }
        }
    }
    bench.commands.send(Command::Series(SeriesCommand::End))?;
    checked(bench, shown)?;
    Ok((done, failed))
}

/// Asks for the next headphone: a name, or the number of one that is known. Nothing ends the series.
fn next_name(fixed: &Fixed, keys: &mut Keys, done: usize, out: &mut dyn Write) -> Result<Option<String>> {
    let known = notebook::headphones(&notebook::read(&fixed.sessions), fixed.simulated);
    writeln!(out, "\nSILENT: SWAP NOW   ({done} done, output {})", fixed.chain.output)?;
    if !keys.nobody_types() {
        for (i, name) in known.iter().enumerate() {
            writeln!(out, "  {}  {name}", i + 1)?;
        }
        write!(out, "Headphone on the coupler now (name or number; an empty line ends the series): ")?;
        out.flush()?;
    }
    let Some(line) = keys.line() else { return Ok(None) };
    Ok(named(&line, &known))
}

/// Listens after a swap until it may begin; `None`: the person went back to the names.
fn listen(
    bench: &Bench,
    fixed: &Fixed,
    name: &str,
    stored: &[Stored],
    keys: &mut Keys,
    shown: &Shown,
    out: &mut dyn Write,
) -> Result<Option<SwapChecked>> {
    loop {
        let next = NextHeadphone { request: fixed.request(name), stored: stored.to_vec() };
        bench.commands.send(Command::Series(SeriesCommand::Next(Box::new(next))))?;
        let found = match checked(bench, shown) {
            Ok(Some(found)) => found,
            Ok(None) => return Ok(None),
            // The other headphones are still to be measured.
            Err(error) => {
                writeln!(out, "{name}: {error:#}")?;
                return Ok(None);
            }
        };
        writeln!(out, "{name}: {}", found.words().join(" "))?;
        if keys.nobody_types() || found.is_clean() {
            return Ok(Some(found));
        }
        write!(out, "Enter: listen again; `b`: begin anyway (kept as a doubt); `n`: enter another name: ")?;
        out.flush()?;
        match keys.line().as_deref().map(str::trim) {
            None => bail!("the input ended while something was to be decided; nothing was begun"),
            Some("b") => return Ok(Some(found)),
            Some("n") => return Ok(None),
            Some(_) => {}
        }
    }
}

/// Waits until the bench has listened, or is silent again.
fn checked(bench: &Bench, shown: &Shown) -> Result<Option<SwapChecked>> {
    let bar = if shown.no_progress || shown.json { indicatif::ProgressBar::hidden() } else { follow::busy() };
    loop {
        match bench.events.recv()? {
            Event::Series(SeriesEvent::Checked(found)) => {
                bar.finish_and_clear();
                return Ok(Some(*found));
            }
            Event::Series(SeriesEvent::SwapNow { .. } | SeriesEvent::Ended { .. }) => {
                bar.finish_and_clear();
                return Ok(None);
            }
            Event::Failed(failure) => {
                bar.finish_and_clear();
                bail!("{}", failure.message)
            }
            Event::Playing { done_s, total_s } => bar.set_message(format!("listens, {done_s:.0} of {total_s:.0} s")),
            _ => {}
        }
    }
}

/// The further seats of one headphone: Enter when it sits.
fn seats(
    bench: &Bench,
    mut record: Record,
    folder: &Path,
    keys: &mut Keys,
    shown: &Shown,
    out: &mut dyn Write,
) -> Result<Record> {
    let nobody = record.head.playback.simulates.is_some();
    while seat_is_due(&record) {
        let before = record.seat();
        if !nobody {
            writeln!(
                out,
                "Seat {}: quiet noise plays. Put it on again and press Enter when it is seated.",
                before + 1
            )?;
        }
        bench.commands.send(Command::Seat { folder: folder.into(), hold: !nobody })?;
        record = match keys {
            Keys::Typed(lines) if !nobody => while_enter(bench, lines, || follow::session(bench, shown, out))?.0,
            _ => follow::session(bench, shown, out)?.0,
        };
        if record.seat() == before {
            break;
        }
    }
    Ok(record)
}

/// Enter says that it sits while something else waits for the bench.
fn while_enter<T>(bench: &Bench, lines: &Receiver<String>, waits: impl FnOnce() -> T) -> T {
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !over.load(Ordering::Relaxed) {
                match lines.recv_timeout(Duration::from_millis(100)) {
                    Ok(_) => return bench.ready.now(),
                    Err(RecvTimeoutError::Timeout) => {}
                    // An input that ends is nobody's consent.
                    Err(RecvTimeoutError::Disconnected) => return bench.stop.now(),
                }
            }
        });
        let result = waits();
        over.store(true, Ordering::Relaxed);
        result
    })
}

/// One line of the answer.
fn stated(record: &Record, checked: &SwapChecked, out: &mut dyn Write) -> Result<()> {
    let judgement = judge(record);
    let doubt = if checked.is_clean() { "" } else { " (begun against the check: in doubt)" };
    writeln!(out, "{}{doubt}", account::line(record, &judgement))?;
    Ok(())
}
