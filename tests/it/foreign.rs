//! Signals and effects of another program (`sox`) as input: its own makers of tones, noise and sweeps, and its effects
//! as a device that our period passes through.
//!
//! Held against closed forms here. With `LOUDENOUGH_FOREIGN` set to a folder every take is also left there, laid out like
//! a session, with what we say of it: `tests/reference/` then computes the same from the same WAVs.

use crate::common::takes;
use loudenough::analysis::{
    ActsOn, Context, Correction, Finding, Measured, PinkFinding, Reference, SilenceFinding, measure,
};
use loudenough::card::InputRole;
use loudenough::session::wav::Wav;
use loudenough::signal::{Drive, DriveCeiling, Stimulus, Sweep, TwoTones};
use loudenough::stats::Reading;
use loudenough::take::{Input, Take};
use loudenough::units::{Dbfs, SampleRate};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::Command;

const RATE: SampleRate = SampleRate::DEFAULT;
/// Closed forms of clipped waveforms, share of the value: sox works in 32-bit integers, the files hold 24 bits.
const CLOSED_FORM: f64 = 2e-3;
/// Clock that a resampling of known ratio makes, ppm.
const CLOCK_PPM: f64 = 0.002;
/// Clip level of a waveform without noise or headphone, dB.
const CLIP_DB: f64 = 0.02;
/// A filter's response against its own closed form, dB.
const RESPONSE_DB: f64 = 0.01;

/// True where sox is at hand; missing, it fails the test only where nothing may be skipped.
fn sox_is_here() -> bool {
    let here = Command::new("sox").arg("--version").output().is_ok_and(|out| out.status.success());
    assert!(here || std::env::var_os("LOUDENOUGH_REQUIRE_AUDIO").is_none(), "sox is needed here (package sox)");
    if !here {
        println!("skipped: there is no sox");
    }
    here
}

/// Runs sox with these words, files apart by blanks; nothing random that has no seed (`-R`).
fn sox(words: &str) {
    let out = Command::new("sox").args(["-R", "-V1"]).args(words.split_whitespace()).output().unwrap();
    assert!(out.status.success(), "sox {words}: {}", String::from_utf8_lossy(&out.stderr));
}

/// Samples of any integer or float WAV with one channel, in units of full scale.
fn samples_of(path: &Path) -> Vec<f32> {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    assert_eq!((spec.channels, spec.sample_rate), (1, RATE.get()));
    match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().map(|x| x.unwrap()).collect(),
        hound::SampleFormat::Int => {
            let scale = f64::from(1u32 << (spec.bits_per_sample - 1));
            reader.samples::<i32>().map(|x| (f64::from(x.unwrap()) / scale) as f32).collect()
        }
    }
}

/// A folder of takes, laid out like a session.
struct Folder {
    path: PathBuf,
    /// Keeps a scratch folder alive.
    _scratch: tempfile::TempDir,
    takes: Vec<Value>,
    recordings: serde_json::Map<String, Value>,
}

impl Folder {
    fn new() -> Folder {
        let scratch = tempfile::tempdir().unwrap();
        Folder { path: scratch.path().into(), _scratch: scratch, takes: Vec::new(), recordings: Default::default() }
    }

    fn file(&self, name: &str) -> PathBuf {
        self.path.join(format!("{name}.wav"))
    }

    /// The take that a file of another program is: `stimulus` sounds from the pre-roll on.
    fn take(&self, name: &str, stimulus: &Stimulus, periods: usize) -> Take {
        let samples = samples_of(&self.file(name));
        let head = takes::head(stimulus, periods, takes::played_frames(stimulus, periods));
        Take { head, inputs: vec![Input { role: InputRole::LeftEar, samples }] }
    }

    /// What we say of it, and a note of it for the reference.
    fn measured(&mut self, name: &str, take: &Take, reference: Option<&Reference>) -> Measured {
        let none = Correction::none();
        let context = Context { reference, ..Context::alone(&none) };
        let measured = measure(take, 0, &context).unwrap();
        self.takes.push(json!({
            "file": format!("{name}.wav"), "head": take.head, "void": null,
            "inputs": [{ "role": "left-ear", "finding": measured.finding, "sound": null }],
        }));
        let kept = json!({ "frames": take.inputs[0].samples.len(), "channels": 1, "rate_hz": RATE.get() });
        self.recordings.insert(format!("{name}.wav"), kept);
        measured
    }

    /// Leaves everything for the reference, where it is asked for.
    fn leave(self, name: &str) {
        let Some(asked) = std::env::var_os("LOUDENOUGH_FOREIGN") else { return };
        let folder = PathBuf::from(asked);
        let step = folder.join("steps").join(name);
        std::fs::create_dir_all(&step).unwrap();
        for file in self.recordings.keys() {
            std::fs::copy(self.path.join(file), step.join(file)).unwrap();
        }
        let number: usize = name.parse().unwrap();
        let text = json!({
            "step": { "number": number, "purpose": "foreign" }, "takes": self.takes, "recordings": self.recordings,
        });
        std::fs::write(step.join("step.json"), text.to_string()).unwrap();
        std::fs::create_dir_all(folder.join("stimuli")).unwrap();
        for stimulus in [
            Stimulus::pink(RATE),
            Stimulus::sine(997.0),
            Stimulus::sine(1000.0),
            Stimulus::Sweep(Sweep::STANDARD),
            Stimulus::TwoTones(TwoTones::Modulation),
            Stimulus::TwoTones(TwoTones::DifferenceFrequency),
        ] {
            let name = match &stimulus {
                Stimulus::Sine(sine) => format!("sine-{}hz", sine.frequency_hz),
                other => other.short_name().into(),
            };
            write_wav(&folder.join("stimuli").join(name + ".wav"), &period_of(&stimulus));
        }
    }
}

fn write_wav(path: &Path, samples: &[f32]) {
    let wav = Wav { rate_hz: RATE.get(), channels: vec![samples.to_vec()] };
    std::fs::write(path, wav.to_bytes().unwrap()).unwrap();
}

fn period_of(stimulus: &Stimulus) -> Vec<f32> {
    stimulus.period(RATE).samples.iter().map(|x| *x as f32).collect()
}

/// What is played: `gain` times the period over and over, with silence on both sides.
fn write_played(path: &Path, stimulus: &Stimulus, periods: usize, gain: f32) {
    let period = period_of(stimulus);
    let mut samples = vec![0.0; takes::PRE_ROLL];
    samples.extend(period.iter().cycle().take(takes::played_frames(stimulus, periods)).map(|x| gain * x));
    samples.extend(vec![0.0; takes::PRE_ROLL]);
    write_wav(path, &samples);
}

fn pink_of(measured: &Measured) -> &PinkFinding {
    match &measured.finding {
        Finding::Pink(f) => f,
        other => panic!("{other:?}"),
    }
}

fn percent(reading: &Reading) -> f64 {
    100.0 * 10f64.powf(reading.determined().unwrap_or_else(|| panic!("{reading:?}")).value / 20.0)
}

/// Tones of 996.826171875 Hz (line 1361 of the period): clean, clipped by a `gain` over full scale (closed form of the
/// hard-clipped sine, to the 10th harmonic), and through `overdrive` (no closed form: for the reference).
#[test]
fn tones_made_and_clipped_elsewhere() {
    if !sox_is_here() {
        return;
    }
    let mut folder = Folder::new();
    let tone = |name: &str, bits: u32, effects: &str| {
        let file = folder.file(name);
        sox(&format!("-n -r 48000 -c 1 -b {bits} {} synth 6 sine 996.826171875 {effects} pad 0.1 0.1", file.display()));
    };
    tone("clean-24", 24, "gain -6");
    tone("clean-16", 16, "gain -6");
    for overdrive in [1, 3, 6] {
        tone(&format!("clipped-{overdrive}"), 24, &format!("gain {overdrive} gain -6"));
    }
    tone("overdrive", 24, "gain -6 overdrive 6 20 gain -6");
    let stimulus = Stimulus::sine(997.0);
    let mut stated = |name: &str| match folder.measured(name, &folder.take(name, &stimulus, 2), None).finding {
        Finding::Sine(f) => *f,
        other => panic!("{other:?}"),
    };

    let clean = stated("clean-24");
    assert!((clean.level.unwrap().value + 6.0).abs() < 1e-4, "{:?}", clean.level);
    assert!(percent(&clean.thd_n) < 1e-3, "{:?}", clean.thd_n);
    // 16 bits: 98.09 dB in the whole band under a full-scale sine, 0.79 dB less in 20 of 24 kHz, 6 dB nearer to a tone at
    // −6 dB, and the triangular dither that sox adds makes it three times as much.
    let coarse = stated("clean-16");
    let expected = -98.09 - 0.79 + 6.0 + 10.0 * 3f64.log10();
    let ours = 20.0 * (percent(&coarse.thd_n) / 100.0).log10();
    assert!((ours - expected).abs() < 0.1, "{ours} for {expected}");
    for (overdrive, h3, thd) in [(1, 3.68417, 4.59706), (3, 12.92340, 13.34024), (6, 22.58393, 23.19161)] {
        let found = stated(&format!("clipped-{overdrive}"));
        assert!((percent(&found.thd) / thd - 1.0).abs() < CLOSED_FORM, "{overdrive}: {:?}", found.thd);
        assert!(
            (percent(&found.harmonics[1].level) / h3 - 1.0).abs() < CLOSED_FORM,
            "{overdrive}: {:?}",
            found.harmonics
        );
    }
    let driven = stated("overdrive");
    assert!(percent(&driven.thd) > 1.0 && percent(&driven.harmonics[0].level) > 0.1, "an uneven overdrive is heard");
    folder.leave("0001");
}

/// A sweep and two tones through `overdrive` twice (second to fifth harmonic): no closed form here (for the reference), but a sine through the same effect
/// at the same amplitude has the sweep's harmonics.
#[test]
fn our_sweep_and_two_tones_through_an_overdrive() {
    if !sox_is_here() {
        return;
    }
    /// Harmonics of a sweep against those of a sine, dB.
    const SAME_DB: f64 = 0.1;
    let mut folder = Folder::new();
    let mut stated = |stimulus: Stimulus, name: &str, periods: usize| {
        let (played, file) = (folder.file(&format!("played-{name}")), folder.file(name));
        write_played(&played, &stimulus, periods, 0.2);
        sox(&format!("{} -b 32 -e floating-point {} overdrive 1 8 overdrive 1 8", played.display(), file.display()));
        let mut take = folder.take(name, &stimulus, periods);
        take.head.drive = drive_of(&stimulus, 0.2);
        folder.measured(name, &take, None).finding
    };
    let Finding::Sine(sine) = stated(Stimulus::sine(1000.0), "sine", 2) else { panic!("no sine") };
    let Finding::Sweep(sweep) = stated(Stimulus::Sweep(Sweep::STANDARD), "sweep", 2) else { panic!("no sweep") };
    for order in 2..=5 {
        let of_sine = sine.harmonics.iter().find(|h| h.order == order).unwrap().level.determined().unwrap().value;
        let curve = sweep.harmonics.iter().find(|h| h.order == order).unwrap();
        let at_1k = curve.points.iter().find(|p| (p.frequency_hz - 1000.0).abs() < 1.0).unwrap();
        let of_sweep = at_1k.level.determined().unwrap().value;
        println!("H{order}: sine {of_sine:.3} dB, sweep {of_sweep:.3} dB");
        assert!((of_sine - of_sweep).abs() < SAME_DB, "H{order}: sine {of_sine}, sweep {of_sweep}");
    }
    for (pair, name) in [(TwoTones::Modulation, "modulation"), (TwoTones::DifferenceFrequency, "difference")] {
        let Finding::TwoTones(f) = stated(Stimulus::TwoTones(pair), name, 4) else { panic!("no tones") };
        assert!(percent(&f.second) > 0.1 && percent(&f.third) > 0.1, "{name}: {:?} {:?}", f.second, f.third);
    }
    folder.leave("0004");
}

/// Noise and a sweep as what a silent take hears. White noise: the weighted level of its integral (−2.0483 dB A,
/// 20 Hz to 20 kHz). A sweep exponential in time over exactly the 31 bands leaves the same energy in each.
#[test]
fn noises_and_a_sweep_made_elsewhere() {
    if !sox_is_here() {
        return;
    }
    let mut folder = Folder::new();
    for (name, maker) in [
        ("white", "synth 12 whitenoise gain -20"),
        ("pink", "synth 12 pinknoise gain -20"),
        ("brown", "synth 12 brownnoise gain -20"),
        // The sweep lies inside the analysed periods: four of them from 0.29 s on.
        ("sweep", "synth 5 sine 17.782794/22387.211 gain -20 pad 0.6 6.4"),
    ] {
        let file = folder.file(name);
        sox(&format!("-n -r 48000 -c 1 -b 24 {} {maker} pad 0.1 0.1", file.display()));
    }
    let mut stated = |name: &str| match folder.measured(name, &folder.take(name, &Stimulus::silence(), 4), None).finding
    {
        Finding::Silence(f) => *f,
        other => panic!("{other:?}"),
    };
    let white = stated("white");
    let a_less_z = white.noise_a.unwrap().value - white.noise_z.unwrap().value;
    // Scatter 4.343/√(BT), B about 14 kHz, 5 s: 0.02 dB.
    assert!((a_less_z + 2.0483).abs() < 0.06, "{a_less_z}");
    let (pink, brown) = (stated("pink"), stated("brown"));
    let slope = |f: &SilenceFinding| {
        let at = |x: i32| f.bands.iter().find(|b| b.x == x).and_then(|b| b.level).unwrap().value;
        // dB per decade over three octaves either side of 1 kHz, whole bands.
        (at(9) - at(-9)) / 1.8
    };
    println!("pink {:.2}, brown {:.2} dB per decade of band level", slope(&pink), slope(&brown));
    // Its filter is a fit to −3 dB an octave; brown falls by 10 dB a decade more.
    assert!(slope(&pink).abs() < 1.0 && (slope(&brown) + 10.0).abs() < 1.0);
    let sweep = stated("sweep");
    // Mean square of one band: a 31st of 5 s at −20 dBFS, spread over four periods. Up to 1.2 kHz the analysis of silence
    // takes what looks like mains harmonics off, and low bands are passed in few cycles.
    let seconds = 4.0 * 65_536.0 / 48_000.0;
    let expected = -20.0 + 10.0 * (5.0 / seconds / 31.0f64).log10();
    for band in sweep.bands.iter().filter(|b| b.x > 1 && b.x < 13) {
        let level = band.level.unwrap().value;
        assert!((level - expected).abs() < 0.02, "band {}: {level} for {expected}", band.x);
    }
    folder.leave("0002");
}

/// Our period through effects: a speed of known ratio, a filter of known response, a gain into clipping, a small room.
#[test]
fn our_period_through_effects_made_elsewhere() {
    if !sox_is_here() {
        return;
    }
    let mut folder = Folder::new();
    let stimulus = Stimulus::pink(RATE);
    let (quiet, loud) = (folder.file("played-quiet"), folder.file("played-loud"));
    write_played(&quiet, &stimulus, 4, 0.1);
    write_played(&loud, &stimulus, 4, 0.9);
    for (name, from, effects) in [
        // 1 − 40·10⁻⁶ as fast: 40 ppm more captured samples.
        ("slower", &quiet, "speed 0.99996 rate -v 48000"),
        ("low-pass", &quiet, "lowpass -1 2000"),
        ("room", &quiet, "reverb 20 50 20"),
        ("linear", &quiet, "gain 3 gain -9"),
        // 3 dB over full scale at the loudest 0.9, then out of the input's own reach.
        ("clipped", &loud, "gain 3 gain -9"),
        ("bent", &quiet, "overdrive 3 10"),
    ] {
        let file = folder.file(name);
        // The clipping is meant: its warning is not an error.
        sox(&format!("{} -b 32 -e floating-point {} {effects}", from.display(), file.display()));
    }
    let mut stated = |name: &str, gain: f64, reference: Option<&Reference>| {
        let mut take = folder.take(name, &stimulus, 4);
        take.head.drive = drive_of(&stimulus, gain);
        folder.measured(name, &take, reference)
    };

    let slower = stated("slower", 0.1, None);
    let own = pink_of(&slower).common.clock.own_ppm.unwrap();
    // Captured samples per played frame: 1/0.99996.
    let expected = (1.0 / 0.99996 - 1.0) * 1e6;
    println!("clock {:.5} ±{:.5} ppm for {expected:.5}", own.value, own.half_width());
    assert!((own.value - expected).abs() < CLOCK_PPM, "{own:?} for {expected}");

    let low_pass = stated("low-pass", 0.1, None);
    for point in pink_of(&low_pass).response.iter().filter(|p| p.frequency_hz > 200.0) {
        let expected = one_pole_db(point.frequency_hz, 2_000.0);
        assert!((point.gain_db - expected).abs() < RESPONSE_DB, "{point:?} for {expected}");
    }
    stated("room", 0.1, None);

    let linear = stated("linear", 0.1, None);
    let found = pink_of(&linear);
    assert!(found.response.iter().all(|p| (p.gain_db + 6.0).abs() < RESPONSE_DB), "only gain is done to it");
    let reference = Reference::from_spectra(linear.spectra.as_ref().unwrap());
    let clipped = stated("clipped", 0.9, Some(&reference));
    let clip = pink_of(&clipped).clip.as_ref().unwrap();
    assert!(clip.is_evident(), "{clip:?}");
    let level = clip.level.as_ref().unwrap_or_else(|| panic!("{:?}", clip.level_not_determined));
    // Its own full scale is reached 3 dB under ours: by samples, for it knows of no others.
    for side in [&level.positive, &level.negative] {
        let ours = side.determined().unwrap().value;
        println!("clip level {ours:.4} dB for −3, acts on {:?}", level.acts_on);
        assert!((ours + 3.0).abs() < CLIP_DB, "{ours}");
    }
    assert_eq!(level.acts_on, ActsOn::Samples);
    let bent = stated("bent", 0.1, None);
    println!("overdrive: even {:?}, odd {:?}", pink_of(&bent).even, pink_of(&bent).odd);
    folder.leave("0003");
}

/// Drive of a period scaled by `gain`.
fn drive_of(stimulus: &Stimulus, gain: f64) -> Drive {
    let period = stimulus.period(RATE);
    let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
    Drive::grant(Dbfs::from_rms(gain * period.rms).unwrap(), &period, &ceiling).unwrap()
}

/// Response of a one-pole low-pass by the matched or bilinear design (RBJ cookbook: `a1 = −e^(−2πf0/fs)`, one zero none).
fn one_pole_db(f: f64, corner: f64) -> f64 {
    let pole = (-std::f64::consts::TAU * corner / RATE.hz()).exp();
    let turn = std::f64::consts::TAU * f / RATE.hz();
    let power = (1.0 - pole).powi(2) / (1.0 - 2.0 * pole * turn.cos() + pole * pole);
    10.0 * power.log10()
}
