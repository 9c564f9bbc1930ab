//! `stock`: outputs × headphones, the map of an output, and what is kept of both.

use super::args::{
    KeepHeadphone, KeepOutput, Listener, SensitivityPer, StatedFigures, StockArguments, StockCommand, StockKept,
    WhoListens,
};
use super::{Environment, known_json, request, show};
use crate::account;
use crate::asked::sheet::{Per, SheetFigure};
use crate::asked::{self, Settings};
use crate::judgement::comparison::Hears;
use crate::session::plan::ListeningLevel;
use crate::session::storage::default_sessions_dir;
use crate::stock::{
    self, Figure, HeadphoneEntry, KeptListener, Matrix, OutputEntry, RatedPower, Sensitivity, Stock, folder,
};
use anyhow::{Result, anyhow, bail};
use std::io::Write;
use std::path::Path;

/// Impedances of the map's table.
const ROWS: usize = 9;

pub(super) fn stock(wanted: &StockArguments, env: &mut Environment) -> Result<()> {
    match &wanted.what {
        None => matrix(wanted, env),
        Some(StockCommand::Map { output, listener, kept, json }) => map(output, listener, kept, *json, env),
        Some(StockCommand::Output { name, kept, json }) => output(name, kept, *json, env),
        Some(StockCommand::Headphone { name, source_ohm, kept, json }) => {
            headphone(name, *source_ohm, kept, *json, env)
        }
        Some(StockCommand::Listener(wanted)) => who_listens(wanted, env),
        Some(StockCommand::KeepOutput(wanted)) => keep_output(wanted, env.out),
        Some(StockCommand::KeepHeadphone(wanted)) => keep_headphone(wanted, env.out),
    }
}

pub(super) fn load(kept: &StockKept, out: &mut dyn Write) -> Result<Stock> {
    let typed = kept.stock.clone().unwrap_or_else(folder::default_folder);
    let sessions = kept.sessions.clone().unwrap_or_else(default_sessions_dir);
    let (stock, passed_over) = folder::load(&typed, &sessions)?;
    for (path, why) in passed_over {
        writeln!(out, "passed over: {}: {why}", path.display())?;
    }
    Ok(stock)
}

/// Who listens: as typed, else as kept with the stock; by the rule that was typed, else set.
pub(super) fn listener(typed: &Listener, stock: &Stock, settings: &Settings) -> Result<stock::Listener> {
    Ok(stock.listener(request::listening(typed), request::rule(typed, settings.rule())?))
}

fn matrix(wanted: &StockArguments, env: &mut Environment) -> Result<()> {
    let mut passed_over = Vec::new();
    let stock = load(&wanted.kept, &mut passed_over)?;
    let listener = listener(&wanted.listener, &stock, &env.settings()?)?;
    let matrix = Matrix::of(&stock, &listener);
    let out = &mut *env.out;
    if wanted.json {
        return show::json(&matrix, out);
    }
    out.write_all(&passed_over)?;
    let Some(sections) = account::stock::sections(&matrix, &listener) else {
        writeln!(
            out,
            "Nothing in stock yet: run a session (`loudenough run`, or `loudenough rehearse`), or type what is known of an output and a headphone (`loudenough stock keep-output`, `keep-headphone`)."
        )?;
        return Ok(());
    };
    show::sections(&sections, out)?;
    if stock.is_invented() {
        writeln!(out, "\nSessions of the simulated bench: these devices are invented.")?;
    }
    Ok(())
}

fn map(name: &str, typed: &Listener, kept: &StockKept, json: bool, env: &mut Environment) -> Result<()> {
    let mut passed_over = Vec::new();
    let stock = load(kept, &mut passed_over)?;
    let listener = listener(typed, &stock, &env.settings()?)?;
    let output = stock.find_output(name).map_err(|why| anyhow!(why))?;
    let map = stock.map(&output, &listener, ROWS).map_err(|why| anyhow!(why))?;
    let out = &mut *env.out;
    if json {
        return show::json(&map, out);
    }
    out.write_all(&passed_over)?;
    show::sections(&account::stock::map(&map), out)?;
    Ok(())
}

fn output(name: &str, kept: &StockKept, json: bool, env: &mut Environment) -> Result<()> {
    let stock = load(kept, &mut show::aside(json, env.out))?;
    let name = stock.find_output(name).map_err(|why| anyhow!(why))?;
    let known = stock.output(&name, |_| true);
    if json {
        return show::json(&known_json::output(&known), env.out);
    }
    show::sections(&[account::stock::known_of(&name.words(), known.lines())], env.out)?;
    Ok(())
}

fn headphone(name: &str, source_ohm: Option<f64>, kept: &StockKept, json: bool, env: &mut Environment) -> Result<()> {
    let stock = load(kept, &mut show::aside(json, env.out))?;
    let name = stock.find_headphone(name).map_err(|why| anyhow!(why))?;
    let known = stock.headphone(&name, |_| true);
    let not_known = || {
        anyhow!(
            "the impedance of {name} over frequency is not known, so what a source impedance does to its response is not determined: `loudenough calibrate load`, or rows of `impedance` in its stock file"
        )
    };
    let out = &mut *env.out;
    if json {
        let change = |ohm| known_json::change_by_source(&known, ohm).ok_or_else(not_known);
        return show::json(&known_json::headphone(&known, source_ohm.map(change).transpose()?), out);
    }
    show::sections(&[account::stock::known_of(&name, known.lines())], out)?;
    if let Some(ohm) = source_ohm {
        show::sections(&[account::stock::change_by_source(&known, ohm).ok_or_else(not_known)?], out)?;
    }
    Ok(())
}

/// Shows, keeps or forgets whose listening level holds where none is stated.
fn who_listens(wanted: &WhoListens, env: &mut Environment) -> Result<()> {
    let folder = wanted.stock.clone().unwrap_or_else(folder::default_folder);
    if wanted.forget {
        let out = &mut *env.out;
        let was = folder::forget_listener(&folder)?;
        if wanted.json {
            return show::json(&serde_json::json!({ "listener": null, "forgotten": was }), out);
        }
        writeln!(out, "{}", if was { "The listening level is forgotten." } else { "No listening level was kept." })?;
        return Ok(());
    }
    if let Some(how) = wanted.measure {
        return super::own_level::measure(wanted, how, &folder, env);
    }
    let (kept, now) = (folder::listener(&folder)?, (env.now)());
    let mut aside = show::aside(wanted.json, &mut *env.out);
    let out = &mut *aside;
    let hears = Hears::from(wanted.hears);
    let listening = asked::plan::listening(wanted.listening, wanted.weighting, wanted.field);
    if let Some(listening) = listening {
        keep_listener(&folder, listening, now.clone(), out)?;
    }
    if !hears.is_empty() {
        let Some(before) = folder::listener(&folder)? else {
            bail!(
                "limits of what a listener hears are kept beside their listening level; state that too: {}",
                stock::HOW_TO_STATE
            );
        };
        let kept = KeptListener { hears: hears.or(before.hears), stated_at: now, ..before };
        folder::keep_listener(&folder, &kept)?;
        writeln!(out, "The listener states that they hear {}.", kept.hears)?;
    }
    if wanted.json {
        drop(aside);
        return show::json(&serde_json::json!({ "listener": folder::listener(&folder)? }), env.out);
    }
    if listening.is_some() || !hears.is_empty() {
        return Ok(());
    }
    match kept {
        Some(kept) => {
            writeln!(out, "{}", account::own_level::kept(&kept))?;
            if !kept.hears.is_empty() {
                writeln!(out, "They state that they hear {}.", kept.hears)?;
            }
        }
        None => writeln!(out, "No listening level is kept: {}.", stock::HOW_TO_STATE)?,
    }
    Ok(())
}

/// Keeps a level as the listener's, and says so where it is another than before.
pub(super) fn keep_listener(folder: &Path, listening: ListeningLevel, now: String, out: &mut dyn Write) -> Result<()> {
    let before = folder::listener(folder)?.map(|kept| kept.listening);
    if before == Some(listening) {
        return Ok(writeln!(out, "The listener's level is {listening}, as kept.")?);
    }
    let to = folder::keep_level(folder, now, listening, None)?;
    let was = before.map_or(String::new(), |before| format!(" (it was {before})"));
    writeln!(out, "The listener's level is {listening}{was}, kept in {}.", to.display())?;
    Ok(())
}

fn keep_output(wanted: &KeepOutput, out: &mut dyn Write) -> Result<()> {
    let figure = |value: Option<f64>| value.map(|value| typed(value, None, &wanted.stated));
    let sheet = |figure: Option<SheetFigure>| figure.map(|f| typed(f.value, f.half_width, &wanted.stated));
    let rated =
        |[milliwatts, ohm]: &[f64; 2]| RatedPower { ohm: *ohm, milliwatts: typed(*milliwatts, None, &wanted.stated) };
    let entry = OutputEntry {
        name: wanted.name.trim().into(),
        positions: wanted.positions.trim().into(),
        volts_per_full_scale: sheet(wanted.volts),
        source_ohm: sheet(wanted.source_ohm),
        voltage_limit_v: figure(wanted.limit_volts),
        current_limit_ma: figure(wanted.limit_milliamperes),
        power: wanted.power.iter().map(rated).collect(),
    };
    let to = wanted.stated.stock.clone().unwrap_or_else(folder::default_folder);
    let file = folder::keep_output(&to, &entry, wanted.stated.replace)?.path;
    if wanted.stated.json {
        return show::json(&serde_json::json!({ "file": file, "output": entry }), out);
    }
    writeln!(out, "kept in {}", file.display())?;
    Ok(())
}

fn keep_headphone(wanted: &KeepHeadphone, out: &mut dyn Write) -> Result<()> {
    let sheet = |figure: Option<SheetFigure>| figure.map(|f| typed(f.value, f.half_width, &wanted.stated));
    let entry = HeadphoneEntry {
        name: wanted.name.trim().into(),
        sensitivity: sensitivity(wanted)?,
        impedance_ohm: sheet(wanted.ohm),
        impedance: Vec::new(),
        isolation_db: wanted.isolation.map(|value| typed(value, None, &wanted.stated)),
    };
    let to = wanted.stated.stock.clone().unwrap_or_else(folder::default_folder);
    let file = folder::keep_headphone(&to, &entry, wanted.stated.replace)?.path;
    if wanted.stated.json {
        return show::json(&serde_json::json!({ "file": file, "headphone": entry }), out);
    }
    writeln!(out, "kept in {}", file.display())?;
    Ok(())
}

/// A sensitivity with what it is stated for, whether that stands beside it or in an option of its own.
fn sensitivity(wanted: &KeepHeadphone) -> Result<Option<Sensitivity>> {
    let Some(read) = &wanted.sensitivity else { return Ok(None) };
    let option = wanted.per.map(|per| match per {
        SensitivityPer::Mw => Per::Milliwatt,
        SensitivityPer::V => Per::Volt,
    });
    let per = match (read.per, option) {
        (Some(one), Some(other)) if one != other => {
            bail!("the sensitivity is stated in {}, and --per says {}: leave one of them out", one.unit(), other.unit())
        }
        (Some(per), _) | (None, Some(per)) => per,
        (None, None) => {
            bail!(
                "the sensitivity does not say for what: type it as on the data sheet (`98 dB/mW`, `112 dB/V`), or add --per mw or --per v"
            )
        }
    };
    let (beside, half_width) = (wanted.at_hz.or(read.at_hz), wanted.half_width.or(read.level.half_width));
    if let (Some(one), Some(other)) = (wanted.at_hz, read.at_hz)
        && (one - other).abs() > f64::EPSILON * other
    {
        bail!("the sensitivity is stated at {other} Hz, and --at-hz says {one}: leave one of them out");
    }
    let level = typed(read.level.value, half_width, &wanted.stated);
    Ok(Some(Sensitivity { level, per, at_hz: beside.unwrap_or(SENSITIVITY_HZ) }))
}

/// Frequency of a sensitivity where none is stated, Hz (common practice, no source).
const SENSITIVITY_HZ: f64 = 1000.0;

fn typed(value: f64, half_width: Option<f64>, stated: &StatedFigures) -> Figure {
    Figure { value, half_width, source: stated.source.clone(), date: stated.date.clone() }
}
