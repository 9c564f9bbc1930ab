//! How loud does it play clean? Clean: no clip evidence and the gain within 0.3 dB of the quiet reference.

use super::clipping_threshold::Threshold;
use crate::analysis::PinkFinding;
use crate::card::InputRole;
use crate::session::clean::{Unclean, clip_evident, why_unclean};
use crate::session::record::{Record, StepResult};
use crate::session::seats::Seats;
use crate::session::step::{Purpose, StopReason};
use crate::stats::{Estimate, Interval, Reading};
use serde::{Deserialize, Serialize};

/// A drive this near to full scale is full scale, dB.
pub(super) const FULL_SCALE_DB: f64 = 0.05;

/// Highest clean drive and level of pink noise.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HighestClean {
    /// RMS drive, dBFS.
    pub drive: Reading,
    /// Level at the ear, Z, dBFS at the input.
    pub level_dbfs: Reading,
    /// The same as sound, dB SPL, Z; not determined without calibration.
    pub level_spl: Reading,
    /// The same, the coupler's range only.
    pub mid_spl: Reading,
    /// What decides it, in words.
    pub decided_by: String,
    /// The ear that the levels hold for: of two calibrated ears the one that is less loud.
    #[serde(default)]
    pub ear: Option<InputRole>,
}

/// From the threshold where clipping decides, else from the clean rule. Where further seats were played, the levels are
/// those of the mean seat, and their intervals hold the fit.
pub fn highest_clean(record: &Record, threshold: &Threshold, seats: &[Seats]) -> HighestClean {
    let (drive, decided_by) = drive(record, threshold);
    let ear = record.weaker_ear();
    let input = record.deciding_input();
    let seats = ear.and_then(|(_, role)| seats.iter().find(|seats| seats.role == role));
    let (fit, mid_fit) = seats.map_or((None, None), |seats| (seats.level, seats.mid));
    let level_dbfs = moved(level(record, input, &drive, |gain| Some(gain.input)), fit);
    let level_spl = moved(level(record, input, &drive, |gain| gain.spl), fit);
    let mid_spl = moved(level(record, input, &drive, |gain| gain.mid_spl), mid_fit);
    HighestClean { drive, level_dbfs, level_spl, mid_spl, decided_by, ear: ear.map(|(_, role)| role) }
}

fn drive(record: &Record, threshold: &Threshold) -> (Reading, String) {
    if let Threshold::Determined(stated) = threshold {
        return (Reading::Determined(stated.pink_drive), "clipping".into());
    }
    let chain = &record.head.chain;
    let counted = record.climbed().filter(|s| s.step.drive.is_some() && s.step.purpose != Purpose::ReferenceAgain);
    let (mut clean, mut unclean): (Vec<f64>, Vec<(f64, Unclean)>) = (Vec::new(), Vec::new());
    for step in counted {
        let (Some(drive), Some((pink, _))) = (step.step.drive, step.pink(chain.limit_input())) else { continue };
        // Of two ears each is looked at; the first one's finding only says that it was.
        if let Some(why) = unclean_because(record, step) {
            unclean.push((drive.db(), why));
        } else if pink.clip.is_some() || step.step.purpose == Purpose::Reference {
            clean.push(drive.db());
        }
    }
    let lowest_unclean = unclean.into_iter().min_by(|a, b| a.0.total_cmp(&b.0));
    let below = |d: &&f64| lowest_unclean.is_none_or(|(u, _)| **d < u);
    let Some(highest) = clean.iter().filter(below).copied().reduce(f64::max) else {
        return (Reading::NotDetermined("no step was shown to be clean".into()), "nothing".into());
    };
    if matches!(threshold, Threshold::NotDetermined { .. })
        && record.steps.iter().any(|s| clip_evident(&record.steps, s, chain))
    {
        // A bend was seen whose level, and so whose maker, is not determined: up to here it was clean, more is not known.
        let why = "the last step before a bend whose level is not determined".into();
        return (Reading::AtLeast(Estimate::exact(highest)), why);
    }
    match (lowest_unclean, record.stop()) {
        (Some((unclean, why)), _) => {
            let interval = Interval { low: highest, high: unclean };
            (Reading::Determined(Estimate { value: highest, interval }), decided_by(why).into())
        }
        (None, Some(stop @ StopReason::FullScale)) if at_full_scale(record, highest) => {
            (Reading::Determined(Estimate::exact(highest)), stop.to_string())
        }
        (None, stop) => {
            let why = stop.map_or("the session is not finished".to_string(), ToString::to_string);
            (Reading::AtLeast(Estimate::exact(highest)), why)
        }
    }
}

fn decided_by(why: Unclean) -> &'static str {
    match why {
        Unclean::Clips => "the last step before it clips",
        Unclean::GainMoves => "the last step before the gain moves",
        Unclean::Distorts => "the last step before the distortion passes its limit",
        Unclean::DistortionJumps => "the last step before the distortion jumps",
    }
}

fn unclean_because(record: &Record, step: &StepResult) -> Option<Unclean> {
    let head = &record.head;
    why_unclean(&record.steps, step, &head.chain, head.plan.distortion_limit_percent)
}

pub(super) fn is_clean(record: &Record, step: &StepResult) -> bool {
    unclean_because(record, step).is_none()
}

/// The quietest step of the climb that is not clean without clipping, and why: nothing above it is called clean.
pub(super) fn unclean_from(record: &Record) -> Option<(f64, Unclean)> {
    let climbed = record.climbed().filter(|s| s.step.purpose != Purpose::ReferenceAgain);
    let unclean = climbed.filter_map(|s| Some((s.step.drive?.db(), unclean_because(record, s)?)));
    unclean.filter(|(_, why)| *why != Unclean::Clips).min_by(|a, b| a.0.total_cmp(&b.0))
}

/// The loudest clean step really was the loudest there is.
fn at_full_scale(record: &Record, drive_db: f64) -> bool {
    let full = record.head.plan.pink.period(record.head.playback.rate).full_drive();
    full.is_some_and(|full| full.db() - drive_db < FULL_SCALE_DB)
}

/// What one dB of drive gives, from the loudest clean step or the reference; of the first seat.
pub(super) struct Gain<'a> {
    /// The step's noise at the deciding ear.
    pub pink: &'a PinkFinding,
    /// dBFS at the input less dBFS of drive.
    pub input: Estimate,
    /// dB SPL less dBFS of drive.
    pub spl: Option<Estimate>,
    mid_spl: Option<Estimate>,
}

/// The straight line: clean gain times drive, so that the level at the threshold is not the clipped one.
fn level(record: &Record, input: usize, drive: &Reading, which: impl Fn(&Gain<'_>) -> Option<Estimate>) -> Reading {
    let Some(gain) = straight_line_at(record, input) else {
        return Reading::NotDetermined("the gain of the chain was not determined".into());
    };
    let Some(gain) = which(&gain) else {
        return Reading::NotDetermined("the chain has no calibration offset for this ear".into());
    };
    match drive {
        Reading::Below(_) => Reading::NotDetermined("only a bound of the drive is known".into()),
        other => other.plus(&gain),
    }
}

/// From the first seat at the deciding ear to the mean of all tight ones, dB.
pub(super) fn seat_shift(record: &Record, seats: &[Seats]) -> Estimate {
    let ear = record.weaker_ear();
    let deciding = ear.and_then(|(_, role)| seats.iter().find(|seats| seats.role == role));
    deciding.and_then(|seats| seats.level).unwrap_or(Estimate::exact(0.0))
}

/// From the first seat to the mean of all tight ones.
fn moved(level: Reading, by: Option<Estimate>) -> Reading {
    by.map_or_else(|| level.clone(), |by| level.plus(&by))
}

/// The loudest step of the climb that is clean.
pub fn loudest_clean(record: &Record) -> Option<&StepResult> {
    let input = record.head.chain.deciding_input();
    let clean = |s: &&StepResult| {
        s.step.purpose.counts() && s.step.drive.is_some() && s.pink(input).is_some() && is_clean(record, s)
    };
    let drive = |s: &StepResult| s.step.drive.map_or(f64::MIN, |d| d.db());
    let counted = || record.climbed().filter(|s| s.step.purpose != Purpose::ReferenceAgain);
    let unclean = counted().filter(|s| !is_clean(record, s)).map(drive).reduce(f64::min);
    let below = |s: &&StepResult| unclean.is_none_or(|u| drive(s) < u);
    record.climbed().filter(clean).filter(below).max_by(|a, b| drive(a).total_cmp(&drive(b)))
}

pub(super) fn straight_line(record: &Record) -> Option<Gain<'_>> {
    let input = record.deciding_input();
    straight_line_at(record, input)
}

fn straight_line_at(record: &Record, input: usize) -> Option<Gain<'_>> {
    let step = loudest_clean(record)?;
    let drive = step.step.drive?.db();
    let (pink, result) = step.pink(input)?;
    let sound = record.sound(result);
    Some(Gain {
        pink,
        input: pink.level_z?.shifted(-drive),
        spl: sound.and_then(|s| Some(s.z?.shifted(-drive))),
        mid_spl: sound.and_then(|s| Some(s.mid?.shifted(-drive))),
    })
}

/// Lowest level at which even and odd distortion at the ear together pass the plan's limit.
pub(super) fn ear_limit_from(record: &Record) -> Option<Estimate> {
    if crate::session::elsewhere::not_determined(record).is_some() {
        return None;
    }
    let input = record.deciding_input();
    let limit = (record.head.plan.distortion_limit_percent / 100.0).powi(2);
    let mut read: Vec<(bool, Estimate)> = Vec::new();
    for step in record.climbed().filter(|s| s.step.purpose.counts()) {
        let Some((pink, result)) = step.pink(input) else { continue };
        let power: f64 =
            [&pink.even, &pink.odd].iter().filter_map(|r| r.determined()).map(|e| 10f64.powf(e.value / 10.0)).sum();
        let level = record.sound(result).and_then(|s| s.z).or(pink.level_z);
        read.extend(level.map(|level| (power > limit, level)));
    }
    // "From there on": a coarse resolution passes the limit where it is quiet, and no more where it is loud.
    read.sort_by(|a, b| b.1.value.total_cmp(&a.1.value));
    read.into_iter().take_while(|(over, _)| *over).last().map(|(_, level)| level)
}
