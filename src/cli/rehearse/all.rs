//! `rehearse --all`: the whole job without hardware. Every simulated pairing is measured, then each further step is the
//! ordinary command, shown as it could be typed.

use super::{Kept, Means, Pairing, session};
use crate::account::write::folder::free_name;
use crate::asked::choice;
use crate::audio::simulated::{HEADPHONES, OUTPUTS};
use crate::cli::args::{Arguments, Ask, Rehearse, Shown};
use crate::cli::{Command, Environment, carry_out, show};
use crate::judgement::judge;
use crate::session::chain_file;
use crate::session::storage::{Storage, default_sessions_dir, name_of_time};
use crate::stock::reading_words;
use anyhow::{Context, Result};
use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use std::path::Path;

/// Seats of the demo's headphones.
const SEATS: u32 = 2;
/// The order in which the outputs are plugged in; the first two are held against each other.
const PLUGGED_IN: [&str; 3] = [OUTPUTS[0], OUTPUTS[2], OUTPUTS[1]];
/// The headphone that they are heard through.
const HEARD_THROUGH: &str = HEADPHONES[0];

pub(super) fn rehearse(wanted: &Rehearse, env: &mut Environment) -> Result<()> {
    let home = match &wanted.keep.sessions {
        Some(folder) => folder.clone(),
        // Beside the user's own sessions, so that nothing invented comes into their stock.
        None => free_name(&default_sessions_dir().with_file_name("rehearsals"), &name_of_time(&(env.now)())),
    };
    let sessions = home.join("sessions");
    let json = wanted.keep.shown.json;
    writeln!(
        show::aside(json, env.out),
        "Simulated bench: three outputs and four headphones, all invented, no sound. Everything goes to {}.\n",
        home.display()
    )?;
    let measured_all = measure(wanted, &sessions, env)?;
    let (stock, report, chain) = (home.join("stock"), home.join("report"), home.join("chain.toml"));
    let (_, measured) = Storage::open(&sessions.join(folder_of(PLUGGED_IN[0], HEARD_THROUGH)))?;
    chain_file::save(&chain, &measured.head.chain)?;
    let listening = measured.head.plan.listening.map_or(String::new(), |listening| listening.level.db().to_string());
    let sessions = sessions.as_path();
    let kept: [&Path; 4] = ["--stock".as_ref(), &stock, "--sessions".as_ref(), sessions];
    let swapped: [&Path; 10] = [
        "swap".as_ref(),
        PLUGGED_IN[0].as_ref(),
        PLUGGED_IN[1].as_ref(),
        "--chain".as_ref(),
        &chain,
        "--sessions".as_ref(),
        sessions,
        "--listening".as_ref(),
        listening.as_ref(),
        "--no-progress".as_ref(),
    ];
    let stated = measured.head.plan.listening;
    let weighting = choice::WEIGHTING.iter().find(|c| stated.is_some_and(|stated| stated.weighting == c.value));
    let field = choice::SOUND_FIELD.iter().find(|c| stated.is_some_and(|stated| stated.field == Some(c.value)));
    let related = weighting.map(|c| ["--weighting", c.word]).into_iter().chain(field.map(|c| ["--field", c.word]));
    let related: Vec<&Path> = related.flatten().map(AsRef::as_ref).collect();
    let listener: [&Path; 6] =
        ["stock".as_ref(), "listener".as_ref(), "--listening".as_ref(), listening.as_ref(), "--stock".as_ref(), &stock];
    let listener = [listener.as_slice(), &related].concat();
    let steps: [&[&Path]; 5] = [
        &swapped,
        &listener,
        &[["stock".as_ref()].as_slice(), &kept].concat(),
        &[["stock".as_ref(), "map".as_ref(), OUTPUTS[2].as_ref()].as_slice(), &kept].concat(),
        &[["report".as_ref(), "--to".as_ref(), report.as_path()].as_slice(), &kept].concat(),
    ];
    if json {
        let commands = steps.into_iter().map(|step| answered(step, env)).collect::<Result<Vec<_>>>()?;
        let all = serde_json::json!({
            "folder": home,
            "sessions": measured_all,
            "commands": commands,
            "begin_with": report.join("report.html"),
        });
        return show::json(&all, env.out);
    }
    for step in steps {
        typed(step, env)?;
    }
    writeln!(env.out, "\nThe report lies at {}.", report.join("report.html").display())?;
    Ok(())
}

/// Every pairing as a quick look; a line each.
fn measure(wanted: &Rehearse, sessions: &Path, env: &mut Environment) -> Result<Vec<serde_json::Value>> {
    let mut all = Vec::new();
    let shown = Shown { json: false, no_progress: true, details: false };
    // A headphone stays on the coupler while the outputs are changed: the last seat of one is the first of the next.
    let seats = wanted.ask.seats.unwrap_or(SEATS);
    let pairings: Vec<(u64, u64, &str, &str)> = (0..)
        .zip(HEADPHONES)
        .flat_map(|(i, h)| (0..).zip(PLUGGED_IN).map(move |(before, o)| (i, before, o, h)))
        .collect();
    let bar =
        if wanted.keep.shown.no_progress { ProgressBar::hidden() } else { ProgressBar::new(pairings.len() as u64) };
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos}/{len} {msg}") {
        bar.set_style(style);
    }
    for (headphones, before, output, headphone) in pairings {
        bar.set_message(format!("{output} with {headphone}"));
        let ask = Ask { quick: true, seats: Some(seats), ..wanted.ask.clone() };
        let kept = Kept { sessions: sessions.into(), id: Some(folder_of(output, headphone)), shown: &shown };
        let seed = wanted.seed + headphones;
        let pairing = Pairing { output, headphone, seed, before, volts_known: true };
        let (record, folder) = session(&pairing, &ask, kept, &Means::of(env)?, &mut std::io::sink())?;
        let judgement = judge(&record);
        let level = reading_words(&judgement.highest_clean.level_spl);
        let words = format!("{output:22} {headphone:12} {level:>18} dB SPL  {}", judgement.headroom.verdict);
        bar.suspend(|| writeln!(show::aside(wanted.keep.shown.json, env.out), "{words}"))?;
        all.push(serde_json::json!({ "folder": folder, "judgement": judgement }));
        bar.inc(1);
    }
    bar.finish_and_clear();
    Ok(all)
}

/// Carries out a command as typed, shown first.
fn typed(words: &[&Path], env: &mut Environment) -> Result<()> {
    writeln!(env.out, "\n$ {}", as_typed(words))?;
    carry_out(parsed(words.iter().copied())?, env)
}

/// The same with `--json`: the command, and its document.
fn answered(words: &[&Path], env: &mut Environment) -> Result<serde_json::Value> {
    let mut printed = Vec::new();
    let mut inner = Environment {
        out: &mut printed,
        backends: std::mem::take(&mut env.backends),
        now: env.now,
        settings: env.settings.clone(),
        log: env.log.clone(),
        exit: env.exit,
    };
    carry_out(parsed(words.iter().copied().chain(["--json".as_ref()]))?, &mut inner)?;
    let answer: serde_json::Value = serde_json::from_slice(&printed)?;
    Ok(serde_json::json!({ "command": as_typed(words), "answer": answer }))
}

fn parsed<'a>(words: impl Iterator<Item = &'a Path>) -> Result<Command> {
    let program: &Path = "loudenough".as_ref();
    let arguments = Arguments::try_parse_from(std::iter::once(program).chain(words))?;
    arguments.command.context("no command")
}

fn as_typed(words: &[&Path]) -> String {
    let quoted = |word: &&Path| {
        let word = word.to_string_lossy();
        if word.contains(' ') { format!("\"{word}\"") } else { word.into_owned() }
    };
    format!("loudenough {}", words.iter().map(quoted).collect::<Vec<_>>().join(" "))
}

/// `console-phones-socket_closed-80-ohm`.
fn folder_of(output: &str, headphone: &str) -> String {
    let plain = |words: &str| words.replace('Ω', "ohm").replace(' ', "-");
    format!("{}_{}", plain(output), plain(headphone))
}
