//! Volts, source and load impedance on the simulated bench, against its set values and closed forms.

use crate::common::circuit;
use crate::common::sessions::{chain, frozen};
use loudenough::audio::simulated::{BenchSpec, Pace, Resonance, SimulatedBackend, SimulatedCardSpec};
use loudenough::calibration::electrical::{
    ImpedancePoint, LoadSetup, Loading, Resistor, at_1_khz, load_impedance, source_impedance,
};
use loudenough::card::{CaptureChannel, Hookup, InputRole, PluggedLoad};
use loudenough::session::protocol::{Command, ElectricalHeard, ElectricalSound, ElectricalTake, Event};
use loudenough::session::runner::Bench;
use loudenough::stats::{Draws, Estimate};
use loudenough::units::Dbfs;
use realfft::num_complex::Complex;
use serde_json::Value;
use std::path::Path;
use std::process::{Command as Program, Output};

/// What is asked of an impedance: 1 % or 5 mΩ, whichever is larger.
const RELATIVE: f64 = 0.01;
const LEAST_OHM: f64 = 0.005;
/// A resistor known exactly: its tolerance is then no part of the error.
fn exact(ohm: f64) -> Resistor {
    Resistor { ohm, tolerance_percent: 0.0 }
}

/// An output without limits whose inputs suit its volts.
fn desk(seed: u64) -> BenchSpec {
    let mut spec = BenchSpec { seed, ..BenchSpec::default() };
    (spec.output.positive_limit_v, spec.output.negative_limit_v) = (None, None);
    (spec.lines_in.witness_full_scale_v, spec.lines_in.source_side_full_scale_v) = (4.0, 3.9);
    spec.lines_in.source_side_corner_hz = Some(0.9);
    spec
}

fn take(spec: &BenchSpec, load: PluggedLoad, series_ohm: Option<f64>, under: InputRole) -> ElectricalHeard {
    let hookup = Hookup { load, series_ohm };
    // Every take has noise of its own: with one and the same it would cancel.
    let own = match load {
        PluggedLoad::Open => 1_000_000,
        PluggedLoad::Headphone => 2_000_000,
        PluggedLoad::Resistor(ohm) => 3_000_000 + ohm as u64,
    };
    let spec = &BenchSpec { seed: spec.seed + own, ..spec.clone() };
    heard(spec, hookup, ElectricalSound::Pink { over: InputRole::Witness, under }, -20.0).unwrap()
}

fn heard(spec: &BenchSpec, hookup: Hookup, sound: ElectricalSound, drive: f64) -> Result<ElectricalHeard, String> {
    let backend = SimulatedBackend::new(spec.clone(), SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    let bench = Bench::spawn(vec![Box::new(backend)], frozen);
    let mut chain = chain(spec);
    let input = |channel, role| CaptureChannel { channel, role };
    chain.routing.capture_channels =
        vec![input(2, InputRole::Witness), input(3, InputRole::Loopback), input(4, InputRole::SourceSide)];
    let take = ElectricalTake { chain, hookup, sound, drive: Dbfs(drive), confirmed: false };
    bench.commands.send(Command::Electrical(Box::new(take))).unwrap();
    loop {
        match bench.events.recv().unwrap() {
            Event::Electrical(heard) => return Ok(*heard),
            Event::Failed(failure) => return Err(failure.message),
            _ => {}
        }
    }
}

/// Largest error of the complex value in units of what is asked, and the share of magnitudes, real and imaginary parts
/// whose interval holds the truth, 20 Hz to 20 kHz.
fn judged(points: &[ImpedancePoint], truth: impl Fn(f64) -> Complex<f64>) -> (f64, f64) {
    let within: Vec<_> = points.iter().filter(|p| (20.0..=20_000.0).contains(&p.frequency_hz)).collect();
    assert!(within.len() > 300, "only {} points", within.len());
    let (mut worst, mut held) = (0.0f64, [0usize; 3]);
    for p in &within {
        let z = truth(p.frequency_hz);
        worst = worst.max((p.z() - z).norm() / (RELATIVE * z.norm()).max(LEAST_OHM));
        let holds = [p.magnitude.holds(z.norm()), p.re.holds(z.re), p.im.holds(z.im)];
        held.iter_mut().zip(holds).for_each(|(count, holds)| *count += usize::from(holds));
    }
    println!("held: magnitude, real, imaginary part {held:?} of {}", within.len());
    (worst, held.iter().sum::<usize>() as f64 / (3 * within.len()) as f64)
}

fn source_of(spec: &BenchSpec, load_ohm: f64) -> Vec<ImpedancePoint> {
    let open = take(spec, PluggedLoad::Open, None, InputRole::Loopback);
    let loaded = take(spec, PluggedLoad::Resistor(load_ohm), None, InputRole::Loopback);
    let input = spec.lines_in.input_ohm.map(|ohm| exact(ohm / 2.0));
    let on = |load| Loading { load, input };
    source_impedance((&open.ratio, on(None)), (&loaded.ratio, on(Some(exact(load_ohm))))).unwrap()
}

/// 0.1 to 600 Ω, on resistors that suit; with a coupling capacitor; through inputs of 20 kΩ, which load the output (both do).
#[test]
fn source_impedance_is_found_from_a_tenth_of_an_ohm_to_600() {
    let mut worst_of_all = 0.0f64;
    for (ohm, coupling_f, load_ohm, input_ohm) in [
        (0.1, None, 10.0, None),
        (0.5, None, 10.0, None),
        (1.0, Some(220e-6), 33.0, None),
        (10.0, Some(100e-6), 33.0, Some(20e3)),
        (68.0, None, 33.0, None),
        (120.0, Some(47e-6), 100.0, None),
        (600.0, None, 100.0, Some(20e3)),
    ] {
        let mut spec = desk(11);
        (spec.output.source_ohm, spec.output.coupling_f, spec.lines_in.input_ohm) = (ohm, coupling_f, input_ohm);
        let (worst, held) = judged(&source_of(&spec, load_ohm), |f| circuit::source(&spec, f));
        println!("{ohm} Ω {coupling_f:?} on {load_ohm} Ω: {worst:.3} of what is asked, {held:.4} held");
        assert!(worst < 1.0 && held > 0.93, "{ohm} Ω on {load_ohm} Ω: {worst} of what is asked, {held} held");
        worst_of_all = worst_of_all.max(worst);
    }
    println!("worst of all: {worst_of_all:.3}");
}

/// Two loads tell it as well as an open output does.
#[test]
fn two_loads_tell_the_source_impedance_without_an_open_output() {
    let mut spec = desk(12);
    (spec.output.source_ohm, spec.output.coupling_f) = (10.0, Some(220e-6));
    let on = |ohm| take(&spec, PluggedLoad::Resistor(ohm), None, InputRole::Loopback);
    let (light, heavy) = (on(300.0), on(33.0));
    let loading = |ohm| Loading { load: Some(exact(ohm)), input: None };
    let points = source_impedance((&light.ratio, loading(300.0)), (&heavy.ratio, loading(33.0))).unwrap();
    let (worst, held) = judged(&points, |f| circuit::source(&spec, f));
    assert!(worst < 1.0 && held > 0.93, "{worst} of what is asked, {held} held");
}

fn load_of(spec: &BenchSpec, load: PluggedLoad, setup: &LoadSetup, series_true_ohm: f64) -> Vec<ImpedancePoint> {
    let matched = take(spec, PluggedLoad::Open, None, InputRole::SourceSide);
    let measured = take(spec, load, Some(series_true_ohm), InputRole::SourceSide);
    load_impedance(&matched.ratio, &measured.ratio, setup)
}

/// Resistances over the whole range, and headphones with a mechanical resonance, a coil, a coupled source, inputs of 20 kΩ
/// and a cable.
#[test]
fn load_impedance_is_found_from_a_tenth_of_an_ohm_to_600_and_on_resonant_loads() {
    /// Coil and its inductance, resonances; series resistor and input.
    type Case = (f64, f64, Vec<Resonance>, f64, Option<f64>);
    let resonance = |frequency_hz, q, peak_ohm| Resonance { frequency_hz, q, peak_ohm };
    let cases: [Case; 8] = [
        (0.1, 0.0, vec![], 10.0, None),
        (1.0, 0.0, vec![], 10.0, None),
        (8.0, 0.0, vec![], 33.0, None),
        (150.0, 0.0, vec![], 100.0, Some(20e3)),
        (600.0, 0.0, vec![], 100.0, Some(20e3)),
        (32.0, 0.0, vec![resonance(80.0, 2.0, 68.0)], 33.0, None),
        (16.0, 0.05e-3, vec![resonance(2_600.0, 5.0, 12.0)], 33.0, None),
        (250.0, 1e-3, vec![resonance(95.0, 3.0, 350.0)], 100.0, Some(20e3)),
    ];
    for (ohm, inductance_h, resonances, series_ohm, input_ohm) in cases {
        let mut spec = desk(21);
        (spec.output.source_ohm, spec.output.coupling_f) = (5.0, Some(470e-6));
        (spec.headphone.load_ohm, spec.headphone.inductance_h) = (ohm, inductance_h);
        (spec.headphone.resonances, spec.lines_in.input_ohm) = (resonances, input_ohm);
        spec.hookup.cable_ohm = 0.03;
        let setup = LoadSetup {
            input: input_ohm.map(exact),
            cable_ohm: Estimate::symmetric(0.03, 0.005),
            ..LoadSetup::through(exact(series_ohm))
        };
        let points = load_of(&spec, PluggedLoad::Headphone, &setup, series_ohm);
        let (worst, held) = judged(&points, |f| circuit::headphone(&spec, f));
        println!("{ohm} Ω through {series_ohm} Ω: {worst:.3} of what is asked, {held:.4} held");
        assert!(worst < 1.0 && held > 0.93, "{ohm} Ω through {series_ohm} Ω: {worst} of what is asked, {held} held");
    }
}

/// The resistor as it truly is, drawn within its tolerance, inputs and cable likewise: the determined impedance at 1 kHz holds as
/// often as it says (12 benches: at most three outside where 5 % are meant, 0.2 % of such series).
#[test]
fn stated_intervals_hold_on_drawn_benches() {
    const BENCHES: u64 = 12;
    let mut outside = 0;
    for seed in 0..BENCHES {
        let mut random = Draws::new(seed);
        let mut spec = desk(100 + seed);
        let series = Resistor { ohm: 47.0, tolerance_percent: 0.5 };
        let input = Resistor { ohm: 20e3, tolerance_percent: 3.0 };
        spec.headphone.load_ohm = 20.0 * (1.0 + 9.0 * random.uniform());
        spec.headphone.resonances = vec![Resonance { frequency_hz: 90.0, q: 2.0, peak_ohm: 40.0 }];
        spec.lines_in.input_ohm = Some(input.ohm * (1.0 + random.within(0.03)));
        spec.hookup.cable_ohm = 0.05 + random.within(0.03);
        let setup = LoadSetup { input: Some(input), cable_ohm: Estimate::symmetric(0.05, 0.03), series };
        let true_ohm = series.ohm * (1.0 + random.within(0.005));
        let stated = at_1_khz(&load_of(&spec, PluggedLoad::Headphone, &setup, true_ohm)).unwrap();
        outside += usize::from(!stated.holds(circuit::headphone(&spec, 1_000.0).norm()));
    }
    println!("{outside} of {BENCHES} outside");
    assert!(outside <= 3, "{outside} of {BENCHES} outside");
}

/// A tone that must not be played is not, a missing input is named.
#[test]
fn what_must_not_be_played_is_refused() {
    let spec = desk(1);
    let open = Hookup { load: PluggedLoad::Open, series_ohm: None };
    let loud = heard(&spec, open, ElectricalSound::Tone { frequency_hz: 50.0, seconds: 2.0 }, -10.0).unwrap_err();
    assert!(loud.contains("ceiling") && loud.contains("electrical measurement"), "{loud}");
    let missing = ElectricalSound::Pink { over: InputRole::RightEar, under: InputRole::Loopback };
    let missing = heard(&spec, open, missing, -30.0).unwrap_err();
    assert!(missing.contains("no right ear"), "{missing}");
    let mut small = spec.clone();
    small.lines_in.witness_full_scale_v = 0.1;
    let over = ElectricalSound::Pink { over: InputRole::Witness, under: InputRole::Loopback };
    let overloaded = heard(&small, open, over, -20.0).unwrap_err();
    assert!(overloaded.contains("witness across the headphone is overloaded"), "{overloaded}");
}

fn loudenough(home: &Path, arguments: &[&str]) -> Output {
    Program::new(env!("CARGO_BIN_EXE_loudenough")).args(arguments).env("LOUDENOUGH_HOME", home).output().unwrap()
}

fn json(home: &Path, arguments: &[&str]) -> Value {
    let output = loudenough(home, arguments);
    assert!(
        matches!(output.status.code(), Some(0 | 4 | 5)),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

fn refused(home: &Path, arguments: &[&str], words: &str) {
    let output = loudenough(home, arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && said.contains(words), "{arguments:?}: {said}");
}

/// The whole electrical side of the simulated desk (2 V peak at full scale, 68 Ω, 80 Ω) in a terminal: 1.414 V RMS open,
/// 0.765 V and 7.32 mW at the headphone at 0 dBFS.
#[test]
fn the_electrical_side_is_calibrated_in_a_terminal_and_kept_in_the_chain() {
    let home = tempfile::tempdir().unwrap();
    let home = home.path();
    let desk = ["--playback", "simulated:bench", "--capture", "simulated:bench", "--output", "console phones socket"];
    let inputs = ["--left-ear", "1", "--witness", "3", "--loopback", "4", "--source-side", "5", "--volume", "full"];
    let new = [&["chain", "new", "desk", "--json"][..], &desk, &inputs].concat();
    json(home, &new);
    let on = ["--chain", "desk"];
    // −20 dBFS of 1.4142 V is 0.1414 V.
    let read = [&["calibrate", "volts", "--drive", "-20", "--reading", "0.1414", "--json"][..], &on].concat();
    let volts = json(home, &read);
    let volts = volts["volts_per_full_scale"]["value"].as_f64().unwrap();
    assert!((volts - 1.414).abs() < 1e-9, "{volts}");
    let slow = [&["calibrate", "volts", "--frequency", "1000", "--reading", "0.1414"][..], &on].concat();
    refused(home, &slow, "is wrong at 1000 Hz");
    let witness = [&["calibrate", "input-volts", "--drive", "-20", "--reading", "0.1414", "--json"][..], &on].concat();
    let witness = json(home, &witness)["volts_per_full_scale"]["value"].as_f64().unwrap();
    // The witness' full scale is a peak of 20 V.
    assert!((witness / (20.0 / 2f64.sqrt()) - 1.0).abs() < 2e-3, "{witness}");
    let ohms = |stated: &Value| stated["at_1_khz_ohm"]["value"].as_f64().unwrap();
    let source = [&["calibrate", "source", "--resistor", "33", "--drive", "-20", "--json"][..], &on].concat();
    let source = ohms(&json(home, &source));
    assert!((source / 68.0 - 1.0).abs() < RELATIVE, "{source}");
    let load =
        [&["calibrate", "load", "--series", "47", "--check", "33,1", "--drive", "-20", "--json"][..], &on].concat();
    let load = json(home, &load);
    assert!((ohms(&load) / 80.0 - 1.0).abs() < RELATIVE, "{load}");
    assert!((load["check_ohm"]["value"].as_f64().unwrap() / 33.0 - 1.0).abs() < RELATIVE);
    let typed = [&["calibrate", "source", "--resistor", "33", "--readings", "2.0,1.5", "--json"][..], &on].concat();
    let lone = home.join("lone");
    std::fs::create_dir(&lone).unwrap();
    json(&lone, &[&["chain", "new", "desk", "--json"][..], &desk].concat());
    assert!((ohms(&json(&lone, &typed)) - 11.0).abs() < 1e-9);
    let shown = String::from_utf8(loudenough(home, &["chain", "show", "desk"]).stdout).unwrap();
    for words in ["open, by a voltmeter for 50 and 60 Hz at 50 Hz", "open and on 33 Ω", "through 47 Ω in series", "dBu"]
    {
        assert!(shown.contains(words), "{words}: {shown}");
    }
    // The witness, calibrated by itself, sees what source and load impedance make of the open volts.
    let ran = String::from_utf8(
        loudenough(home, &[&["run", "--quick", "--no-progress", "--details"][..], &on].concat()).stdout,
    )
    .unwrap();
    for words in ["witness", "at load", "0 dBFS of pink noise: 0.7", "highest clean volts"] {
        assert!(ran.contains(words), "{words}: {ran}");
    }
    // Volts stand in the block of the step table that ends with the witness: step, volts, dBV, dBu, mW, witness.
    let block = ran.lines().skip_while(|line| !line.ends_with("witness")).take_while(|line| !line.is_empty());
    let compared = block.filter_map(|line| {
        let cells: Vec<&str> = line.split("  ").map(str::trim).filter(|cell| !cell.is_empty()).collect();
        let value = |cell: &str| cell.split(' ').next()?.parse::<f64>().ok();
        Some((value(cells.get(1)?)?, value(cells.get(5)?)?))
    });
    let compared: Vec<(f64, f64)> = compared.filter(|(stated, _)| *stated > 0.002).collect();
    assert!(compared.len() > 1, "{ran}");
    assert!(compared.iter().all(|(stated, seen)| (stated / seen - 1.0).abs() < 0.04), "{compared:?}");
    // Another volume: what was taken is not used until it is confirmed or left out.
    let moved = [&["run", "--volume", "half", "--quick"][..], &on].concat();
    refused(home, &moved, "the volume was `full`, now `half`");
    refused(home, &[&moved[..], &["--confirm-volts", "1.5"]].concat(), "--confirm-volts 1.4140");
    let kept = [&moved[..], &["--confirm-volts", "1.414", "--json", "--ceiling-volts", "0.05"]].concat();
    let all = json(home, &kept);
    let record = &all["record"];
    let reached = all["at_load"].as_array().unwrap().iter().filter_map(|at| at["volts"]["interval"]["high"].as_f64());
    let highest = reached.fold(0.0, f64::max);
    assert!(highest <= 0.05 + 1e-9 && highest > 0.04, "{highest}");
    assert!(all["judgement"]["in_volts"]["highest_clean"]["milliwatts"]["value"].as_f64().unwrap() > 0.0);
    let stop = record["events"].as_array().unwrap().last().unwrap()["stop"].to_string();
    assert!(stop.contains("0.05 V at the load"), "{stop}");
}
