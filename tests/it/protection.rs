//! Nothing plays louder at the ear than the ceiling, whatever is asked for, and a session goes on where a card can be opened
//! again. On the simulated bench, whose true response and level are known.

use crate::common::sessions;
use loudenough::analysis::Finding;
use loudenough::audio::simulated::{BenchSpec, Fault, FaultAction, Hum, SimulatedCardSpec};
use loudenough::judgement::judge;
use loudenough::session::plan::{AskedLevel, Ceilings, Plan};
use loudenough::session::record::Record;
use loudenough::session::step::{Purpose, StopReason};
use loudenough::signal::{Burst, Stimulus, Sweep, TwoTones};
use loudenough::take::VoidReason;
use loudenough::units::{DbSpl, Dbfs};

/// Over the ceiling by no more than this, dB.
const OVER_DB: f64 = 1.0;

fn desk() -> BenchSpec {
    BenchSpec::named("desk amplifier", "closed 80 Ω").unwrap()
}

fn run(spec: &BenchSpec, card: SimulatedCardSpec, plan: Plan) -> Record {
    let home = tempfile::tempdir().unwrap();
    sessions::run(spec, card, plan, sessions::chain(spec), home.path()).unwrap().0
}

/// Once a sine on a resonance played at 104.7 dB SPL under a ceiling of 100, three times.
#[test]
fn a_sound_on_a_resonance_is_held_under_the_ceiling_by_its_own_level() {
    let ceilings = Ceilings { spl: DbSpl(100.0), ..sessions::plan(80.0).ceilings };
    let wanted = Plan {
        ceilings,
        sines_hz: vec![997.0, 3_000.0],
        beside: vec![
            Stimulus::Sweep(Sweep::STANDARD),
            Stimulus::TwoTones(TwoTones::Modulation),
            Stimulus::Burst(Burst {}),
        ],
        asked: vec![AskedLevel::Spl(DbSpl(99.5))],
        ..sessions::plan(80.0)
    };
    let record = run(&desk(), SimulatedCardSpec::default(), wanted);
    let step = record.steps.iter().find(|s| s.step.purpose == Purpose::Asked).unwrap();
    assert_eq!(step.takes.len(), 6, "each once: {:?}", step.takes.iter().map(|t| &t.void).collect::<Vec<_>>());
    let mut lowered = 0;
    for take in &step.takes {
        let finding = &take.inputs[0].finding;
        // What came back, steady sounds: level at the input and the chain's true offset.
        if let Finding::Sine(sine) = finding {
            let level = sine.level.unwrap().value + desk().microphone.full_scale_db_spl;
            assert!(level < 100.0 + OVER_DB, "{} at {level}", take.head.stimulus);
        }
        let peak_of_a_sine = finding.common().peak.map(|peak| peak.db() + desk().microphone.full_scale_db_spl);
        let is_pink = matches!(finding, Finding::Pink(_));
        // A sine of the ceiling's level has its peak there; a burst is as short as it is loud.
        let shortest = matches!(take.head.stimulus, Stimulus::Burst(_) | Stimulus::TwoTones(_));
        assert!(is_pink || shortest || peak_of_a_sine.unwrap() < 100.0 + OVER_DB, "{}", take.head.stimulus);
        lowered += usize::from(take.head.drive.rms().unwrap().db() < step.step.drive.unwrap().db() - 0.1);
    }
    assert!(lowered > 0);
    assert!(judge(&record).flaws.iter().any(|flaw| flaw.code == "lowered" && flaw.text.contains("3000 Hz")));
}

/// Once a calibrated chain with its microphone on the silent side probed up to 117 dB SPL under a ceiling of 80.
#[test]
fn a_calibrated_microphone_that_hears_nothing_does_not_raise_the_drive() {
    let mut spec = desk();
    spec.headphone.sensitivity_pa_per_v *= 1e-6;
    for (spl, most) in [(115.0, -40.0), (80.0, -70.0)] {
        let drive = Some(Dbfs(-10.0));
        let plan =
            Plan { ceilings: Ceilings { spl: DbSpl(spl), drive, ..Ceilings::default() }, ..sessions::plan(70.0) };
        let record = run(&spec, SimulatedCardSpec::default(), plan);
        assert_eq!(record.stop(), Some(&StopReason::NoSignal));
        let loudest = record.steps.iter().filter_map(|s| s.step.drive).map(Dbfs::db).fold(f64::MIN, f64::max);
        assert!((loudest - most).abs() < 1e-9, "{loudest} under a ceiling of {spl}");
    }
}

/// An offset 40 dB low once read 79 dB SPL where 119 played, and silence at −8, without a word.
#[test]
fn an_offset_that_cannot_be_is_a_doubt() {
    let spec = desk();
    for (off, code) in [(0.0, None), (-45.0, Some("offset-too-low")), (60.0, Some("offset-too-high"))] {
        let mut chain = sessions::chain(&spec);
        for acoustic in chain.acoustic.values_mut() {
            acoustic.offset = acoustic.offset.shifted(off);
        }
        let home = tempfile::tempdir().unwrap();
        let plan = Plan { listening: None, ..Plan::quick_look(loudenough::units::SampleRate::DEFAULT) };
        let (record, _) = sessions::run(&spec, SimulatedCardSpec::default(), plan, chain, home.path()).unwrap();
        let flaws = judge(&record).flaws;
        let seen = flaws.iter().find(|flaw| flaw.code.starts_with("offset-too")).map(|flaw| flaw.code.as_str());
        assert_eq!(seen, code, "{off}: {flaws:?}");
    }
}

/// The reference is played with hands near the coupler: no louder than somebody listens.
#[test]
fn the_quiet_reference_is_quiet() {
    for listening in [50.0, 70.0] {
        let record = run(&desk(), SimulatedCardSpec::default(), sessions::plan(listening));
        let level = record.last(Purpose::Reference).unwrap().pink(0).unwrap().1.sound.unwrap().z.unwrap().value;
        // 32 dB SPL of noise demand 72.
        assert!(level < listening.max(73.0), "{level} for {listening}");
    }
}

/// Mains hum as loud as the reference, once a change of volume.
#[test]
fn loud_hum_does_not_stop_a_session() {
    let mut spec = desk();
    spec.microphone.hum = [50.0, 100.0, 150.0].map(|frequency_hz| Hum { frequency_hz, level_db_spl: 70.0 }).to_vec();
    let record = run(&spec, SimulatedCardSpec::default(), sessions::plan(70.0));
    assert!(!matches!(record.stop(), Some(StopReason::TakesVoid { .. })), "{:?}", record.stop());
}

/// A door slams: the sound fades out, the same noise is heard 10 dB lower as predicted, and the session goes on. A knob that was
/// turned is not heard as predicted: it ends.
#[test]
fn after_a_trip_the_noise_is_heard_ten_decibels_lower_before_it_is_played_again() {
    let spec = desk();
    let turn = |at_s: f64, db: f64| Fault { at_frame: (48_000.0 * at_s) as u64, what: FaultAction::TurnInput(db) };
    let with = |faults| SimulatedCardSpec { faults, ..SimulatedCardSpec::default() };
    let whole = run(&spec, SimulatedCardSpec::default(), sessions::plan(70.0));
    let tripped = |record: &Record| {
        let takes = record.steps.iter().flat_map(|s| &s.takes);
        takes.filter(|t| matches!(t.void, Some(VoidReason::Protection { .. }))).count()
    };
    let record = run(&spec, with(vec![turn(30.0, 15.0), turn(30.3, -15.0)]), sessions::plan(70.0));
    assert_eq!(tripped(&record), 1);
    assert_eq!(record.stop(), whole.stop());
    let record = run(&spec, with(vec![turn(30.0, 15.0)]), sessions::plan(70.0));
    assert_eq!(tripped(&record), 1);
    let ended = record.stop().unwrap();
    assert!(matches!(ended, StopReason::TakesVoid { reason: VoidReason::Protection { .. } }), "{ended:?}");
}

/// A stream that fails is opened again and the session goes on, every time; here after each 12 s of sound.
#[test]
fn a_card_that_fails_is_opened_again() {
    let spec = desk();
    let whole = run(&spec, SimulatedCardSpec::default(), sessions::plan(70.0));
    for what in [FaultAction::Unplug, FaultAction::Storm(1_000)] {
        let fault = Fault { at_frame: 48_000 * 12, what: what.clone() };
        let card = SimulatedCardSpec { faults: vec![fault], ..SimulatedCardSpec::default() };
        let record = run(&spec, card, sessions::plan(70.0));
        let failed = record.steps.iter().flat_map(|s| &s.takes);
        let failed = failed.filter(|t| matches!(t.void, Some(VoidReason::Card { .. }))).count();
        assert!(failed > 1, "{what:?}: {failed}");
        assert_eq!(record.stop(), whole.stop());
        let stated = |record: &Record| judge(record).highest_clean.level_spl;
        let (one, other) = (stated(&whole), stated(&record));
        assert!(
            (one.determined().unwrap().value - other.determined().unwrap().value).abs() < 0.05,
            "{one:?} {other:?}"
        );
    }
}
