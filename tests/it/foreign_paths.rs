//! What nobody here had thought of, on the simulated bench: limiters that see peaks coming, slew limits, automatic gain and formats of
//! few bits on the way, and smooth distortion over the whole band in output, headphone, microphone and converter.
//!
//! Must hold: smooth distortion under a limit is never called a limit's; what moves the gain or the slope is never
//! clean up to full scale; few bits are resolution, not distortion of the output.
//!
//! `LOUDENOUGH_PATHS` is the number of benches of each kind, `LOUDENOUGH_SEED` the first seed.

use crate::common::sessions::{chain, plan, run};
use loudenough::audio::simulated::{BenchSpec, Bend, GainControl, LookAhead, SimulatedCardSpec};
use loudenough::judgement::{Judgement, Threshold, judge};
use loudenough::session::record::{Record, StepResult};
use loudenough::signal::Stimulus;
use loudenough::units::SampleRate;
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};
use std::sync::Mutex;

/// Benches of each kind without being asked for more.
const BENCHES: u64 = 3;

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// A seeded bench without a limit of its own, quiet enough to be measured, and the random numbers that go on from its seed.
fn unlimited(seed: u64) -> (BenchSpec, impl FnMut(f64, f64) -> f64) {
    let mut spec = BenchSpec::seeded(seed);
    (spec.output.positive_limit_v, spec.output.negative_limit_v, spec.output.current_limit_a) = (None, None, None);
    spec.microphone.noise_db_spl = spec.microphone.noise_db_spl.map(|noise| noise - 20.0);
    let mut random = Pcg32::seed_from_u64(seed);
    (spec, move |low: f64, high: f64| low + (high - low) * f64::from(random.next_u32()) / f64::from(u32::MAX))
}

fn session(spec: &BenchSpec) -> Result<(Record, Judgement), String> {
    let home = tempfile::tempdir().unwrap();
    let listening = plan(60.0);
    let (record, _) = run(spec, SimulatedCardSpec::default(), listening, chain(spec), home.path())?;
    let judgement = judge(&record);
    Ok((record, judgement))
}

/// Runs one kind on its benches; what was wrong.
fn each(kind: &str, make: impl Fn(u64) -> BenchSpec + Sync, wrong: impl Fn(&Record, &Judgement) -> bool + Sync) {
    let count = number("LOUDENOUGH_PATHS").unwrap_or(BENCHES);
    let from = number("LOUDENOUGH_SEED").unwrap_or(7_100_000);
    let next = std::sync::atomic::AtomicU64::new(0);
    let found = Mutex::new(Vec::new());
    let work = || loop {
        let seed = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        if seed >= count {
            return;
        }
        match session(&make(from + seed)) {
            Ok((record, judgement)) if wrong(&record, &judgement) => {
                let steps: String = record.steps.iter().filter_map(stated).collect();
                let what =
                    format!("{kind}, seed {}: {}, ended {:?}{steps}", from + seed, judgement.sentence, record.stop());
                found.lock().unwrap().push(what);
            }
            Ok(_) => {}
            // A session may end without an answer; it may not end with a wrong one.
            Err(message) => println!("{kind}, seed {}: {message}", from + seed),
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(work);
        }
    });
    let found = found.lock().unwrap();
    assert!(found.is_empty(), "{} of {count} wrong:\n{}", found.len(), found.join("\n"));
}

/// One step in a line.
fn stated(step: &StepResult) -> Option<String> {
    let (pink, _) = step.pink(0)?;
    let middle = pink.middle.as_ref().map(|m| (m.even.estimate().map(|e| e.value), m.odd.estimate().map(|e| e.value)));
    let clip = pink
        .clip
        .as_ref()
        .map(|c| (c.evidence, c.level.as_ref().map(|l| (l.soft, l.positive.clone(), l.negative.clone()))));
    let over = pink.over_noise_db;
    Some(format!(
        "\n  {} at {:?}, over noise {over:?}, even and odd in the middle {middle:?}: {clip:?}",
        step.step.purpose, step.step.drive
    ))
}

/// Said to be clean all the way up.
fn clean(judgement: &Judgement) -> bool {
    matches!(judgement.threshold, Threshold::NoneUpTo { full_scale: true, .. })
}

#[test]
fn smooth_distortion_of_the_whole_band_is_no_limit() {
    let make = |seed| {
        let (mut spec, mut draw) = unlimited(seed);
        let volts = spec.output.volts_per_fs / 4.0;
        let mut bend = |at_rms: f64| {
            let (even, odd) = (draw(-100.0, -40.0), draw(-100.0, -40.0));
            Bend { even_db: Some(even), odd_db: Some(odd), at_rms, below_hz: 20_000.0 }
        };
        spec.output.bend = Some(bend(volts));
        spec.microphone.bend = Some(bend(0.2));
        spec.headphone.distortion.below_hz = 20_000.0;
        spec
    };
    each("smooth", make, |_, judgement| matches!(judgement.threshold, Threshold::Determined(_)));
}

#[test]
fn a_limiter_that_sees_peaks_coming_is_not_clean() {
    let make = |seed| {
        let (mut spec, mut draw) = unlimited(seed);
        let look_ahead = LookAhead { above: draw(0.1, 0.4), ahead_s: draw(0.000_5, 0.003), release_s: draw(0.02, 0.5) };
        spec.route.playback.look_ahead = Some(look_ahead);
        spec
    };
    each("look-ahead", make, |_, judgement| clean(judgement));
}

#[test]
fn a_slew_limit_is_not_clean() {
    // Steeper than nothing that is played would be no limit: of the noise at full scale, some of its own slope.
    let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
    let steepest = period.samples.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max);
    let make = |seed| {
        let (mut spec, mut draw) = unlimited(seed);
        spec.route.playback.slew_per_s = Some(48_000.0 * steepest * draw(0.3, 0.7));
        spec
    };
    // Where it sets in at the last step it cannot be told from a driver's distortion; that there is some is said.
    let said = |judgement: &Judgement| judgement.sentence.contains("distortion at the ear is over");
    each("slew", make, |_, judgement| clean(judgement) && !said(judgement));
}

#[test]
fn automatic_gain_is_not_clean() {
    let make = |seed| {
        let (mut spec, mut draw) = unlimited(seed);
        let control = GainControl { above_dbfs: draw(-45.0, -20.0), most_db: draw(2.0, 20.0), time_s: draw(0.01, 2.0) };
        spec.route.playback.gain_control = Some(control);
        spec
    };
    each("automatic gain", make, |_, judgement| clean(judgement));
}

/// A wire of few bits without any noise: no clipping is seen, and the residue is called what it is where it matters.
#[test]
fn few_bits_are_resolution() {
    let make = |seed| {
        let (mut spec, mut draw) = unlimited(seed);
        spec.route.playback.bits = Some(draw(8.0, 16.99) as u32);
        (spec.output.noise_v_rms, spec.microphone.noise_db_spl, spec.microphone.bits) = (0.0, None, None);
        spec.microphone.hum.clear();
        (spec.headphone.distortion.even_db, spec.headphone.distortion.odd_db) = (None, None);
        spec
    };
    each("few bits", make, |_, judgement| matches!(judgement.threshold, Threshold::Determined(_)));
}
