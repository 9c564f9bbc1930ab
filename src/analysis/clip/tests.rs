//! The trial behind the threshold, and levels against the limits the trial was set to.

use super::trial::{Gauss, Limit, Trial, period};
use super::*;
use crate::analysis::{ActsOn, ClipLevel};
use crate::stats::Reading;
use crate::units::{amplitude_from_db, db_from_amplitude};

/// Agreed: within 0.1 dB from 0.5 dB of overdrive up, 40 dB over noise.
const LEVEL_DB: f64 = 0.1;

/// The same of one that is reported as soft: which bend is the limit's and which was there before it, is given less well.
const SOFT_LEVEL_DB: f64 = 0.3;

/// Seeds of a trial. `LOUDENOUGH_TRIAL` sets another number; the threshold rests on 1 000.
fn seeds(usual: u64) -> u64 {
    std::env::var("LOUDENOUGH_TRIAL").ok().and_then(|s| s.parse().ok()).unwrap_or(usual)
}

/// A trial with headphone distortion of −60 to −45 dB of either order.
fn drawn(seed: u64, periods: usize) -> Trial {
    let mut random = Gauss::new(seed ^ 0xC11F);
    let mut level = || -60.0 + 15.0 * random.uniform();
    let headphone_db = Some((level(), level()));
    let headphone_hz = 100.0 + 200.0 * random.uniform();
    Trial { periods, headphone_db, headphone_hz, ..Trial::new(seed) }
}

fn judged(trial: &Trial) -> ClipFinding {
    judge(&trial.step(1.0), &trial.reference(amplitude_from_db(-20.0))).unwrap()
}

fn stated(reading: &Reading) -> f64 {
    reading.determined().unwrap_or_else(|| panic!("{reading:?}")).value
}

fn assert_level(level: &ClipLevel, up: f64, down: f64, what: &str) {
    for (reading, truth) in [(&level.positive, up), (&level.negative, down)] {
        let truth = db_from_amplitude(truth).unwrap();
        assert!((stated(reading) - truth).abs() < LEVEL_DB, "{what}: {reading:?}, true {truth}");
    }
}

/// The trial: no clean trial reaches the threshold, every trial driven 0.5 dB over passes it.
#[test]
fn evidence_parts_clean_benches_from_overdriven_ones() {
    for periods in [2, 4] {
        let threshold = evidence::threshold(periods);
        let mut highest = 0.0f64;
        let mut lowest = [f64::INFINITY; 4];
        for seed in 0..seeds(16) {
            let noise_db = 20.0 + (seed * 7 % 51) as f64;
            let clean = judged(&Trial { over_noise_db: noise_db, ..drawn(seed, periods) });
            if clean.evidence > 0.25 * threshold {
                println!("{periods} periods, seed {seed}, {noise_db} dB over noise: {:.1}", clean.evidence);
            }
            assert!(!clean.is_evident() && clean.level.is_none() && clean.level_not_determined.is_none());
            highest = highest.max(clean.evidence);
        }
        for seed in 0..seeds(24) / 4 {
            for (i, db) in [0.3, 0.5].into_iter().enumerate() {
                let c = amplitude_from_db(-db);
                for (j, limit) in [Limit::Samples(c, c), Limit::Waveform(c, c)].into_iter().enumerate() {
                    let found = judged(&Trial { limit, ..drawn(seed, periods) });
                    assert!(found.is_evident() || db < 0.5, "seed {seed}, {db} dB {limit:?}: {}", found.evidence);
                    lowest[2 * i + j] = lowest[2 * i + j].min(found.evidence);
                }
            }
        }
        // Shown with --nocapture: the figures of the trial.
        println!("{periods} periods: clean at most {highest:.1}; 0.3 dB, 0.5 dB on samples, waveform: {lowest:.1?}");
    }
}

#[test]
fn hard_limits_are_found_on_samples_and_on_the_waveform_each_polarity_by_itself() {
    for (seed, db) in [(1, 0.5), (2, 1.0), (3, 3.0)] {
        let (up, down) = (amplitude_from_db(-db), 0.9 * amplitude_from_db(-db));
        for (limit, acts_on) in
            [(Limit::Samples(up, down), ActsOn::Samples), (Limit::Waveform(up, down), ActsOn::Waveform)]
        {
            let level = judged(&Trial { limit, ..drawn(seed, 4) }).level.unwrap();
            assert_level(&level, up, down, &format!("{limit:?}"));
            assert_eq!(level.acts_on, acts_on, "{limit:?}");
            assert!(!level.soft);
        }
    }
}

#[test]
fn half_a_decibel_of_overdrive_is_enough_for_two_periods() {
    let c = amplitude_from_db(-0.5);
    for limit in [Limit::Samples(c, c), Limit::Waveform(c, c)] {
        let level = judged(&Trial { limit, ..drawn(5, 2) }).level.unwrap();
        assert_level(&level, c, c, &format!("{limit:?}"));
    }
}

/// The polarity that nothing touched has shown its own peak, no more.
#[test]
fn a_limit_on_one_side_leaves_a_lower_bound_on_the_other() {
    let c = amplitude_from_db(-1.5);
    let level = judged(&Trial { limit: Limit::Waveform(9.0, c), ..drawn(7, 4) }).level.unwrap();
    assert!((stated(&level.negative) - db_from_amplitude(c).unwrap()).abs() < LEVEL_DB);
    let Reading::AtLeast(bound) = &level.positive else { panic!("{:?}", level.positive) };
    let peak = db_from_amplitude(period().peaks.positive).unwrap();
    assert!(bound.value <= peak + 1e-9 && bound.value > peak - 0.5, "{bound:?}");
}

/// Truth of a soft limit: the same fit on the noise-free period. Its interval holds it.
#[test]
fn a_soft_limit_is_stated_as_soft_with_its_hard_equivalent() {
    let c = amplitude_from_db(-1.0);
    for (seed, limit, acts_on) in
        [(8, Limit::SoftSamples(c, 0.4), ActsOn::Samples), (9, Limit::SoftWaveform(c, 0.4), ActsOn::Waveform)]
    {
        let trial = Trial { limit, ..drawn(seed, 4) };
        let ideal = Trial { headphone_db: None, over_noise_db: f64::INFINITY, residue_ppm: 0.0, ..trial };
        let (level, truth) = (judged(&trial).level.unwrap(), judged(&ideal).level.unwrap());
        assert!(level.soft && truth.soft && level.unexplained > 0.03);
        // Under noise the kind may stay undetermined, but is never the other one.
        assert!(truth.acts_on == acts_on && [acts_on, ActsOn::NotDetermined].contains(&level.acts_on), "{limit:?}");
        for (reading, truth) in [(&level.positive, &truth.positive), (&level.negative, &truth.negative)] {
            assert!((stated(reading) - stated(truth)).abs() < LEVEL_DB);
            assert!(reading.determined().unwrap().holds(stated(truth)));
        }
    }
}

/// The trial behind `BENT_KIND_EVIDENCE`: soft limits with knees of 5 to 60 % of the limit, driven 0.5 to 5 dB over,
/// 40 to 75 dB over noise, are reported as of their own kind and within a tenth of a decibel.
#[test]
fn a_soft_limit_is_not_determined_as_one_of_the_other_kind() {
    let (mut gentle, mut stated_kind, mut kind_open, mut not_determined, mut missed, mut furthest, mut wrong) =
        (0, 0, 0, 0, 0, 0.0f64, Vec::new());
    for seed in 0..seeds(12) {
        let mut random = Gauss::new(seed ^ 0x50F7);
        let (c, width) = (amplitude_from_db(-0.5 - 4.5 * random.uniform()), 0.05 + 0.55 * random.uniform());
        let over_noise_db = 40.0 + 35.0 * random.uniform();
        let (limit, acts_on) = match seed % 2 {
            0 => (Limit::SoftSamples(c, width), ActsOn::Samples),
            _ => (Limit::SoftWaveform(c, width), ActsOn::Waveform),
        };
        let trial = Trial { limit, over_noise_db, ..drawn(seed, 4) };
        let ideal = Trial { headphone_db: None, over_noise_db: f64::INFINITY, residue_ppm: 0.0, ..trial };
        let (found, truth) = (judged(&trial), judged(&ideal));
        let seen_without_noise = truth.is_evident();
        let (level, truth) = match (found.level, truth.level) {
            (Some(level), Some(truth)) => (level, truth),
            // A gentle knee that is hardly driven over is a smooth bend, with noise or without.
            (None, None) if !seen_without_noise && width > 0.44 && c > 0.78 => {
                gentle += 1;
                continue;
            }
            _ => {
                not_determined += 1;
                continue;
            }
        };
        let name = format!("seed {seed}, {limit:.3?}, {over_noise_db:.0} dB over noise");
        match level.acts_on {
            ActsOn::NotDetermined => kind_open += 1,
            kind if kind == acts_on => stated_kind += 1,
            kind => wrong.push(format!("{name}: found as {kind:?}")),
        }
        if truth.acts_on != acts_on {
            wrong.push(format!("{name}: without noise {:?}", truth.acts_on));
        }
        for (reading, truth) in [(&level.positive, &truth.positive), (&level.negative, &truth.negative)] {
            let Some(estimate) = reading.determined() else {
                wrong.push(format!("{name}: {reading:?}"));
                continue;
            };
            let off = estimate.value - stated(truth);
            furthest = furthest.max(off.abs());
            missed += usize::from(!estimate.holds(stated(truth)));
            if off.abs() > LEVEL_DB {
                wrong.push(format!("{name}: off by {off:.3} dB"));
            }
        }
    }
    println!(
        "smooth {gentle}, kind told {stated_kind}, open {kind_open}; level not determined {not_determined}; furthest {furthest:.3} dB, {missed} intervals miss"
    );
    assert!(wrong.is_empty(), "{wrong:#?}");
    // One in twenty is what they say; a dozen seeds have 24 readings.
    assert!(missed <= 1 + stated_kind / 10, "{missed} intervals miss");
    assert!(
        stated_kind >= 9 * (kind_open + not_determined),
        "{stated_kind} told, {kind_open} open, {not_determined} without a level"
    );
}

#[test]
fn a_limit_behind_a_filter_is_a_visible_bend_without_a_level() {
    for corner_hz in [40.0, 60.0] {
        let found = judged(&Trial { limit: Limit::Memory(amplitude_from_db(-3.0), corner_hz), ..drawn(3, 4) });
        assert!(found.is_evident() && found.level.is_none(), "{corner_hz} Hz: {:?}", found.level);
        assert!(found.level_not_determined.is_some_and(|why| why.contains("memory")));
    }
    // Where the filter matters little a level is given, and its interval holds what the limit is set to.
    let mild = judged(&Trial { limit: Limit::Memory(amplitude_from_db(-3.0), 10.0), ..drawn(3, 4) }).level.unwrap();
    assert!(
        mild.positive.determined().unwrap().holds(-3.0) && mild.negative.determined().unwrap().holds(-3.0),
        "{mild:?}"
    );
}

/// Once a level of −2.4 dB was given for −3: the output's own knob had been turned in between.
#[test]
fn a_gain_that_moved_since_the_reference_leaves_the_level_undetermined() {
    let c = amplitude_from_db(-3.0);
    let trial = Trial { limit: Limit::Samples(c, c), ..drawn(5, 4) };
    let mut reference = trial.reference(amplitude_from_db(-20.0));
    let same = judge(&trial.step(1.0), &reference).unwrap().level.unwrap();
    assert_level(&same, c, c, "same gain");
    reference.response.iter_mut().for_each(|h| *h *= 2.0);
    let moved = judge(&trial.step(1.0), &reference).unwrap();
    assert!(moved.level.is_none() && moved.level_not_determined.is_some_and(|why| why.contains("gain moved")));
}

/// A digital loop: nothing but the limit, no noise at all.
#[test]
fn a_loop_without_noise_gives_the_limit_to_a_thousandth() {
    let c = amplitude_from_db(-2.0);
    let ideal = |limit| Trial {
        limit,
        headphone_db: None,
        over_noise_db: f64::INFINITY,
        residue_ppm: 0.0,
        resonant: false,
        ..Trial::new(1)
    };
    let level = judged(&ideal(Limit::Samples(c, c))).level.unwrap();
    assert!((stated(&level.positive) + 2.0).abs() < 1e-3 && (stated(&level.negative) + 2.0).abs() < 1e-3, "{level:?}");
    assert_eq!(level.acts_on, ActsOn::Samples);
    assert!(!judged(&ideal(Limit::None)).is_evident());
}

/// What a device makes of a sample.
type Bend = fn(f64) -> f64;

/// A digital wire and a reference of it: no response, no noise.
fn wire() -> (impl Fn(f64, Bend) -> Spectra, Reference) {
    let take = |gain: f64, output: fn(f64) -> f64| {
        let mut take = trial::clean(&period(), gain);
        let sent: Vec<f64> = period().samples.iter().map(|x| output(f64::from((gain * x) as f32))).collect();
        take.mean = trial::lines(&sent, sent.len());
        take
    };
    let reference = trial::reference_of(&take(amplitude_from_db(-40.0), |x| x));
    (take, reference)
}

/// What is captured is what was sent, to the last bit of f32 samples: rounding is no limit.
#[test]
fn rounding_on_a_wire_without_noise_is_no_limit() {
    let (take, reference) = wire();
    for db in [0.0, -3.0, -10.0, -17.3, -33.0] {
        let found = judge(&take(amplitude_from_db(db), |x| x), &reference).unwrap();
        assert!(!found.is_evident(), "{db} dB: evidence {}", found.evidence);
    }
}

/// The same wire with a hard limit at −12 dB of full scale.
#[test]
fn a_limit_on_a_wire_without_noise_is_found() {
    let (take, reference) = wire();
    let limit = |x: f64| x.clamp(-0.251_188_643_150_958, 0.251_188_643_150_958);
    for db in [-11.0, -9.0, -6.0] {
        let found = judge(&take(amplitude_from_db(db), limit), &reference).unwrap();
        let Some(level) = found.level else { panic!("{db} dB: {:?}", found.level_not_determined) };
        for reading in [&level.positive, &level.negative] {
            assert!((stated(reading) + 12.0).abs() < 1e-2, "{db} dB: {reading:?}");
        }
    }
}

/// Smooth distortion of the whole band, −100 to −40 dB, at the output, in the capture chain or in both, beside the headphone's
/// own, with 40 to 110 dB over the noise.
fn smoothly_distorted(seed: u64, periods: usize) -> Trial {
    let mut random = Gauss::new(seed ^ 0x5307);
    let mut level = || -100.0 + 60.0 * random.uniform();
    let mut stage = |there: bool| there.then(|| (level(), level()));
    let smooth_db = [stage(seed % 4 != 1), stage(seed % 4 != 2)];
    let over_noise_db = 40.0 + 70.0 * random.uniform();
    Trial {
        smooth_db,
        analogue: !seed.is_multiple_of(3),
        over_noise_db,
        resonant: !seed.is_multiple_of(5),
        ..drawn(seed, periods)
    }
}

/// The trial behind the factors and the clearing: no amount of smooth distortion is a limit, and a limit is found beside it, at its
/// level where one is given.
#[test]
fn smooth_distortion_is_no_limit_and_hides_none() {
    let (mut wrong, mut clean, mut over) = (Vec::new(), 0.0f64, f64::INFINITY);
    let (mut furthest, mut no_level) = (0.0f64, 0);
    for seed in 0..seeds(12) {
        let trial = smoothly_distorted(seed, if seed % 2 == 0 { 2 } else { 4 });
        let found = judged(&trial);
        clean = clean.max(found.evidence / found.threshold);
        if found.is_evident() {
            wrong.push(format!("clean, {:.0} of {}: {trial:?}", found.evidence, found.threshold));
        }
        let c = amplitude_from_db(-0.5 - (seed % 4) as f64);
        let limit = if seed % 2 == 0 { Limit::Samples(c, c) } else { Limit::Waveform(c, c) };
        let found = judged(&Trial { limit, ..trial });
        over = over.min(found.evidence / found.threshold);
        if !found.is_evident() {
            wrong.push(format!("missed, {:.0} of {}: {limit:?} {trial:?}", found.evidence, found.threshold));
        }
        let Some(level) = found.level else {
            no_level += 1;
            continue;
        };
        let most = if level.soft { SOFT_LEVEL_DB } else { LEVEL_DB };
        for (reading, truth) in [&level.positive, &level.negative].into_iter().zip(trial.reached_at(c)) {
            let off = reading.determined().map_or(0.0, |stated| stated.value - db_from_amplitude(truth).unwrap());
            furthest = furthest.max(off.abs());
            if off.abs() > most {
                wrong.push(format!("off by {off:+.3}, soft {}: {limit:?} {trial:?}", level.soft));
            }
        }
    }
    println!(
        "evidence over threshold: clean at most {clean:.3}, overdriven at least {over:.1}; without a level {no_level}, furthest \
         {furthest:.3} dB"
    );
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(no_level <= 1 + seeds(12) as usize / 10, "{no_level} without a level");
}
