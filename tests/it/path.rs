//! The path check: does it find each fault of the way at its smallest size, and nothing on a clean desk?
//!
//! `sh tests/path.sh 1000` looks at many benches and prints the tables that the limits of `judgement::path` stand on.

use crate::common::sessions;
use loudenough::audio::simulated::{BenchSpec, GainControl, Hum, Knee, RouteSpec, SimulatedCardSpec, Suppression};
use loudenough::card::{CaptureChannel, InputRole};
use loudenough::judgement::path::{PathAnswer, PathFinding, PathQuestion, PathReport, path_report};
use loudenough::judgement::{Answer, judge};
use loudenough::session::chain::Chain;
use loudenough::session::plan::Plan;
use loudenough::session::record::Record;
use loudenough::session::step::{Purpose, StopReason};
use loudenough::stats::{Estimate, Reading};
use loudenough::units::{DbSpl, SampleRate};
use std::collections::BTreeMap;
use std::f64::consts::SQRT_2;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Sound of a path check in all, seconds.
const MOST_SOUND_S: f64 = 20.0;
/// Clean benches where nothing else is asked for (`tests/run.sh` asks for 50), and benches that each fault is planted on.
const CLEAN: u64 = 4;
const PLANTED: u64 = 2;
/// Faults are planted where the loudest take stands this far over the noise, dB: one bench in two. On noisier ones the
/// smallest are honestly not determined.
const QUIET_ENOUGH_DB: f64 = 40.0;
/// Hum and noise are determined within these, dB: noise scatters by a few hundredths, the microphone's high-pass
/// takes less than 0.1 dB off 50 Hz, and hum beside noise scatters with it.
const HUM_DB: f64 = 0.5;
const NOISE_DB: f64 = 0.2;

/// Both ears, uncalibrated.
fn both_ears(spec: &BenchSpec) -> Chain {
    let mut chain = sessions::chain(spec);
    chain.acoustic.clear();
    chain.taken_on.clear();
    chain.routing.capture_channels = vec![
        CaptureChannel { channel: 0, role: InputRole::LeftEar },
        CaptureChannel { channel: 1, role: InputRole::RightEar },
    ];
    chain
}

fn check(spec: &BenchSpec, chain: Chain) -> (Record, PathReport) {
    let folder = tempfile::tempdir().unwrap();
    let plan = Plan::path_check(SampleRate::DEFAULT);
    let (record, _) = sessions::run(spec, SimulatedCardSpec::default(), plan, chain, folder.path()).unwrap();
    let report = path_report(&record);
    (record, report)
}

fn words(report: &PathReport) -> String {
    let one = |f: &PathFinding| format!("{:?} {:?} {:?} {:?} {}\n", f.what, f.at, f.answer, f.reading, f.text);
    report.findings.iter().map(one).collect::<String>() + &report.sentence
}

fn answers(report: &PathReport, what: PathQuestion) -> Vec<PathAnswer> {
    report.findings.iter().filter(|f| f.what == what).map(|f| f.answer).collect()
}

/// Runs `job` for as many numbers as it wants, from 1, on all cores; stops when `job` says that it is enough.
fn on_all_cores(job: impl Fn(u64) -> bool + Sync) {
    let next = AtomicU64::new(1);
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| while job(next.fetch_add(1, Ordering::Relaxed)) {});
        }
    });
}

fn asked(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// What a finding goes by: how far the number stands from straight, its interval taken off where that counts.
fn statistic(f: &PathFinding) -> Option<f64> {
    let e = f.reading.determined();
    match f.what {
        PathQuestion::Steps | PathQuestion::Drift => e.map(|e| e.value.abs() - 2.0 * e.half_width()),
        PathQuestion::Suppression => e.map(|e| e.value - e.half_width()),
        PathQuestion::Crosstalk | PathQuestion::Sides => match &f.reading {
            Reading::Determined(e) => Some(e.value),
            Reading::Below(high) if f.answer == PathAnswer::Straight => Some(*high),
            _ => None,
        },
        PathQuestion::Polarity => e.map(|e| -e.value),
        PathQuestion::Delay => e.map(|e| e.value),
        PathQuestion::Rate | PathQuestion::Offset | PathQuestion::Noise | PathQuestion::Hum => None,
    }
}

#[derive(Default)]
struct Row {
    stated: usize,
    not_determined: usize,
    doubts: usize,
    furthest: Option<f64>,
}

#[test]
fn clean_benches_show_no_fault() {
    let first = asked("LOUDENOUGH_FIRST").unwrap_or(1);
    let count = asked("LOUDENOUGH_CASES").or(asked("LOUDENOUGH_SESSIONS")).unwrap_or(CLEAN);
    let rows: Mutex<BTreeMap<PathQuestion, Row>> = Mutex::default();
    let wrong: Mutex<Vec<String>> = Mutex::default();
    let longest = Mutex::new((0.0f64, 0));
    on_all_cores(|number| {
        if number > count {
            return false;
        }
        let seed = first + number - 1;
        let spec = BenchSpec::seeded(seed);
        let (_, report) = check(&spec, both_ears(&spec));
        let mut rows = rows.lock().unwrap();
        for f in &report.findings {
            let row = rows.entry(f.what).or_default();
            match f.answer {
                PathAnswer::NotDetermined => row.not_determined += 1,
                PathAnswer::Doubt => row.doubts += 1,
                PathAnswer::Straight | PathAnswer::Note => row.stated += 1,
            }
            if f.answer != PathAnswer::NotDetermined {
                row.furthest = [row.furthest, statistic(f)].into_iter().flatten().reduce(f64::max);
            }
        }
        let mut longest = longest.lock().unwrap();
        if report.sound_s > longest.0 {
            *longest = (report.sound_s, seed);
        }
        if report.doubts().next().is_some() {
            wrong.lock().unwrap().push(format!("seed {seed}: {}", words(&report)));
        }
        true
    });
    println!("| {count} clean benches | straight | not determined | doubts | furthest |\n|---|---|---|---|---|");
    for (what, row) in rows.into_inner().unwrap() {
        let furthest = row.furthest.map_or("·".into(), |x| format!("{x:.3}"));
        println!("| {what} | {} | {} | {} | {furthest} |", row.stated, row.not_determined, row.doubts);
    }
    let (longest, seed) = longest.into_inner().unwrap();
    println!("longest sound {longest:.2} s (seed {seed})");
    let wrong = wrong.into_inner().unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(longest < MOST_SOUND_S, "seed {seed}: {longest}");
}

/// Once reported as a gate: one step of a thousand benches stood 1.8 intervals off.
#[test]
fn a_step_that_noise_explains_is_no_fault() {
    let spec = BenchSpec::seeded(131);
    let (_, report) = check(&spec, both_ears(&spec));
    assert_eq!(report.doubts().count(), 0, "{}", words(&report));
}

/// On how many benches a fault was planted and found, and the statistic nearest to straight among those.
#[derive(Default)]
struct Found {
    planted: usize,
    found: usize,
    nearest: Option<f64>,
}

/// A fault, where it is planted, and what must be found.
type Plant = (&'static str, PathQuestion, fn(&mut BenchSpec, &Clean));

/// What the bench without the fault showed: where levels lie that a fault can stand between.
struct Clean {
    /// Drives of the quietest take that is heard and of a channel alone.
    drives: [f64; 2],
    /// Levels of silence, of the quietest take heard and of a channel alone at the left ear, dBFS.
    levels: [f64; 3],
    /// Gain of the left ear, dBFS less drive.
    gain: f64,
}

impl Clean {
    /// `None` on a bench too noisy for the smallest faults.
    fn of(record: &Record) -> Option<Clean> {
        let both = record.last(Purpose::Reference)?.pink(0)?.0;
        let alone = record.last(Purpose::LeftAlone)?;
        let probe = record.last(Purpose::Probe)?;
        let heard =
            |step: &loudenough::session::record::StepResult| Some((step.step.drive?.db(), step.pink(0)?.0.clone()));
        let ((quiet_db, quiet), (alone_db, alone)) = (heard(probe)?, heard(alone)?);
        let silence = record.last(Purpose::Silence)?.silence(0)?;
        let placed = quiet.common.flaws.iter().all(|f| f.code != "onset-not-seen");
        let stated = placed && quiet.over_noise_db? >= 10.0 && both.over_noise_db? >= QUIET_ENOUGH_DB;
        let hum: f64 = silence.common.hum.iter().map(|h| 10f64.powf(h.level.db() / 10.0)).sum();
        let silence_db = 10.0 * (10f64.powf(silence.noise_z?.value / 10.0) + hum).log10();
        stated.then_some(Clean {
            drives: [quiet_db, alone_db],
            levels: [silence_db, quiet.level_total?, alone.level_total?],
            gain: both.gain_db?.value,
        })
    }
}

fn middle(levels: &[f64]) -> f64 {
    0.5 * (levels[0] + levels[1])
}

const FAULTS: [Plant; 12] = [
    ("gain control, output, 0.2 dB", PathQuestion::Steps, |spec, clean| {
        spec.route.playback.gain_control =
            Some(GainControl { above_dbfs: middle(&clean.drives), most_db: 0.2, time_s: 0.3 });
    }),
    ("gain control, input, 0.2 dB", PathQuestion::Steps, |spec, clean| {
        spec.route.capture.gain_control =
            Some(GainControl { above_dbfs: middle(&clean.levels[1..]), most_db: 0.2, time_s: 0.3 });
    }),
    ("suppression, output, 0.5 dB", PathQuestion::Steps, |spec, clean| {
        spec.route.playback.suppression =
            Some(Suppression { below_dbfs: middle(&clean.drives), by_db: 0.5, time_s: 0.05 });
    }),
    ("suppression, input, 0.5 dB", PathQuestion::Suppression, |spec, clean| {
        spec.route.capture.suppression =
            Some(Suppression { below_dbfs: middle(&clean.levels), by_db: 0.5, time_s: 0.05 });
    }),
    ("slow gain control, 1 dB", PathQuestion::Drift, |spec, clean| {
        spec.route.playback.gain_control =
            Some(GainControl { above_dbfs: clean.drives[1] - 1.0, most_db: 1.0, time_s: 2.0 });
    }),
    ("44.1 kHz on the way out", PathQuestion::Rate, |spec, _| spec.route.playback.passes_hz = Some(44_100.0)),
    ("44.1 kHz on the way in", PathQuestion::Rate, |spec, _| spec.route.capture.passes_hz = Some(44_100.0)),
    ("left and right swapped", PathQuestion::Sides, |spec, _| spec.route.swapped = true),
    ("crosstalk −40 dB", PathQuestion::Crosstalk, |spec, _| spec.route.crosstalk_db = Some(-40.0)),
    ("right polarity turned", PathQuestion::Polarity, |spec, _| spec.route.right_inverted = true),
    ("delay 0.6 s", PathQuestion::Delay, |spec, _| spec.latency_s = 0.6),
    ("hum 3 dB under the quietest step", PathQuestion::Hum, |spec, clean| {
        let level_db_spl = -48.0 + clean.gain - 3.0 + spec.microphone.full_scale_db_spl;
        spec.microphone.hum = vec![Hum { frequency_hz: 50.03, level_db_spl }];
    }),
];

#[test]
fn each_fault_is_found_at_its_smallest_size() {
    let wanted = asked("LOUDENOUGH_CASES").unwrap_or(PLANTED);
    let found: Mutex<BTreeMap<&str, Found>> = Mutex::default();
    let wrong: Mutex<Vec<String>> = Mutex::default();
    let benches = AtomicU64::new(0);
    on_all_cores(|seed| {
        let spec = BenchSpec::seeded(seed);
        let (record, _) = check(&spec, both_ears(&spec));
        let Some(clean) = Clean::of(&record) else { return benches.load(Ordering::Relaxed) < wanted };
        if benches.fetch_add(1, Ordering::Relaxed) >= wanted {
            return false;
        }
        for (name, what, plant) in FAULTS {
            let mut planted = spec.clone();
            plant(&mut planted, &clean);
            let (_, report) = check(&planted, both_ears(&planted));
            // A slow gain control moves in a take or has moved before: either tells it.
            let is_it =
                |f: &&PathFinding| f.what == what || (what, f.what) == (PathQuestion::Drift, PathQuestion::Steps);
            let doubts: Vec<&PathFinding> = report.doubts().filter(is_it).collect();
            let mut found = found.lock().unwrap();
            let row = found.entry(name).or_default();
            row.planted += 1;
            row.found += usize::from(!doubts.is_empty());
            // The ear that shows it best: the other may rightly show nothing.
            let best = doubts.iter().filter_map(|f| statistic(f)).reduce(f64::max);
            row.nearest = [row.nearest, best].into_iter().flatten().reduce(f64::min);
            if doubts.is_empty() {
                wrong.lock().unwrap().push(format!("seed {seed}, {name}: {}", words(&report)));
            }
        }
        true
    });
    println!("| planted | benches | found | nearest |\n|---|---|---|---|");
    for (name, Found { planted, found, nearest }) in found.into_inner().unwrap() {
        println!("| {name} | {planted} | {found} | {} |", nearest.map_or("·".into(), |x| format!("{x:.3}")));
    }
    let wrong = wrong.into_inner().unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A large fault makes takes void; it must not be lost with them.
#[test]
fn a_large_gain_control_is_found_although_it_spoils_takes() {
    for (above_dbfs, most_db, time_s) in [(-40.0, 6.0, 0.3), (-40.0, 20.0, 0.1), (-60.0, 10.0, 1.0)] {
        let mut spec = BenchSpec::default();
        spec.route.playback.gain_control = Some(GainControl { above_dbfs, most_db, time_s });
        let (_, report) = check(&spec, both_ears(&spec));
        let gain = |f: &&PathFinding| matches!(f.what, PathQuestion::Steps | PathQuestion::Drift);
        assert!(report.doubts().any(|f| gain(&f)), "{most_db} dB: {}", words(&report));
    }
}

/// A way longer than the takes allow for is still found, with its length.
#[test]
fn a_delay_beyond_what_is_allowed_for_is_stated() {
    for latency_s in [0.65, 0.9, 1.3] {
        let spec = BenchSpec { latency_s, ..BenchSpec::default() };
        let (record, report) = check(&spec, both_ears(&spec));
        assert_eq!(record.stop(), Some(&StopReason::PathChecked), "{}", words(&report));
        let delay = report.findings.iter().find(|f| f.what == PathQuestion::Delay).unwrap();
        let stated = delay.reading.determined().unwrap().value;
        // Blocks and filters of the simulated cards add to it.
        assert!((latency_s..latency_s + 0.1).contains(&stated), "{stated} for {latency_s}");
        assert_eq!(report.doubts().map(|f| f.what).collect::<Vec<_>>(), [PathQuestion::Delay], "{}", words(&report));
        assert!(report.sound_s < 20.0, "{latency_s} s of delay: {:.2} s of sound", report.sound_s);
    }
}

/// Hum of this bench makes a probe that nobody hears look as if it began 1.1 s late. Nothing is planned on that.
#[test]
fn a_probe_under_the_noise_tells_no_delay() {
    let spec = BenchSpec::seeded(577);
    let (record, _) = check(&spec, both_ears(&spec));
    let seen = |step: &loudenough::session::record::StepResult| step.pink(0).unwrap().0.common.window.delay_s;
    let stated_s = seen(record.last(Purpose::Reference).unwrap()).unwrap();
    let used = record.steps.iter().flat_map(|step| &step.takes).filter_map(|take| take.route_delay_s);
    for used_s in used {
        assert!((used_s - stated_s).abs() < 0.01, "{used_s} s used, {stated_s} s told");
    }
}

#[test]
fn hum_and_noise_are_stated_as_numbers() {
    let mut spec = BenchSpec::default();
    spec.microphone.noise_db_spl = Some(41.0);
    spec.microphone.hum = vec![Hum { frequency_hz: 50.03, level_db_spl: 55.0 }];
    let (_, report) = check(&spec, both_ears(&spec));
    for (what, true_db_spl, within) in [(PathQuestion::Hum, 55.0, HUM_DB), (PathQuestion::Noise, 41.0, NOISE_DB)] {
        for f in report.findings.iter().filter(|f| f.what == what) {
            let stated = f.reading.determined().unwrap().value + spec.microphone.full_scale_db_spl;
            assert!((stated - true_db_spl).abs() < within, "{what}: {stated} for {true_db_spl}");
        }
    }
}

/// Clipping lowers the gain of what is loud as gain control does, but it is no fault of the way.
#[test]
fn an_output_that_clips_is_told_apart_from_gain_control() {
    // The loudest take's peaks reach 0.22 V.
    for knee in [Knee::Hard, Knee::Soft { width: 0.3 }] {
        let mut spec = BenchSpec::default();
        spec.output.positive_limit_v = Some(0.08);
        spec.output.negative_limit_v = Some(0.08);
        spec.output.knee = knee;
        let (_, report) = check(&spec, both_ears(&spec));
        let steps: Vec<_> = report.findings.iter().filter(|f| f.what == PathQuestion::Steps).collect();
        assert!(steps.iter().all(|f| f.answer == PathAnswer::Note && f.text.contains("bends")), "{}", words(&report));
        assert_eq!(report.doubts().count(), 0, "{}", words(&report));
    }
}

#[test]
fn one_ear_tells_side_and_crosstalk_and_says_why_it_does_not_tell_polarity() {
    let route = RouteSpec { swapped: true, crosstalk_db: Some(-40.0), ..RouteSpec::default() };
    let spec = BenchSpec { route, ..BenchSpec::default() };
    let mut chain = both_ears(&spec);
    chain.routing.capture_channels.truncate(1);
    let (record, report) = check(&spec, chain);
    assert_eq!(record.stop(), Some(&StopReason::PathChecked));
    assert_eq!(answers(&report, PathQuestion::Sides), [PathAnswer::Doubt], "{}", words(&report));
    assert_eq!(answers(&report, PathQuestion::Crosstalk), [PathAnswer::Doubt], "{}", words(&report));
    assert_eq!(answers(&report, PathQuestion::Polarity), [PathAnswer::NotDetermined], "{}", words(&report));
    let polarity = report.findings.iter().find(|f| f.what == PathQuestion::Polarity).unwrap();
    assert!(polarity.text.contains("record both ears"), "{}", polarity.text);
}

/// The calibrated check keeps under the ceiling, tells levels as sound, and is no session.
#[test]
fn a_path_check_stays_under_its_ceilings_and_gives_no_headroom() {
    let spec = BenchSpec::default();
    let mut chain = sessions::chain(&spec);
    // Known volts let a probe be heard under so low a ceiling: 70 − 130 − 20 lg (volts), dBFS.
    chain.output_side.volts_per_full_scale = Some(Estimate::exact(spec.output.volts_per_fs / SQRT_2));
    let folder = tempfile::tempdir().unwrap();
    let mut plan = Plan::path_check(SampleRate::DEFAULT);
    plan.ceilings.spl = DbSpl(70.0);
    let (record, _) = sessions::run(&spec, SimulatedCardSpec::default(), plan, chain, folder.path()).unwrap();
    let levels = record.steps.iter().filter_map(|s| s.pink(0)?.1.sound?.z);
    let loudest = levels.map(|e| e.value).fold(f64::MIN, f64::max);
    assert!((65.0..70.1).contains(&loudest), "{loudest}");
    let report = path_report(&record);
    assert_eq!(report.doubts().count(), 0, "{}", words(&report));
    assert!(report.findings.iter().any(|f| f.what == PathQuestion::Noise && f.text.contains("dB SPL")));
    let judged = judge(&record);
    assert_eq!(judged.headroom.verdict.answer, Answer::NotDetermined);
    assert!(judged.sentence.contains("path check"), "{}", judged.sentence);
    assert!(!record.judgeable() && !record.can_go_on());
}
