//! Every step, and the curves behind the pictures as tables for machines.

use super::pictures::deciding_curve;
use crate::account::document::{Cell, Column, Part, Section, Table};
use crate::analysis::{PinkFinding, band};
use crate::card::InputRole;
use crate::figure::Figure;
use crate::judgement::{Judgement, loudest_clean};
use crate::session::chain::{Chain, pink_spectrum};
use crate::session::clean::bend_word;
use crate::session::record::{Record, StepResult};
use crate::session::step::Purpose;
use crate::stats::Estimate;
use crate::units::{Dbfs, dbu, dbv, tidy};

/// The step table under its heading.
pub fn section(record: &Record) -> Option<Section> {
    let mut section = Section::new("Steps");
    section.parts.push(Part::Table(table(record)?));
    let chain = &record.head.chain;
    section.parts.extend(chain.at_load(Dbfs(0.0), &pink_spectrum()).map(|at| {
        Part::Paragraph(format!("0 dBFS of pink noise: {at}; the same uncertainty applies to every drive."))
    }));
    Some(section)
}

/// What each step says; `None` of a plan without drive.
pub fn table(record: &Record) -> Option<Table> {
    let chain = &record.head.chain;
    let unit = if chain.is_calibrated() { "dB SPL" } else { "dBFS at the input" };
    let full = record.head.plan.pink.period(record.head.playback.rate).full_drive()?;
    let place = if chain.at_load(Dbfs(0.0), &pink_spectrum()).is_some_and(|at| at.open) { "open" } else { "at load" };
    let columns = vec![
        Column::numbers("step", ""),
        Column::text("for"),
        Column::numbers("drive", "dBFS"),
        Column::numbers("its peak", "dB re full scale").aside(),
        Column::readings("level, Z", unit),
        Column::readings("even-order", "dB"),
        Column::readings("odd-order", "dB"),
        Column::numbers("noise", "dB"),
        Column::readings("gain re reference", "dB"),
        Column::numbers("input headroom", "dB").aside(),
        Column::readings("clock", "ppm").aside(),
        Column::text("remark"),
        Column::readings(&format!("pink noise {place}"), "V RMS"),
        Column::numbers(&format!("pink noise {place}"), "dBV"),
        Column::numbers(&format!("pink noise {place}"), "dBu"),
        Column::readings("power", "mW"),
        Column::readings("at the witness", "V RMS"),
    ];
    let title = "Steps in the order played; distortion and noise at the ear, re the stimulus";
    let mut table = Table::new("steps", title, columns);
    table.rows = record.steps.iter().map(|step| row(record, step, full.db())).collect();
    Some(table)
}

/// Everything about one step whose level is known, line by line, with units; `None` where it has none.
pub fn words(record: &Record, step: &StepResult) -> Option<Vec<String>> {
    let chain = &record.head.chain;
    let (pink, result) = step.pink(chain.deciding_input())?;
    let drive = step.step.drive?;
    let full = record.head.plan.pink.period(record.head.playback.rate).full_drive()?;
    let (level, unit) = match chain.is_calibrated() {
        true => (record.sound(result)?.z?, "dB SPL"),
        false => (pink.level_z?, "dBFS at the input"),
    };
    let bend = bend_word(&record.steps, step, chain).map_or(String::new(), |word| format!(": {word}"));
    let mut lines = vec![
        format!("step {}, {}{bend}", step.step.number, step.step.purpose),
        format!("drive {} dBFS RMS, peak {} dB re full scale", tidy(drive.db(), 1), tidy(drive.db() - full.db(), 1)),
        format!("level {} {unit}", Figure::new(level, 2).words()),
    ];
    lines.extend(chain.at_load(drive, &pink_spectrum()).map(|at| at.to_string()));
    lines.extend([
        format!("even-order at the ear {}", Figure::new(&pink.even, 1).in_unit("dB")),
        format!("odd-order at the ear {}", Figure::new(&pink.odd, 1).in_unit("dB")),
    ]);
    lines.extend(pink.over_noise_db.map(|over| format!("noise {} dB", tidy(-over, 1))));
    Some(lines)
}

fn row(record: &Record, step: &StepResult, full: f64) -> Vec<Cell> {
    let chain = &record.head.chain;
    let input = chain.deciding_input();
    let pink = step.pink(input);
    let silence = step.silence(input);
    let sound = pink.and_then(|(_, result)| record.sound(result)?.z);
    let silent = silence.and_then(|silence| {
        let offset = chain.ears().next().and_then(|(_, role)| chain.acoustic(role));
        Some(silence.noise_z?.shifted(offset.map_or(0.0, |a| a.offset.value)))
    });
    let level = if chain.is_calibrated() { sound } else { pink.and_then(|(pink, _)| pink.level_z) };
    let drive = step.step.drive.map(|d| d.db());
    let finding = pink.map(|(finding, _)| finding);
    let noise = finding.and_then(|f| f.over_noise_db).map(|over| -over);
    let common = finding.map(|f| &f.common).or(silence.map(|s| &s.common));
    let at = step.step.drive.and_then(|drive| chain.at_load(drive, &pink_spectrum()));
    let significant = |e: Option<Estimate>| e.map_or(Cell::Empty, |e| Cell::Figure(Figure::significant(e)));
    vec![
        Cell::number(Some(step.step.number as f64), 0),
        Cell::text(step.name()),
        Cell::number(drive, 2),
        Cell::number(drive.map(|d| d - full), 2),
        Cell::estimate(level.or(silent), 2),
        Cell::reading(finding.map(|f| &f.even), 1),
        Cell::reading(finding.map(|f| &f.odd), 1),
        Cell::number(noise, 1),
        Cell::estimate(pink.and_then(|(_, result)| result.gain_change_db), 2),
        Cell::number(common.map(|c| c.overload.room_db).filter(|room| room.is_finite()), 1),
        Cell::estimate(common.and_then(|c| c.clock.own_ppm), 3),
        Cell::text(remark(record, step)),
        significant(at.map(|at| at.volts)),
        Cell::number(at.and_then(|at| dbv(at.volts.value)), 1),
        Cell::number(at.and_then(|at| dbu(at.volts.value)), 1),
        significant(at.and_then(|at| at.milliwatts)),
        significant(witnessed(chain, step)),
    ]
}

/// Volts of pink noise that an electrical witness saw, where its full scale is known.
fn witnessed(chain: &Chain, step: &StepResult) -> Option<Estimate> {
    let input = chain.routing.capture_channels.iter().position(|c| c.role == InputRole::Witness)?;
    chain.input_volts_of(InputRole::Witness, &step.pink(input)?.0.level_z?)
}

fn remark(record: &Record, step: &StepResult) -> String {
    let mut words: Vec<String> =
        bend_word(&record.steps, step, &record.head.chain).map(String::from).into_iter().collect();
    match step.takes.iter().filter(|take| take.void.is_some()).count() {
        0 => {}
        1 => words.push("1 void take".into()),
        n => words.push(format!("{n} void takes")),
    }
    words.join(", ")
}

/// Tables that are too long to read.
pub fn data(record: &Record, judgement: &Judgement) -> Vec<Table> {
    [response(record), bands(record), curve(record, judgement)].into_iter().flatten().collect()
}

fn pink_of(record: &Record, step: Option<&StepResult>) -> Option<PinkFinding> {
    Some(step?.pink(record.head.chain.deciding_input())?.0.clone())
}

/// Response of the quiet reference as captured over played.
fn response(record: &Record) -> Option<Table> {
    let pink = pink_of(record, record.last(Purpose::Reference))?;
    let columns = vec![
        Column::numbers("frequency", "Hz"),
        Column::readings("gain, captured over played", "dB"),
        Column::numbers("phase", "rad"),
        Column::numbers("coherence of periods", ""),
    ];
    let mut table = Table::new("response", "Frequency response of the quiet reference", columns);
    for p in &pink.response {
        let gain = Estimate::symmetric(p.gain_db, p.half_width_db);
        table.rows.push(vec![
            Cell::number(Some(p.frequency_hz), 2),
            Cell::estimate(Some(gain), 3),
            Cell::number(Some(p.phase_rad), 4),
            Cell::number(Some(p.coherence), 6),
        ]);
    }
    Some(table)
}

/// One-third octaves of the loudest clean step.
fn bands(record: &Record) -> Option<Table> {
    let step = loudest_clean(record)?;
    let pink = pink_of(record, Some(step))?;
    let columns = vec![
        Column::text("band"),
        Column::numbers("mid-band frequency", "Hz"),
        Column::readings("level", "dBFS at the input"),
        Column::numbers("noise", "dBFS at the input"),
        Column::readings("even-order", "dB"),
        Column::readings("odd-order", "dB"),
    ];
    let title = format!("One-third octaves of step {}", step.step.number);
    let mut table = Table::new("bands", title, columns);
    for b in &pink.bands {
        table.rows.push(vec![
            Cell::text(band::label(b.x)),
            Cell::number(Some(band::centre_hz(b.x)), 2),
            Cell::estimate(b.level, 3),
            Cell::number(b.noise, 2),
            Cell::reading(Some(&b.even), 2),
            Cell::reading(Some(&b.odd), 2),
        ]);
    }
    Some(table)
}

fn curve(record: &Record, judgement: &Judgement) -> Option<Table> {
    let (step, clip) = deciding_curve(record, judgement)?;
    let columns = vec![
        Column::numbers("played", "full scale"),
        Column::numbers("came back", "full scale"),
        Column::numbers("spread", "full scale"),
        Column::numbers("samples", ""),
    ];
    let title = format!("Clipping curve of step {step}, the reference's response removed");
    let mut table = Table::new("clipping-curve", title, columns);
    for p in &clip.curve {
        let share = |v: f64| Cell::number(Some(v), 6);
        let count = Cell::number(Some(f64::from(p.count)), 0);
        table.rows.push(vec![share(p.played), share(p.came_back), share(p.spread), count]);
    }
    Some(table)
}
