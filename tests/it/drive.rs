//! How much drive the listener takes, and the output's own volume control, against the simulator's set values.

use crate::common::sessions::{bench, chain, finish, plan, run};
use crate::common::truth::steady_period;
use crate::music::{desk, session};
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec, Turn};
use loudenough::judgement::{ListeningAt, judge};
use loudenough::session::plan::Plan;
use loudenough::session::protocol::Command;
use loudenough::session::step::Purpose;
use loudenough::units::SampleRate;
use std::f64::consts::SQRT_2;

/// What a level on a quiet bench keeps, dB.
const NEAR_DB: f64 = 0.05;

/// RMS drive of the session's noise that gives this level, by the bench's closed forms (far under its limit), dBFS.
fn true_drive(spec: &BenchSpec, level_db_spl: f64) -> f64 {
    let period = Plan::session(SampleRate::DEFAULT).pink.period(SampleRate::DEFAULT);
    let at = |gain: f64| steady_period(spec, &period.samples, gain, 48_000.0).level_db_spl();
    let quiet = at(0.01);
    period.full_drive().unwrap().db() - 40.0 + level_db_spl - quiet
}

#[test]
fn the_drive_for_the_listener_is_that_of_the_bench() {
    let needed = judge(session()).drive_needed.unwrap();
    let full = Plan::session(SampleRate::DEFAULT).pink.period(SampleRate::DEFAULT).full_drive().unwrap().db();
    for (drive, level) in [(&needed.listening, 70.0), (&needed.wanted, 90.0)] {
        let truth = true_drive(&desk(), level);
        assert!((drive.drive.value - truth).abs() < NEAR_DB, "{level}: {drive:?} for {truth}");
        assert!((drive.peak_db.value - (truth - full)).abs() < NEAR_DB);
        assert!((20.0 * (drive.share_percent.value / 100.0).log10() - (truth - full)).abs() < NEAR_DB);
        let volts = desk().output.volts_per_fs / SQRT_2 * 10f64.powf(truth / 20.0);
        let stated = drive.at_load.unwrap().volts.value;
        assert!((20.0 * (stated / volts).log10()).abs() < NEAR_DB, "{stated} V for {volts}");
        let peak_v = desk().output.volts_per_fs * 10f64.powf((truth - full) / 20.0);
        assert!((20.0 * (drive.peak_v.unwrap().value / peak_v).log10()).abs() < NEAR_DB);
    }
}

/// A control turned from the session's position down by 3, 7 and 13 dB, once through a position where it stays for a
/// moment only, and back up: every position is found once, and nothing between.
#[test]
fn every_position_of_a_volume_control_is_found_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let card = SimulatedCardSpec::default;
    let quick = Plan { listening: plan(70.0).listening, ..Plan::quick_look(SampleRate::DEFAULT) };
    let (before, path) = run(&desk(), card(), quick, chain(&desk()), folder.path()).unwrap();
    assert!(judge(&before).taper.is_none());
    let mut turned = desk();
    turned.output.turns = [(15.0, -3.0), (30.0, -5.0), (31.0, -7.0), (45.0, -13.0), (60.0, -7.0)]
        .map(|(at_s, gain_db)| Turn { at_s, gain_db })
        .to_vec();
    let bench = bench(&turned, card());
    bench.commands.send(Command::Positions { folder: path }).unwrap();
    let (record, _) = finish(&bench).unwrap();
    let kept = record.steps.iter().filter(|s| s.step.purpose == Purpose::Position).count();
    assert_eq!(kept, 5, "the position passed on the way back is kept again");
    assert_eq!(record.climbed().count(), before.steps.len(), "none of them belongs to the climb");
    let judgement = judge(&record);
    let taper = judgement.taper.unwrap();
    let stated: Vec<f64> = taper.positions.iter().map(|p| p.change_db.value).collect();
    for (stated, truth) in stated.iter().zip([-13.0, -7.0, -3.0, 0.0]) {
        assert!((stated - truth).abs() < NEAR_DB, "{stated} for {truth}");
    }
    assert_eq!(stated.len(), 4, "{stated:?}");
    assert!((taper.range_db - 13.0).abs() < NEAR_DB);
    // The loudest noise at the session's position stands so far over the listening level.
    let full = Plan::session(SampleRate::DEFAULT).pink.period(SampleRate::DEFAULT).full_drive().unwrap().db();
    let over = full - true_drive(&desk(), 70.0);
    let expected = if over > 13.0 { ListeningAt::UnderTheRange } else { ListeningAt::NotDetermined };
    assert_eq!(taper.listening, expected, "{over} dB over");
    assert_eq!(judgement.headroom, judge(&before).headroom, "the verdict is that of the session's position");
}
