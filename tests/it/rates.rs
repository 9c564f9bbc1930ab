//! Any usual rate, for playback and capture, also when the two differ: the same levels, clocks and limits.

use crate::common::sessions::{chain, plan, run};
use crate::common::{takes, truth};
use loudenough::analysis::Finding;
use loudenough::audio::simulated::{BenchSpec, Device, SimulatedCardSpec};
use loudenough::card::InputRole;
use loudenough::judgement::{Threshold, judge};
use loudenough::session::plan::{AskedLevel, Plan};
use loudenough::session::step::Purpose;
use loudenough::signal::{Burst, Noise, Per, Shaped, Stimulus, Sweep, TableRow, TwoTones};
use loudenough::take::{Input, Take, TakeHead};
use loudenough::units::{Dbfs, SampleRate};

/// Levels against the truth, dB.
const LEVEL_DB: f64 = 0.05;
/// Clip level, dB.
const CLIP_DB: f64 = 0.1;
/// Single takes 30 dB over noise, ppm (as at one rate).
const CLOCK_PPM: f64 = 0.01;

fn session(played_hz: u32, captured_hz: u32, quick: bool) {
    let what = format!("{played_hz} played, {captured_hz} captured");
    let [played, captured] = [played_hz, captured_hz].map(|hz| SampleRate::new(hz).unwrap());
    let spec = BenchSpec::named("console phones socket", "open 300 Ω").unwrap();
    let listening = plan(75.0).listening;
    let base = if quick { Plan::quick_look(played) } else { Plan::session(played) };
    let mut chain = chain(&spec);
    (chain.routing.playback_rate, chain.routing.capture_rate) = (played, captured);
    let home = tempfile::tempdir().unwrap();
    let asked = Plan { listening, ..base };
    let (record, _) = run(&spec, SimulatedCardSpec::default(), asked, chain, home.path())
        .unwrap_or_else(|message| panic!("{what}: {message}"));
    let period = Stimulus::pink(played).period(played);
    let true_ppm = 1e6 * ((1.0 + spec.capture_clock_ppm * 1e-6) / (1.0 + spec.playback_clock_ppm * 1e-6) - 1.0);
    let mut judged = 0;
    for step in record.steps.iter().filter(|s| s.step.purpose != Purpose::Probe) {
        let Some((pink, _)) = step.pink(0) else { continue };
        let gain = step.takes.last().unwrap().head.drive.gain();
        let truth = truth::steady_period(&spec, &period.samples, gain, played.hz()).stimulus_dbfs(&period);
        let error = pink.level_z.unwrap().value - truth;
        assert!(error.abs() < LEVEL_DB, "{what}, step {}: level off by {error:.3} dB", step.step.number);
        if pink.over_noise_db.is_some_and(|o| o >= 30.0) {
            let clock = pink.common.clock.own_ppm.unwrap().value - true_ppm;
            assert!(clock.abs() < CLOCK_PPM, "{what}, step {}: clock off by {clock:.4} ppm", step.step.number);
            judged += 1;
        }
    }
    assert!(judged >= 2, "{what}: {judged} steps over the noise");
    if quick {
        return;
    }
    let Threshold::Determined(stated) = judge(&record).threshold else { panic!("{what}: no threshold") };
    let (positive, negative) = truth::true_clip_peak(&spec);
    for (reading, truth) in [(stated.positive, positive), (stated.negative, negative)] {
        let off = reading.determined().unwrap().value - truth.unwrap();
        assert!(off.abs() < CLIP_DB, "{what}: clip level off by {off:.3} dB");
    }
}

#[test]
fn a_session_finds_the_same_limit_across_two_rates() {
    session(44_100, 48_000, false);
}

#[test]
fn a_session_finds_the_same_limit_at_a_high_rate() {
    session(96_000, 96_000, false);
}

#[test]
fn quick_looks_agree_at_the_other_rates() {
    for (played, captured) in
        [(44_100, 44_100), (48_000, 44_100), (88_200, 48_000), (48_000, 176_400), (192_000, 96_000)]
    {
        session(played, captured, true);
    }
}

/// Of the other sounds against the truth: levels and responses as at 48 kHz; stationary noise scatters, 4.343/√(BT) with
/// B = 955 Hz over 2.7 s is 0.085 dB, three times that.
const OTHER_LEVEL_DB: f64 = 0.05;
const SCATTER_DB: f64 = 0.26;
/// A burst's compression where nothing compresses, dB.
const COMPRESSION_DB: f64 = 0.02;
/// Its interval at most: the quiet reference, 40 dB over the noise at least, is what a burst is held against.
const COMPRESSION_HALF_DB: f64 = 0.15;

/// Every other sound once at one rate: its level as the bench truly plays it, and the response it tells.
fn other_sounds(hz: u32) {
    let rate = SampleRate::new(hz).unwrap();
    let spec = BenchSpec::named("console phones socket", "open 300 Ω").unwrap();
    let mut chain = chain(&spec);
    (chain.routing.playback_rate, chain.routing.capture_rate) = (rate, rate);
    let row = |frequency_hz, level_db| TableRow { frequency_hz, level_db };
    let shape = vec![row(100.0, -6.0), row(1000.0, 0.0), row(8000.0, -12.0)];
    let asked = Plan {
        beside: vec![
            Stimulus::TwoTones(TwoTones::Modulation),
            Stimulus::TwoTones(TwoTones::DifferenceFrequency),
            Stimulus::Sweep(Sweep { spans: 2 }),
            Stimulus::Burst(Burst {}),
            Stimulus::Noise(Noise { spans: 2, ..Noise::STANDARD }),
            Stimulus::Shaped(Shaped::new(shape, Per::Line, 1).unwrap()),
        ],
        asked: vec![AskedLevel::Drive(Dbfs(-30.0))],
        listening: plan(75.0).listening,
        ..Plan::quick_look(rate)
    };
    let home = tempfile::tempdir().unwrap();
    let (record, _) = run(&spec, SimulatedCardSpec::default(), asked, chain, home.path())
        .unwrap_or_else(|message| panic!("{hz}: {message}"));
    let step = record.steps.iter().find(|s| s.step.purpose == Purpose::Asked).unwrap();
    let mut heard = 0;
    for (stimulus, result) in step.others(0) {
        let head = &step.takes.iter().find(|t| t.head.stimulus == *stimulus).unwrap().head;
        let period = stimulus.period(rate);
        let truth = truth::steady_period(&spec, &period.samples, head.drive.gain(), rate.hz());
        let (level, expected, allowed) = match &result.finding {
            Finding::TwoTones(f) => (f.level, truth.stimulus_dbfs(&period), OTHER_LEVEL_DB),
            Finding::Sweep(f) => (f.level, truth.stimulus_dbfs(&period), OTHER_LEVEL_DB),
            Finding::Shaped(f) => (f.level_z, truth.stimulus_dbfs(&period), OTHER_LEVEL_DB),
            Finding::Noise(f) => (f.level, truth.stimulus_dbfs(&period), SCATTER_DB),
            Finding::Burst(f) => {
                let compression = f.compression_db.unwrap();
                let (off, half) = (compression.value.abs(), compression.half_width());
                assert!(off < half.max(COMPRESSION_DB), "{hz}: a burst is compressed by {compression:?}");
                assert!(half < COMPRESSION_HALF_DB, "{hz}: {compression:?}");
                (f.level, truth.level_dbfs(), OTHER_LEVEL_DB)
            }
            other => panic!("{other:?}"),
        };
        let off = level.unwrap().value - expected;
        assert!(off.abs() < allowed, "{stimulus} at {hz} Hz: level off by {off:.3} dB");
        let response = match &result.finding {
            Finding::Sweep(f) => &f.response,
            Finding::Noise(f) => &f.response,
            _ => &Vec::new(),
        };
        for around in [250.0, 1000.0, 8000.0] {
            let near = response.iter().filter(|p| (p.frequency_hz / around).log2().abs() < 1.0 / 6.0);
            let off = near.map(|p| p.gain_db - true_gain_db(&spec, p.frequency_hz, rate)).collect::<Vec<f64>>();
            let mean = off.iter().sum::<f64>() / off.len().max(1) as f64;
            assert!(mean.abs() < OTHER_LEVEL_DB, "{stimulus} at {hz} Hz: response off by {mean:+.3} dB at {around} Hz");
        }
        heard += 1;
    }
    assert_eq!(heard, 6, "{hz}: {:?}", step.takes.iter().map(|t| &t.void).collect::<Vec<_>>());
}

/// Captured over played, full scale over full scale, dB.
fn true_gain_db(spec: &BenchSpec, f_hz: f64, rate: SampleRate) -> f64 {
    let share = spec.headphone.load_ohm / (spec.headphone.load_ohm + spec.output.source_ohm);
    let pa = spec.output.volts_per_fs * share * truth::pascal_per_volt(spec, f_hz, rate.hz()).norm();
    20.0 * (pa / (2f64.sqrt() * 20e-6)).log10() - spec.microphone.full_scale_db_spl
}

#[test]
fn the_other_sounds_are_right_at_44_1_khz() {
    other_sounds(44_100);
}

#[test]
fn the_other_sounds_are_right_at_96_khz() {
    other_sounds(96_000);
}

#[test]
fn the_other_sounds_are_right_at_192_khz() {
    other_sounds(192_000);
}

/// Silence of seeded benches at every usual rate: nothing on the way changed it, and nothing says so.
#[test]
fn no_clean_bench_is_taken_for_resampled() {
    const BENCHES: u64 = 50;
    let rates = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
    for seed in 0..BENCHES {
        // Each bench at one rate of playback and one of capture, all pairs in turn.
        let [played, captured] =
            [seed as usize % 6, (seed as usize / 6 + seed as usize) % 6].map(|i| SampleRate::new(rates[i]).unwrap());
        let stimulus = Stimulus::silence();
        let (periods, frames) = (2, stimulus.period_frames(played));
        let mut device =
            Device::new(&BenchSpec::seeded(seed), played, captured).wanting([true, false, false, false, false]);
        let (mut out, lead) = (Vec::new(), 0.3);
        let played_frames = frames * (periods + 1);
        device.play(&vec![[0.0; 2]; played_frames + (2.0 * lead * played.hz()) as usize]);
        device.capture(&mut out);
        let head = TakeHead {
            played_rate: played,
            captured_rate: captured,
            pre_roll: (lead * captured.hz()) as usize,
            played_frames,
            ..takes::head(&stimulus, periods, played_frames)
        };
        let samples = out.iter().map(|frame| frame[0]).collect();
        let found = takes::silence(&Take { head, inputs: vec![Input { role: InputRole::LeftEar, samples }] });
        let resampled = found.common.flaws.iter().find(|f| f.code == "resampled");
        assert!(resampled.is_none(), "seed {seed}, {played} to {captured}: {resampled:?}");
    }
}
