//! What the further stimuli say, take by take.

use crate::account::capital;
use crate::account::document::{Cell, Column, Part, Section, Table};
use crate::analysis::{Finding, HarmonicPoint, SineFinding, SweepFinding};
use crate::figure::Figure;
use crate::session::record::{InputResult, Record};
use crate::stats::{Estimate, Reading};

/// Frequencies of a sweep whose harmonics are written out, Hz.
const SWEPT_HZ: [f64; 2] = [100.0, 1000.0];
/// Highest harmonic of a sine that is written out.
const HIGHEST_ORDER: u32 = 5;
/// Places of levels.
const DB: usize = 2;
/// Unit of a level that has gone through no calibration.
const AT_INPUT: &str = "dBFS at the input";

/// Quantity, figure and unit.
type Line = (String, Figure, &'static str);

/// A table for each sound; `None` where none was played.
pub fn section(record: &Record) -> Option<Section> {
    let input = record.head.chain.deciding_input();
    let mut sounds: Vec<Sound> = Vec::new();
    for step in &record.steps {
        for take in step.takes.iter().filter(|take| take.void.is_none()) {
            let Some(result) = take.inputs.get(input) else { continue };
            let lines = of(record, result);
            if lines.is_empty() {
                continue;
            }
            let name = take.head.stimulus.to_string();
            let at = sounds.iter().position(|sound| sound.name == name).unwrap_or_else(|| {
                let note = note(&result.finding);
                sounds.push(Sound { name, note, takes: Vec::new() });
                sounds.len() - 1
            });
            sounds[at].takes.push((step.step.number, take.head.drive.rms().map(|d| d.db()), lines));
        }
    }
    if sounds.is_empty() {
        return None;
    }
    let mut section = Section::new("Other sounds");
    for (number, sound) in (1..).zip(&sounds) {
        section.parts.push(Part::Table(sound.table(number)));
        section.parts.extend(sound.note.clone().map(Part::Paragraph));
    }
    Some(section)
}

/// One sound, take by take.
struct Sound {
    name: String,
    /// What its figures are.
    note: Option<String>,
    /// Step, drive and what was heard.
    takes: Vec<(usize, Option<f64>, Vec<Line>)>,
}

impl Sound {
    /// A row for each take, a column for each quantity that one of them has.
    fn table(&self, number: usize) -> Table {
        let mut quantities: Vec<(&str, &'static str)> = Vec::new();
        for (name, _, unit) in self.takes.iter().flat_map(|(_, _, lines)| lines) {
            if !quantities.contains(&(name, unit)) {
                quantities.push((name, unit));
            }
        }
        let keys = [Column::numbers("step", ""), Column::numbers("drive", "dBFS")];
        let columns = quantities.iter().map(|(name, unit)| Column::readings(name, unit));
        let title = format!("{}, at the ear, at the RMS drive of each take", capital(&self.name));
        let mut table = Table::new(format!("sound-{number}"), title, keys.into_iter().chain(columns).collect());
        table.keys = 2;
        for (step, drive, lines) in &self.takes {
            let keys = [Cell::number(Some(*step as f64), 0), Cell::number(*drive, DB)];
            let cells = quantities.iter().map(|(name, unit)| {
                let of = |line: &&Line| line.0 == *name && line.2 == *unit;
                lines.iter().find(of).map_or(Cell::Empty, |line| Cell::Figure(line.1.clone()))
            });
            table.rows.push(keys.into_iter().chain(cells).collect());
        }
        table
    }
}

fn note(finding: &Finding) -> Option<String> {
    match finding {
        Finding::TwoTones(f) => Some(format!("{}.", capital(&f.definition))),
        _ => None,
    }
}

/// What one input heard of a sound; nothing of pink noise and silence, which have the step table.
fn of(record: &Record, result: &InputResult) -> Vec<Line> {
    let line = |name: &str, reading: &Reading, unit| (name.to_string(), Figure::new(reading, DB), unit);
    let level = |name: &str, value: &Option<Estimate>, unit| value.map(|v| line(name, &Reading::Determined(v), unit));
    // As sound where the ear is calibrated.
    let heard = |own: &Option<Estimate>| match record.sound(result).and_then(|s| s.z) {
        Some(z) => level("level, Z", &Some(z), "dB SPL"),
        None => level("level, Z", own, AT_INPUT),
    };
    let mut lines: Vec<Option<Line>> = Vec::new();
    match &result.finding {
        Finding::Pink(_) | Finding::Silence(_) => {}
        Finding::Sine(f) => {
            lines.push(heard(&f.level));
            lines.extend(sine(f).into_iter().map(Some));
        }
        Finding::TwoTones(f) => {
            lines.push(heard(&f.level));
            lines.push(Some(line("2nd order", &f.second, "dB")));
            lines.push(Some(line("3rd order", &f.third, "dB")));
        }
        Finding::Sweep(f) => {
            lines.push(heard(&f.level));
            lines.extend(swept(f).into_iter().map(Some));
        }
        Finding::Burst(f) => lines.extend([
            heard(&f.level),
            level("loud part", &f.loud, AT_INPUT),
            level("quiet part", &f.quiet, AT_INPUT),
            level("compressed by", &f.compression_db, "dB"),
            level("peak", &f.peak.map(|p| Estimate::exact(p.db())), "dB re full scale"),
        ]),
        Finding::Noise(f) => {
            lines.extend([heard(&f.level), level("of it coherent with what was played", &f.coherent, AT_INPUT)]);
        }
        Finding::Shaped(f) => lines.extend([
            heard(&f.level_z),
            Some(line("even-order", &f.even, "dB")),
            Some(line("odd-order", &f.odd, "dB")),
        ]),
    }
    lines.into_iter().flatten().collect()
}

fn sine(f: &SineFinding) -> Vec<Line> {
    let line = |name: String, reading: &Reading| (name, Figure::new(reading, DB), "dB");
    let mut lines = vec![
        line(format!("THD, F form, to harmonic {}", f.highest_harmonic), &f.thd),
        line("THD, R form".into(), &f.thd_r),
        line("THD+N, R form, 20 Hz to 20 kHz".into(), &f.thd_n),
    ];
    lines.extend(f.thd_n_with_hum.as_ref().map(|with| line("THD+N with hum, R form, 20 Hz to 20 kHz".into(), with)));
    let harmonics = f.harmonics.iter().filter(|h| h.order <= HIGHEST_ORDER);
    lines.extend(harmonics.map(|h| line(format!("harmonic {}", h.order), &h.level)));
    lines
}

fn swept(f: &SweepFinding) -> Vec<Line> {
    let near = |order: u32, hz: f64| {
        let curve = f.harmonics.iter().find(|h| h.order == order)?;
        let off = |p: &HarmonicPoint| (p.frequency_hz / hz).ln().abs();
        let point = curve.points.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        Some((format!("harmonic {order} of {hz:.0} Hz"), Figure::new(&point.level, DB), "dB"))
    };
    SWEPT_HZ.iter().flat_map(|hz| [near(2, *hz), near(3, *hz)]).flatten().collect()
}
