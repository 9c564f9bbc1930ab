//! Two sessions side by side: the same output twice, a planted difference, and what cannot be compared.

use crate::common::sessions::{bench, chain, finish, frozen, plan, run};
use loudenough::analysis::{MOST_TAPS, residue};
use loudenough::audio::simulated::{BenchSpec, SeatSpec, Shape, SimulatedCardSpec};
use loudenough::card::InputRole;
use loudenough::judgement::comparison::{
    Ask, Basis, Comparison, MatchedOn, NotComparable, Outcome, Product, Where, blue_is_first, compare, compare_hidden,
    sentence, target,
};
use loudenough::judgement::judge;
use loudenough::session::chain::Chain;
use loudenough::session::lines::lines;
use loudenough::session::matching::Target;
use loudenough::session::plan::{Extent, Plan};
use loudenough::session::protocol::{Command, Event, SessionRequest};
use loudenough::session::record::{Happening, Record};
use loudenough::session::seats::{Fit, seats};
use loudenough::session::step::Purpose;
use loudenough::session::storage::Storage;
use loudenough::signal::Stimulus;
use loudenough::stats::Reading;
use loudenough::units::SampleRate;
use std::path::Path;

/// Levels of bands 50 dB over noise, dB.
const LEVEL_DB: f64 = 0.03;

/// Levels of single 1/48-octave cells 40 dB over their noise, dB.
const FINE_DB: f64 = 0.2;

fn desk(seed: u64) -> BenchSpec {
    let mut spec = BenchSpec { seed, ..BenchSpec::default() };
    spec.microphone.noise_db_spl = Some(15.0);
    spec
}

fn session(spec: &BenchSpec, sessions: &Path) -> Record {
    run(spec, SimulatedCardSpec::default(), plan(70.0), chain(spec), sessions).unwrap().0
}

/// The same numbers as another session.
fn other(record: &Record) -> Record {
    let mut other = record.clone();
    other.head.id.push_str("-again");
    other
}

fn one_seat() -> Ask {
    Ask { same_seat: true, ..Ask::default() }
}

#[test]
fn the_same_output_twice_is_the_same_in_every_band() {
    let folder = tempfile::tempdir().unwrap();
    let (a, b) = (session(&desk(1), folder.path()), session(&desk(2), folder.path()));
    let comparison = compare(&a, &b, &one_seat()).unwrap();
    assert_eq!(comparison.overall, Outcome::Same, "{comparison:?}");
    assert_eq!(comparison.bands.len(), 31);
    assert!(comparison.fine.len() > 300 && comparison.fine.iter().all(|p| p.difference_db.value.abs() < FINE_DB));
    assert!(
        comparison.distortions.quantities.iter().all(|q| q.outcome != Outcome::Differs),
        "{:?}",
        comparison.distortions
    );
    assert!(comparison.bands.iter().all(|band| band.difference_db.value.abs() < LEVEL_DB));
    let (a, b) = comparison.played.unwrap();
    assert!((a.drive_dbfs - b.drive_dbfs).abs() < LEVEL_DB);
}

/// The second output rises by a peak of 1.2 dB at 1 kHz (closed form `(s² + s·a/q + 1)/(s² + s/(a·q) + 1)`, bilinear);
/// matched at 1 kHz every other band stands lower by what the peak gives there less.
#[test]
fn a_planted_difference_is_found_and_stated_in_its_size() {
    let folder = tempfile::tempdir().unwrap();
    let (f0, q, gain_db) = (1_000.0, 2.0, 1.2);
    let mut other = desk(2);
    other.microphone.response.push(Shape::Peak { frequency_hz: f0, q, gain_db });
    let (a, b) = (session(&desk(1), folder.path()), session(&other, folder.path()));
    let comparison = compare(&a, &b, &Ask { on: MatchedOn::OneKilohertz, at: Some(70.0), ..one_seat() }).unwrap();
    let planted = |x: i32| {
        let factor = 10f64.powf(gain_db / 40.0);
        let tangent = |f: f64| (std::f64::consts::PI * f / 48_000.0).tan();
        let power = |f: f64| {
            let w = tangent(f) / tangent(f0);
            let part = |slope: f64| (1.0 - w * w).powi(2) + (w * slope).powi(2);
            part(factor / q) / part(1.0 / (factor * q))
        };
        let at = |i: u32| 1000.0 * 10f64.powf(0.1 * (f64::from(x) + (f64::from(i) + 0.5) / 200.0 - 0.5));
        10.0 * ((0..200).map(|i| power(at(i))).sum::<f64>() / 200.0).log10()
    };
    for band in &comparison.bands {
        let truth = planted(band.x) - planted(0);
        assert!((band.difference_db.value - truth).abs() < LEVEL_DB, "band {}: {band:?} for {truth}", band.x);
        // Planted beyond the limit by more than the smallest difference that can be found: it must be found.
        if truth.abs() > comparison.within_db + 2.0 * (band.smallest_db.unwrap() - comparison.within_db) + LEVEL_DB {
            assert_eq!(band.outcome, Outcome::Differs, "band {}", band.x);
        }
    }
    assert_eq!(comparison.overall, Outcome::Differs);
    assert!((comparison.level_db - 70.0).abs() < 1e-12 && comparison.is_spl);
}

/// A session with two further seats that change so much.
fn three_seats(seed: u64, seats: [SeatSpec; 2], sessions: &Path) -> Record {
    let spec = BenchSpec { seats: seats.to_vec(), ..desk(seed) };
    let bench = bench(&spec, SimulatedCardSpec::default());
    let (sessions, chain) = (sessions.to_path_buf(), chain(&spec));
    let plan = Plan { listening: plan(70.0).listening, ..Plan::session(SampleRate::DEFAULT) };
    let request = SessionRequest { plan, chain, sessions, id: Some(format!("seats-{seed}")) };
    bench.commands.send(Command::Run(Box::new(request))).unwrap();
    let (_, path) = finish(&bench).unwrap();
    let seat = || {
        bench.commands.send(Command::Seat { folder: path.clone(), hold: false }).unwrap();
        finish(&bench).unwrap().0
    };
    seat();
    seat()
}

/// Seats that are louder, all bands alike, change nothing at matched level; seats that change the treble widen its
/// interval to Student's of two times three seats, whose scatter is pooled.
#[test]
fn between_seats_the_shape_of_the_fit_widens_the_intervals() {
    let folder = tempfile::tempdir().unwrap();
    let louder = [0.5, -0.4].map(|louder_db| SeatSpec { louder_db, ..SeatSpec::default() });
    let (a, b) = (three_seats(1, louder, folder.path()), three_seats(2, louder, folder.path()));
    let one = |record: &Record| Record { steps: record.climbed().cloned().collect(), ..record.clone() };
    assert_eq!(compare(&one(&a), &one(&b), &Ask::default()), Err(NotComparable::SeatsUnknown));
    let comparison = compare(&a, &b, &Ask::default()).unwrap();
    assert_eq!(comparison.seats, Some((3, 3)));
    assert!(comparison.bands.iter().all(|band| band.difference_db.half_width() < LEVEL_DB * 10.0));

    let treble = [1.2, -0.9].map(|treble_db| SeatSpec { treble_db, ..SeatSpec::default() });
    let (a, b) = (three_seats(3, treble, folder.path()), three_seats(4, treble, folder.path()));
    let comparison = compare(&a, &b, &Ask::default()).unwrap();
    let squares = |record: &Record| {
        let fits = &seats(record)[0].fits;
        let shape = |f: &Fit| f.bands.iter().find(|(x, _)| *x == 9).unwrap().1 - f.level_db;
        let mean = fits.iter().map(shape).sum::<f64>() / 3.0;
        fits.iter().map(|f| (shape(f) - mean).powi(2)).sum::<f64>()
    };
    // Of 31 intervals that together miss in 2 % (scipy: t.ppf(1 − 0.02/62, 16)).
    let expected = 4.224_101 * ((squares(&a) + squares(&b)) / 4.0 * (2.0 / 3.0)).sqrt();
    let at_8k = comparison.bands.iter().find(|band| band.x == 9).unwrap();
    assert!((at_8k.difference_db.half_width() - expected).abs() < LEVEL_DB && expected > 1.0, "{expected} {at_8k:?}");
    assert_eq!(comparison.overall, Outcome::NotDetermined, "three seats of this scatter cannot tell 0.2 dB");
    let fine = comparison.fine.iter().find(|p| p.frequency_hz > 7_900.0).unwrap();
    assert!(fine.difference_db.half_width() > 1.0);
}

/// The same seat stayed on the coupler: the last one of the first session is the first one of the second.
#[test]
fn where_one_seat_stayed_the_earlier_sessions_last_seat_counts() {
    let folder = tempfile::tempdir().unwrap();
    let treble = [2.0, -1.5].map(|treble_db| SeatSpec { treble_db, ..SeatSpec::default() });
    let a = three_seats(1, treble, folder.path());
    let mut spec = desk(2);
    spec.headphone.response.push(Shape::Peak { frequency_hz: 8_000.0, q: 2.0, gain_db: -1.5 });
    let b = session(&spec, folder.path());
    let comparison = compare(&a, &b, &one_seat()).unwrap();
    assert_eq!((comparison.overall, comparison.seats), (Outcome::Same, None), "{:?}", comparison.bands);
    let matched = |c: &Comparison| c.fine.iter().all(|p| p.difference_db.value.abs() < 0.2);
    assert!(matched(&comparison));
}

/// The second output clips 6 dB earlier: at its highest clean level both are clean, at that of the first only one is.
#[test]
fn nothing_is_read_between_a_clean_step_and_one_that_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let limited = |seed, volts: f64| {
        let mut spec = desk(seed);
        (spec.output.positive_limit_v, spec.output.negative_limit_v) = (Some(volts), Some(volts));
        session(&spec, folder.path())
    };
    let full = desk(1).output.volts_per_fs;
    let (strong, weak) = (limited(1, 0.5 * full), limited(2, 0.25 * full));
    let comparison = compare(&strong, &weak, &one_seat()).unwrap();
    assert_eq!(comparison.overall, Outcome::Same);
    let (at_strong, at_weak) = comparison.played.unwrap();
    assert!(matches!(at_weak.basis, Basis::StraightOn { off_db, .. } if off_db < 0.0 && off_db > -3.1));
    assert!(matches!(at_strong.basis, Basis::Between { .. }), "{at_strong:?}");
    let louder = Ask { at: Some(comparison.level_db + 1.0), ..one_seat() };
    assert!(matches!(compare(&strong, &weak, &louder), Err(NotComparable::NotClean { .. })));
}

/// The headphone of the second session has 10 dB more even-order distortion (set in closed form): it is found overall and
/// in the sine's second harmonic, and odd order, which is what it was, is not said to differ.
#[test]
fn planted_distortion_is_found_in_its_size() {
    let folder = tempfile::tempdir().unwrap();
    let measured = |seed, even_db| {
        let mut spec = desk(seed);
        spec.headphone.distortion.even_db = Some(even_db);
        let plan = Plan { sines_hz: vec![100.0], ..plan(70.0) };
        run(&spec, SimulatedCardSpec::default(), plan, chain(&spec), folder.path()).unwrap().0
    };
    let (a, b) = (measured(1, -50.0), measured(2, -40.0));
    let comparison = compare(&a, &b, &one_seat()).unwrap();
    let of = |product, overall: bool| {
        let all = &comparison.distortions.quantities;
        let found = all.iter().find(|q| {
            q.product == product
                && matches!(q.place, Where::Overall) == overall
                && !matches!(q.place, Where::Band { .. })
        });
        found.unwrap_or_else(|| panic!("{product:?}")).clone()
    };
    for quantity in [of(Product::Even, true), of(Product::Harmonic { order: 2 }, false)] {
        let found = quantity.difference_db.determined().unwrap_or_else(|| panic!("{quantity:?}"));
        assert!((found.value - 10.0).abs() < 1.0, "{quantity:?}");
        assert_eq!(quantity.outcome, Outcome::Differs);
    }
    assert_ne!(of(Product::Odd, true).outcome, Outcome::Differs);
    assert_eq!((comparison.overall, comparison.distortions.overall), (Outcome::Same, Outcome::Differs));
}

/// The second output is 7 dB quieter and clips: the bench finds the level of the first in at most four short takes,
/// within 0.1 dB of the true one, and the comparison rests on that step.
#[test]
fn the_bench_homes_in_on_the_level_of_another_session() {
    let folder = tempfile::tempdir().unwrap();
    let a = session(&desk(1), folder.path());
    let mut spec = desk(2);
    spec.output.volts_per_fs *= 10f64.powf(-7.0 / 20.0);
    let bench = bench(&spec, SimulatedCardSpec::default());
    let request = SessionRequest {
        plan: plan(70.0),
        chain: chain(&spec),
        sessions: folder.path().into(),
        id: Some("second".into()),
    };
    bench.commands.send(Command::Run(Box::new(request))).unwrap();
    let (before, path) = finish(&bench).unwrap();
    for ask in [Ask { at: Some(83.3), ..one_seat() }, Ask { at: Some(76.0), on: MatchedOn::OneKilohertz, ..one_seat() }]
    {
        let target = target(&a, &before, &ask, false).unwrap();
        bench.commands.send(Command::Match { folder: path.clone(), target }).unwrap();
        let (b, _) = finish(&bench).unwrap();
        let comparison = compare(&a, &b, &ask).unwrap();
        let (at_a, at_b) = comparison.played.as_ref().unwrap();
        assert!(matches!(at_b.basis, Basis::MatchedStep { off_db, .. } if off_db.abs() < 0.1), "{at_b:?}");
        assert!((at_b.drive_dbfs - at_a.drive_dbfs - 7.0).abs() < LEVEL_DB, "{at_a:?} {at_b:?}");
        assert_eq!(comparison.overall, Outcome::Same, "{:?}", comparison.bands);
    }
    let b = finish_stored(&path);
    let matched = b.steps.iter().filter(|s| s.step.purpose == Purpose::Matched).count();
    assert!((2..=2 * 5).contains(&matched), "{matched}");
    // The session's own answers are what they were.
    assert_eq!(judge(&b).highest_clean, judge(&before).highest_clean);
    let loud = Target { on: MatchedOn::Pink, level_dbfs: 20.0, turned_at_dbfs: None };
    bench.commands.send(Command::Match { folder: path, target: loud }).unwrap();
    let refused = finish(&bench).unwrap_err();
    assert!(refused.contains("match at a lower level"), "{refused}");
}

fn finish_stored(path: &Path) -> Record {
    Storage::open(path).unwrap().1
}

/// Hidden labels: the order is drawn once, the key is kept with the second session and reads the same from either side,
/// and nothing in what is shown names an output.
#[test]
fn hidden_labels_name_nobody_and_keep_their_key() {
    let folder = tempfile::tempdir().unwrap();
    let measured = |seed, name: &str| {
        let chain = Chain { output: name.into(), ..chain(&desk(seed)) };
        run(&desk(seed), SimulatedCardSpec::default(), plan(70.0), chain, folder.path()).unwrap()
    };
    let ((a, _), (b, path)) = (measured(1, "an amplifier"), measured(2, "a recorder"));
    assert_eq!(blue_is_first(&a, &b), None);
    Storage::draw_labels(&path, &a.head.id, &frozen()).unwrap();
    let b = Storage::open(&path).unwrap().1;
    let blue = blue_is_first(&a, &b).unwrap();
    assert_eq!(blue_is_first(&b, &a), Some(!blue));
    let hidden = compare_hidden(&a, &b, &one_seat(), blue).unwrap();
    let said = serde_json::to_string(&hidden).unwrap() + &sentence(&hidden);
    assert!(!said.contains("amplifier") && !said.contains("recorder") && said.contains("blue label"), "{said}");
    let open = compare(&a, &b, &one_seat()).unwrap();
    let sign = if blue { 1.0 } else { -1.0 };
    let of = |c: &Comparison| c.bands[20].difference_db.value;
    assert!((of(&hidden) - sign * of(&open)).abs() < 1e-12);
}

/// Two clocks, two takes 50 dB over their noise: of the same output nothing is left; of a headphone with more even-order
/// distortion as much as the pink analysis tells by itself; of another response most goes with the filter.
#[test]
fn what_is_left_after_subtraction_is_what_was_planted() {
    /// Asked of the residue down to 60 dB under the signal, dB.
    const RESIDUE_DB: f64 = 1.0;
    let folder = tempfile::tempdir().unwrap();
    let measured = |seed, change: &dyn Fn(&mut BenchSpec)| {
        let mut spec = desk(seed);
        spec.capture_clock_ppm = 30.0 * f64::from(seed as u32);
        spec.headphone.distortion.even_db = None;
        spec.headphone.distortion.odd_db = None;
        change(&mut spec);
        let plan = Plan { listening: plan(70.0).listening, ..Plan::quick_look(SampleRate::DEFAULT) };
        let (record, path) = run(&spec, SimulatedCardSpec::default(), plan, chain(&spec), folder.path()).unwrap();
        let step = record.climbed().last().unwrap().step.number;
        let lines = lines(&Storage::open(&path).unwrap().0, &record, step).unwrap().unwrap();
        (lines, record.steps[step - 1].pink(0).unwrap().0.clone())
    };
    let (first, _) = measured(1, &|_| ());
    let (same, finding) = measured(2, &|_| ());
    assert!(finding.over_noise_db.unwrap() > 50.0);
    let nothing = residue(&first, &same, MOST_TAPS).unwrap();
    let most = |r: &Reading| match r {
        Reading::Below(most) => *most,
        other => other.determined().unwrap().value,
    };
    assert!(most(&nothing.plain) < -65.0 && most(&nothing.filtered) < -65.0, "{nothing:?}");
    let (bent, finding) = measured(3, &|spec| spec.headphone.distortion.even_db = Some(-48.0));
    let left = residue(&first, &bent, MOST_TAPS).unwrap();
    let truth = finding.even.determined().unwrap().value;
    let found = left.filtered.determined().unwrap().value;
    assert!((found - truth).abs() < RESIDUE_DB, "{left:?} for {truth}");
    let shape = Shape::Peak { frequency_hz: 3_000.0, q: 2.0, gain_db: 3.0 };
    let (other, _) = measured(4, &|spec| spec.headphone.response.push(shape));
    let left = residue(&first, &other, MOST_TAPS).unwrap();
    assert!(left.plain.determined().unwrap().value > -25.0 && most(&left.filtered) < -60.0, "{left:?}");
}

/// With a knob the noise is held 20 dB under the level until somebody says that it is right; what is left is found by
/// moving the drive.
#[test]
fn a_knob_is_turned_first_and_the_rest_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let a = session(&desk(1), folder.path());
    let mut spec = desk(2);
    spec.output.volts_per_fs *= 10f64.powf(1.5 / 20.0);
    let bench = bench(&spec, SimulatedCardSpec::default());
    let (plan, chain, sessions) = (plan(70.0), chain(&spec), folder.path().to_path_buf());
    let request = SessionRequest { plan, chain, sessions, id: Some("knob".into()) };
    bench.commands.send(Command::Run(Box::new(request))).unwrap();
    let (before, path) = finish(&bench).unwrap();
    let ask = Ask { at: Some(84.0), ..one_seat() };
    let target = target(&a, &before, &ask, true).unwrap();
    bench.commands.send(Command::Match { folder: path, target }).unwrap();
    let mut shown = Vec::new();
    let after = loop {
        match bench.events.recv().unwrap() {
            Event::Matching { off_db } => {
                shown.extend(off_db);
                if off_db.is_some() {
                    bench.ready.now();
                }
            }
            Event::Ended { record, .. } => break record,
            Event::Failed(failure) => panic!("{}", failure.message),
            _ => {}
        }
    };
    assert!(!shown.is_empty() && shown.iter().all(|off| (off - 1.5).abs() < 0.1), "{shown:?}");
    assert!(after.events.iter().any(|e| e.what == Happening::KnobTurned));
    let comparison = compare(&a, &after, &ask).unwrap();
    let basis = comparison.played.as_ref().unwrap().1.basis.clone();
    assert!(matches!(basis, Basis::MatchedStep { off_db, .. } if off_db.abs() < 0.1), "{basis:?}");
    assert_eq!(comparison.overall, Outcome::Same);
}

/// Twenty steps each, with sines and a sweep beside: recomputed in under 0.3 s.
#[test]
fn twenty_steps_are_compared_in_a_moment() {
    const LONGEST: std::time::Duration = std::time::Duration::from_millis(300);
    let folder = tempfile::tempdir().unwrap();
    let plan = || Plan { step_db: 1.5, ..plan(70.0) };
    let of =
        |seed| run(&desk(seed), SimulatedCardSpec::default(), plan(), chain(&desk(seed)), folder.path()).unwrap().0;
    let (a, b) = (of(1), of(2));
    assert!(a.steps.len() >= 20, "{}", a.steps.len());
    let started = std::time::Instant::now();
    compare(&a, &b, &one_seat()).unwrap();
    let took = started.elapsed();
    println!("{} steps: {took:?}", a.steps.len());
    assert!(took < LONGEST, "{took:?}");
}

#[test]
fn what_cannot_be_compared_is_refused_with_the_reason() {
    let folder = tempfile::tempdir().unwrap();
    let a = session(&desk(1), folder.path());
    let with = |change: fn(&mut Record)| {
        let mut b = other(&a);
        change(&mut b);
        compare(&a, &b, &one_seat()).unwrap_err().to_string()
    };
    assert!(with(|b| b.head.chain.headphone = "another".into()).contains("different headphones"));
    assert!(
        with(|b| {
            b.head.chain.acoustic.clear();
            b.head.chain.gain = "+20 dB".into();
        })
        .contains("not calibrated")
    );
    assert!(compare(&a, &a, &one_seat()).unwrap_err().to_string().contains("both are the same session"));
    assert!(with(|b| b.events.clear()).contains("not finished"));
    assert!(with(|b| b.head.plan.extent = Extent::PathCheck).contains("path check"));
    assert!(with(|b| b.head.plan.pink = Stimulus::Silence { doubled: false }).contains("different noise"));
    assert!(with(|b| b.head.chain.routing.capture_channels[0].role = InputRole::RightEar).contains("different ears"));
    let loud = compare(&a, &other(&a), &Ask { at: Some(150.0), ..one_seat() }).unwrap_err().to_string();
    assert!(loud.contains("150.0 dB SPL lies outside"), "{loud}");
}
