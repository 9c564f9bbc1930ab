//! Where does the output clip? Stated as peak and as the pink RMS drive that reaches it, per polarity.

use super::highest_clean::{FULL_SCALE_DB, unclean_from};
use crate::analysis::{ActsOn, ClipFinding, ClipLevel};
use crate::card::InputRole;
use crate::session::clean::{OTHER_DRIVE_DB, Unclean, clips_at};
use crate::session::climb::peaks_that_matter;
use crate::session::record::{Record, StepResult};
use crate::session::step::Purpose;
use crate::signal::Period;
use crate::stats::{Estimate, Reading};
use crate::units::Dbfs;
use serde::{Deserialize, Serialize};

/// Room to the input's full scale under which its own clipping cannot be excluded, dB.
const INPUT_NEAR_DB: f64 = 0.2;

/// What a real limiter and a real chain leave beside the statistics of the fit (half width, dB): the response between the
/// lines of the reference, a limit that moves with the mains and the heat (common practice, no source).
const REAL_LIMIT_DB: f64 = 0.02;

/// Equivalent hard limits of a soft one, read at two drives, agree within this, dB, or within their intervals.
const SOFT_AGREES_DB: f64 = 0.3;

/// The clipping threshold of the output.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "threshold", rename_all = "kebab-case")]
pub enum Threshold {
    /// Found.
    #[serde(rename = "told")]
    Determined(Box<FoundThreshold>),
    /// None up to the highest drive played.
    NoneUpTo {
        /// Highest drive played, RMS.
        drive: Dbfs,
        /// True where that was full scale: then the output never clips on this stimulus.
        full_scale: bool,
    },
    /// Not determined.
    #[serde(rename = "not-told")]
    NotDetermined {
        /// Why.
        because: String,
    },
}

/// A clipping threshold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FoundThreshold {
    /// Positive limit, peak dB re full scale.
    pub positive: Reading,
    /// Negative limit.
    pub negative: Reading,
    /// Pink RMS drive that reaches the limit on the polarity reached first, dBFS.
    pub pink_drive: Estimate,
    /// On samples or on the waveform between them.
    pub acts_on: ActsOn,
    /// Equivalent hard limit of a soft one.
    pub soft: bool,
    /// Whose limit it is.
    pub whose: Whose,
    /// Step it was read from.
    pub step: usize,
    /// Input it was read at; `None` in answers of earlier programs.
    #[serde(default)]
    pub at: Option<InputRole>,
}

/// Whose limit it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Whose {
    /// The output's.
    Output,
    /// A hard limit of the output or of the capture chain (microphone, preamplifier): this session cannot tell.
    OutputOrCapture,
    /// A soft limit of output, headphone or capture chain: this session cannot tell.
    OutputHeadphoneOrCapture,
}

impl Whose {
    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            Whose::Output => "the output's",
            Whose::OutputOrCapture => "output or capture chain, not determined",
            Whose::OutputHeadphoneOrCapture => "output, headphone or capture chain, not determined",
        }
    }

    /// What clips, as the subject of a sentence.
    pub fn subject(self) -> &'static str {
        match self {
            Whose::Output => "output",
            Whose::OutputOrCapture => "output or capture chain",
            Whose::OutputHeadphoneOrCapture => "output, headphone or capture chain",
        }
    }

    /// How to find out; `None` where it is known.
    pub fn advice(self) -> Option<&'static str> {
        (self != Whose::Output).then_some(
            "To tell which, lower the input gain by 6 dB, calibrate again, repeat the session and compare the two (`loudenough judge FIRST SECOND`), or record the output itself as a witness.",
        )
    }
}

/// The lowest threshold of all inputs that see limits; what clips at one ear is no "none" because the other does not.
pub fn clipping_threshold(record: &Record) -> Threshold {
    if let Some(because) = crate::session::elsewhere::not_determined(record) {
        return Threshold::NotDetermined { because };
    }
    let period = record.head.plan.pink.period(record.head.playback.rate);
    let inputs = record.head.chain.limit_inputs();
    let all: Vec<Threshold> = inputs.into_iter().map(|input| at_input(record, input, &period)).collect();
    let rank = |threshold: &Threshold| match threshold {
        Threshold::Determined(stated) => (0, stated.pink_drive.value),
        Threshold::NotDetermined { .. } => (1, 0.0),
        Threshold::NoneUpTo { .. } => (2, 0.0),
    };
    let lowest = all.into_iter().min_by(|a, b| rank(a).partial_cmp(&rank(b)).unwrap_or(std::cmp::Ordering::Equal));
    lowest.unwrap_or_else(|| at_input(record, record.head.chain.limit_input(), &period))
}

/// Reads the threshold at one input from the step that decides: the threshold step, else the last one with evidence.
fn at_input(record: &Record, input: usize, period: &Period) -> Threshold {
    // Evidence counts whatever a step was played for.
    let mut evident: Vec<&StepResult> = record.climbed().collect();
    evident.sort_by_key(|s| (s.step.purpose == Purpose::Threshold, s.step.number));
    let mut reason = None;
    for step in evident.into_iter().rev() {
        let Some((role, clip, room_db)) = clip_at(step, input) else { continue };
        if !clips_at(&record.steps, step, input) {
            continue;
        }
        if room_db < INPUT_NEAR_DB {
            reason.get_or_insert(
                "the capture card's own input reached its full scale at the same step; lower its gain and run again"
                    .to_string(),
            );
            continue;
        }
        match &clip.level {
            Some(level) => match stated(record, step, (input, role), level, period) {
                Some(found) if !found.soft => return Threshold::Determined(Box::new(found)),
                Some(found) => match other_drive(record, &found, step, input, period) {
                    Ok(()) => return Threshold::Determined(Box::new(found)),
                    Err(why) => {
                        reason.get_or_insert(why);
                    }
                },
                None => {}
            },
            None => {
                reason.get_or_insert(
                    clip.level_not_determined
                        .clone()
                        .unwrap_or_else(|| "a bend is visible, its level is not determined".into()),
                );
            }
        }
    }
    if let Some(because) = reason {
        return Threshold::NotDetermined { because };
    }
    none_up_to(record, input, period)
}

/// A soft limit's equivalent hard limit is given only where another drive gives the same: a fit to a smooth curve follows the
/// drive.
fn other_drive(
    record: &Record,
    found: &FoundThreshold,
    at: &StepResult,
    input: usize,
    period: &Period,
) -> Result<(), String> {
    let drive = at.step.drive.map_or(f64::MIN, Dbfs::db);
    let others = record.climbed().filter_map(|step| {
        let other = step.step.drive?.db();
        let (role, clip, room_db) = clip_at(step, input)?;
        let counts = clip.is_evident() && room_db >= INPUT_NEAR_DB && (other - drive).abs() > OTHER_DRIVE_DB;
        Some((other, stated(record, step, (input, role), clip.level.as_ref().filter(|_| counts)?, period)?))
    });
    let mut seen = None;
    for (other, stated) in others {
        let apart = stated.pink_drive.value - found.pink_drive.value;
        let both = stated.pink_drive.half_width() + found.pink_drive.half_width();
        if apart.abs() <= SOFT_AGREES_DB.max(both) {
            return Ok(());
        }
        seen = Some((other, stated.pink_drive.value));
    }
    Err(match seen {
        Some((other, level)) => format!(
            "the limit is soft, and its equivalent hard limit changes with the drive ({} of noise at {}, {} at {})",
            Dbfs(found.pink_drive.value),
            Dbfs(drive),
            Dbfs(level),
            Dbfs(other)
        ),
        None => format!("the limit is soft and was seen at one drive only ({})", Dbfs(drive)),
    })
}

fn none_up_to(record: &Record, input: usize, period: &Period) -> Threshold {
    // A limiter or a gain control at work is no "none": what it is was not determined.
    if let Some((drive, why)) = unclean_from(record) {
        let what = match why {
            Unclean::GainMoves => Some("the gain differs from that at the quiet reference"),
            Unclean::DistortionJumps => Some("the distortion rises faster than any smooth distortion does"),
            Unclean::Distorts | Unclean::Clips => None,
        };
        if let Some(what) = what {
            let because = format!("from {} of noise on, {what}; a limiter or a gain control is at work", Dbfs(drive));
            return Threshold::NotDetermined { because };
        }
    }
    let judged = |s: &&StepResult| clip_at(s, input).is_some();
    let highest = record.steps.iter().filter(judged).filter_map(|s| s.step.drive).map(Dbfs::db).reduce(f64::max);
    match (highest, period.full_drive()) {
        (Some(drive), Some(full)) => {
            Threshold::NoneUpTo { drive: Dbfs(drive), full_scale: full.db() - drive < FULL_SCALE_DB }
        }
        _ => Threshold::NotDetermined {
            because:
                "no step above the quiet reference was finished, or none was far enough above the noise to show a limit"
                    .into(),
        },
    }
}

/// What an input says of clipping at a step, and its room.
fn clip_at(step: &StepResult, input: usize) -> Option<(InputRole, &ClipFinding, f64)> {
    let (pink, result) = step.pink(input)?;
    Some((result.role, pink.clip.as_ref()?, pink.common.overload.room_db))
}

fn stated(
    record: &Record,
    step: &StepResult,
    (input, role): (usize, InputRole),
    level: &ClipLevel,
    period: &Period,
) -> Option<FoundThreshold> {
    let peaks = peaks_that_matter(level, period);
    let full = period.full_drive()?.db();
    let [positive, negative] =
        [&level.positive, &level.negative].map(|side| side.plus(&Estimate::symmetric(0.0, REAL_LIMIT_DB)));
    let one = |reading: &Reading, peak: f64| Some(reading.determined()?.shifted(full - 20.0 * peak.log10()));
    let drives = [one(&positive, peaks.positive), one(&negative, peaks.negative)];
    let pink_drive = drives.into_iter().flatten().reduce(Estimate::lower_of)?;
    // A limit on the samples as played acts before the converter; a headphone's own bend is soft; a preamplifier that clips
    // under its converter's full scale gives the data of an output that does.
    let chain = &record.head.chain;
    let captured = step.pink(input).and_then(|(pink, _)| pink.common.peak);
    let seen_clean = chain.seen_clean(role).zip(captured).is_some_and(|(seen, now)| seen.db() >= now.db());
    let whose = match (role, level.acts_on, level.soft) {
        (InputRole::Witness, ..) | (_, ActsOn::Samples, _) => Whose::Output,
        (_, _, false) if seen_clean => Whose::Output,
        (_, _, false) => Whose::OutputOrCapture,
        (_, _, true) => Whose::OutputHeadphoneOrCapture,
    };
    Some(FoundThreshold {
        positive,
        negative,
        pink_drive,
        acts_on: level.acts_on,
        soft: level.soft,
        whose,
        step: step.step.number,
        at: Some(role),
    })
}
