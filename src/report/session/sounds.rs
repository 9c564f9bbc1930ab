//! What the sounds beside the noise say.

use crate::analysis::{Finding, HarmonicPoint};
use crate::report::model::{Cell, Column, Part, Section, Table};
use crate::session::record::Record;
use crate::stats::{Estimate, Reading};

/// Frequencies at which a sweep's harmonics are told, Hz.
const SWEPT_HZ: [f64; 2] = [100.0, 1000.0];

/// `None` where none was played.
pub fn section(record: &Record) -> Option<Section> {
    let input = record.head.chain.deciding_input();
    let columns = vec![
        Column::numbers("step", ""),
        Column::numbers("drive", "dBFS"),
        Column::text("sound"),
        Column::text("quantity"),
        Column::readings("value", ""),
        Column::text("unit"),
    ];
    let mut table = Table::new("sounds", "At the ear, at the RMS drive of the step", columns);
    for step in &record.steps {
        let mut add = |sound: &str, quantity: &str, reading: &Reading, unit: &str| {
            table.rows.push(vec![
                Cell::number(Some(step.step.number as f64), 0),
                Cell::number(step.step.drive.map(|d| d.db()), 2),
                Cell::text(sound),
                Cell::text(quantity),
                Cell::reading(Some(reading), 2),
                Cell::text(unit),
            ]);
        };
        for sine in step.sines(input) {
            let name = format!("sine {:.0} Hz", sine.frequency_hz);
            add(&name, &format!("THD, F form, to harmonic {}", sine.highest_harmonic), &sine.thd, "dB");
            add(&name, "THD, R form", &sine.thd_r, "dB");
            add(&name, "THD+N, R form, 20 Hz to 20 kHz", &sine.thd_n, "dB");
            for harmonic in sine.harmonics.iter().filter(|h| h.order <= 5) {
                add(&name, &format!("harmonic {}", harmonic.order), &harmonic.level, "dB");
            }
        }
        for (stimulus, result) in step.others(input) {
            let name = stimulus.to_string();
            for (quantity, reading, unit) in of(&result.finding) {
                add(&name, &quantity, &reading, unit);
            }
        }
    }
    (!table.rows.is_empty()).then(|| {
        let mut section = Section::new("Other sounds");
        section.parts.push(Part::Table(table));
        section
    })
}

fn of(finding: &Finding) -> Vec<(String, Reading, &'static str)> {
    let level = |name: &str, value: &Option<Estimate>, unit| value.map(|v| (name.to_string(), Reading::Told(v), unit));
    match finding {
        Finding::TwoTones(f) => vec![
            (format!("2nd order ({})", f.definition), f.second.clone(), "dB"),
            (format!("3rd order ({})", f.definition), f.third.clone(), "dB"),
        ],
        Finding::Sweep(f) => {
            let near = |order: u32, hz: f64| {
                let curve = f.harmonics.iter().find(|h| h.order == order)?;
                let off = |p: &HarmonicPoint| (p.frequency_hz / hz).ln().abs();
                let point = curve.points.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
                Some((format!("harmonic {order} of {hz:.0} Hz"), point.level.clone(), "dB"))
            };
            SWEPT_HZ.iter().flat_map(|hz| [near(2, *hz), near(3, *hz)]).flatten().collect()
        }
        Finding::Burst(f) => [
            level("loud part", &f.loud, "dBFS at the input"),
            level("compressed by", &f.compression_db, "dB"),
            level("peak", &f.peak.map(|p| Estimate::exact(p.db())), "dB re full scale"),
        ]
        .into_iter()
        .flatten()
        .collect(),
        Finding::Noise(f) => {
            let told = [
                level("level", &f.level, "dBFS at the input"),
                level("of it coherent", &f.coherent, "dBFS at the input"),
            ];
            told.into_iter().flatten().collect()
        }
        Finding::Shaped(f) => {
            let mut told: Vec<_> = level("level, Z", &f.level_z, "dBFS at the input").into_iter().collect();
            told.push(("even-order".into(), f.even.clone(), "dB"));
            told.push(("odd-order".into(), f.odd.clone(), "dB"));
            told
        }
        Finding::Pink(_) | Finding::Sine(_) | Finding::Silence(_) => Vec::new(),
    }
}
