//! Where does the output clip? Stated as peak and as the pink RMS drive that reaches it, per polarity.

use super::highest_clean::FULL_SCALE_DB;
use crate::analysis::{ActsOn, ClipFinding, ClipLevel};
use crate::card::InputRole;
use crate::session::climb::{Purpose, peaks_that_matter};
use crate::session::record::{Record, StepResult};
use crate::signal::Period;
use crate::stats::{Estimate, Reading};
use crate::units::Dbfs;
use serde::{Deserialize, Serialize};

/// Room to the input's full scale under which its own clipping cannot be excluded, dB.
const INPUT_NEAR_DB: f64 = 0.2;

/// What a real limiter and a real chain leave beside the statistics of the fit (half width, dB): the response between the
/// lines of the reference, a limit that moves with the mains and the heat (common practice, no source).
const REAL_LIMIT_DB: f64 = 0.02;

/// The clipping threshold of the output.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "threshold", rename_all = "kebab-case")]
pub enum Threshold {
    /// Found.
    Told(Box<ThresholdTold>),
    /// None up to the highest drive played.
    NoneUpTo {
        /// Highest drive played, RMS.
        drive: Dbfs,
        /// True where that was full scale: then the output never clips on this stimulus.
        full_scale: bool,
    },
    /// Not told.
    NotTold {
        /// Why.
        because: String,
    },
}

/// A clipping threshold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThresholdTold {
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
}

/// Whose limit it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Whose {
    /// The output's.
    Output,
    /// The output's or the headphone's: this session cannot tell.
    OutputOrHeadphone,
}

impl Whose {
    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            Whose::Output => "the output's",
            Whose::OutputOrHeadphone => "output or headphone, not told",
        }
    }
}

/// Reads the threshold from the step that decides: the threshold step, else the last one with evidence.
pub fn clipping_threshold(record: &Record) -> Threshold {
    let period = record.head.plan.pink.period(record.head.playback.rate);
    // Evidence counts whatever a step was played for.
    let mut evident: Vec<&StepResult> = record.climbed().collect();
    evident.sort_by_key(|s| (s.step.purpose == Purpose::Threshold, s.step.number));
    let mut reason = None;
    for step in evident.into_iter().rev() {
        let Some((role, clip, room_db)) = deciding_clip(record, step) else { continue };
        if !clip.is_evident() {
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
            Some(level) => {
                if let Some(told) = told(step, role, level, &period) {
                    return Threshold::Told(Box::new(told));
                }
            }
            None => {
                reason.get_or_insert(
                    clip.level_not_told.clone().unwrap_or_else(|| "a bend is visible, its level is not told".into()),
                );
            }
        }
    }
    if let Some(because) = reason {
        return Threshold::NotTold { because };
    }
    none_up_to(record, &period)
}

fn none_up_to(record: &Record, period: &Period) -> Threshold {
    let judged = |s: &&StepResult| deciding_clip(record, s).is_some();
    let highest = record.steps.iter().filter(judged).filter_map(|s| s.step.drive).map(Dbfs::db).reduce(f64::max);
    match (highest, period.full_drive()) {
        (Some(drive), Some(full)) => {
            Threshold::NoneUpTo { drive: Dbfs(drive), full_scale: full.db() - drive < FULL_SCALE_DB }
        }
        _ => Threshold::NotTold { because: "no step above the quiet reference was finished".into() },
    }
}

/// The input that decides: the electrical witness where present, else the first ear; its clip finding and its room.
fn deciding_clip<'a>(record: &Record, step: &'a StepResult) -> Option<(InputRole, &'a ClipFinding, f64)> {
    let (pink, result) = step.pink(record.head.chain.limit_input())?;
    Some((result.role, pink.clip.as_ref()?, pink.common.overload.room_db))
}

fn told(step: &StepResult, role: InputRole, level: &ClipLevel, period: &Period) -> Option<ThresholdTold> {
    let peaks = peaks_that_matter(level, period);
    let full = period.full_drive()?.db();
    let [positive, negative] =
        [&level.positive, &level.negative].map(|side| side.plus(&Estimate::symmetric(0.0, REAL_LIMIT_DB)));
    let one = |reading: &Reading, peak: f64| Some(reading.told()?.shifted(full - 20.0 * peak.log10()));
    let drives = [one(&positive, peaks.positive), one(&negative, peaks.negative)];
    let pink_drive = drives.into_iter().flatten().reduce(Estimate::lower_of)?;
    // A headphone's own bend is soft and acts on the waveform: a hard limit or one on samples is the output's.
    let output = role == InputRole::Witness || !level.soft || level.acts_on == ActsOn::Samples;
    Some(ThresholdTold {
        positive,
        negative,
        pink_drive,
        acts_on: level.acts_on,
        soft: level.soft,
        whose: if output { Whose::Output } else { Whose::OutputOrHeadphone },
        step: step.step.number,
    })
}
