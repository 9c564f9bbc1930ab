//! What the tables and small pictures under the climb show.

use crate::analysis::{BandFinding, Finding, ResponsePoint};
use crate::gui::text;
use crate::judgement::{EXPOSURE_CAUTION, Judgement, Threshold};
use crate::session::clean::bend_word;
use crate::session::climb::Purpose;
use crate::session::record::{Record, StepResult};
use crate::stats::Reading;

/// Most points drawn of one response.
const RESPONSE_POINTS: usize = 480;
/// Most points drawn of a clipping curve.
const CURVE_POINTS: usize = 240;

/// One row of the step table, every cell as shown (monospaced, padded).
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Number of the step.
    pub step: usize,
    /// What it is for.
    pub purpose: String,
    /// Drive, level, half interval, gain change, even, odd, noise, room, clock.
    pub cells: [String; 9],
    /// Clip evidence, void takes, in words.
    pub remark: String,
}

impl Row {
    /// Heads of `cells`, padded alike; the level's unit is shown apart.
    pub const HEADS: [&'static str; 9] =
        ["  drive", "  level", "    ±", "  gain", "   even", "    odd", "  noise", "  room", "   clock"];
}

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

/// How long an ear may hear it, a line each, the caution last; none where no level at an eardrum is known.
pub fn exposure(judgement: &Judgement) -> Vec<String> {
    let Some(exposure) = &judgement.exposure else { return Vec::new() };
    let at = [("the listening level", exposure.listening), ("the highest clean level", exposure.highest_clean)];
    let told = at.into_iter().filter_map(|(at, exposed)| Some(format!("at {at} {}", exposed?.words())));
    told.chain([EXPOSURE_CAUTION.into()]).collect()
}

pub(super) fn rows(record: &Record) -> Vec<Row> {
    record.steps.iter().map(|step| row(record, step)).collect()
}

fn row(record: &Record, step: &StepResult) -> Row {
    let input = record.head.chain.deciding_input();
    let pink = step.pink(input);
    let sound = pink.and_then(|(_, r)| r.sound?.z);
    let silence = step.silence(input);
    let silence_level = silence.and_then(|s| {
        let offset = record.head.chain.ears().next().and_then(|(_, role)| record.head.chain.acoustic(role));
        Some(s.noise_z?.shifted(offset.map_or(0.0, |a| a.offset.value)))
    });
    let level = if record.head.chain.is_calibrated() { sound } else { pink.and_then(|(p, _)| p.level_z) };
    let level = level.or(silence_level);
    let common = pink.map(|(p, _)| &p.common).or(silence.map(|s| &s.common));
    let noise = pink.and_then(|(p, _)| p.over_noise_db).map(|o| -o);
    let ppm = common.and_then(|c| c.clock.own_ppm);
    let cells = [
        text::column(step.step.drive.map(|d| d.db()), 7),
        text::column(level.map(|l| l.value), 7),
        text::column(level.map(|l| l.half_width()), 5),
        pink.and_then(|(_, r)| r.gain_change_db)
            .map_or("     –".into(), |g| format!("{:>6}", text::fixed(g.value, 2))),
        text::cell(pink.map(|(p, _)| &p.even), 7),
        text::cell(pink.map(|(p, _)| &p.odd), 7),
        text::column(noise, 7),
        text::column(common.map(|c| c.overload.room_db), 6),
        ppm.map_or("       –".into(), |p| format!("{:>8}", text::fixed(p.value, 3))),
    ];
    Row { step: step.step.number, purpose: step.name(), cells, remark: remark(record, step) }
}

fn remark(record: &Record, step: &StepResult) -> String {
    let mut words: Vec<String> =
        bend_word(&record.steps, step, &record.head.chain).map(String::from).into_iter().collect();
    match step.takes.iter().filter(|t| t.void.is_some()).count() {
        0 => {}
        1 => words.push("1 void take".into()),
        n => words.push(format!("{n} void takes")),
    }
    words.join(", ")
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
                let says = format!("{word} limit {} dB re full scale", text::with_interval(e));
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
