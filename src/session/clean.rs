//! Is a step clean? Clean: no clip evidence, the gain within 0.3 dB of the quiet reference, and no distortion that grows faster
//! with the level than a smooth bend lets it.
//!
//! A product of order n grows by n dB a dB, relative to the stimulus by n − 1: smooth bends of a headphone or an amplifier stay
//! far under 6 dB a dB; a limiter with look-ahead, a slew limit or a coil that hits its stop does not.

use super::chain::Chain;
use super::climb::{OVER_NOISE_DB, over_noise_db};
use super::record::StepResult;
use crate::analysis::{ClipFinding, ClipLevel, MiddleFinding, PinkFinding};
use crate::stats::Reading;
use crate::units::{db_from_power, power_from_db};

/// Gain of a clean output stays within this of the reference, dB.
pub const GAIN_TOLERANCE_DB: f64 = 0.3;
/// Growth of the distortion, relative to the stimulus, that no smooth bend has, dB a dB.
const GROWTH: f64 = 6.0;
/// Where it is large, the same from here on: up to the fifth order a product grows by 4 dB a dB, and a slew limit that rises out of
/// the noise shows no more than this.
const GROWTH_OF_MUCH: f64 = 4.5;
/// Large, dB re the stimulus: 1 %.
const MUCH_DB: f64 = -40.0;
/// … over a rise of at least this, dB: two readings of the same distortion scatter.
const LEAST_RISE_DB: f64 = 6.0;
/// Distortion under this is no reason to call an output unclean, dB re the stimulus.
const MATTERS_DB: f64 = -70.0;
/// Drives nearer to each other are one drive, dB.
pub const OTHER_DRIVE_DB: f64 = 0.2;
/// Drives this far apart show whether distortion rises or falls, dB.
const APART_DB: f64 = 1.0;
/// A resolution's distortion falls by 1 dB a dB; from here on it falls, dB a dB.
const LEAST_FALL: f64 = 0.5;
/// A residue of the same level is the same within this, dB …
const STEADY_DB: f64 = 2.0;
/// … at levels this far apart, dB.
const OVER_DB: f64 = 5.5;
/// … and is worth a word from this distortion on, dB re the stimulus.
const RESOLUTION_MATTERS_DB: f64 = -90.0;

/// Why a step is not clean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unclean {
    /// It clips.
    Clips,
    /// The gain is not that of the quiet reference.
    GainMoves,
    /// The electrical witness shows more distortion than the plan allows.
    Distorts,
    /// The distortion grew faster than any smooth bend lets it.
    DistortionJumps,
}

/// True where an input that sees limits shows clip evidence.
pub fn clip_evident(steps: &[StepResult], result: &StepResult, chain: &Chain) -> bool {
    chain.limit_inputs().into_iter().any(|input| clips_at(steps, result, input))
}

/// `clips`, or `bends` where no limit explains what is seen; `None` where nothing is.
pub fn bend_word(steps: &[StepResult], result: &StepResult, chain: &Chain) -> Option<&'static str> {
    let fitted = limit_levels(steps, result, chain).next().is_some();
    clip_evident(steps, result, chain).then_some(if fitted { "clips" } else { "bends" })
}

/// Levels of the limits that were fitted where clip evidence counts.
pub fn limit_levels<'a>(
    steps: &'a [StepResult],
    result: &'a StepResult,
    chain: &Chain,
) -> impl Iterator<Item = &'a ClipLevel> + use<'a> {
    let clipping = chain.limit_inputs().into_iter().filter(move |input| clips_at(steps, result, *input));
    clipping.filter_map(move |input| result.pink(input)?.0.clip.as_ref()?.level.as_ref())
}

/// True where this input shows clip evidence that counts. Not where the distortion falls while the drive rises: a limit does not
/// let go, a coarse resolution does (rounding of few bits looks like any shape at some drive).
pub fn clips_at(steps: &[StepResult], result: &StepResult, input: usize) -> bool {
    let clip = result.pink(input).and_then(|(pink, _)| pink.clip.as_ref());
    clip.is_some_and(ClipFinding::is_evident) && !falls(steps, result, input)
}

/// Why `result`, one of `steps`, is not clean; `None` where it is. What is not above the noise is not held against
/// the output.
pub fn why_unclean(steps: &[StepResult], result: &StepResult, chain: &Chain, limit_percent: f64) -> Option<Unclean> {
    if clip_evident(steps, result, chain) {
        return Some(Unclean::Clips);
    }
    chain.limit_inputs().into_iter().find_map(|at| {
        let (pink, input) = result.pink(at)?;
        if over_noise_db(pink) < OVER_NOISE_DB {
            None
        } else if input.gain_change_db.is_some_and(|c| c.value.abs() - c.half_width() > GAIN_TOLERANCE_DB)
            && !falls(steps, result, at)
        {
            Some(Unclean::GainMoves)
        } else if chain.has_witness() && distortion_surely_over(pink, limit_percent) {
            Some(Unclean::Distorts)
        } else {
            jumps(steps, result, at).then_some(Unclean::DistortionJumps)
        }
    })
}

/// True where even and odd order together, each at its lower limit, pass so many percent.
fn distortion_surely_over(pink: &PinkFinding, percent: f64) -> bool {
    at_least_db([&pink.even, &pink.odd]).is_some_and(|db| 100.0 * power_from_db(db).sqrt() > percent)
}

/// Quieter steps of the same seat with what they read in the middle of the band, where a driver's own distortion is small:
/// dB below this one, and the reading.
fn quieter<'a>(
    steps: &'a [StepResult],
    result: &'a StepResult,
    input: usize,
) -> impl Iterator<Item = (f64, &'a MiddleFinding)> + 'a {
    let others = steps.iter().filter(|s| s.seat == result.seat && s.step.purpose.counts());
    let read = move |s: &'a StepResult| Some((result.step.drive? - s.step.drive?, middle(s, input)?));
    others.filter_map(read).filter(|(below, _)| *below > OTHER_DRIVE_DB)
}

fn middle(step: &StepResult, input: usize) -> Option<&MiddleFinding> {
    step.pink(input)?.0.middle.as_ref()
}

/// True where the distortion surely rose faster than [`GROWTH`] since any quieter step.
fn jumps(steps: &[StepResult], result: &StepResult, input: usize) -> bool {
    let now = middle(result, input).and_then(|m| at_least_db([&m.even, &m.odd]));
    let Some(now) = now.filter(|db| *db > MATTERS_DB) else { return false };
    let growth = if now > MUCH_DB { GROWTH_OF_MUCH } else { GROWTH };
    quieter(steps, result, input).any(|(below, then)| {
        let rise = at_most_db([&then.even, &then.odd]).map(|before| now - before);
        rise.is_some_and(|rise| rise > LEAST_RISE_DB.max(growth * below))
    })
}

/// True where the distortion fell since the next quieter step about as the drive rose, or falls so towards the next louder one.
fn falls(steps: &[StepResult], result: &StepResult, input: usize) -> bool {
    let Some(now) = middle(result, input) else { return false };
    let others = steps.iter().filter(|s| s.seat == result.seat && s.step.purpose.counts());
    let read = |s| -> Option<(f64, &MiddleFinding)> {
        let step: &StepResult = s;
        Some((step.step.drive? - result.step.drive?, middle(step, input)?))
    };
    // A rise that is smaller than what two readings scatter says nothing.
    let apart: Vec<_> = others.filter_map(read).filter(|(above, _)| above.abs() > APART_DB).collect();
    let nearest = |is_louder: bool| {
        let side = apart.iter().filter(move |(above, _)| (*above > 0.0) == is_louder);
        side.min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
    };
    let fell = |from: &MiddleFinding, to: &MiddleFinding, rise: f64| {
        let (before, after) = (at_least_db([&from.even, &from.odd]), at_most_db([&to.even, &to.odd]));
        before.zip(after).is_some_and(|(before, after)| before - after > LEAST_FALL * rise)
    };
    nearest(false).is_some_and(|(above, then)| fell(then, now, -above))
        || nearest(true).is_some_and(|(above, then)| fell(now, then, *above))
}

/// What a coarse resolution (8 or 16 bit without dither) leaves: a residue of the same level whatever the drive, dB re full
/// scale at this input; `None` where none is seen.
pub fn resolution_dbfs(steps: &[StepResult], input: usize) -> Option<f64> {
    let residue = |step: &StepResult| {
        let (pink, _) = step.pink(input)?;
        let (level, m) = (pink.level_z?.value, pink.middle.as_ref()?);
        let stated = || [&m.odd, &m.even].into_iter().filter_map(|reading| reading.determined());
        let distortion = db_from_power(stated().map(|e| power_from_db(e.value)).sum())?;
        let known = stated().next()?.half_width() < STEADY_DB;
        known.then_some((level, m.level.determined()?.value + distortion, distortion))
    };
    let read: Vec<_> = steps.iter().filter(|s| s.step.purpose.counts()).filter_map(residue).collect();
    let steady = |a: &&(f64, f64, f64)| {
        read.iter().filter(|b| b.0 > a.0 + OVER_DB && b.2 < a.2).any(|b| (b.1 - a.1).abs() < STEADY_DB)
    };
    read.iter().filter(|a| a.2 > RESOLUTION_MATTERS_DB).find(steady).map(|(_, residue, _)| *residue)
}

/// What every step that counts shows of distortion in the middle of the band, where a driver's own is small: at least so much,
/// dB re the stimulus. `None` where one shows none.
pub fn distorts_always_db(steps: &[StepResult], input: usize) -> Option<f64> {
    let counted = steps.iter().filter(|s| s.step.purpose.counts() && s.pink(input).is_some());
    let each = counted.map(|step| middle(step, input).and_then(|m| at_least_db([&m.even, &m.odd])));
    each.collect::<Option<Vec<f64>>>()?.into_iter().reduce(f64::min)
}

/// Lower limit of both together, dB; `None` where neither is determined.
fn at_least_db(parts: [&Reading; 2]) -> Option<f64> {
    db_from_power(parts.into_iter().filter_map(|r| r.determined()).map(|e| power_from_db(e.interval.low)).sum())
}

/// Upper limit of both together, dB; `None` where one is not known.
fn at_most_db(parts: [&Reading; 2]) -> Option<f64> {
    let high = |reading: &Reading| match reading {
        Reading::Determined(e) => Some(power_from_db(e.interval.high)),
        Reading::Below(high) => Some(power_from_db(*high)),
        Reading::AtLeast(_) | Reading::NotDetermined(_) => None,
    };
    let [even, odd] = parts.map(high);
    db_from_power(even? + odd?)
}
