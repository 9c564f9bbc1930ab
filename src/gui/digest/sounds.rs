//! What the sounds beside the noise say, take by take: in words, and each sweep's harmonics as curves.

use crate::analysis::{Finding, HarmonicFinding, HarmonicPoint, SineFinding};
use crate::gui::text;
use crate::session::record::{InputResult, Record, StepResult, TakeResult};
use crate::stats::{Estimate, Reading};

/// One take of a sine or another sound.
#[derive(Clone, Debug, PartialEq)]
pub struct Sound {
    /// `step 5 · sweep · −30.5 dBFS RMS`.
    pub name: String,
    /// Its figures, one sentence each.
    pub says: Vec<String>,
}

/// One harmonic: its order; lg of the exciting frequency in Hz and dB re the fundamental, `true` where only known to be
/// below.
pub type Harmonic = (u32, Vec<([f64; 2], bool)>);

/// Harmonics of the last sweep against the frequency that made them.
#[derive(Clone, Debug, PartialEq)]
pub struct SweepCurves {
    /// Step it was read from.
    pub step: usize,
    /// From the second on.
    pub orders: Vec<Harmonic>,
}

pub(super) fn sounds(record: &Record) -> Vec<Sound> {
    record.steps.iter().flat_map(|step| of_step(record, step)).collect()
}

fn of_step(record: &Record, step: &StepResult) -> Vec<Sound> {
    let input = record.head.chain.deciding_input();
    let usable = step.takes.iter().filter(|take| take.void.is_none());
    let sound = |take: &TakeResult| {
        let stimulus = &take.head.stimulus;
        let says = figures(take.inputs.get(input)?);
        let drive = take.head.drive.rms().map_or(String::new(), |d| format!(" · {} dBFS RMS", text::db(d.db())));
        (!says.is_empty()).then(|| Sound { name: format!("step {} · {stimulus}{drive}", step.step.number), says })
    };
    usable.filter_map(sound).collect()
}

fn figures(result: &InputResult) -> Vec<String> {
    let level = |e: &Option<Estimate>, unit: &str| match e {
        Some(e) => format!("{} {unit}", text::with_interval(e)),
        None => text::NOT_MEASURED.into(),
    };
    // As sound where the ear is calibrated, else at the input.
    let heard = |own: &Option<Estimate>| match result.sound.and_then(|s| s.z) {
        Some(z) => format!("level {} dB SPL, Z", text::with_interval(&z)),
        None => format!("level {}", level(own, "dBFS")),
    };
    match &result.finding {
        Finding::Sine(f) => vec![heard(&f.level), thd(f), format!("THD+N {}", text::reading(&f.thd_n)), harmonics(f)],
        Finding::TwoTones(f) => vec![
            heard(&f.level),
            format!("2nd order {}", text::reading(&f.second)),
            format!("3rd order {}", text::reading(&f.third)),
            f.definition.clone(),
        ],
        Finding::Sweep(f) => {
            let near = |order: u32, hz: f64| {
                let points = &f.harmonics.iter().find(|h| h.order == order)?.points;
                let off = |p: &&HarmonicPoint| (p.frequency_hz / hz).ln().abs();
                let nearest = points.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
                Some(format!("H{order} {}", text::reading(&nearest.level)))
            };
            let at = |hz: f64| {
                let orders: Vec<String> = (2..=3).filter_map(|order| near(order, hz)).collect();
                format!("at {hz:.0} Hz {}", orders.join(", "))
            };
            vec![heard(&f.level), at(100.0), at(1000.0)]
        }
        Finding::Burst(f) => vec![
            heard(&f.level),
            format!("loud part {}, quiet part {}", level(&f.loud, "dBFS"), level(&f.quiet, "dBFS")),
            format!("the loud part is compressed by {}", level(&f.compression_db, "dB")),
            format!(
                "peak {}",
                f.peak.map_or(text::NOT_MEASURED.into(), |p| format!("{} dB re full scale", text::db(p.db())))
            ),
        ],
        Finding::Noise(f) => {
            vec![heard(&f.level), format!("of it follows what was played {}", level(&f.coherent, "dBFS"))]
        }
        Finding::Shaped(f) => vec![
            heard(&f.level_z),
            format!("even-order {}", text::reading(&f.even)),
            format!("odd-order {}", text::reading(&f.odd)),
        ],
        // These have the step table.
        Finding::Pink(_) | Finding::Silence(_) => Vec::new(),
    }
}

fn thd(f: &SineFinding) -> String {
    let (f_form, r_form) = (text::reading(&f.thd), text::reading(&f.thd_r));
    format!("THD {f_form}, R form {r_form}, to harmonic {}", f.highest_harmonic)
}

/// The harmonics that are told.
fn harmonics(f: &SineFinding) -> String {
    let one = |h: &HarmonicFinding| match &h.level {
        Reading::Told(e) => Some(format!("H{} {} dB", h.order, text::db(e.value))),
        _ => None,
    };
    let told: Vec<String> = f.harmonics.iter().filter_map(one).collect();
    if told.is_empty() { "no harmonic stands over the noise".into() } else { told.join(", ") }
}

pub(super) fn sweep(record: &Record) -> Option<SweepCurves> {
    let input = record.head.chain.deciding_input();
    record.steps.iter().rev().find_map(|step| {
        let finding = step.sweep(input)?;
        let point = |p: &HarmonicPoint| {
            let (at, below) = match &p.level {
                Reading::Told(e) => (e.value, false),
                Reading::Below(at) => (*at, true),
                _ => return None,
            };
            (at.is_finite() && p.frequency_hz > 0.0).then(|| ([p.frequency_hz.log10(), at], below))
        };
        let orders = finding.harmonics.iter().map(|h| (h.order, h.points.iter().filter_map(point).collect()));
        Some(SweepCurves { step: step.step.number, orders: orders.collect() })
    })
}
