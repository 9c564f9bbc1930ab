//! How loud a reference, a seat and a quick look may be, and which ear ends the climb.

use super::*;

/// Levels at the ear of the reference: 120 dB SPL at 0 dBFS, gain 0 dB.
fn reference_spl(plan: &Plan, noise_dbfs: f64) -> f64 {
    let desk = Desk { noise_dbfs, ..Desk::quiet(0.0) };
    drives(&run(plan, &chain(Some(120.0)), &desk).0, Purpose::Reference)[0] + 120.0
}

/// Noise of 0 dB SPL: 60 dB over it is wanted. A listener at 50 dB SPL has it no louder; one at 90 gets the 60; where no level
/// is stated 75 dB SPL hold, and only noise raises it: 40 dB over it at least.
#[test]
fn the_reference_is_no_louder_than_one_listens_unless_noise_demands_it() {
    let session = || Plan::session(SampleRate::DEFAULT);
    let near = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-6, "{found} for {expected}");
    near(reference_spl(&listening(session(), 50.0), -120.0), 50.0);
    near(reference_spl(&listening(session(), 90.0), -120.0), 60.0);
    near(reference_spl(&session(), -100.0), QUIET.db());
    near(reference_spl(&listening(session(), 50.0), -90.0), 70.0);
}

/// A listener at 95 dB SPL and a noisy room: the climb's reference is as loud, but not with hands at the coupler.
#[test]
fn no_seat_is_louder_than_hands_at_the_coupler_allow() {
    let plan = listening(Plan::session(SampleRate::DEFAULT), 95.0);
    let (calibrated, desk) = (chain(Some(120.0)), Desk { noise_dbfs: -70.0, ..Desk::quiet(0.0) });
    let (results, _) = run(&plan, &calibrated, &desk);
    assert!(drives(&results, Purpose::Reference)[0] + 120.0 > AT_HANDS.db() + 5.0);
    let climb = Climb { plan: &plan, chain: &calibrated, period: &desk.period, results: &results };
    for step in [climb.seat_step(), climb.position_step()] {
        let level = step.and_then(|step| step.drive).unwrap().db() + 120.0;
        assert!((level - AT_HANDS.db()).abs() < 1e-6, "{level}");
    }
}

#[test]
fn a_quick_look_that_nobody_stated_a_level_for_stays_under_94_db_spl() {
    let desk = Desk::quiet(0.0);
    let (results, _) = run(&Plan::quick_look(SampleRate::DEFAULT), &chain(Some(120.0)), &desk);
    let loudest = results.iter().filter_map(|r| r.step.drive).map(Dbfs::db).fold(f64::MIN, f64::max) + 120.0;
    assert!((loudest - QUICK_UNASKED.db()).abs() < 1e-6, "{loudest}");
}

/// What clips at one ear alone, a channel of its own, is found whichever ear it is.
#[test]
fn a_limit_at_the_other_ear_ends_the_climb() {
    let mut both = chain(Some(120.0));
    both.routing.capture_channels.push(CaptureChannel { channel: 1, role: InputRole::RightEar });
    both.take_offset(InputRole::RightEar, Acoustic::typed(120.0, 0.0, "2026-01-01T00:00:00Z").unwrap());
    let desk = Desk { other_ear_clips_at: Some(-20.0), ..Desk::quiet(-5.0) };
    let (results, reason) = run(&listening(Plan::session(SampleRate::DEFAULT), 70.0), &both, &desk);
    assert_eq!(reason, StopReason::ClipEvidence);
    assert_eq!(drives(&results, Purpose::Threshold).len(), 1);
    let climb = drives(&results, Purpose::Climb);
    assert!(climb.last().unwrap() > &-20.0 && climb[climb.len() - 2] <= -20.0, "{climb:?}");
}
