//! `stock`: outputs × headphones, the map of an output, and what is kept of both.

use super::args::{
    KeepHeadphone, KeepOutput, Listener, SensitivityPer, StatedFigures, StockArguments, StockCommand, StockKept,
};
use super::{Surroundings, request};
use crate::analysis::band;
use crate::session::plan::HeadroomRule;
use crate::session::storage::default_sessions_dir;
use crate::stats::{Estimate, Reading};
use crate::stock::sensitivity::Per;
use crate::stock::{
    self, Cell, Figure, HeadphoneEntry, Map, Matrix, Ohms, OutputEntry, RatedPower, Sensitivity, Stock, folder,
    reading_words, response_change,
};
use crate::units::{amplitude_from_db, tidy, tidy_signed};
use anyhow::{Result, anyhow, bail};
use std::collections::BTreeMap;
use std::io::Write;

/// Impedances of the map's table.
const ROWS: usize = 9;

pub(super) fn stock(wanted: &StockArguments, surroundings: &mut Surroundings) -> Result<()> {
    match &wanted.what {
        None => matrix(wanted, surroundings),
        Some(StockCommand::Map { output, listener, kept, json }) => map(output, listener, kept, *json, surroundings),
        Some(StockCommand::Output { name, kept }) => output(name, kept, surroundings),
        Some(StockCommand::Headphone { name, source_ohm, kept }) => headphone(name, *source_ohm, kept, surroundings),
        Some(StockCommand::KeepOutput(wanted)) => keep_output(wanted, surroundings.out),
        Some(StockCommand::KeepHeadphone(wanted)) => keep_headphone(wanted, surroundings.out),
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

pub(super) fn listener(typed: &Listener, stock: &Stock) -> Result<stock::Listener> {
    let level = request::listening(typed).or(stock.last_listening());
    Ok(stock::Listener { level, rule: request::rule(typed, HeadroomRule::default())? })
}

fn matrix(wanted: &StockArguments, surroundings: &mut Surroundings) -> Result<()> {
    let mut passed_over = Vec::new();
    let stock = load(&wanted.kept, &mut passed_over)?;
    let listener = listener(&wanted.listener, &stock)?;
    let matrix = Matrix::of(&stock, &listener);
    let out = &mut *surroundings.out;
    if wanted.json {
        writeln!(out, "{}", serde_json::to_string_pretty(&matrix)?)?;
        return Ok(());
    }
    out.write_all(&passed_over)?;
    if matrix.cells.is_empty() {
        writeln!(
            out,
            "Nothing in stock yet: run a session (`loudenough run`, or `loudenough rehearse`), or type what is known of an output and a headphone (`loudenough stock keep-output`, `keep-headphone`)."
        )?;
        return Ok(());
    }
    for output in &matrix.outputs {
        writeln!(out, "{}", output.words())?;
        writeln!(
            out,
            "  {:24} {:>19} {:>19}  {:34} {:>12}  from",
            "headphone", "highest clean", "headroom", "verdict", "takes"
        )?;
        for cell in matrix.ranking(output) {
            writeln!(out, "{}", row(cell))?;
        }
        writeln!(out)?;
    }
    for (remark, headphones) in remarks(&matrix) {
        writeln!(out, "{}: {remark}.", headphones.join(", "))?;
    }
    if stock.is_invented() {
        writeln!(out, "Sessions of the simulated bench: these devices are invented.")?;
    }
    let level = listener.level.map_or("none stated (`--listening`)".into(), |l| l.to_string());
    writeln!(
        out,
        "Pink noise, Z at the point, dB SPL and dB. Listening level: {level}. Ample from {} dB, borderline from {} dB (common practice, no source). Takes: share of the output's full drive at the listening level.",
        listener.rule.ample_db, listener.rule.borderline_db
    )?;
    Ok(())
}

/// What the intervals leave out, and of which headphones.
fn remarks(matrix: &Matrix) -> BTreeMap<&str, Vec<&str>> {
    let mut all: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for cell in &matrix.cells {
        for remark in &cell.best().remarks {
            let headphones = all.entry(remark).or_default();
            if !headphones.contains(&cell.headphone.as_str()) {
                headphones.push(&cell.headphone);
            }
        }
    }
    all
}

fn row(cell: &Cell) -> String {
    let best = cell.best();
    let why = best.missing().map_or(String::new(), |why| format!(": {why}"));
    format!(
        "  {:24} {:>19} {:>19}  {:34} {:>12}  {}{why}",
        cell.headphone,
        reading_words(&best.level_spl),
        reading_words(&best.headroom_db),
        best.verdict.to_string(),
        best.share_words(),
        cell.from_words(),
    )
}

fn map(name: &str, typed: &Listener, kept: &StockKept, json: bool, surroundings: &mut Surroundings) -> Result<()> {
    let mut passed_over = Vec::new();
    let stock = load(kept, &mut passed_over)?;
    let listener = listener(typed, &stock)?;
    let output = stock.find_output(name).map_err(|why| anyhow!(why))?;
    let map = stock.map(&output, &listener, ROWS).map_err(|why| anyhow!(why))?;
    let out = &mut *surroundings.out;
    if json {
        writeln!(out, "{}", serde_json::to_string_pretty(&map)?)?;
        return Ok(());
    }
    out.write_all(&passed_over)?;
    told_map(&map, out)?;
    Ok(())
}

fn told_map(map: &Map, out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "{}, listening level {} dB SPL, Z at the point", map.output, tidy(map.listening_z, 1))?;
    writeln!(out, "What a headphone must give for 1 V of pink noise at its plug, dB SPL:")?;
    writeln!(out, "{:>8} {:>12} {:>16} {:>16} {:>16}  stopped by", "ohm", "V RMS", "ample", "borderline", "reaches")?;
    for column in &map.columns {
        let volts = column.volts_db.rescaled(amplitude_from_db);
        let volts = match &volts {
            Reading::Told(e) => tidy(e.value, 3),
            Reading::AtLeast(e) => format!("at least {}", tidy(e.value, 3)),
            Reading::Below(v) => format!("below {}", tidy(*v, 3)),
            Reading::NotTold(_) => "not told".into(),
        };
        let [ample, borderline, reaches] = column.borders_db.each_ref().map(reading_words);
        let by = column.stopped_by.map_or("", |by| by.words());
        writeln!(out, "{:>8} {volts:>12} {ample:>16} {borderline:>16} {reaches:>16}  {by}", tidy(column.ohm, 1))?;
    }
    if !map.points.is_empty() {
        writeln!(out, "\nHeadphones of the stock:")?;
    }
    for point in &map.points {
        writeln!(
            out,
            "{:>8} {:24} {} ±{} dB SPL for 1 V ({} for 1 mW): {}, {}",
            tidy(point.ohm.value, 1),
            point.headphone,
            tidy(point.per_volt_db.value, 1),
            tidy(point.per_volt_db.half_width(), 1),
            tidy(point.per_milliwatt_db(), 1),
            reading_words(&point.says.level_spl),
            point.says.verdict,
        )?;
    }
    Ok(())
}

fn output(name: &str, kept: &StockKept, surroundings: &mut Surroundings) -> Result<()> {
    let stock = load(kept, surroundings.out)?;
    let name = stock.find_output(name).map_err(|why| anyhow!(why))?;
    writeln!(surroundings.out, "{}", name.words())?;
    lines(&stock.output(&name, |_| true).lines(), surroundings.out)?;
    Ok(())
}

fn headphone(name: &str, source_ohm: Option<f64>, kept: &StockKept, surroundings: &mut Surroundings) -> Result<()> {
    let stock = load(kept, surroundings.out)?;
    let name = stock.find_headphone(name).map_err(|why| anyhow!(why))?;
    let known = stock.headphone(&name, |_| true);
    let out = &mut *surroundings.out;
    writeln!(out, "{name}")?;
    lines(&known.lines(), out)?;
    let Some(ohm) = source_ohm else { return Ok(()) };
    let Some(load) = known.load.as_ref().filter(|load| load.curve.is_some()) else {
        bail!(
            "the impedance of {name} over frequency is not known, so what a source impedance does to its response is not told: `loudenough calibrate load`, or rows of `impedance` in its stock file"
        );
    };
    writeln!(out, "response change by a source of {ohm} Ω, the level at 1 kHz held:")?;
    let source = Ohms { told: Estimate::exact(ohm), curve: None };
    let bands: Vec<i32> = band::BANDS.collect();
    let at: Vec<f64> = bands.iter().map(|x| band::centre_hz(*x)).collect();
    for (x, (_, db)) in bands.iter().zip(response_change(&source, load, &at)) {
        writeln!(out, "{:>9} {:>7} dB", band::label(*x), tidy_signed(db, 2))?;
    }
    Ok(())
}

fn lines(lines: &[(&str, String)], out: &mut dyn Write) -> std::io::Result<()> {
    lines.iter().try_for_each(|(name, words)| writeln!(out, "  {name:18} {words}"))
}

fn keep_output(wanted: &KeepOutput, out: &mut dyn Write) -> Result<()> {
    let figure = |value: Option<f64>| value.map(|value| typed(value, None, &wanted.stated));
    let rated =
        |[milliwatts, ohm]: &[f64; 2]| RatedPower { ohm: *ohm, milliwatts: typed(*milliwatts, None, &wanted.stated) };
    let entry = OutputEntry {
        name: wanted.name.trim().into(),
        positions: wanted.positions.trim().into(),
        volts_per_full_scale: figure(wanted.volts),
        source_ohm: figure(wanted.source_ohm),
        voltage_limit_v: figure(wanted.limit_volts),
        current_limit_ma: figure(wanted.limit_milliamperes),
        power: wanted.power.iter().map(rated).collect(),
    };
    let to = wanted.stated.stock.clone().unwrap_or_else(folder::default_folder);
    writeln!(out, "kept in {}", folder::keep_output(&to, &entry, wanted.stated.replace)?.display())?;
    Ok(())
}

fn keep_headphone(wanted: &KeepHeadphone, out: &mut dyn Write) -> Result<()> {
    let figure = |value: Option<f64>| value.map(|value| typed(value, None, &wanted.stated));
    let per = wanted.per.map(|per| match per {
        SensitivityPer::Mw => Per::Milliwatt,
        SensitivityPer::V => Per::Volt,
    });
    let sensitivity = wanted.sensitivity.zip(per).map(|(value, per)| Sensitivity {
        level: typed(value, wanted.half_width, &wanted.stated),
        per,
        at_hz: wanted.at_hz,
    });
    let entry = HeadphoneEntry {
        name: wanted.name.trim().into(),
        sensitivity,
        impedance_ohm: figure(wanted.ohm),
        impedance: Vec::new(),
        isolation_db: figure(wanted.isolation),
    };
    let to = wanted.stated.stock.clone().unwrap_or_else(folder::default_folder);
    writeln!(out, "kept in {}", folder::keep_headphone(&to, &entry, wanted.stated.replace)?.display())?;
    Ok(())
}

fn typed(value: f64, half_width: Option<f64>, stated: &StatedFigures) -> Figure {
    Figure { value, half_width, source: stated.source.clone(), date: stated.date.clone() }
}
