//! The path check: is the path to the ear and back free of faults, before anything is measured? From a finished record of
//! [`Extent::PathCheck`](crate::session::plan::Extent::PathCheck), recomputable at any time.
//!
//! ```text
//! steps · drift        gain.rs    equal steps give equal steps, and the gain stands still inside a take
//! suppression          gain.rs    the silence is not quieter than the noise under a sound
//! sides · crosstalk    sides.rs   each channel alone, heard by each ear
//! polarity             sides.rs   the ears against each other; absolute only where a line is recorded
//! rate · delay · noise · hum      way.rs
//! ```
//!
//! Limits stand between what clean seeded benches show and what the smallest faults planted on them show, both printed by
//! `sh tests/path.sh`; an interval is taken off where the number has one. Of 1 000 clean benches and 20 planted ones:
//!
//! | question | clean, at most | limit | smallest fault, at least |
//! |---|---|---|---|
//! | steps, dB (twice the interval off) | under 0.06 | 0.06 (value 0.12) | 0.144 (gain control of 0.2 dB), 0.471 (suppression of 0.5 dB) |
//! | drift in a take, dB (twice the interval off) | under 0.03 | 0.03 | 0.09 (gain control of 1 dB, time constant 2 s) |
//! | noise under a sound, dB | 0.01 | 0.2 | 0.352 (suppression of 0.5 dB in the input) |
//! | crosstalk, dB | −43.1 (an upper limit, noisy bench) | −43 | −40.05 (−40 dB) |
//! | cosine between the ears | −0.997 turned | −0.7 | 1.0 turned |
//! | delay, s | 0.19 | 0.5 | 0.60 |
//! | fall above half a rate, dB | −22 (computed, the steepest corners that are drawn) | −30 | under the noise |

mod gain;
mod sides;
mod way;

use crate::analysis::{MiddleFinding, PinkFinding};
use crate::card::InputRole;
use crate::session::record::{Record, StepResult};
use crate::session::step::{Purpose, StopReason};
use crate::stats::Reading;
use crate::take::VoidReason;
use crate::units::{tidy, tidy_signed};
use crate::words::capital;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Everything that a path check found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PathReport {
    /// One per question and ear, in the order of the module's drawing.
    pub findings: Vec<PathFinding>,
    /// How long something sounded in all, seconds.
    pub sound_s: f64,
    /// The answer in a sentence.
    pub sentence: String,
}

/// What is asked of the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PathQuestion {
    /// Do equal steps of drive give equal steps of level?
    Steps,
    /// Does the gain stand still inside a take?
    Drift,
    /// Is the noise the same under a sound as in silence?
    Suppression,
    /// Does something on the path change the rate?
    Rate,
    /// Does each channel sound at its own ear?
    Sides,
    /// How much of a channel is heard at the other ear?
    Crosstalk,
    /// Do both ears move the same way?
    Polarity,
    /// How long is the way?
    Delay,
    /// Does the input carry a constant offset?
    Offset,
    /// How far does the noise lie under the quietest planned step?
    Noise,
    /// And mains hum?
    Hum,
}

impl fmt::Display for PathQuestion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            PathQuestion::Steps => "level steps",
            PathQuestion::Drift => "gain in a take",
            PathQuestion::Suppression => "noise suppression",
            PathQuestion::Rate => "rate on the path",
            PathQuestion::Sides => "left and right",
            PathQuestion::Crosstalk => "crosstalk",
            PathQuestion::Polarity => "polarity",
            PathQuestion::Delay => "delay",
            PathQuestion::Offset => "constant offset",
            PathQuestion::Noise => "noise",
            PathQuestion::Hum => "hum",
        })
    }
}

/// What an answer means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PathAnswer {
    /// As it should be.
    Straight,
    /// As it should be, with something to know.
    Note,
    /// Not as it should be: figures measured through this way are doubtful.
    Doubt,
    /// It cannot be determined.
    #[serde(rename = "not-told")]
    NotDetermined,
}

impl fmt::Display for PathAnswer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            PathAnswer::Straight => "no fault",
            PathAnswer::Note => "note",
            PathAnswer::Doubt => "doubt",
            PathAnswer::NotDetermined => "not determined",
        })
    }
}

/// One answer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PathFinding {
    /// What was asked.
    pub what: PathQuestion,
    /// At which input; `None` for the way as a whole.
    pub at: Option<InputRole>,
    /// What it means.
    pub answer: PathAnswer,
    /// The number behind it: dB, of the delay seconds, of hum and noise dBFS.
    pub reading: Reading,
    /// What was seen and, where that is wrong, what to switch off or do.
    pub text: String,
}

impl PathFinding {
    fn new(
        what: PathQuestion,
        at: Option<InputRole>,
        answer: PathAnswer,
        reading: Reading,
        text: impl Into<String>,
    ) -> PathFinding {
        PathFinding { what, at, answer, reading, text: text.into() }
    }

    fn not_determined(what: PathQuestion, at: Option<InputRole>, why: impl Into<String>) -> PathFinding {
        let why = why.into();
        PathFinding::new(
            what,
            at,
            PathAnswer::NotDetermined,
            Reading::NotDetermined(why.clone()),
            format!("Not determined: {why}."),
        )
    }
}

impl PathReport {
    /// Findings that are doubts.
    pub fn doubts(&self) -> impl Iterator<Item = &PathFinding> {
        self.findings.iter().filter(|f| f.answer == PathAnswer::Doubt)
    }
}

/// What the takes of a path check say; of an unfinished one, as far as it came.
pub fn path_report(record: &Record) -> PathReport {
    let mut findings = Vec::new();
    let ears: Vec<(usize, InputRole)> = record.head.chain.ears().collect();
    let voids = voids(record);
    if voids.is_empty() {
        findings.extend(ears.iter().flat_map(|ear| gain::findings(record, *ear)));
    }
    findings.extend(voids);
    findings.extend(ears.iter().filter_map(|(input, role)| {
        let text = super::restless(record, *input, *role)?.text;
        let why = Reading::NotDetermined("what is captured does not repeat".into());
        Some(PathFinding::new(PathQuestion::Drift, Some(*role), PathAnswer::Doubt, why, text))
    }));
    findings.extend(ears.iter().map(|ear| gain::suppression(record, *ear)));
    findings.push(way::rate(record));
    findings.extend(ears.iter().flat_map(|ear| sides::findings(record, *ear)));
    findings.extend(sides::polarity(record));
    findings.push(way::delay(record));
    findings.extend(ears.iter().map(|ear| way::offset(record, *ear)));
    findings.extend(ears.iter().flat_map(|ear| way::noise_and_hum(record, *ear)));
    findings.sort_by_key(|f| f.what);
    let sound_s = sound_s(record);
    let sentence = sentence(record, &findings, sound_s);
    PathReport { findings, sound_s, sentence }
}

/// What a take that stayed void says about the way itself.
fn voids(record: &Record) -> Vec<PathFinding> {
    if let Some(stop @ StopReason::NotTheSound) = record.stop() {
        let why = Reading::NotDetermined("a different sound was heard".into());
        let text = format!("{}.", capital(&stop.to_string()));
        return vec![PathFinding::new(PathQuestion::Suppression, None, PathAnswer::Doubt, why, text)];
    }
    let Some(StopReason::TakesVoid { reason }) = record.stop() else { return Vec::new() };
    let (what, seen) = match reason {
        VoidReason::Disturbed { .. } | VoidReason::GainMoves { .. } => (
            PathQuestion::Drift,
            "Repetitions of the same sound differed, three times in a row: an automatic gain, or a noisy room.",
        ),
        VoidReason::Protection { .. } => (
            PathQuestion::Steps,
            "A step was more than 3 dB off what the step before predicts: an automatic gain, or a volume that was turned.",
        ),
        _ => return Vec::new(),
    };
    let text = format!("{seen} {}", gain::SWITCH_OFF);
    let why = Reading::NotDetermined(reason.to_string());
    vec![PathFinding::new(what, None, PathAnswer::Doubt, why, text)]
}

fn sentence(record: &Record, findings: &[PathFinding], sound_s: f64) -> String {
    let count = |answer| findings.iter().filter(|f| f.answer == answer).count();
    let (doubts, undetermined) = (count(PathAnswer::Doubt), count(PathAnswer::NotDetermined));
    let undetermined = match undetermined {
        0 => String::new(),
        1 => " One point is not determined.".into(),
        n => format!(" {n} points are not determined."),
    };
    let stop = match record.stop() {
        None => " It is not finished.".to_string(),
        Some(StopReason::PathChecked) => String::new(),
        Some(reason) => format!(" It ended because {reason}."),
    };
    let first = match doubts {
        0 if findings.iter().all(|f| f.answer == PathAnswer::NotDetermined) => {
            "Nothing is known of the path.".to_string()
        }
        0 => format!("The path shows no fault in {sound_s:.0} s of sound."),
        1 => "The path has a fault: one finding needs attention.".to_string(),
        n => format!("The path has faults: {n} findings need attention."),
    };
    format!("{first}{undetermined}{stop}")
}

/// Seconds in which the gain was open; void takes are not counted, the record has them.
fn sound_s(record: &Record) -> f64 {
    let takes = record
        .steps
        .iter()
        .flat_map(|step| &step.takes)
        .filter(|take| take.void.is_none() && !take.head.stimulus.is_silent());
    takes.map(|take| take.head.played_frames as f64 / take.head.played_rate.hz()).sum()
}

/// A take of pink noise at one input.
#[derive(Clone, Copy)]
struct Heard<'a> {
    purpose: Purpose,
    drive_db: f64,
    pink: &'a PinkFinding,
    middle: &'a MiddleFinding,
}

impl Heard<'_> {
    /// True where one channel sounded alone.
    fn is_alone(&self) -> bool {
        self.purpose.is_alone()
    }
}

/// All of one input, in the order played.
fn heard(record: &Record, input: usize) -> impl Iterator<Item = Heard<'_>> {
    record.steps.iter().filter_map(move |step: &StepResult| {
        let (pink, _) = step.pink(input)?;
        let middle = pink.middle.as_ref()?;
        Some(Heard { purpose: step.step.purpose, drive_db: step.step.drive?.db(), pink, middle })
    })
}

/// The loudest take of both channels.
fn both(record: &Record, input: usize) -> Option<Heard<'_>> {
    heard(record, input).filter(|h| h.purpose == Purpose::Reference && h.middle.level.determined().is_some()).last()
}

/// Of the two channels alone: the one that this input hears best, and the other.
fn own_and_other(record: &Record, input: usize) -> Option<(Heard<'_>, Heard<'_>)> {
    let alone = |purpose| heard(record, input).find(|h| h.purpose == purpose);
    let (left, right) = (alone(Purpose::LeftAlone)?, alone(Purpose::RightAlone)?);
    let level = |h: &Heard| h.middle.level.determined().map_or(f64::NEG_INFINITY, |e| e.value);
    let best = level(&left).max(level(&right));
    best.is_finite().then(|| if level(&left) >= level(&right) { (left, right) } else { (right, left) })
}

/// Two places with their sign.
fn db(value: f64) -> String {
    tidy_signed(value, 2)
}

/// One place.
fn tenth(value: f64) -> String {
    tidy(value, 1)
}
