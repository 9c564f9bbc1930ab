//! Any usual rate, for playback and capture, also when the two differ: the same levels, clocks and limits.

use crate::common::sessions::{chain, plan, run};
use crate::common::truth;
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec};
use loudenough::judgement::{Threshold, judge};
use loudenough::session::climb::Purpose;
use loudenough::session::plan::Plan;
use loudenough::signal::Stimulus;
use loudenough::units::SampleRate;

/// Levels against the truth, dB.
const LEVEL_DB: f64 = 0.05;
/// Clip level, dB.
const CLIP_DB: f64 = 0.1;
/// Single takes 30 dB over noise, ppm (issue of a session's accuracy, as at one rate).
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
    let Threshold::Told(told) = judge(&record).threshold else { panic!("{what}: no threshold") };
    let (positive, negative) = truth::true_clip_peak(&spec);
    for (reading, truth) in [(told.positive, positive), (told.negative, negative)] {
        let off = reading.told().unwrap().value - truth.unwrap();
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
