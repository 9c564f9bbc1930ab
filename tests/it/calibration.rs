//! The calibrator on the microphone: good ones give their offset, bad ones are refused with the reason, and a check
//! after a session shows what has moved.

use crate::common::sessions::{bench, chain, frozen};
use loudenough::analysis::Weight;
use loudenough::audio::simulated::{
    BenchSpec, Disturbance, Hum, Pace, SimulatedBackend, SimulatedCardSpec, SoundSource,
};
use loudenough::audio::{AudioError, Backend, Callbacks, OpenCards};
use loudenough::calibration::{Acoustic, Calibrator};
use loudenough::card::{CardDescription, CardId, InputRole, Routing};
use loudenough::session::protocol::{Command, Event};
use loudenough::session::runner::Bench;
use loudenough::stats::Estimate;
use serde_json::Value;
use std::path::Path;
use std::process::{Command as Program, Output};

/// The offset of a calibrator 40 dB and more over the noise is known to this, dB.
const OFFSET_DB: f64 = 0.02;

/// A desk that nobody changes: no calibrator is put on the microphone for the asking.
struct AsItStands(SimulatedBackend);

impl Backend for AsItStands {
    fn name(&self) -> &str {
        self.0.name()
    }
    fn owns(&self, id: &CardId) -> bool {
        self.0.owns(id)
    }
    fn list(&self) -> Result<Vec<CardDescription>, AudioError> {
        self.0.list()
    }
    fn open(&self, routing: &Routing, callbacks: Callbacks) -> Result<Box<dyn OpenCards>, AudioError> {
        self.0.open(routing, callbacks)
    }
}

/// Listens to what stands on the microphone of this bench.
fn heard(spec: &BenchSpec, calibrator: Calibrator) -> (Result<Acoustic, String>, Vec<String>) {
    let backend = SimulatedBackend::new(spec.clone(), SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    let bench = Bench::spawn(vec![Box::new(AsItStands(backend))], frozen);
    let command = Command::Calibrate { chain: Box::new(chain(spec)), role: InputRole::LeftEar, calibrator };
    bench.commands.send(command).unwrap();
    let mut waits = Vec::new();
    loop {
        match bench.events.recv().unwrap() {
            Event::Calibrated { acoustic, .. } => return (Ok(acoustic), waits),
            Event::Failed(failure) => return (Err(failure.message), waits),
            Event::Listening { because, .. } => waits.extend(because),
            _ => {}
        }
    }
}

fn at_rest() -> BenchSpec {
    let mut spec = BenchSpec::seeded(5);
    spec.microphone.noise_db_spl = Some(35.0);
    spec.microphone.hum.clear();
    spec.microphone.full_scale_db_spl = 128.0;
    spec
}

fn with_source(level_db_spl: f64, frequency_hz: f64) -> BenchSpec {
    let mut spec = at_rest();
    spec.coupler.source = SoundSource::SoundCalibrator { level_db_spl, frequency_hz };
    spec
}

/// The microphone's response at 1 kHz and 250 Hz is the bench's own: known there to 0.001 dB.
#[test]
fn usual_calibrators_give_the_offset_that_the_bench_was_set_to() {
    for (level, frequency_hz) in [(94.0, 1000.0), (114.0, 1000.0), (124.0, 250.0)] {
        let stated = Calibrator { frequency_hz, ..Calibrator::at_1_khz(level) };
        let (offset, _) = heard(&with_source(level, frequency_hz), stated);
        let offset = offset.unwrap().offset;
        assert!((offset.value - 128.0).abs() < OFFSET_DB, "{level} dB at {frequency_hz} Hz: {offset:?}");
        assert!(offset.half_width() >= 0.4);
    }
}

#[test]
fn what_cannot_be_the_calibrator_is_refused_with_the_reason() {
    let stated = Calibrator::at_1_khz(94.0);
    let mut second = with_source(94.0, 1000.0);
    second.microphone.hum.push(Hum { frequency_hz: 1300.0, level_db_spl: 64.0 });
    let mut beating = with_source(94.0, 1000.0);
    beating.microphone.hum.push(Hum { frequency_hz: 1000.3, level_db_spl: 64.0 });
    let mut noisy = with_source(94.0, 1000.0);
    noisy.microphone.noise_db_spl = Some(80.0);
    let mut quiet = at_rest();
    quiet.coupler.source = SoundSource::Headphone;
    let cases = [
        (with_source(94.0, 250.0), "250.0 Hz"),
        (with_source(131.0, 1000.0), "overloaded"),
        (second, "second tone sounds at 1300 Hz"),
        (beating, "moves by"),
        (noisy, "no steady tone"),
        (quiet, "no steady tone"),
    ];
    for (spec, words) in cases {
        let (offset, _) = heard(&spec, stated);
        let message = offset.expect_err(words);
        assert!(message.contains(words), "{message} for {words}");
    }
}

/// A door that slams while the calibrator is being fitted costs time, not the calibration.
#[test]
fn a_bang_in_between_only_starts_the_wait_again() {
    let mut spec = with_source(94.0, 1000.0);
    spec.microphone.disturbances.push(Disturbance { start_s: 3.0, level_db_spl: 95.0, decay_s: 0.2 });
    let (offset, waits) = heard(&spec, Calibrator::at_1_khz(94.0));
    assert!((offset.unwrap().offset.value - 128.0).abs() < OFFSET_DB);
    assert!(!waits.is_empty(), "nobody was told of the bang");
}

/// The simulated bench puts a calibrator on for the asking; the ordinary bench thread does the rest.
#[test]
fn the_simulated_bench_fits_its_own_calibrator() {
    let spec = at_rest();
    let bench = bench(&spec, SimulatedCardSpec::default());
    let calibrator = Calibrator { level: Estimate::symmetric(94.0, 0.2), ..Calibrator::at_1_khz(94.0) };
    let command = Command::Calibrate { chain: Box::new(chain(&spec)), role: InputRole::LeftEar, calibrator };
    bench.commands.send(command).unwrap();
    let acoustic = loop {
        match bench.events.recv().unwrap() {
            Event::Calibrated { acoustic, .. } => break acoustic,
            Event::Failed(failure) => panic!("{}", failure.message),
            _ => {}
        }
    };
    assert!((acoustic.offset.value - 128.0).abs() < OFFSET_DB);
}

fn loudenough(home: &Path, arguments: &[&str]) -> Output {
    Program::new(env!("CARGO_BIN_EXE_loudenough")).args(arguments).env("LOUDENOUGH_HOME", home).output().unwrap()
}

fn json(output: &Output) -> Value {
    assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Moves the offset that a stored session was measured with.
fn shift_offset(folder: &Path, by_db: f64) {
    let path = folder.join("session.json");
    let mut head: Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
    let offset = &mut head["chain"]["acoustic"]["left-ear"]["offset"];
    for pointer in ["/value", "/interval/low", "/interval/high"] {
        let number = offset.pointer_mut(pointer).unwrap();
        *number = Value::from(number.as_f64().unwrap() + by_db);
    }
    std::fs::write(path, serde_json::to_string_pretty(&head).unwrap()).unwrap();
}

/// Under 0.5 dB the drift widens the intervals, over it the levels are in doubt; the session's own files stay as they are.
#[test]
fn a_check_after_the_session_shows_what_has_moved() {
    let home = tempfile::tempdir().unwrap();
    assert!(matches!(
        loudenough(home.path(), &["rehearse", "--id", "it", "--quick", "--no-progress"]).status.code(),
        Some(0 | 4 | 5)
    ));
    let folder = home.path().join("sessions/it");
    let name = folder.to_str().unwrap();
    let half = |judged: &Value| {
        let level = &judged["highest_clean"]["level_spl"];
        let interval = level.as_object().unwrap().values().find_map(|v| v.get("interval")).unwrap();
        0.5 * (interval["high"].as_f64().unwrap() - interval["low"].as_f64().unwrap())
    };
    let judged = || json(&loudenough(home.path(), &["judge", name, "--json"]));
    let flaw = |judged: &Value, code: &str| {
        judged["flaws"].as_array().unwrap().iter().find(|f| f["code"] == code).map(|f| f["weight"].clone())
    };
    let before = half(&judged());
    for (by_db, code, weight) in [(0.3, "calibration-checked", Weight::Note), (0.4, "calibration-drift", Weight::Doubt)]
    {
        shift_offset(&folder, -by_db);
        let checked = json(&loudenough(home.path(), &["calibrate", "check", name, "--json"]));
        let drift = checked["drift_db"].as_f64().unwrap();
        let moved = if by_db > 0.35 { 0.7 } else { 0.3 };
        assert!((drift - moved).abs() < OFFSET_DB, "{drift} for {moved}");
        let after = judged();
        assert_eq!(flaw(&after, code), Some(serde_json::to_value(weight).unwrap()));
        assert!((half(&after) - before.hypot(moved)).abs() < 0.02, "{} from {before} by {moved}", half(&after));
    }
    let again = json(&loudenough(home.path(), &["reanalyse", name, "--json"]));
    // The stored levels were made with the offset before it was moved by hand; nothing but them differs.
    assert!(again["record"]["events"].as_array().unwrap().len() >= 3);
}

#[test]
fn an_offset_from_the_certificate_is_less_certain_and_says_where_it_came_from() {
    let home = tempfile::tempdir().unwrap();
    let desk = ["--playback", "simulated:bench", "--capture", "simulated:bench"];
    let from =
        [&["calibrate", "level"][..], &desk, &["--sensitivity", "12.5", "--input-volts", "1", "--json"]].concat();
    let acoustic = json(&loudenough(home.path(), &from));
    // 20 lg(1 / (0.0125 · 20e-6)) = 132.0412 dB.
    assert!((acoustic["offset"]["value"].as_f64().unwrap() - 132.041_2).abs() < 1e-4);
    assert!((acoustic["offset"]["interval"]["high"].as_f64().unwrap() - 133.541_2).abs() < 1e-4);
    let fit = [&["calibrate", "level"][..], &desk, &["--calibrator", "94", "--another-fit"]].concat();
    let refused = loudenough(home.path(), &fit);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(!refused.status.success() && said.contains("same calibrator"), "{said}");
    let fit = |more: &[&str]| {
        let arguments = [&["calibrate", "level"][..], &desk, &["--calibrator", "94", "--json"], more].concat();
        json(&loudenough(home.path(), &arguments))
    };
    fit(&[]);
    let twice = fit(&["--another-fit"]);
    assert_eq!(twice["source"]["fits_db"].as_array().unwrap().len(), 2);
}

/// A class is a limit (0.95 of it hold 95 %), a drift of 0.3 dB another; what nothing covers is named.
#[test]
fn the_budget_names_what_the_interval_is_made_of() {
    let home = tempfile::tempdir().unwrap();
    let rehearsed = loudenough(home.path(), &["rehearse", "--id", "it", "--quick", "--json"]);
    let budget = &json(&rehearsed)["judgement"]["budget"];
    assert_eq!(budget["contributions"][0]["what"], "sound calibrator, limit of its class");
    assert!((budget["half_width_db"].as_f64().unwrap() - 0.38).abs() < 0.01, "{budget}");
    let left_out = budget["left_out"].as_array().unwrap().iter().map(|l| l.as_str().unwrap()).collect::<Vec<_>>();
    for what in ["drift", "fitting of the calibrator", "one seat", "coupler's own tolerance", "wearer's ear"] {
        assert!(left_out.iter().any(|l| l.contains(what)), "{what}: {left_out:?}");
    }
    let folder = home.path().join("sessions/it");
    let name = folder.to_str().unwrap();
    shift_offset(&folder, -0.3);
    assert!(loudenough(home.path(), &["calibrate", "check", name]).status.success());
    let judged = json(&loudenough(home.path(), &["judge", name, "--json"]));
    let whats: Vec<&str> =
        judged["budget"]["contributions"].as_array().unwrap().iter().filter_map(|c| c["what"].as_str()).collect();
    assert!(whats.contains(&"drift of the calibration, checked after"), "{whats:?}");
    // Limits of 0.4 and 0.3 dB, and little noise.
    let half = judged["budget"]["half_width_db"].as_f64().unwrap();
    assert!((half - trapezium_95(0.4, 0.3)).abs() < 0.01, "{half}");
    let words = String::from_utf8(loudenough(home.path(), &["judge", name, "--details"]).stdout).unwrap();
    assert!(words.contains("Where the interval of a level comes from") && words.contains("Not included"), "{words}");
}

/// Half width that holds 95 % of the sum of two rectangles of half widths `a > b`: a trapezium whose tails are parabolas,
/// so that x = a + b − √(8ab·0.025) where the point lies in the slope (closed form).
fn trapezium_95(a: f64, b: f64) -> f64 {
    a + b - (8.0 * a * b * 0.025).sqrt()
}
