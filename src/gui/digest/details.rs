//! What the tables and small pictures under the climb show.

use crate::analysis::{BandFinding, Finding, HarmonicPoint, ResponsePoint};
use crate::figure::Figure;
use crate::judgement::{Judgement, Threshold};
use crate::session::climb::Purpose;
use crate::session::record::{Record, StepResult};
use crate::stats::Reading;

/// Most points drawn of one response.
const RESPONSE_POINTS: usize = 480;
/// Most points drawn of a clipping curve.
const CURVE_POINTS: usize = 240;

/// The clipping curve, both axes in units of the played full scale.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Step it was read from.
    pub step: usize,
    /// Played, came back.
    pub points: Vec<[f64; 2]>,
    /// Clip levels, as amplitudes with their sign.
    pub limits: Vec<(f64, String)>,
    /// Largest |played|.
    pub reach: f64,
}

/// A frequency response relative to 1 kHz.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Which step.
    pub name: String,
    /// lg of the frequency in Hz, dB re 1 kHz.
    pub points: Vec<[f64; 2]>,
}

/// Distortion by one-third octave.
#[derive(Clone, Debug, PartialEq)]
pub struct Bands {
    /// Step it was read from.
    pub step: usize,
    /// Band number (0 is 1 kHz), dB re the band's stimulus lines; `true` where only known to be below.
    pub even: Vec<(i32, f64, bool)>,
    /// Odd-order, likewise.
    pub odd: Vec<(i32, f64, bool)>,
    /// Noise re the band's stimulus lines.
    pub noise: Vec<[f64; 2]>,
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

pub(super) fn curve(record: &Record, judgement: &Judgement) -> Option<Curve> {
    let input = record.head.chain.deciding_input();
    let told = match &judgement.threshold {
        Threshold::Told(told) => Some(told),
        _ => None,
    };
    let decides = told.map(|told| told.step);
    let clip = |s: &StepResult| s.pink(input).and_then(|(p, _)| p.clip.clone()).filter(|c| !c.curve.is_empty());
    let step = record.steps.iter().rev().find(|s| decides.is_none_or(|d| d == s.step.number) && clip(s).is_some())?;
    let clip = clip(step)?;
    let sound = clip.curve.iter().filter(|c| c.played.is_finite() && c.came_back.is_finite());
    let points: Vec<[f64; 2]> = sound.map(|c| [c.played, c.came_back]).collect();
    let keep = points.len().div_ceil(CURVE_POINTS).max(1);
    let reach = points.iter().map(|p| p[0].abs()).fold(0.0, f64::max);
    let mut limits = Vec::new();
    if let Some(told) = told {
        for (reading, sign, word) in [(&told.positive, 1.0, "positive"), (&told.negative, -1.0, "negative")] {
            if let Reading::Told(e) = reading {
                let says = format!("{word} limit {} dB re full scale", Figure::new(e, 2).words());
                limits.push((sign * 10f64.powf(e.value / 20.0), says));
            }
        }
    }
    Some(Curve { step: step.step.number, points: points.into_iter().step_by(keep).collect(), limits, reach })
}

pub(super) fn responses(record: &Record) -> Vec<Response> {
    let input = record.head.chain.deciding_input();
    let reference = record.last(Purpose::Reference);
    let top = record.steps.iter().rev().find(|s| matches!(s.step.purpose, Purpose::Climb | Purpose::Threshold));
    let one = |step: &StepResult| {
        let points = relative(&step.pink(input)?.0.response);
        let drive = step.step.drive.map_or(String::new(), |d| format!(", {d}"));
        let name = format!("step {}, {}{drive}", step.step.number, step.step.purpose);
        (!points.is_empty()).then_some(Response { name, points })
    };
    let swept = record.steps.iter().rev().find_map(|step| {
        let points = step.others(input).find_map(|(_, r)| match &r.finding {
            Finding::Sweep(f) => Some(relative(&f.response)),
            _ => None,
        })?;
        (!points.is_empty()).then(|| Response { name: format!("step {}, sweep", step.step.number), points })
    });
    reference.and_then(one).into_iter().chain(top.and_then(one)).chain(swept).collect()
}

/// Relative to 1 kHz, at most [`RESPONSE_POINTS`], each the mean of its neighbours on the way.
fn relative(response: &[ResponsePoint]) -> Vec<[f64; 2]> {
    let at_1k = response
        .iter()
        .min_by(|a, b| (a.frequency_hz - 1000.0).abs().total_cmp(&(b.frequency_hz - 1000.0).abs()))
        .map_or(0.0, |p| p.gain_db);
    let keep = response.len().div_ceil(RESPONSE_POINTS).max(1);
    response
        .chunks(keep)
        .map(|c| {
            let n = c.len() as f64;
            let mean = |f: fn(&ResponsePoint) -> f64| c.iter().map(f).sum::<f64>() / n;
            [mean(|p| p.frequency_hz.max(1e-3).log10()), mean(|p| p.gain_db) - at_1k]
        })
        .filter(|p| p[0].is_finite() && p[1].is_finite())
        .collect()
}

pub(super) fn bands(record: &Record) -> Option<Bands> {
    let input = record.head.chain.deciding_input();
    let pink = |s: &StepResult| s.pink(input).map(|(p, _)| p.bands.clone()).filter(|b| !b.is_empty());
    let climbed = |s: &&StepResult| !matches!(s.step.purpose, Purpose::Probe | Purpose::ReferenceAgain);
    let step = record.steps.iter().rev().filter(climbed).find(|s| pink(s).is_some())?;
    let bands = pink(step)?;
    let share = |pick: fn(&BandFinding) -> &Reading| {
        let told = bands.iter().filter_map(|b| match pick(b) {
            Reading::Told(e) => Some((b.x, e.value, false)),
            Reading::Below(at) => Some((b.x, *at, true)),
            _ => None,
        });
        told.filter(|(_, v, _)| v.is_finite()).collect()
    };
    let noise = bands.iter().filter_map(|b| Some([f64::from(b.x), b.noise? - b.level?.value]));
    Some(Bands {
        step: step.step.number,
        even: share(|b| &b.even),
        odd: share(|b| &b.odd),
        noise: noise.filter(|n| n[1].is_finite()).collect(),
    })
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
