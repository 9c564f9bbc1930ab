//! `summary.csv`: one row per finished step, for a spreadsheet. Nothing reads it back.

use crate::analysis::Finding;
use crate::session::chain::{Chain, pink_spectrum};
use crate::session::record::{InputResult, Record, StepResult};
use crate::stats::Reading;
use crate::units::{dbu, dbv};
use std::collections::{BTreeMap, BTreeSet};

/// Level: stimulus lines, unweighted (silence: noise 20 Hz to 20 kHz). Distortion at the ear. `<` before a value means
/// "below", `>=` "at least"; an empty cell was not measured. Volts and milliwatts of the pink noise: `volts_are` says whether
/// at the `load` or of the `open` output.
const HEADER: &str = "step,purpose,drive_dbfs,level_dbfs,level_db_spl,even_order_db,odd_order_db,thd_db,\
clip_evidence,flaws,void_takes,volts_rms,dbv,dbu,milliwatts,volts_are";

/// The whole table, values of the deciding input, `latest` in the place of the record's step of the same number.
pub fn table(record: &Record, latest: Option<&StepResult>, input: usize) -> String {
    let mut steps: BTreeMap<usize, &StepResult> = record.steps.iter().map(|r| (r.step.number, r)).collect();
    steps.extend(latest.map(|latest| (latest.step.number, latest)));
    let rows = steps.values().map(|result| row(result, input, &record.head.chain));
    std::iter::once(HEADER.to_string()).chain(rows).map(|line| line + "\r\n").collect()
}

fn row(result: &StepResult, input: usize, chain: &Chain) -> String {
    let at = result.step.drive.and_then(|drive| chain.at_load(drive, &pink_spectrum()));
    let volts = at.map(|at| at.volts.value);
    let pink = result.pink(input).map(|(pink, _)| pink);
    let main = main_result(result, input);
    let flaws: BTreeSet<&str> = result.flaws().map(|(_, flaw)| flaw.code.as_str()).collect();
    [
        result.step.number.to_string(),
        result.step.purpose.to_string(),
        number(result.step.drive.map(|drive| drive.db())),
        number(main.and_then(level_dbfs)),
        number(main.and_then(|main| Some(main.sound?.z?.value))),
        reading(pink.map(|pink| &pink.even)),
        reading(pink.map(|pink| &pink.odd)),
        reading(result.sines(input).next().map(|sine| &sine.thd)),
        clip_evidence(result).into(),
        flaws.into_iter().collect::<Vec<_>>().join(" "),
        result.takes.iter().filter(|take| take.void.is_some()).count().to_string(),
        small(volts),
        number(volts.and_then(dbv)),
        number(volts.and_then(dbu)),
        small(at.and_then(|at| Some(at.milliwatts?.value))),
        at.map_or("", |at| if at.open { "open" } else { "load" }).into(),
    ]
    .map(|cell| plain(&cell))
    .join(",")
}

/// The last usable take of the step's main stimulus: pink noise, else silence.
fn main_result(result: &StepResult, input: usize) -> Option<&InputResult> {
    let usable = result.takes.iter().rev().filter(|take| take.void.is_none());
    let mut inputs = usable.filter_map(|take| take.inputs.get(input));
    inputs.find(|input| matches!(input.finding, Finding::Pink(_) | Finding::Silence(_)))
}

fn level_dbfs(result: &InputResult) -> Option<f64> {
    match &result.finding {
        Finding::Pink(pink) | Finding::Shaped(pink) => Some(pink.level_z?.value),
        Finding::Silence(silence) => Some(silence.noise_z?.value),
        Finding::Sine(sine) => Some(sine.level?.value),
        Finding::TwoTones(f) => Some(f.level?.value),
        Finding::Sweep(f) => Some(f.level?.value),
        Finding::Burst(f) => Some(f.level?.value),
        Finding::Noise(f) => Some(f.level?.value),
    }
}

/// `yes` where any input shows it, `no` where one could have, else empty.
fn clip_evidence(result: &StepResult) -> &'static str {
    let inputs = result.takes.iter().map(|take| take.inputs.len()).max().unwrap_or(0);
    let mut clips = (0..inputs).filter_map(|input| result.pink(input)?.0.clip.as_ref()).map(|clip| clip.is_evident());
    match clips.next().map(|first| first || clips.any(|evident| evident)) {
        Some(true) => "yes",
        Some(false) => "no",
        None => "",
    }
}

fn number(value: Option<f64>) -> String {
    value.map_or(String::new(), |value| format!("{value:.3}"))
}

/// Volts and milliwatts span many decades.
fn small(value: Option<f64>) -> String {
    value.map_or(String::new(), |value| format!("{value:.4e}"))
}

fn reading(reading: Option<&Reading>) -> String {
    match reading {
        Some(Reading::Determined(estimate)) => number(Some(estimate.value)),
        Some(Reading::Below(limit)) => format!("<{limit:.3}"),
        Some(Reading::AtLeast(estimate)) => format!(">={:.3}", estimate.value),
        Some(Reading::NotDetermined(_)) | None => String::new(),
    }
}

/// Plain ASCII without separators or quotes.
fn plain(cell: &str) -> String {
    cell.chars().map(|c| if c.is_ascii_graphic() && !matches!(c, ',' | '"') || c == ' ' { c } else { '_' }).collect()
}
