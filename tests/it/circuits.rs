//! What the simulated desk's lines in see, against the closed form of the circuit.

use crate::common::circuit;
use crate::common::sessions::{chain, plan, run};
use crate::common::truth::{forward, inverse};
use loudenough::audio::simulated::{
    BenchSpec, CAPTURE_CHANNELS, Device, HookupSpec, PluggedIn, Resonance, SimulatedCardSpec,
};
use loudenough::judgement::{Threshold, judge};
use loudenough::signal::{LineKind, Stimulus};
use loudenough::units::SampleRate;
use realfft::num_complex::Complex;
use std::f64::consts::TAU;

/// Promise of the stepped circuit up to 20 kHz, relative: a twentieth of the smallest error that is asked of a
/// measurement on it. (The conversion between the cards adds less.)
const AGREEMENT: f64 = 5e-4;

fn rate(hz: u32) -> SampleRate {
    SampleRate::new(hz).unwrap()
}

/// One mechanical resonance: 32 + 68/(1 + 2j(f/80 − 80/f)) Ω.
pub fn resonant() -> BenchSpec {
    let mut spec = BenchSpec::default().ideal();
    (spec.output.positive_limit_v, spec.output.negative_limit_v) = (None, None);
    spec.headphone.load_ohm = 32.0;
    spec.headphone.resonances = vec![Resonance { frequency_hz: 80.0, q: 2.0, peak_ohm: 68.0 }];
    spec
}

/// Largest relative error of witness and source side over 20 Hz to 20 kHz.
fn largest_error(spec: &BenchSpec, hz: u32) -> f64 {
    let period = Stimulus::pink(rate(hz)).period(rate(hz));
    let frames = period.samples.len();
    // Steady from the second period on, once the slowest circuit (0.4 s) has settled.
    let played: Vec<[f32; 2]> = period.samples.iter().cycle().take(6 * frames).map(|x| [0.5 * *x as f32; 2]).collect();
    let mut device = Device::new(spec, rate(hz), rate(hz)).wanting([false, false, true, false, true]);
    let mut out: Vec<[f32; CAPTURE_CHANNELS]> = Vec::new();
    for block in played.chunks(4_096) {
        device.play(block);
        device.capture(&mut out);
    }
    let steady = &out[4 * frames..5 * frames];
    let sent = forward(&period.samples);
    let mut worst = 0.0f64;
    let full_scale = [spec.lines_in.source_side_full_scale_v, spec.lines_in.witness_full_scale_v];
    for (which, channel) in [(0, 4), (1, 2)] {
        let seen = forward(&steady.iter().map(|f| f64::from(f[channel])).collect::<Vec<_>>());
        for k in period.lines.of(LineKind::Excited).filter(|k| *k as f64 * period.line_spacing_hz() < 20_000.0) {
            let f_hz = k as f64 * period.line_spacing_hz();
            let late = Complex::from_polar(1.0, -TAU * (f_hz * device.latency_s()).fract());
            let volts = 0.5 * spec.output.volts_per_fs * sent[k] * late;
            let expected = volts * circuit::volts(spec, f_hz)[which] / full_scale[which];
            worst = worst.max((seen[k] - expected).norm() / expected.norm());
        }
    }
    worst
}

#[test]
fn a_reactive_circuit_divides_as_its_closed_form_up_to_20_khz() {
    let series = |mut spec: BenchSpec, ohm: f64| {
        spec.hookup.series_ohm = ohm;
        spec
    };
    let mut coupled = resonant();
    (coupled.output.coupling_f, coupled.output.source_ohm) = (Some(100e-6), 10.0);
    let mut coil = resonant();
    (coil.headphone.inductance_h, coil.output.source_ohm) = (0.2e-3, 120.0);
    coil.headphone.resonances.push(Resonance { frequency_hz: 3_500.0, q: 6.0, peak_ohm: 20.0 });
    let mut open = coupled.clone();
    (open.hookup.load, open.lines_in.input_ohm) = (PluggedIn::Nothing, Some(10e3));
    let mut resistor = coupled.clone();
    resistor.hookup = HookupSpec { load: PluggedIn::Resistor { ohm: 33.0 }, series_ohm: 0.0, cable_ohm: 0.05 };
    let mut stiff = series(resonant(), 100.0);
    (stiff.output.source_ohm, stiff.lines_in.input_ohm) = (0.1, Some(20e3));
    let cases = [
        ("resonance", resonant()),
        ("with a coupling capacitor", series(coupled, 33.0)),
        ("with a coil", series(coil, 10.0)),
        ("open through the inputs", open),
        ("resistor on a capacitor", resistor),
        ("stiff source", stiff),
    ];
    for (what, spec) in cases {
        for hz in [44_100, 48_000, 96_000] {
            let worst = largest_error(&spec, hz);
            println!("{what} at {hz} Hz: {worst:.1e}");
            assert!(worst < AGREEMENT, "{what} at {hz} Hz: {worst:.2e}");
        }
    }
}

/// The lines in divide what resistances alone leave, source side and witness.
#[test]
fn resistances_divide_as_ohm_says() {
    let mut spec = resonant();
    spec.headphone.resonances.clear();
    (spec.hookup.series_ohm, spec.hookup.cable_ohm, spec.lines_in.input_ohm) = (47.0, 0.2, Some(15e3));
    let worst = largest_error(&spec, 48_000);
    assert!(worst < 1e-5, "{worst:.2e}");
}

/// A current limit into a resonant load holds the true current: an amplifier of 10 mA into 100 Ω at the resonance stops at
/// 1 V, the same one into 32 Ω far above it at 0.32 V.
#[test]
fn a_current_limit_holds_the_current_into_a_resonant_load() {
    let mut spec = resonant();
    (spec.output.source_ohm, spec.output.current_limit_a, spec.output.volts_per_fs) = (0.5, Some(0.01), 3.0);
    let peak_v = |hz: f64| {
        let played: Vec<[f32; 2]> =
            (0..96_000).map(|n| [(TAU * hz * f64::from(n) / 48_000.0).sin() as f32; 2]).collect();
        let mut device = Device::new(&spec, rate(48_000), rate(48_000)).wanting([false, false, true, false, false]);
        let mut out = Vec::new();
        device.play(&played);
        device.capture(&mut out);
        let frames = (48_000.0 / hz) as usize * 10;
        // The fundamental of a current clamped from 30 or 94 mA to 10 mA is 4/π of it, nearly.
        let period: Vec<f64> =
            out[48_000..48_000 + frames].iter().map(|f| f64::from(f[2]) * spec.lines_in.witness_full_scale_v).collect();
        forward(&period)[10].norm()
    };
    let clamped = |asked: f64| {
        // Fundamental of a clipped sine, by its closed form: a = asin(1/x), (2/π)·x·(a + sin a·cos a) of the limit.
        let a = (1.0 / asked).asin();
        std::f64::consts::FRAC_2_PI * asked * (a + a.sin() * a.cos())
    };
    let at = |hz: f64, ohm: f64, loop_ohm: f64| {
        let expected = 0.01 * ohm * clamped(3.0 / loop_ohm / 0.01);
        let seen = peak_v(hz);
        assert!((seen / expected - 1.0).abs() < 0.02, "{hz} Hz: {seen} V for {expected} V");
    };
    at(80.0, 100.0, 100.5);
    at(1_000.0, 32.226, 32.726);
}

/// Drive of pink noise at which the true current first touches the limit, dBFS: closed form of the circuit, eight points per
/// sample.
fn drive_at_the_limit_dbfs(spec: &BenchSpec) -> f64 {
    let period = Stimulus::pink(rate(48_000)).period(rate(48_000));
    let frames = period.samples.len();
    let mut current = forward(&period.samples);
    for (k, line) in current.iter_mut().enumerate().skip(1) {
        let f_hz = k as f64 * period.line_spacing_hz();
        *line *= circuit::volts(spec, f_hz)[1] / circuit::headphone(spec, f_hz) * spec.output.volts_per_fs;
    }
    current.resize(4 * frames + 1, Complex::default());
    let highest = inverse(&current, 8 * frames).iter().fold(0.0f64, |most, i| most.max(i.abs()));
    let gain = spec.output.current_limit_a.unwrap() / highest;
    period.full_drive().unwrap().db() + 20.0 * gain.log10()
}

/// A current limit into a load that resonates is no limit of the momentary voltage. Its level is determined within 0.1 dB, or the
/// bend is reported without a level; it is never taken for clean.
#[test]
fn a_current_limit_into_a_resonant_load_is_stated_right_or_not_at_all() {
    let home = tempfile::tempdir().unwrap();
    let mut stated = 0;
    let loads = [(80.0, 0.0), (80.0, 3.0), (80.0, 30.0), (80.0, 200.0), (2_000.0, 10.0), (2_000.0, 68.0)];
    for (n, (frequency_hz, peak_ohm)) in loads.into_iter().enumerate() {
        let mut spec = BenchSpec { seed: 40 + n as u64, ..BenchSpec::default() };
        (spec.output.positive_limit_v, spec.output.negative_limit_v) = (None, None);
        (spec.output.source_ohm, spec.output.current_limit_a, spec.output.volts_per_fs) = (0.5, Some(0.03), 2.0);
        spec.headphone.load_ohm = 32.0;
        if peak_ohm > 0.0 {
            spec.headphone.resonances = vec![Resonance { frequency_hz, q: 2.0, peak_ohm }];
        }
        let id = home.path().join(n.to_string());
        let (record, _) = run(&spec, SimulatedCardSpec::default(), plan(75.0), chain(&spec), &id).unwrap();
        let (name, truth) = (format!("{peak_ohm} ohm at {frequency_hz} Hz"), drive_at_the_limit_dbfs(&spec));
        match judge(&record).threshold {
            Threshold::Determined(limit) => {
                stated += 1;
                let off = limit.pink_drive.value - truth;
                assert!(off.abs() < 0.1, "{name}: {limit:?} for {truth:.3} dBFS");
            }
            Threshold::NotDetermined { because } => {
                let seen = ["bend is visible", "the limit is soft", "distortion rises faster"];
                assert!(seen.iter().any(|words| because.contains(words)), "{name}: {because}");
            }
            Threshold::NoneUpTo { drive, .. } => panic!("{name}: clean up to {drive}, true limit {truth:.2}"),
        }
    }
    assert!(stated > 0, "a resistive load has a level");
}
