//! Whole sessions on simulated benches against their true values, which are computed in `tests/common/truth.rs` from
//! closed forms and share nothing with the analysis.

use crate::common::sessions::{chain, plan, run};
use crate::common::truth;
use loudenough::analysis::{Context, Correction, Finding, Flaw, PinkFinding, Reference, Weight, measure};
use loudenough::audio::simulated::{BenchSpec, Knee, SimulatedCardSpec};
use loudenough::card::{CaptureChannel, InputRole};
use loudenough::judgement::{Answer, FoundThreshold, Judgement, Threshold, Whose, judge, verdict};
use loudenough::session::plan::HeadroomRule;
use loudenough::session::record::Record;
use loudenough::session::step::{Purpose, StopReason};
use loudenough::signal::{LineKind, Period, Stimulus};
use loudenough::stats::{Estimate, Reading};
use loudenough::take::VoidReason;
use loudenough::units::SampleRate;
use std::f64::consts::SQRT_2;
use std::sync::{Arc, Mutex};

/// Levels, dB.
const LEVEL_DB: f64 = 0.05;
/// Clip level, dB.
const CLIP_DB: f64 = 0.1;
/// The hard equivalent of a soft limit, dB: over [`CLIP_DB`] its interval must hold it.
const SOFT_DB: f64 = 0.3;
/// Clock of a take 30 dB over noise, ppm.
const TAKE_PPM: f64 = 0.01;
/// Pooled clock, ppm.
const POOLED_PPM: f64 = 0.005;
/// Distortion against the noise-free period, dB.
const DISTORTION_DB: f64 = 1.0;
/// Share of intervals that hold the truth where no tolerance is asked.
const HELD: f64 = 0.92;
/// Share of them that may be further off than twice their half width.
const FAR: f64 = 0.005;
/// Share of sessions that may carry a doubt instead of a firm answer.
const IN_DOUBT: f64 = 0.02;

/// What one session showed against the truth.
#[derive(Default, Debug)]
struct Score {
    wrong: Vec<String>,
    doubts: usize,
    sessions: usize,
    stated: usize,
    not_determined: usize,
    level_error_db: f64,
    clip_error_db: f64,
    soft_error_db: f64,
    beyond: usize,
    /// Of those further off than twice their half width.
    far: usize,
    clock_error_ppm: f64,
    held: usize,
    intervals: usize,
}

impl Score {
    fn add(&mut self, other: Score) {
        self.wrong.extend(other.wrong);
        self.doubts += other.doubts;
        self.sessions += other.sessions;
        self.stated += other.stated;
        self.not_determined += other.not_determined;
        self.level_error_db = self.level_error_db.max(other.level_error_db);
        self.clip_error_db = self.clip_error_db.max(other.clip_error_db);
        self.soft_error_db = self.soft_error_db.max(other.soft_error_db);
        self.beyond += other.beyond;
        self.far += other.far;
        self.clock_error_ppm = self.clock_error_ppm.max(other.clock_error_ppm);
        self.held += other.held;
        self.intervals += other.intervals;
    }

    fn hold(&mut self, held: bool) {
        self.intervals += 1;
        self.held += usize::from(held);
    }
}

fn score(name: &str, spec: &BenchSpec, listening_db: f64, record: &Record) -> Score {
    let mut score = Score { sessions: 1, ..Score::default() };
    let judgement = judge(record);
    let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
    let wrong = |score: &mut Score, what: String| score.wrong.push(format!("{name}: {what}"));
    levels(&mut score, name, spec, &period, record);
    clock(&mut score, name, spec, record);
    // Nothing is lost on these benches.
    if let Some(StopReason::TakesVoid { reason: reason @ VoidReason::LostSamples { .. } }) = record.stop() {
        wrong(&mut score, format!("void without cause: {reason:?}"));
    }
    threshold(&mut score, name, spec, &judgement, record);
    let (clean_spl, _) = truth::highest_clean_level(spec, &period);
    let soft = spec.output.knee != Knee::Hard;
    let levels_spl = match &judgement.threshold {
        // A soft limit is given as its equivalent hard limit: that of the same fit on the noise-free period.
        Threshold::Determined(stated) if soft => {
            match equivalent_limit(&mut score, name, spec, &period, record, stated) {
                Some(spl) => vec![spl],
                None => vec![clean_spl, bend_ends_spl(spec, &period)],
            }
        }
        _ if soft => vec![clean_spl, bend_ends_spl(spec, &period)],
        _ => vec![clean_spl],
    };
    let answer_at = |spl: f64| {
        verdict(&Reading::Determined(Estimate::exact(spl.min(115.0) - listening_db)), HeadroomRule::default(), 0).answer
    };
    let expected: Vec<Answer> = levels_spl.iter().map(|spl| answer_at(*spl)).collect();
    let stated = &judgement.headroom.verdict;
    // These chains were never seen clean at a higher level and have no witness: what clips, no session of theirs can say, and
    // short of ample that is a doubt of its own.
    let of_whose = |f: &&Flaw| f.code == "limit-whose";
    let doubts: Vec<&Flaw> = judgement.flaws.iter().filter(|f| f.weight == Weight::Doubt).collect();
    let whose_is_open = matches!(&judgement.threshold, Threshold::Determined(stated) if stated.whose != Whose::Output);
    let short_of_ample = stated.answer != Answer::NotDetermined && !stated.is_wholly(Answer::Ample);
    if (whose_is_open && short_of_ample) != doubts.iter().any(of_whose) {
        wrong(&mut score, format!("verdict {stated}: whose limit it is stands {whose_is_open}, doubts {doubts:?}"));
    }
    let others: Vec<&String> = doubts.iter().filter(|f| !of_whose(f)).map(|f| &f.text).collect();
    if !others.is_empty() {
        score.doubts = 1;
        println!("{name}: in doubt: {others:?}");
    }
    let stated_or = |answer: Answer| {
        stated.answer == answer || stated.or == Some(answer) || stated.at_least && stated.answer > answer
    };
    if !expected.iter().any(|e| stated_or(*e)) && stated.answer != Answer::NotDetermined {
        wrong(
            &mut score,
            format!("verdict {stated}, truth {expected:?} ({levels_spl:.2?} dB SPL for {listening_db:.2} dB)"),
        );
    }
    if stated.answer == Answer::NotDetermined {
        score.not_determined += 1;
        println!("{name}: ended because {:?}", record.stop());
        println!("{name}: not determined: {}", stated.because);
    }
    score
}

/// Holds a soft threshold against the same fit on the noise-free period; the level that its hard equivalent stands for,
/// dB SPL. `None` where that fit tells no level either.
fn equivalent_limit(
    score: &mut Score,
    name: &str,
    spec: &BenchSpec,
    period: &Arc<Period>,
    record: &Record,
    stated: &FoundThreshold,
) -> Option<f64> {
    let none = Correction::none();
    let context = |reference| Context { reference, ..Context::alone(&none) };
    let head_of = |number: usize| &record.steps[number - 1].takes.last().expect("a step has takes").head;
    let quiet = head_of(record.last(Purpose::Reference)?.step.number);
    let quiet = measure(&truth::noise_free_take(spec, period, quiet), 0, &context(None)).ok()?;
    let reference = Reference::from_spectra(quiet.spectra.as_ref()?);
    let loud = truth::noise_free_take(spec, period, head_of(stated.step));
    let Finding::Pink(pink) = measure(&loud, 0, &context(Some(&reference))).ok()?.finding else { return None };
    let level = pink.clip?.level?;
    let over = record.steps[stated.step - 1].pink(0).and_then(|(p, _)| p.over_noise_db).unwrap_or(0.0);
    let mut gain = 1.0f64;
    for (reading, truth, peak) in [
        (&stated.positive, &level.positive, period.peaks.positive),
        (&stated.negative, &level.negative, period.peaks.negative),
    ] {
        let Some(truth) = truth.determined() else { continue };
        gain = gain.min(10f64.powf(truth.value / 20.0) / peak);
        if let (Some(e), true) = (reading.determined(), over >= 40.0) {
            let error = (e.value - truth.value).abs();
            score.soft_error_db = score.soft_error_db.max(error);
            score.hold(e.holds(truth.value));
            if error > SOFT_DB || error > CLIP_DB && !e.holds(truth.value) {
                score.wrong.push(format!(
                    "{name}: soft clip level {:.3} ({:.3} to {:.3}) for {:.3} dB, {over:.0} dB over noise, acts on {:?} / {:?}",
                    e.value, e.interval.low, e.interval.high, truth.value, stated.acts_on, level.acts_on
                ));
            }
        }
    }
    let mut straight = spec.clone();
    (straight.output.positive_limit_v, straight.output.negative_limit_v, straight.output.current_limit_a) =
        (None, None, None);
    Some(truth::steady_period(&straight, &period.samples, gain, period.rate.hz()).level_db_spl())
}

/// Level at which the waveform touches the end of the bend (the limit itself), dB SPL.
fn bend_ends_spl(spec: &BenchSpec, period: &Period) -> f64 {
    let mut hard = spec.clone();
    hard.output.knee = Knee::Hard;
    truth::highest_clean_level(&hard, period).0
}

/// Every pink step: level and distortion against the noise-free period at the same drive.
fn levels(score: &mut Score, name: &str, spec: &BenchSpec, period: &Period, record: &Record) {
    for step in &record.steps {
        let Some((pink, _)) = step.pink(0) else { continue };
        let Some(gain) = step.takes.last().map(|t| t.head.drive.gain()) else { continue };
        let true_period = truth::steady_period(spec, &period.samples, gain, period.rate.hz());
        let over = pink.over_noise_db.unwrap_or(f64::NEG_INFINITY);
        if over >= 20.0 {
            let level = pink.level_z.expect("a level over the noise is told");
            let truth = true_period.stimulus_dbfs(period);
            let error = (level.value - truth).abs();
            // Hum on a line cannot be told from the stimulus: it is said, and the interval allows for it.
            let said = pink.common.flaws.iter().any(|f| f.code == "hum-on-line") && level.holds(truth);
            if !said {
                score.level_error_db = score.level_error_db.max(error);
            }
            if !said && error > LEVEL_DB {
                score.wrong.push(format!("{name} step {}: level off by {error:.3} dB", step.step.number));
            }
        }
        if step.step.purpose != Purpose::Probe {
            distortion(score, name, step.step.number, over, pink, &true_period, period);
        }
    }
}

fn distortion(
    score: &mut Score,
    name: &str,
    step: usize,
    over: f64,
    pink: &PinkFinding,
    truth: &truth::Truth,
    period: &Period,
) {
    for (what, reading, true_db) in
        [("even", &pink.even, truth.even_order_db(period)), ("odd", &pink.odd, truth.odd_order_db(period))]
    {
        // Not more than 10 dB under the noise: within 1 dB; elsewhere the interval must hold it.
        match reading {
            Reading::Determined(e) if true_db > -over - 10.0 && (e.value - true_db).abs() <= DISTORTION_DB => {}
            // Where two periods of noise in the bass alone move a sum by more than 1 dB, its interval says so: then it is
            // held to that: over twice its half width seldom, over four times never.
            Reading::Determined(e) if true_db > -over - 10.0 && half_widths_off(e, true_db) > 4.0 => score
                .wrong
                .push(format!("{name} step {step}: {what} {:.2} for {true_db:.2} dB, noise {:.1}", e.value, -over)),
            Reading::Determined(e) if true_db > -over - 10.0 => {
                score.beyond += 1;
                score.far += usize::from(half_widths_off(e, true_db) > 2.0);
                score.hold(e.holds(true_db));
            }
            Reading::Determined(e) => score.hold(e.holds(true_db)),
            Reading::Below(upper) => score.hold(true_db <= *upper),
            Reading::AtLeast(_) | Reading::NotDetermined(_) => {}
        }
    }
}

/// How far from the truth, in half widths on its side.
fn half_widths_off(e: &Estimate, truth: f64) -> f64 {
    let half = if truth > e.value { e.interval.high - e.value } else { e.value - e.interval.low };
    (truth - e.value).abs() / half
}

fn clock(score: &mut Score, name: &str, spec: &BenchSpec, record: &Record) {
    let true_ppm = 1e6 * ((1.0 + spec.capture_clock_ppm * 1e-6) / (1.0 + spec.playback_clock_ppm * 1e-6) - 1.0);
    // A few periods 30 dB over white noise cannot be determined better than ±0.01 ppm by anyone (Cramér–Rao), and a session's first
    // takes are few together: a clock may be off by twice the half width that the fits so far leave (by their own intervals
    // alone: a fit that is far off must not widen what is allowed).
    let beyond = |ppm: f64, bound: f64, fits: &[Estimate]| {
        let information: f64 = fits.iter().map(|e| e.half_width().powi(-2)).sum();
        (ppm - true_ppm).abs() > bound.max(2.0 / information.sqrt())
    };
    let mut fits: Vec<Estimate> = Vec::new();
    for (pink, _) in record.steps.iter().filter_map(|s| s.pink(0)) {
        let clock = pink.common.clock;
        clock.own_ppm.into_iter().for_each(|own| score.hold(own.holds(true_ppm)));
        fits.extend(clock.own_ppm);
        if pink.over_noise_db.is_some_and(|over| over >= 30.0) && beyond(clock.used_ppm, TAKE_PPM, &fits) {
            score.wrong.push(format!("{name}: clock {:.4} for {true_ppm:.4} ppm", clock.used_ppm));
        }
    }
    if let Some(all) = loudenough::analysis::pool_clock(&fits) {
        let error = (all.value - true_ppm).abs();
        score.hold(all.holds(true_ppm));
        // Sessions that never stand 30 dB over the noise are held to their own interval alone.
        if record.steps.iter().filter_map(|s| s.pink(0)?.0.over_noise_db).any(|over| over >= 30.0) {
            score.clock_error_ppm = score.clock_error_ppm.max(error);
            if beyond(all.value, POOLED_PPM, &fits) {
                score.wrong.push(format!("{name}: pooled clock off by {error:.4} ppm"));
            }
        }
    }
}

fn threshold(score: &mut Score, name: &str, spec: &BenchSpec, judgement: &Judgement, record: &Record) {
    let (positive, negative) = truth::true_clip_peak(spec);
    let hard = spec.output.knee == Knee::Hard;
    match &judgement.threshold {
        Threshold::Determined(stated) => {
            score.stated += 1;
            let over = record.steps[stated.step - 1].pink(0).and_then(|(p, _)| p.over_noise_db).unwrap_or(0.0);
            for (reading, truth) in [(&stated.positive, positive), (&stated.negative, negative)] {
                let (Reading::Determined(e), Some(truth), true) = (reading, truth, hard && over >= 40.0) else {
                    continue;
                };
                let error = (e.value - truth).abs();
                score.clip_error_db = score.clip_error_db.max(error);
                if error > CLIP_DB {
                    score.wrong.push(format!(
                        "{name}: clip level {:.3} for {truth:.3} dB, {over:.0} dB over noise, acts on {:?}",
                        e.value, stated.acts_on
                    ));
                }
            }
        }
        Threshold::NoneUpTo { drive, .. } => {
            let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
            let gain = truth::highest_clean_gain(spec, &period);
            let clean = period.full_drive().unwrap().db() + 20.0 * gain.log10();
            // 0.5 dB of overdrive is evident where the step stands 40 dB over the noise.
            let over = record.steps.iter().rev().find_map(|s| s.pink(0)?.0.over_noise_db).unwrap_or(0.0);
            if drive.db() > clean + 0.5 && over >= 40.0 && hard {
                score.wrong.push(format!("{name}: no clipping found up to {drive}, truth {clean:.2}"));
            }
        }
        Threshold::NotDetermined { because } => {
            println!("{name}: threshold not determined: {because}");
        }
    }
}

fn one(name: &str, spec: &BenchSpec, listening_db: f64) -> Score {
    let home = tempfile::tempdir().unwrap();
    // Without the output's volts a deaf chain is probed no louder than −40 dBFS, and much of what is drawn is not heard.
    let mut chain = chain(spec);
    chain.output_side.volts_per_full_scale = Some(Estimate::exact(spec.output.volts_per_fs / SQRT_2));
    match run(spec, SimulatedCardSpec::default(), plan(listening_db), chain, home.path()) {
        Ok((record, _)) => score(name, spec, listening_db, &record),
        Err(message) => Score { wrong: vec![format!("{name}: {message}")], sessions: 1, ..Score::default() },
    }
}

fn judge_scores(total: &Score) {
    println!("{total:#?}");
    assert!(total.wrong.is_empty(), "{}", total.wrong.join("\n"));
    let held = total.held as f64 / total.intervals.max(1) as f64;
    let allowed = (FAR * total.intervals as f64).ceil() as usize;
    assert!(total.far <= allowed, "{} of {} further off than twice", total.far, total.intervals);
    assert!(held >= HELD, "only {:.1} % of {} intervals hold the truth", 100.0 * held, total.intervals);
}

#[test]
fn sessions_on_named_benches_find_the_true_values() {
    let mut total = Score::default();
    for (output, headphone, listening) in [
        ("console phones socket", "closed 80 Ω", 70.0),
        ("console phones socket", "open 300 Ω", 75.0),
        ("field recorder", "planar 18 Ω", 70.0),
        ("desk amplifier", "closed 80 Ω", 70.0),
    ] {
        let spec = BenchSpec::named(output, headphone).unwrap();
        total.add(one(&format!("{output}, {headphone}"), &spec, listening));
    }
    assert_eq!(total.doubts, 0, "an ordinary session gets a firm verdict");
    judge_scores(&total);
}

/// Seeds that once showed a fault: a probe under the noise claimed a wrong rate or moved the gain (13, 18); hum on a line
/// was a doubt about a level that it could not move (27); a soft limit was shown by the lines that the noise left (70027,
/// 4193139159, 4193139180), or one on samples as one on the waveform (395292583, 1071608315, 1507097139, 2973404358); a step used its
/// own clock where the session's was better known (278646500), or a clock fitted with the delay of a probe withheld
/// (486538198, 4197094662); hum and chance lines looked like lost samples (395292595, 3651274083, 4197094624), and hum that
/// lay on even lines (3093498429); a first take's clock was 0.0104 ppm off, which its own interval allows (1510999783); a
/// take leant on those before it alone although it showed as much (910614593), and a noisy session's clock was 0.0055 ppm off,
/// which its interval nearly allows (910614613); a probe's level was 0.054 dB off over hum on a line, which it said and
/// allowed for (1461712701).
const ONCE_FAILED: [u64; 23] = [
    13,
    18,
    27,
    70_027,
    7_000_045,
    278_646_500,
    395_292_583,
    395_292_595,
    486_538_198,
    910_614_593,
    910_614_613,
    1_071_608_315,
    1_270_962_505,
    1_461_712_701,
    1_507_097_139,
    1_510_999_783,
    2_973_404_358,
    3_093_498_429,
    3_651_274_083,
    4_193_139_159,
    4_193_139_180,
    4_197_094_624,
    4_197_094_662,
];

/// A dozen fixed seeds and those that once failed; LOUDENOUGH_SEED gives another first one (`commit`: from the commit), LOUDENOUGH_SESSIONS
/// another number.
#[test]
fn sessions_on_seeded_benches_find_the_true_values() {
    let first = first_seed();
    let count: u64 = std::env::var("LOUDENOUGH_SESSIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(12);
    println!("{count} benches from seed {first}");
    let seeds: Vec<u64> = (first..first + count).chain(ONCE_FAILED).collect();
    let (next, total) = (Mutex::new(seeds.into_iter()), Mutex::new(Score::default()));
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let Some(seed) = next.lock().unwrap().next() else { return };
                    let spec = BenchSpec::seeded(seed);
                    let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
                    let (clean, _) = truth::highest_clean_level(&spec, &period);
                    // Headrooms from −3 to 28 dB, spread by the seed.
                    let listening = (clean
                        - (seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 32) as f64 / 4.294_967_296e9 * 31.0
                        + 3.0)
                        .clamp(30.0, 110.0);
                    let score = one(&format!("seed {seed}"), &spec, listening);
                    total.lock().unwrap().add(score);
                }
            });
        }
    });
    let total = total.into_inner().unwrap();
    // Of so few a true 2 % scatters: more than three standard deviations over it come once in 300 (binomial, 50 sessions).
    let expected = IN_DOUBT * total.sessions as f64;
    assert!(total.doubts as f64 <= expected + 3.0 * expected.sqrt(), "{} sessions in doubt", total.doubts);
    judge_scores(&total);
}

/// A witness across the headphone sees a soft limit on the waveform without the headphone: then it is the output's, also
/// through a headphone that bends much more.
#[test]
fn an_electrical_witness_decides_where_there_is_one() {
    let mut spec = BenchSpec::named("console phones socket", "open 300 Ω").unwrap();
    spec.output.knee = Knee::Soft { width: 0.2 };
    spec.output.acts_on = loudenough::audio::simulated::ActsOn::Waveform;
    (spec.headphone.distortion.even_db, spec.headphone.distortion.odd_db) = (Some(-32.0), Some(-35.0));
    let mut chain = chain(&spec);
    chain.routing.capture_channels = vec![
        CaptureChannel { channel: 0, role: InputRole::LeftEar },
        CaptureChannel { channel: 2, role: InputRole::Witness },
    ];
    let home = tempfile::tempdir().unwrap();
    let (record, _) = run(&spec, SimulatedCardSpec::default(), plan(75.0), chain.clone(), home.path()).unwrap();
    let judgement = judge(&record);
    let Threshold::Determined(stated) = &judgement.threshold else { panic!("{:?}", judgement.threshold) };
    assert_eq!(stated.whose, Whose::Output);
    assert!(stated.soft);
    let (limit, _) = truth::true_clip_peak(&spec);
    let start = limit.unwrap() + 20.0 * 0.8f64.log10();
    for reading in [&stated.positive, &stated.negative] {
        let value = reading.determined().unwrap().value;
        assert!((start..limit.unwrap()).contains(&value), "{value} between {start} and {limit:?}");
    }
    // The ear alone cannot say whose it is.
    chain.routing.capture_channels.truncate(1);
    let home = tempfile::tempdir().unwrap();
    let (record, _) = run(&spec, SimulatedCardSpec::default(), plan(75.0), chain, home.path()).unwrap();
    let Threshold::Determined(stated) = judge(&record).threshold else { panic!("no threshold at the ear") };
    assert_eq!(stated.whose, Whose::OutputHeadphoneOrCapture);
}

fn first_seed() -> u64 {
    match std::env::var("LOUDENOUGH_SEED").as_deref() {
        Err(_) => return 1,
        Ok("commit") => {}
        Ok(seed) => return seed.parse().unwrap(),
    }
    let commit =
        std::process::Command::new("git").args(["rev-parse", "HEAD"]).current_dir(env!("CARGO_MANIFEST_DIR")).output();
    let text = commit.map(|o| String::from_utf8_lossy(&o.stdout).into_owned()).unwrap_or_default();
    u64::from_str_radix(text.get(..8).unwrap_or("1"), 16).unwrap_or(1)
}

/// Silence between steps and detection lines are quiet by design: nothing is excited there.
#[test]
fn the_played_period_is_silent_on_its_listening_lines() {
    let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
    let lines = truth::forward(&period.samples);
    let loudest = period
        .lines
        .of(LineKind::Detection)
        .chain(period.lines.of(LineKind::Even))
        .map(|k| lines[k].norm())
        .fold(0.0, f64::max);
    assert!(loudest < 1e-12);
}
