//! How long does the analysis take, held against numpy and scipy doing the same work in the same run? One core, the
//! shortest of several repetitions (a busy machine only ever adds). `sh tests/bench/run.sh` runs it; the peer is
//! `peer.py`, which reads the very samples used here.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

#[path = "../common/takes.rs"]
mod takes;

use loudenough::analysis::periods::Periods;
use loudenough::analysis::prepare::Setup;
use loudenough::analysis::{
    Context, Correction, Finding, Reference, clip, fft, hum, measure, periods, pink, prepare, silence, sine, sweep,
};
use loudenough::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
use loudenough::calibration::Acoustic;
use loudenough::card::{CardId, InputRole};
use loudenough::session::chain::Chain;
use loudenough::session::music::measure as measure_music;
use loudenough::session::plan::{ListeningLevel, Plan, Weighting};
use loudenough::session::protocol::{self, Event, SessionRequest};
use loudenough::session::reanalyse::reanalyse;
use loudenough::session::runner;
use loudenough::signal::{Drive, DriveCeiling, Stimulus, Sweep};
use loudenough::take::Take;
use loudenough::units::{DbSpl, Dbfs, SampleRate, amplitude_from_db};
use realfft::RealFftPlanner;
use std::collections::BTreeMap;
use std::fs::File;
use std::hint::black_box;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

/// The capture clock of the takes, ppm.
const PPM: f64 = 40.0;
/// Points per sample of the period that takes are read from, by cubic interpolation (error under −90 dB).
const FINE: usize = 16;
/// Noise of the takes, RMS (about 60 dB under the stimulus).
const NOISE: f64 = 1e-4;
/// Periods in a minute at 48 kHz.
const MINUTE: usize = 44;
/// About 10 s.
const LONG_SWEEP: Sweep = Sweep { spans: 7 };
/// Seconds spent on each timing.
const SPENT_S: f64 = 1.5;

fn main() {
    let none = Correction::none();
    let context = Context::alone(&none);
    let folder = tempfile::tempdir().unwrap();
    let mut ours = Table::default();

    let stimulus = Stimulus::pink(SampleRate::DEFAULT);
    let period = stimulus.period(SampleRate::DEFAULT);
    write(folder.path(), "period", &period.samples);
    let frames = period.samples.len();

    let five = captured(&stimulus, 5, 0.0, f64::INFINITY);
    let samples = samples_of(&five);
    let bench = Setup::new(&five, &samples);
    let (on_clock, _) = on_clock(&bench, &context);
    write(folder.path(), "five", &on_clock);
    let common = prepare::prepare(&five, 0, &context).unwrap().common;
    ours.time("T1", || {
        let spectra = bench.spectra(&context, &periods::lines_per_period(&on_clock, frames));
        pink::finding(&spectra, common.clone(), &context)
    });
    ours.time("T1 bare FFTs", bare_ffts(&on_clock, frames));

    if asked_for("T1b") {
        whole_finding(&mut ours, &stimulus, &context);
    }

    let tone = takes::through(&Stimulus::sine(997.0), 2, |x| 0.9 * (x + 0.01 * x * x), NOISE);
    let samples = samples_of(&tone);
    let one = &samples[takes::PRE_ROLL + frames..takes::PRE_ROLL + 2 * frames];
    write(folder.path(), "tone", one);
    let bench = Setup::new(&tone, &samples);
    let common = prepare::prepare(&tone, 0, &context).unwrap().common;
    ours.time("T2", || {
        let spectra = bench.spectra(&context, &periods::lines_per_period(one, frames));
        sine::finding(&spectra, common.clone(), &context)
    });
    ours.time("T2 bare FFTs", bare_ffts(one, frames));

    let sweep_played = Stimulus::Sweep(LONG_SWEEP);
    let swept = takes::through(&sweep_played, 2, |x| 0.9 * (x + 0.01 * x * x), NOISE);
    let samples = samples_of(&swept);
    let length = sweep_played.period_frames(SampleRate::DEFAULT);
    let one = &samples[takes::PRE_ROLL + length..takes::PRE_ROLL + 2 * length];
    write(folder.path(), "sweep", &sweep_played.period(SampleRate::DEFAULT).samples);
    write(folder.path(), "swept", one);
    let bench = Setup::new(&swept, &samples);
    let common = prepare::prepare(&swept, 0, &context).unwrap().common;
    ours.time("T3", || {
        let spectra = bench.spectra(&context, &periods::lines_per_period(one, length));
        sweep::finding(spectra, common.clone(), LONG_SWEEP)
    });
    ours.time("T3 bare FFT", bare_ffts(one, length));

    let six = captured(&stimulus, 6, 0.0, f64::INFINITY);
    let samples = samples_of(&six);
    write(folder.path(), "six", &samples);
    let bench = Setup::new(&six, &samples);
    let found = bench.find(&[]).unwrap();
    let placed = bench.place(&context, Some(&found)).unwrap();
    ours.time("T4", || {
        let placed = bench.place(&context, Some(&found)).unwrap();
        bench.on_played_clock(&context, Some(&found), &placed)
    });
    let (_, clock) = bench.on_played_clock(&context, Some(&found), &placed);

    let mut random = takes::Uniform(3);
    let minute = takes::take(&Stimulus::silence(), MINUTE, |_| 0.0, |_| 0.01 * random.gaussian());
    let samples = samples_of(&minute);
    let one = &samples[takes::PRE_ROLL..takes::PRE_ROLL + MINUTE * frames];
    write(folder.path(), "minute", one);
    let bench = Setup::new(&minute, &samples);
    let common = prepare::prepare(&minute, 0, &context).unwrap().common;
    ours.time("T5", || {
        let spectra = bench.spectra(&context, &periods::lines_per_period(one, frames));
        silence::finding(&spectra, common.clone())
    });
    ours.time("T5 bare FFTs", bare_ffts(one, frames));

    if asked_for("T6") {
        let session = stored_session(folder.path());
        ours.time("T6", || reanalyse(&session, false).unwrap());
    }

    if asked_for("T7") {
        let file = ten_minutes(folder.path());
        ours.time("T7", || measure_music(&file, &[&|_| 1.0]).unwrap());
    }

    let shape = LONG_SWEEP.shape(SampleRate::DEFAULT, length);
    ours.print(&peer(folder.path(), &[placed.start, SPENT_S, shape.length_s, shape.from_hz]));
    println!("clock: {:+.4} ppm here, set {PPM:+.4}", clock.used_ppm);
}

/// T7: ten minutes of noise, two channels, 16 bits at 44.1 kHz (RIFF/WAVE, 1991), written a second at a time.
fn ten_minutes(folder: &Path) -> PathBuf {
    const SECONDS: u32 = 600;
    let bytes = SECONDS * 44_100 * 4;
    let path = folder.join("ten-minutes.wav");
    let mut file = BufWriter::new(File::create(&path).unwrap());
    let words = |file: &mut BufWriter<File>, tag: &[u8], size: u32| {
        file.write_all(tag).unwrap();
        file.write_all(&size.to_le_bytes()).unwrap();
    };
    words(&mut file, b"RIFF", bytes + 36);
    words(&mut file, b"WAVEfmt ", 16);
    file.write_all(&[1, 0, 2, 0]).unwrap();
    file.write_all(&44_100u32.to_le_bytes()).unwrap();
    file.write_all(&(4 * 44_100u32).to_le_bytes()).unwrap();
    file.write_all(&[4, 0, 16, 0]).unwrap();
    words(&mut file, b"data", bytes);
    let mut random = takes::Uniform(5);
    for _ in 0..bytes / 2 {
        file.write_all(&((4_000.0 * random.gaussian()) as i16).to_le_bytes()).unwrap();
    }
    file.flush().unwrap();
    path
}

/// T6: a session of about twenty steps on the simulated bench, in its folder.
fn stored_session(home: &Path) -> PathBuf {
    let now = || "2026-03-01T09:12:00+00:00".to_string();
    let id = CardId::simulated();
    let mut chain = Chain::fresh(&id.0, &id.0);
    chain.acoustic.insert(InputRole::LeftEar, Acoustic::typed(130.0, 0.4, &now()).unwrap());
    let listening = ListeningLevel { level: DbSpl(70.0), weighting: Weighting::Z, field: None };
    let plan = Plan { listening: Some(listening), step_db: 1.5, ..Plan::session(SampleRate::DEFAULT) };
    let backend = SimulatedBackend::new(BenchSpec::default(), SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    let bench = runner::Bench::spawn(vec![Box::new(backend)], now);
    let request = SessionRequest { plan, chain, sessions: home.join("sessions"), id: Some("session".into()) };
    bench.commands.send(protocol::Command::Run(Box::new(request))).unwrap();
    loop {
        match bench.events.recv().unwrap() {
            Event::Ended { record, folder } => {
                println!("T6: a session of {} steps", record.steps.len());
                return folder;
            }
            Event::Failed(failure) => panic!("{}", failure.message),
            _ => {}
        }
    }
}

/// T1b: a whole finding, its parts beside it, with and without a limit to be fitted.
fn whole_finding(ours: &mut Table, stimulus: &Stimulus, context: &Context) {
    let quiet = captured(stimulus, 5, -20.0, f64::INFINITY);
    let reference = Reference::from_spectra(&measure(&quiet, 0, context).unwrap().spectra.unwrap());
    let context = Context { reference: Some(&reference), ..*context };
    for (name, limit) in [("T1b clean", f64::INFINITY), ("T1b clipped 1 dB", amplitude_from_db(-1.0))] {
        let take = captured(stimulus, 5, 0.0, limit);
        let measured = measure(&take, 0, &context).unwrap();
        let Finding::Pink(finding) = &measured.finding else { panic!("{:?}", measured.finding) };
        assert!(finding.common.flaws.is_empty(), "{:?}", finding.common.flaws);
        assert_eq!(finding.clip.as_ref().unwrap().level.is_some(), limit.is_finite());
        ours.time(name, || measure(&take, 0, &context));
        let spectra = measured.spectra.unwrap();
        ours.time(&format!("{name}: clip judge"), || clip::judge(&spectra, &reference));
        if limit.is_finite() {
            continue;
        }
        let samples = samples_of(&take);
        let bench = Setup::new(&take, &samples);
        ours.time(&format!("{name}: align"), || bench.find(&[]));
        let found = bench.find(&[]).unwrap();
        let placed = bench.place(&context, Some(&found)).unwrap();
        ours.time(&format!("{name}: clock, resample"), || {
            let placed = bench.place(&context, Some(&found)).unwrap();
            bench.on_played_clock(&context, Some(&found), &placed)
        });
        let (on_clock, _) = bench.on_played_clock(&context, Some(&found), &placed);
        let frames = stimulus.period_frames(SampleRate::DEFAULT);
        ours.time(&format!("{name}: hum"), || {
            hum::remove(&mut Periods::new(on_clock.samples().to_vec(), frames), 48_000.0, true)
        });
    }
}

/// A take on a capture clock that is off by [`PPM`], driven `db` under full, limited at `limit` full scales.
fn captured(stimulus: &Stimulus, periods: usize, db: f64, limit: f64) -> Take {
    let period = stimulus.period(SampleRate::DEFAULT);
    let frames = period.samples.len();
    let gain = amplitude_from_db(db);
    let sent: Vec<f64> = period.samples.iter().map(|x| (gain * x).clamp(-limit, limit)).collect();
    let fine = fft::samples_of(&fft::lines_of(&sent), frames * FINE);
    let wave = |n: usize| 0.5 * cubic(&fine, n as f64 / (1.0 + PPM * 1e-6) * FINE as f64);
    let mut random = takes::Uniform(1 + periods as u64);
    let mut take = takes::take(stimulus, periods, wave, |_| NOISE * random.gaussian());
    let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "bench".into() };
    take.head.drive = Drive::grant(Dbfs(period.full_drive().unwrap().0 + db), &period, &ceiling).unwrap();
    take
}

/// Four-point Lagrange interpolation of a periodic sequence.
fn cubic(fine: &[f64], position: f64) -> f64 {
    let whole = position.floor();
    let t = position - whole;
    let at = |d: usize| fine[(whole as usize + fine.len() + d - 1) % fine.len()];
    at(0) * -t * (t - 1.0) * (t - 2.0) / 6.0
        + at(1) * (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
        + at(2) * -(t + 1.0) * t * (t - 2.0) / 2.0
        + at(3) * (t + 1.0) * t * (t - 1.0) / 6.0
}

fn on_clock(bench: &Setup, context: &Context) -> (Vec<f64>, f64) {
    let found = bench.find(&[]);
    let placed = bench.place(context, found.as_ref()).unwrap();
    (bench.on_played_clock(context, found.as_ref(), &placed).0.samples().to_vec(), placed.start)
}

fn samples_of(take: &Take) -> Vec<f64> {
    take.inputs[0].samples.iter().map(|x| f64::from(*x)).collect()
}

/// The transforms alone, plan and buffers made before.
fn bare_ffts(samples: &[f64], frames: usize) -> impl FnMut() {
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(frames);
    let (mut input, mut output) = (plan.make_input_vec(), plan.make_output_vec());
    let mut scratch = plan.make_scratch_vec();
    let samples = samples.to_vec();
    move || {
        for period in samples.chunks_exact(frames) {
            input.copy_from_slice(period);
            plan.process_with_scratch(&mut input, &mut output, &mut scratch).unwrap();
        }
        black_box(&output);
    }
}

fn write(folder: &Path, name: &str, samples: &[f64]) {
    let bytes: Vec<u8> = samples.iter().flat_map(|x| x.to_le_bytes()).collect();
    std::fs::write(folder.join(name), bytes).unwrap();
}

/// Milliseconds by name, in the order of timing.
#[derive(Default)]
struct Table(Vec<(String, f64)>);

impl Table {
    fn time<T>(&mut self, name: &str, mut work: impl FnMut() -> T) {
        if !asked_for(name) {
            return;
        }
        let (began, mut shortest) = (Instant::now(), f64::INFINITY);
        while began.elapsed().as_secs_f64() < SPENT_S {
            let start = Instant::now();
            black_box(work());
            shortest = shortest.min(start.elapsed().as_secs_f64() * 1e3);
        }
        self.0.push((name.into(), shortest));
    }

    fn print(&self, peer: &BTreeMap<String, f64>) {
        println!("{:30} {:>10} {:>10} {:>7}", "work", "here, ms", "peer, ms", "ratio");
        for (name, here) in &self.0 {
            match peer.get(name) {
                Some(there) => println!("{name:30} {here:10.2} {there:10.2} {:7.1}", there / here),
                None => println!("{name:30} {here:10.2}"),
            }
        }
        for (name, there) in peer.iter().filter(|(name, _)| !self.0.iter().any(|(own, _)| own == *name)) {
            println!("{name:30} {:10} {there:10.2}", "");
        }
    }
}

/// True for everything, or for what begins with a word of the command line (`T1` is not `T1b`).
fn asked_for(name: &str) -> bool {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let begins = |word: &String| name.strip_prefix(word.as_str()).is_some_and(|rest| !rest.starts_with('b'));
    words.is_empty() || words.iter().any(begins)
}

/// What `peer.py` says of the same samples; empty without the interpreter that `run.sh` names.
fn peer(folder: &Path, numbers: &[f64]) -> BTreeMap<String, f64> {
    let Some(python) = std::env::var_os("LOUDENOUGH_PEER_PYTHON") else { return BTreeMap::new() };
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/peer.py");
    let mut command = Command::new(python);
    command.arg(script).arg(folder).args(numbers.iter().map(f64::to_string));
    for threads in ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"] {
        command.env(threads, "1");
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .filter_map(|line| {
            let (name, ms) = line.rsplit_once('\t')?;
            ms.parse().map_or_else(
                |_| {
                    println!("peer: {line}");
                    None
                },
                |ms| Some((name.to_string(), ms)),
            )
        })
        .collect()
}
