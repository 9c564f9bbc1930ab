//! How many steps there will be, as far as the plan tells: an estimate for the status line.

use super::super::climb::{Climb, FIRST_PROBE, START_BELOW_LISTENING_DB, START_UNKNOWN};
use super::super::plan::{Extent, Plan, UNCALIBRATED_CEILING};
use super::super::record::Record;
use super::super::step::{Purpose, Step};

/// Steps in all, as far as the plan tells: an estimate for the status line.
pub(super) fn expected_steps(record: &Record, next: &Step) -> usize {
    let plan = &record.head.plan;
    let after = match (plan.extent, next.purpose) {
        (_, Purpose::Asked) => climb_steps(plan) + 3,
        (Extent::QuickLook, Purpose::Silence | Purpose::Probe) => plan.asked.len() + 3,
        (Extent::QuickLook, Purpose::Reference) => 2,
        (Extent::QuickLook, _) => usize::from(next.number < 6),
        (Extent::Session, Purpose::Silence | Purpose::Probe | Purpose::Reference) => {
            plan.asked.len() + climb_steps(plan) + 3
        }
        (Extent::PathCheck, Purpose::Silence) => 5,
        (Extent::PathCheck, Purpose::Probe) if record.last(Purpose::Reference).is_none() => 3,
        (Extent::PathCheck, Purpose::Probe) => 2,
        (Extent::PathCheck, Purpose::Reference) => {
            if next.number < 4 {
                3
            } else {
                2
            }
        }
        (Extent::PathCheck, _) => usize::from(next.purpose == Purpose::LeftAlone),
        (Extent::Swap, Purpose::Silence) if record.last(Purpose::Reference).is_some() => 2,
        (Extent::Swap, Purpose::Silence) => 5,
        (Extent::Swap, Purpose::Probe) => 2,
        (Extent::Swap, Purpose::Reference | Purpose::ReferenceAgain) => 1,
        (Extent::Swap, _) => 0,
        (Extent::Session, Purpose::Climb) => steps_to_limit(record, next) + 1,
        (Extent::Session, Purpose::Threshold | Purpose::Bisect) => 1,
        (Extent::Session, _) => 0,
    };
    next.number + after
}

fn climb_steps(plan: &Plan) -> usize {
    let range = match plan.listening {
        Some(l) => plan.ceilings.spl.db() - l.level.db() + START_BELOW_LISTENING_DB,
        None => -UNCALIBRATED_CEILING.db().min(0.0) - (FIRST_PROBE.db() - START_UNKNOWN.db()).abs() + 8.0,
    };
    (range / plan.step_db).ceil().clamp(1.0, 60.0) as usize
}

fn steps_to_limit(record: &Record, next: &Step) -> usize {
    let plan = &record.head.plan;
    let period = plan.pink.period(record.head.chain.routing.playback_rate);
    let climb = Climb { plan, chain: &record.head.chain, period: &period, results: &record.steps };
    let (Some(drive), Some(full)) = (next.drive, period.full_drive()) else { return 0 };
    let limit = climb.ceiling().rms.db().min(full.db());
    (((limit - drive.db()) / plan.step_db).ceil().max(0.0) as usize).min(60)
}
