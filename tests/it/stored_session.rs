//! A small session with every kind of step, take and value, for the tests of the session folder.

use loudenough::analysis::*;
use loudenough::card::{CaptureChannel, CardId, Granted, InputRole, Routing};
use loudenough::session::chain::{Chain, Coupler};
use loudenough::session::plan::Plan;
use loudenough::session::record::*;
use loudenough::session::step::{Purpose, Step, StopReason};
use loudenough::signal::{Drive, DriveCeiling, Period, Stimulus};
use loudenough::stats::{Estimate, Reading};
use loudenough::take::{Input, Take, TakeHead, VoidReason};
use loudenough::units::{Dbfs, PeakDb, SampleRate};

pub const ROLES: [InputRole; 2] = [InputRole::LeftEar, InputRole::Witness];
const RATE: SampleRate = SampleRate::DEFAULT;

pub fn head(id: &str) -> SessionHead {
    let channel = |channel, role| CaptureChannel { channel, role };
    let granted = Granted {
        id: CardId::simulated(),
        rate: RATE,
        channels: 2,
        block_frames: None,
        format: "f32".into(),
        may_resample: Some("it is \"in between\", µ and \\ included".into()),
        simulates: None,
    };
    SessionHead {
        schema: SCHEMA.into(),
        id: id.into(),
        started_at: "2026-03-01T10:00:00Z".into(),
        program: "loudenough test".into(),
        plan: Plan { sines_hz: vec![997.0, 31.5], ..Plan::session(RATE) },
        chain: Chain {
            name: "listening room".into(),
            routing: Routing {
                playback: CardId::simulated(),
                playback_channels: vec![0],
                playback_rate: RATE,
                capture: CardId::simulated(),
                capture_channels: vec![channel(0, ROLES[0]), channel(1, ROLES[1])],
                capture_rate: RATE,
                block_frames: 2048,
            },
            output: "console phones socket".into(),
            headphone: "closed 80 Ω".into(),
            coupler: Coupler::FlatPlate,
            ..Chain::fresh("", "")
        },
        playback: granted.clone(),
        capture: granted,
    }
}

/// A period of a few samples: storage does not care how long it is.
pub fn small_period() -> Period {
    let samples = vec![0.0, 1.0, -0.123_456_789, 0.5];
    Period {
        samples,
        lines: Stimulus::silence().period(RATE).lines.clone(),
        ..(*Stimulus::sine(997.0).period(RATE)).clone()
    }
}

pub fn sound(seed: f32) -> Vec<Input> {
    let samples = |shift: f32| (0..60).map(|n| ((n as f32 + shift) * seed).sin() * 0.3).collect();
    vec![Input { role: ROLES[0], samples: samples(0.1) }, Input { role: ROLES[1], samples: samples(0.7) }]
}

fn take(stimulus: Stimulus, drive: Option<Dbfs>, void: Option<VoidReason>, seed: f32) -> Take {
    let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
    let drive =
        drive.map_or(Drive::SILENT, |d| Drive::grant(d, &Stimulus::sine(997.0).period(RATE), &ceiling).unwrap());
    let head = TakeHead {
        stimulus,
        drive,
        played_rate: RATE,
        captured_rate: SampleRate::new(44_100).unwrap(),
        driven: vec![0],
        pre_roll: 7,
        settle: 3,
        periods: 2,
        played_frames: 40,
        gaps: Vec::new(),
        void,
    };
    Take { head, inputs: sound(seed) }
}

/// What one step of the script plays: the step and its takes.
pub fn script() -> Vec<(Step, Vec<Take>)> {
    let pink = Stimulus::pink(RATE);
    let lost = VoidReason::LostSamples { what: "the host said so".into() };
    let silence = (Purpose::Silence, None, vec![take(Stimulus::silence(), None, None, 0.3)]);
    let at = Some(Dbfs(-40.1));
    let reference =
        (Purpose::Reference, at, vec![take(pink.clone(), at, Some(lost), 0.5), take(pink.clone(), at, None, 0.7)]);
    let sines = [997.0, 31.5].map(|hz| take(Stimulus::sine(hz), Some(Dbfs(-37.1)), None, 0.9));
    let climb = (
        Purpose::Climb,
        Some(Dbfs(-37.1)),
        [take(pink, Some(Dbfs(-37.1)), None, 0.8)].into_iter().chain(sines).collect(),
    );
    [silence, reference, climb]
        .into_iter()
        .enumerate()
        .map(|(i, (purpose, drive, takes)): (usize, (Purpose, Option<Dbfs>, Vec<Take>))| {
            let mut stimuli: Vec<Stimulus> = takes.iter().map(|t| t.head.stimulus.clone()).collect();
            stimuli.dedup();
            (Step { number: i + 1, purpose, drive, stimuli, periods: 2 }, takes)
        })
        .collect()
}

/// The step's result as an analysis could have made it; `files` as storage named them.
pub fn result(step: &Step, takes: &[Take], files: &[String]) -> StepResult {
    let takes = takes.iter().zip(files).map(|(take, file)| TakeResult {
        file: file.clone(),
        head: take.head.clone(),
        void: take.head.void.clone(),
        pooled_ppm: Some(Estimate::symmetric(0.1 + 0.2, 1e-7)),
        route_delay_s: Some(1.0 / 3.0),
        inputs: if take.head.void.is_some() { Vec::new() } else { ROLES.map(|role| input(role, &take.head)).into() },
    });
    StepResult {
        step: step.clone(),
        seat: 1,
        finished_at: "2026-03-01T10:00:10Z".into(),
        arithmetic: Some(1),
        takes: takes.collect(),
    }
}

fn input(role: InputRole, head: &TakeHead) -> InputResult {
    let common = Common {
        window: Window { start_frame: 12.345_678_901_234_567, periods: 2, left_out: 0, delay_s: Some(5e-324) },
        clock: ClockFit { own_ppm: None, used_ppm: -0.0, pooled: true, drift_ppm_per_s: None },
        peak: Some(PeakDb(-3.000_000_000_000_000_4)),
        hum: vec![HumLine { frequency_hz: 49.97, level: Dbfs(-81.2), on_line: false }],
        overload: Overload { samples_at_limit: 0, room_db: 33.3 },
        flaws: vec![
            Flaw::note("coupler-range", "Umlauts, µ, \"quotes\", and\nlines are kept."),
            Flaw::doubt("clock-drift", "x"),
        ],
    };
    let finding = match &head.stimulus {
        Stimulus::Pink(_) => Finding::Pink(Box::new(pink(common))),
        Stimulus::Sine(sine) => Finding::Sine(Box::new(SineFinding {
            common,
            frequency_hz: sine.frequency_hz,
            level: Some(Estimate::symmetric(-40.0, 0.01)),
            gain_db: None,
            harmonics: vec![HarmonicFinding {
                order: 2,
                level: Reading::Determined(Estimate::exact(-61.5)),
                phase_rad: Some(3.1),
            }],
            thd: Reading::AtLeast(Estimate::exact(-61.5)),
            thd_r: Reading::Below(-61.5),
            thd_output: None,
            highest_harmonic: 10,
            thd_n: Reading::Below(-50.0),
            thd_n_with_hum: None,
            noise: None,
        })),
        Stimulus::Silence { .. } => Finding::Silence(Box::new(SilenceFinding {
            tones: Vec::new(),
            common,
            noise_z: Some(Estimate::symmetric(-90.25, 0.5)),
            noise_a: None,
            bands: Vec::new(),
        })),
        other => panic!("the script plays no {other}"),
    };
    InputResult { role, finding, gain_change_db: Some(Estimate::exact(-0.01)), sound: None }
}

fn pink(common: Common) -> PinkFinding {
    PinkFinding {
        common,
        level_z: Some(Estimate::symmetric(-45.678_9, 0.02)),
        level_a: None,
        level_c: None,
        level_mid: None,
        level_total: Some(-45.6),
        bands: vec![BandFinding {
            x: -17,
            level: None,
            noise: Some(-99.9),
            even: Reading::Below(-70.0),
            odd: Reading::NotDetermined("one line".into()),
        }],
        response: awkward_numbers()
            .chunks(5)
            .map(|n| ResponsePoint {
                frequency_hz: n[0],
                gain_db: n[1],
                half_width_db: n[2],
                phase_rad: n[3],
                coherence: n[4],
            })
            .collect(),
        gain_db: Some(Estimate::exact(-5.6)),
        noise: Some(-90.0),
        over_noise_db: Some(44.4),
        even: Reading::Determined(Estimate::symmetric(-52.25, 0.1)),
        odd: Reading::Below(-80.0),
        even_output: None,
        odd_output: Some(Reading::NotDetermined("no reference".into())),
        clip: Some(ClipFinding {
            evidence: 1.5,
            threshold: 60.0,
            level: None,
            level_not_determined: Some("no evidence".into()),
            curve: vec![CurvePoint { played: 0.25, came_back: 0.249, spread: 1e-5, count: 12 }],
        }),
        middle: None,
    }
}

/// Random bit patterns of finite numbers: the hard cases of decimal conversion are among them. Knuth's MMIX generator.
pub fn awkward_numbers() -> Vec<f64> {
    let mut state = 0x1234_5678_9abc_def0u64;
    let bits = std::iter::repeat_with(move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from_bits(state ^ (state >> 33))
    });
    let near = (0..500).map(|n| -60.0 + 0.123 * f64::from(n) / 7.0);
    bits.filter(|x| x.is_finite()).take(500).chain(near).collect()
}

pub fn events() -> [SessionEvent; 2] {
    let event = |what| SessionEvent { at: "2026-03-01T10:01:00Z".into(), what };
    [event(Happening::Continued), event(Happening::Ended { stop: StopReason::Ceiling { which: "115 dB".into() } })]
}
