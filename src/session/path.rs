//! Which take comes next in a path check? Under 20 s of sound: is the way to the ear straight, before anything is measured?
//!
//! ```text
//!  silence ─► probe −70, −45 … until it is above the noise ─► both channels, 50 dB over it
//!          ─► both again, 25 dB quieter (where one probe was enough) ─► left alone ─► right alone
//! ```
//!
//! Decided like a climb from plan, chain and finished steps, behind the same ceilings.

use super::climb::{Climb, FIRST_PROBE, Next, OVER_NOISE_DB, over_noise_db};

use super::record::StepResult;
use super::step::{Purpose, Step, StopReason};
use crate::units::Dbfs;

/// The loudest takes stand this far over the noise, where the ceilings allow it, dB: enough for crosstalk of −40 dB.
pub const WANTED_OVER_NOISE_DB: f64 = 50.0;
/// Rise of the probe, dB. What was not heard stands less than [`OVER_NOISE_DB`] over the noise: the next one less than
/// 35 dB, quiet in any room.
pub const PROBE_STEP_DB: f64 = 25.0;
/// Where one probe was enough there is time for one more step, this far under the loudest, dB.
pub const QUIETER_DB: f64 = 25.0;
/// Channels alone are played quieter than both together, so that they are a step of their own, as long as they stand this
/// far over the noise, dB: enough for crosstalk of −40 dB.
const ALONE_OVER_NOISE_DB: f64 = 35.0;
/// Unless that is less than a step, dB.
const LEAST_STEP_DB: f64 = 6.0;
/// Route delay allowed for before it is measured, seconds: five takes that never show it stay under 20 s, and one that is
/// longer is still seen in a take that is above the noise. Once it is known, no more is played than is heard.
pub const DELAY_ALLOWED_S: f64 = 0.7;
/// Periods of silence: it is no sound, and the noise is determined better.
const SILENT_PERIODS: usize = 4;
/// Drives closer than this are the same, dB.
const SAME_DB: f64 = 0.05;

/// The next step, or the end.
pub fn next(climb: &Climb) -> Next {
    let Some(last) = climb.results.last() else {
        return match climb.step(Purpose::Silence, None) {
            Next::Step(step) => Next::Step(Step { periods: SILENT_PERIODS, ..step }),
            done @ Next::Done(_) => done,
        };
    };
    match last.step.purpose {
        Purpose::Silence => climb.step(Purpose::Probe, Some(Dbfs(FIRST_PROBE.db().min(climb.limit().0.db())))),
        Purpose::Probe => match loudest(climb) {
            None => after_probe(climb, last),
            Some(loudest) => alone(climb, loudest),
        },
        Purpose::Reference => after_both(climb, last),
        Purpose::LeftAlone => under_ceilings(climb, Purpose::RightAlone, last, 0.0),
        _ => Next::Done(StopReason::PathChecked),
    }
}

/// How far the ear that hears best is above the noise, dB.
pub fn heard_db(climb: &Climb, step: &StepResult) -> f64 {
    let ears = climb.chain.ears().filter_map(|(input, _)| step.pink(input));
    ears.map(|(pink, _)| over_noise_db(pink)).fold(f64::NEG_INFINITY, f64::max)
}

fn after_probe(climb: &Climb, last: &StepResult) -> Next {
    let (drive, limit) = (last.step.drive.unwrap_or(FIRST_PROBE).db(), climb.limit().0.db());
    let over = heard_db(climb, last);
    if over >= OVER_NOISE_DB {
        // Over a digital loop, which has no noise, the ceiling alone counts.
        let wanted = if over.is_finite() { (drive + WANTED_OVER_NOISE_DB - over).max(drive) } else { limit };
        return climb.step(Purpose::Reference, Some(Dbfs(wanted.min(limit))));
    }
    let next = Dbfs((drive + PROBE_STEP_DB).min(limit));
    let probes = climb.results.iter().filter(|r| r.step.purpose == Purpose::Probe).count();
    // A third probe would cost the time of a channel alone: what is played next serves as the level itself.
    let purpose = if probes < 2 && limit - next.db() > SAME_DB { Purpose::Probe } else { Purpose::Reference };
    climb.step(purpose, Some(next))
}

fn loudest<'a>(climb: &Climb<'a>) -> Option<&'a StepResult> {
    climb.results.iter().rev().find(|r| r.step.purpose == Purpose::Reference)
}

fn after_both(climb: &Climb, last: &StepResult) -> Next {
    let over = heard_db(climb, last);
    if over < OVER_NOISE_DB {
        return Next::Done(climb.nothing_heard());
    }
    // A low ceiling kept the unheard probe so quiet that it was hardly heard: now that it is, one louder step.
    let limit = climb.limit().0.db();
    let drive = last.step.drive.unwrap_or(FIRST_PROBE).db();
    let louder = (drive + WANTED_OVER_NOISE_DB - over).min(limit);
    let first = climb.results.iter().filter(|r| r.step.purpose == Purpose::Reference).count() == 1;
    if first && over < ALONE_OVER_NOISE_DB && louder - drive >= LEAST_STEP_DB {
        return climb.step(Purpose::Reference, Some(Dbfs(louder)));
    }
    let probes = climb.results.iter().filter(|r| r.step.purpose == Purpose::Probe).count();
    let below = QUIETER_DB.min(over - OVER_NOISE_DB);
    if probes < 2 && below >= LEAST_STEP_DB {
        return under_ceilings(climb, Purpose::Probe, last, below);
    }
    alone(climb, last)
}

fn alone(climb: &Climb, loudest: &StepResult) -> Next {
    // One channel alone cannot be told apart from itself.
    if climb.chain.routing.playback_channels.len() < 2 {
        return Next::Done(StopReason::PathChecked);
    }
    let below = (heard_db(climb, loudest) - ALONE_OVER_NOISE_DB).min(QUIETER_DB);
    let below = if below >= LEAST_STEP_DB { below } else { 0.0 };
    under_ceilings(climb, Purpose::LeftAlone, loudest, below)
}

/// So many dB below a step played before. What that step showed may have lowered a ceiling by a hair.
fn under_ceilings(climb: &Climb, purpose: Purpose, played: &StepResult, below_db: f64) -> Next {
    let limit = climb.limit().0.db();
    climb.step(purpose, played.step.drive.map(|drive| Dbfs((drive.db() - below_db).min(limit))))
}
