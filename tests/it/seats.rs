//! Further seats of the headphone: each is one take after the climb, held against the first, and what the fit changes
//! stands in the answer. True differences are the simulated seats' own (a pure gain, a leak of known corner).

use crate::common::sessions::{bench, chain, finish, frozen, plan};
use loudenough::analysis::Weight;
use loudenough::audio::simulated::{BenchSpec, SeatSpec, SimulatedCardSpec};
use loudenough::calibration::Acoustic;
use loudenough::card::{CaptureChannel, InputRole};
use loudenough::judgement::{Judgement, judge};
use loudenough::session::chain::Chain;
use loudenough::session::plan::Plan;
use loudenough::session::protocol::{Command, Event, SessionRequest};
use loudenough::session::record::Record;
use loudenough::session::runner::Bench;
use loudenough::session::storage::Storage;
use loudenough::session::{reanalyse, step::Purpose};
use loudenough::stats::{mean_of, student_t_95};
use loudenough::units::SampleRate;
use std::path::{Path, PathBuf};

/// Levels of a quiet take 50 dB over noise, dB.
const LEVEL_DB: f64 = 0.02;

fn quiet_desk(seats: &[SeatSpec]) -> BenchSpec {
    let mut spec = BenchSpec::default();
    spec.microphone.noise_db_spl = Some(20.0);
    spec.seats = seats.to_vec();
    spec
}

fn quick() -> Plan {
    Plan { listening: plan(70.0).listening, ..Plan::quick_look(SampleRate::DEFAULT) }
}

/// A quick look, then further seats without holding.
fn with_seats(spec: &BenchSpec, chain: Chain, sessions: &Path) -> (Record, PathBuf) {
    let bench = bench(spec, SimulatedCardSpec::default());
    let mut last = looked(&bench, chain, sessions);
    for _ in &spec.seats {
        last = seat(&bench, &last.1, false).unwrap();
    }
    last
}

fn looked(bench: &Bench, chain: Chain, sessions: &Path) -> (Record, PathBuf) {
    let request = SessionRequest { plan: quick(), chain, sessions: sessions.into(), id: Some("seats".into()) };
    bench.commands.send(Command::Run(Box::new(request))).unwrap();
    finish(bench).unwrap()
}

fn seat(bench: &Bench, folder: &Path, hold: bool) -> Result<(Record, PathBuf), String> {
    bench.commands.send(Command::Seat { folder: folder.into(), hold }).unwrap();
    finish(bench)
}

fn louder(louder_db: f64) -> SeatSpec {
    SeatSpec { louder_db, ..SeatSpec::default() }
}

fn codes(judgement: &Judgement) -> Vec<(&str, Weight)> {
    judgement.flaws.iter().filter(|f| f.code.starts_with("leak")).map(|f| (f.code.as_str(), f.weight)).collect()
}

#[test]
fn the_answer_is_that_of_the_mean_seat_with_students_interval() {
    let folder = tempfile::tempdir().unwrap();
    let set = [0.0, 0.6, -0.3];
    let spec = quiet_desk(&[louder(set[1]), louder(set[2])]);
    let (record, path) = with_seats(&spec, chain(&spec), folder.path());
    let one = Record { steps: record.climbed().cloned().collect(), ..record.clone() };
    let (one, all) = (judge(&one), judge(&record));
    let ear = &all.seats[0];
    for (fit, louder) in ear.fits.iter().zip(set) {
        let stated = fit.level_db - ear.fits[0].level_db;
        assert!((stated - louder).abs() < LEVEL_DB, "seat {}: {stated} for {louder}", fit.seat);
    }
    let mean = mean_of(&set).unwrap();
    let (before, after) =
        (one.highest_clean.level_spl.estimate().unwrap(), all.highest_clean.level_spl.estimate().unwrap());
    assert!((after.value - before.value - mean.value).abs() < LEVEL_DB, "{before:?} {after:?}");
    // t(2) = 4.303 (JCGM 100, table G.2).
    assert!((mean.half_width() - student_t_95(2.0) * ear.spread_db.unwrap() / 3f64.sqrt()).abs() < LEVEL_DB);
    assert!((after.half_width() - before.half_width().hypot(mean.half_width())).abs() < 2.0 * LEVEL_DB);
    assert!(one.sentence.contains(", one seat") && all.sentence.contains("mean of 3 seats"), "{}", all.sentence);
    let budget = all.budget.unwrap();
    assert!(budget.contributions.iter().any(|c| c.what.starts_with("seats")), "{budget:?}");
    assert!(one.budget.unwrap().left_out.iter().any(|l| l.contains("one seat")));

    // Kept, read back and recomputed alike; each seat took under 6 s.
    let (_, stored) = Storage::open(&path).unwrap();
    assert_eq!(stored, record);
    assert!(reanalyse::reanalyse(&path, false).unwrap().changed.is_empty());
    for step in record.steps.iter().filter(|s| s.step.purpose == Purpose::Seat) {
        let frames = step.takes[0].head.periods * 65_536 + 12_000;
        assert!(step.takes.len() == 1 && (frames as f64) < 6.0 * 48_000.0);
    }
}

#[test]
fn a_seat_that_leaks_is_stated_and_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let leak = SeatSpec { leak_hz: Some(150.0), ..louder(-1.0) };
    let spec = quiet_desk(&[louder(0.4), leak, louder(0.2)]);
    let (record, _) = with_seats(&spec, chain(&spec), folder.path());
    let judgement = judge(&record);
    let ear = &judgement.seats[0];
    assert_eq!(ear.leaks.iter().map(|(seat, _)| *seat).collect::<Vec<_>>(), [3], "{:?}", ear.leaks);
    assert!((ear.level.unwrap().value - 0.2).abs() < LEVEL_DB && ear.tight() == 3);
    assert_eq!(codes(&judgement), [("leak-left-out", Weight::Note)]);
    // A first-order high-pass at 150 Hz takes 9.0 dB from pink noise of 20–100 Hz if the noise were flat there.
    assert!((5.0..13.0).contains(&ear.leaks[0].1), "{:?}", ear.leaks);
}

#[test]
fn two_ears_tell_their_difference() {
    let folder = tempfile::tempdir().unwrap();
    let mut spec = quiet_desk(&[louder(0.5), louder(-0.5)]);
    spec.headphone.right_louder_db = 0.7;
    let mut chain = chain(&spec);
    chain.routing.capture_channels.push(CaptureChannel { channel: 1, role: InputRole::RightEar });
    let offset = Acoustic::typed(spec.microphone.full_scale_db_spl, 0.0, &frozen()).unwrap();
    chain.take_offset(InputRole::RightEar, offset);
    let (record, _) = with_seats(&spec, chain, folder.path());
    let judgement = judge(&record);
    let difference = judgement.left_less_right.unwrap();
    assert!((difference.value + 0.7).abs() < LEVEL_DB && judgement.seats.len() == 2, "{difference:?}");
}

#[test]
fn noise_is_held_until_somebody_says_that_it_sits_and_a_stop_adds_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let spec = quiet_desk(&[louder(0.3)]);
    let bench = bench(&spec, SimulatedCardSpec::default());
    let (before, path) = looked(&bench, chain(&spec), folder.path());
    let held = |ends: &dyn Fn()| {
        bench.commands.send(Command::Seat { folder: path.clone(), hold: true }).unwrap();
        let mut looks = 0;
        loop {
            match bench.events.recv().unwrap() {
                Event::Seating { ears, .. } if !ears.is_empty() => {
                    let sits = ears[0].1.fits.last().unwrap().level_db - ears[0].1.fits[0].level_db;
                    assert!((sits - 0.3).abs() < LEVEL_DB, "{sits}");
                    looks += 1;
                    if looks == 2 {
                        ends();
                    }
                }
                Event::Ended { record, .. } => return (record, looks),
                Event::Failed(failure) => panic!("{}", failure.message),
                _ => {}
            }
        }
    };
    let (stopped, looks) = held(&|| bench.stop.now());
    assert!(*stopped == before && looks >= 2);
    let (sat, _) = held(&|| bench.ready.now());
    assert_eq!((sat.seat(), sat.steps.len()), (2, before.steps.len() + 1));
    assert_eq!(Storage::open(&path).unwrap().1, *sat);
}

#[test]
fn a_session_that_is_not_finished_takes_no_seat() {
    let folder = tempfile::tempdir().unwrap();
    let spec = quiet_desk(&[]);
    let bench = bench(&spec, SimulatedCardSpec::default());
    let (record, _) = looked(&bench, chain(&spec), folder.path());
    let mut head = record.head;
    head.id = "begun".into();
    let storage = Storage::create(folder.path(), &head).unwrap();
    let begun = storage.folder().to_path_buf();
    drop(storage);
    let refused = seat(&bench, &begun, false).unwrap_err();
    assert!(refused.contains("added to a finished session"), "{refused}");
}

/// Pink noise through the simulated headphone's isolation, `(s² + s·a/q + 1)/(s² + s/(a·q) + 1)` with
/// `s = j·tan(πf/rate)/tan(πf0/rate)` (its closed form): per band the mean of |H|² over the logarithm of frequency.
fn comes_through_db(x: i32, (f0, q, gain_db): (f64, f64, f64)) -> f64 {
    let (a, rate) = (10f64.powf(gain_db / 40.0), 48_000.0);
    let tangent = |f: f64| (std::f64::consts::PI * f / rate).tan();
    let power = |f: f64| {
        let w = tangent(f) / tangent(f0);
        let part = |slope: f64| (1.0 - w * w).powi(2) + (w * slope).powi(2);
        part(a / q) / part(1.0 / (a * q))
    };
    let points = 200;
    let at = |i: i32| 1000.0 * 10f64.powf(0.1 * (f64::from(x) + (f64::from(i) + 0.5) / f64::from(points) - 0.5));
    10.0 * ((0..points).map(|i| power(at(i))).sum::<f64>() / f64::from(points)).log10()
}

/// Two takes of 11 s of stationary noise scatter by 4.343·√(2/(B·T)) dB: allowed is three times that.
#[test]
fn what_the_headphone_keeps_out_is_stated_per_third_octave() {
    let folder = tempfile::tempdir().unwrap();
    let spec = quiet_desk(&[]);
    let shape = (2_000.0, 0.35, -24.0);
    let bench = bench(&spec, SimulatedCardSpec::default());
    let (_, path) = looked(&bench, chain(&spec), folder.path());
    let listen = |covered| {
        bench.commands.send(Command::Listen { folder: path.clone(), covered }).unwrap();
        finish(&bench).unwrap().0
    };
    assert_eq!(judge(&listen(false)).isolation, None);
    let record = listen(true);
    let isolation = judge(&record).isolation.unwrap();
    let mut held = 0;
    for (x, reading) in &isolation.bands {
        let stated = reading.determined().unwrap_or_else(|| panic!("band {x}: {reading:?}"));
        let truth = -comes_through_db(*x, shape);
        let width_hz = 1000.0 * 10f64.powf(0.1 * f64::from(*x)) * 0.2316;
        let scatter = 4.343 * (2.0 / (width_hz * 10.9)).sqrt();
        assert!((stated.value - truth).abs() < 3.0 * scatter + 0.05, "band {x}: {stated:?} for {truth}");
        held += usize::from(stated.holds(truth));
    }
    assert!(held >= 27, "{held} of {} intervals hold", isolation.bands.len());
    assert!(isolation.a_weighted.determined().is_some_and(|a| (10.0..24.0).contains(&a.value)), "{isolation:?}");
    assert!(reanalyse::reanalyse(&path, false).unwrap().changed.is_empty());
    assert_eq!(Storage::open(&path).unwrap().1, record);
}
