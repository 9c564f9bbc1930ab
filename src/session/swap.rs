//! Two outputs on one seat of the headphone, heard in turn: which take comes next in a round, and does it sound like the
//! output that was asked for?
//!
//! ```text
//!  round 1, first output    silence ─► probe … ─► reference ─► the level
//!  round 2, second output   silence ─► probe … ─► reference ─► the same level, by at most four short takes or the knob
//!  round 3, first output    silence ────────────► reference ─► the drive of round 1: what has moved since?
//! ```
//!
//! Each output is a session of its own; a round is a stretch of it that begins with silence. The headphone stays where it
//! is, so nothing scatters from seat to seat, and what seat, gain and room have drifted shows between two rounds of one
//! output.

use super::climb::{Climb, Next, OVER_NOISE_DB, QUIET, over_noise_db};
use super::matching::{MatchedOn, Target};
use super::plan::{AskedLevel, Order};
use super::record::{Record, StepResult};
use super::step::{Purpose, Step, StopReason};
use crate::units::Dbfs;

/// Rounds where nothing else is asked: first, second, first again.
pub const DEFAULT_ROUNDS: usize = 3;
/// An output whose gain is another one by this much had its volume moved, or is not the one it is said to be, dB.
pub const MOVED_DB: f64 = 0.5;
/// Two rounds within this in gain and in every one-third octave sound alike, dB: takes of one output agree better.
const ALIKE_DB: f64 = 0.05;

/// One output's stretch between two swaps.
#[derive(Clone, Copy, Debug)]
pub struct Round<'a> {
    /// Noise with this output plugged in.
    pub silence: &'a StepResult,
    /// The quiet reference.
    pub reference: &'a StepResult,
    /// The level that both outputs are held against each other at.
    pub matched: &'a StepResult,
}

/// The complete rounds of one output, in order.
pub fn rounds(record: &Record) -> Vec<Round<'_>> {
    let is_silence = |s: &StepResult| s.step.purpose == Purpose::Silence;
    // Short takes that find the level are no round.
    let careful = record.head.plan.careful_periods;
    let stretches = record.steps.chunk_by(|_, next| !is_silence(next));
    stretches
        .filter_map(|steps| {
            let last =
                |is: fn(Purpose) -> bool| steps.iter().rev().find(|s| is(s.step.purpose) && s.given_up().is_none());
            Some(Round {
                silence: last(|p| p == Purpose::Silence)?,
                reference: last(Purpose::is_reference)?,
                matched: last(|p| p == Purpose::Matched).filter(|s| s.step.periods >= careful)?,
            })
        })
        .collect()
}

/// Name of the folder of one of the two sessions.
pub fn folder_of(pair: &str, order: Order) -> String {
    format!("{pair}-{}", order.word())
}

/// The rounds of both outputs as they alternated, the first output's first: of two in a row of one output the later counts, which
/// is nearer to what follows.
pub fn alternating<'a>(first: &'a Record, second: &'a Record) -> (Vec<Round<'a>>, Vec<Round<'a>>) {
    let (mut of_first, mut of_second) = (rounds(first).into_iter(), rounds(second).into_iter());
    let mut played: Vec<(Order, Round)> = Vec::new();
    loop {
        let next = [(Order::First, of_first.next()), (Order::Second, of_second.next())];
        let found = next.into_iter().filter_map(|(order, round)| Some((order, round?)));
        let before = played.len();
        played.extend(found);
        if played.len() == before {
            break;
        }
    }
    // By the time of day, which both sessions have from one clock; rounds of one second stay as they would alternate.
    played.sort_by(|a, b| a.1.matched.finished_at.cmp(&b.1.matched.finished_at));
    let (mut ones, mut others): (Vec<Round>, Vec<Round>) = (Vec::new(), Vec::new());
    for stretch in played.chunk_by(|a, b| a.0 == b.0) {
        let Some((order, round)) = stretch.last() else { continue };
        match order {
            Order::First => ones.push(*round),
            // What the second output played before the first was heard stands between nothing.
            Order::Second if ones.is_empty() => {}
            Order::Second => others.push(*round),
        }
    }
    (ones, others)
}

/// Rounds of the first and of the second output that count.
pub fn played(first: Option<&Record>, second: Option<&Record>) -> (usize, usize) {
    match (first, second) {
        (Some(first), Some(second)) => {
            let (ones, others) = alternating(first, second);
            (ones.len(), others.len())
        }
        (first, _) => (usize::from(first.is_some_and(|first| !rounds(first).is_empty())), 0),
    }
}

/// Whose round comes next; `None` once all are played. The outputs alternate, the first begins.
pub fn next_output(first: Option<&Record>, second: Option<&Record>, wanted: usize) -> Option<Order> {
    let (ones, others) = played(first, second);
    (ones + others < wanted).then_some(if ones > others { Order::Second } else { Order::First })
}

/// The next quiet take of a round that began after `before` steps; `None` when the level itself comes next.
///
/// # Errors
/// The reason why the round ends without one.
pub fn next(climb: &Climb, before: usize) -> Result<Option<Step>, StopReason> {
    let last = climb.results.get(before..).and_then(<[StepResult]>::last);
    if let Some(reason) = last.and_then(StepResult::given_up) {
        return Err(StopReason::given_up(reason));
    }
    let step = match last.map(|last| last.step.purpose) {
        None => climb.step(Purpose::Silence, None),
        // Before the first whole round the volume may still be set: what an abandoned one found of it holds no longer.
        Some(Purpose::Silence) => match climb.reference_drive().filter(|_| was_whole(climb, before)) {
            Some(drive) => climb.step(Purpose::ReferenceAgain, Some(drive)),
            None => climb.first_probe(),
        },
        Some(Purpose::Probe) => climb.after_probe(),
        Some(_) => return Ok(None),
    };
    match step {
        Next::Step(step) => Ok(Some(step)),
        Next::Done(reason) => Err(reason),
    }
}

/// True where the first `before` steps hold a whole round.
fn was_whole(climb: &Climb, before: usize) -> bool {
    let steps = climb.results.get(..before).unwrap_or_default();
    let careful = climb.plan.careful_periods;
    let level = |s: &StepResult| s.step.purpose == Purpose::Matched && s.step.periods >= careful;
    steps.iter().any(|step| level(step) && step.given_up().is_none())
}

/// RMS drive of the first output's level: as asked for, else the listening level, else 75 dB SPL; the quiet reference's
/// own where no sound level is known.
pub fn first_drive(climb: &Climb) -> Option<Dbfs> {
    let asked = climb.plan.swap.as_ref().and_then(|swap| swap.at);
    let known = match asked {
        Some(level) => Some(climb.drive_for(&level)?),
        None => climb.listening_drive().or_else(|| climb.drive_for(&AskedLevel::Spl(QUIET))),
    };
    known.or_else(|| climb.reference_drive())
}

/// The level of the other output's last round, as the deciding input heard it.
pub fn target(other: &Record, on: MatchedOn, by_hand: bool) -> Option<Target> {
    let round = rounds(other).into_iter().next()?;
    let pink = round.matched.pink(other.head.chain.deciding_input())?.0;
    let drive = round.matched.step.drive?;
    Some(Target { on, level_dbfs: on.level_of(pink)?.value, turned_at_dbfs: by_hand.then_some(drive.db()) })
}

/// What a round's reference sounds like beside the rounds before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Sounds {
    /// As this output should, or nothing is known that it could be held against.
    Right,
    /// As the other output, not as this one.
    AsTheOther {
        /// How far its gain lies from that of this output's own last round, dB.
        off_db: f64,
    },
    /// As the other output, and this one was not heard before: two outputs that are the same, or one that was not swapped.
    Alike,
    /// As this output at another volume.
    Louder {
        /// So much louder, dB.
        by_db: f64,
    },
}

/// Holds the quiet reference just played against this output's last round and the other's.
pub fn sounds(now: &StepResult, own: Option<&StepResult>, other: Option<&StepResult>, input: usize) -> Sounds {
    let apart = |step: Option<&StepResult>| gains(step?, input).zip(gains(now, input)).map(|(a, b)| difference(&a, &b));
    match (apart(own), apart(other)) {
        (None, Some(other)) if other.most_db <= ALIKE_DB => Sounds::Alike,
        (Some(own), Some(other)) if own.gain_db.abs() > MOVED_DB && other.most_db < own.most_db / 2.0 => {
            Sounds::AsTheOther { off_db: own.gain_db }
        }
        (Some(own), _) if own.gain_db.abs() > MOVED_DB => Sounds::Louder { by_db: own.gain_db },
        _ => Sounds::Right,
    }
}

struct Apart {
    /// Of the whole, dB.
    gain_db: f64,
    /// The largest of it and of every one-third octave, dB.
    most_db: f64,
}

fn difference(before: &[(i32, f64)], now: &[(i32, f64)]) -> Apart {
    let of = |x: &i32| before.iter().find(|(other, _)| other == x).map(|(_, gain)| *gain);
    let differences = || now.iter().filter_map(|(x, gain)| Some(gain - of(x)?));
    Apart { gain_db: differences().next().unwrap_or(0.0), most_db: differences().map(f64::abs).fold(0.0, f64::max) }
}

/// Captured over played: of the whole first, then of every one-third octave that stands over its noise, dB.
fn gains(step: &StepResult, input: usize) -> Option<Vec<(i32, f64)>> {
    let (pink, _) = step.pink(input)?;
    let drive = step.step.drive?.db();
    if over_noise_db(pink) < OVER_NOISE_DB {
        return None;
    }
    let whole = (i32::MIN, pink.level_z?.value - drive);
    let clear = |band: &&crate::analysis::finding::BandFinding| {
        band.level.zip(band.noise).is_none_or(|(level, noise)| level.value - noise > CLEAR_DB)
    };
    let bands = pink.bands.iter().filter(clear).filter_map(|band| Some((band.x, band.level?.value - drive)));
    Some(std::iter::once(whole).chain(bands).collect())
}

/// A band stands over its noise by this where its gain is held against another's, dB: noise then moves it by 0.004 dB.
const CLEAR_DB: f64 = 30.0;
