//! A whole session on an ideal desk in closed form (gain, noise, a hard limit, small distortion), decided by the real
//! climb: records to draw, with every number known beforehand.

use loudenough::analysis::*;
use loudenough::calibration::Acoustic;
use loudenough::card::{
    CaptureChannel, CardDescription, CardId, Direction, Granted, InputRole, Routing, SimulatedDevices,
};
use loudenough::session::chain::{Chain, Coupler};
use loudenough::session::climb::{Climb, Next};
use loudenough::session::plan::{ListeningLevel, Plan, Weighting};
use loudenough::session::program::ARITHMETIC;
use loudenough::session::record::*;
use loudenough::session::step::{Purpose, Step};
use loudenough::signal::{Drive, DriveCeiling, Period, Stimulus, Sweep, TwoTones};
use loudenough::stats::{Estimate, Reading};
use loudenough::take::{TakeHead, VoidReason};
use loudenough::units::{DbSpl, Dbfs, PeakDb, SampleRate};
use std::sync::Arc;

/// Captured over played, dB.
pub const GAIN_DB: f64 = -12.8;
/// dB SPL that 0 dBFS stands for.
pub const OFFSET_DB: f64 = 120.0;
/// Limit of the output, peak dB re full scale, both polarities.
pub const LIMIT_DB: f64 = -2.9;
/// Noise at the input, dBFS.
const NOISE_DBFS: f64 = -85.0;
const TIME: &str = "2026-03-01T09:12:33+01:00";

pub fn chain(calibrated: bool) -> Chain {
    let offset = Acoustic::typed(OFFSET_DB, 0.4, TIME).unwrap();
    let mut chain = Chain {
        name: "listening room, left ear".into(),
        routing: Routing {
            playback: CardId::simulated(),
            playback_channels: vec![0, 1],
            playback_rate: SampleRate::DEFAULT,
            capture: CardId::simulated(),
            capture_channels: vec![CaptureChannel { channel: 0, role: InputRole::LeftEar }],
            capture_rate: SampleRate::DEFAULT,
            block_frames: 2048,
        },
        output: "console phones socket".into(),
        volume: "knob at 12 o'clock".into(),
        headphone: "closed 80 Ω".into(),
        coupler: Coupler::EarSimulator603184,
        acoustic: calibrated.then_some((InputRole::LeftEar, offset)).into_iter().collect(),
        ..Chain::fresh("", "")
    };
    chain.offsets_belong_here([InputRole::LeftEar]);
    chain
}

pub fn plan() -> Plan {
    let listening = Some(ListeningLevel { level: DbSpl(70.0), weighting: Weighting::Z, field: None });
    Plan { listening, ..Plan::session(SampleRate::DEFAULT) }
}

pub fn cards() -> Vec<CardDescription> {
    let one = |id: &str, direction, may_resample: Option<&str>| CardDescription {
        id: CardId(id.into()),
        host: id.split(':').next().unwrap().into(),
        name: format!("{id}, as people call it"),
        direction,
        channels: 2,
        rates: vec![SampleRate::DEFAULT],
        may_resample: may_resample.map(Into::into),
        simulates: id.starts_with("simulated:").then(|| SimulatedDevices {
            outputs: vec!["console phones socket".into()],
            headphones: vec!["closed 80 Ω".into(), "open 300 Ω".into()],
        }),
    };
    vec![
        one("simulated:bench", Direction::Playback, None),
        one("simulated:bench", Direction::Capture, None),
        one("alsa:default", Direction::Playback, Some("it goes through a sound server")),
    ]
}

pub fn granted() -> Granted {
    Granted {
        id: CardId::simulated(),
        rate: SampleRate::DEFAULT,
        channels: 2,
        block_frames: Some(2048),
        format: "f32".into(),
        may_resample: None,
        simulates: None,
    }
}

struct Desk {
    period: Arc<Period>,
    full: f64,
    calibrated: bool,
}

/// Plays the plan to its end. Step 7 carries one void take before the good one.
pub fn session(plan: Plan, chain: Chain) -> Record {
    let period = plan.pink.period(SampleRate::DEFAULT);
    let desk = Desk { full: period.full_drive().unwrap().db(), period, calibrated: chain.is_calibrated() };
    let head = SessionHead {
        schema: SCHEMA.into(),
        id: "test".into(),
        started_at: TIME.into(),
        program: "loudenough test".into(),
        plan,
        chain,
        playback: granted(),
        capture: granted(),
    };
    let mut record = Record::new(head);
    loop {
        let (plan, chain) = (&record.head.plan, &record.head.chain);
        match (Climb { plan, chain, period: &desk.period, results: &record.steps }).next() {
            Next::Step(step) => {
                let result = desk.play(&step);
                record.steps.push(result);
            }
            Next::Done(stop) => {
                record.events.push(SessionEvent { at: TIME.into(), what: Happening::Ended { stop } });
                return record;
            }
        }
    }
}

impl Desk {
    fn play(&self, step: &Step) -> StepResult {
        let mut takes = vec![self.take(step, None)];
        if step.number == 7 {
            takes.insert(0, self.take(step, Some(VoidReason::Disturbed { clean: 1 })));
        }
        StepResult { step: step.clone(), seat: 1, finished_at: TIME.into(), arithmetic: Some(ARITHMETIC), takes }
    }

    fn take(&self, step: &Step, void: Option<VoidReason>) -> TakeResult {
        let ceiling = DriveCeiling { rms: Dbfs(100.0), because: "test".into() };
        let grant = |d| Drive::grant(d, &self.period, &ceiling).unwrap();
        let head = TakeHead {
            stimulus: step.stimuli[0].clone(),
            drive: step.drive.map_or(Drive::SILENT, grant),
            played_rate: SampleRate::DEFAULT,
            captured_rate: SampleRate::DEFAULT,
            driven: vec![0, 1],
            pre_roll: 0,
            settle: 0,
            periods: step.periods,
            played_frames: 0,
            gaps: Vec::new(),
            void: void.clone(),
        };
        let inputs = if void.is_some() { Vec::new() } else { vec![self.input(step)] };
        TakeResult { file: "pink-1.wav".into(), head, void, pooled_ppm: None, route_delay_s: None, inputs }
    }

    fn input(&self, step: &Step) -> InputResult {
        let level = step.drive.map_or(NOISE_DBFS, |d| d.db() + GAIN_DB);
        let note = Flaw::note("band-edge", "The response ends with a slow converter filter.");
        let common = Common {
            window: Window { start_frame: 0.0, periods: step.periods, left_out: 0, delay_s: Some(0.02) },
            clock: ClockFit {
                own_ppm: Some(Estimate::symmetric(12.304, 0.002)),
                used_ppm: 12.304,
                pooled: false,
                drift_ppm_per_s: None,
            },
            peak: Some(PeakDb(level + 9.5)),
            hum: Vec::new(),
            overload: Overload { samples_at_limit: 0, room_db: -level - 9.5 },
            flaws: vec![note],
        };
        let finding = match step.drive {
            None => Finding::Silence(Box::new(SilenceFinding {
                tones: Vec::new(),
                common,
                noise_z: Some(Estimate::symmetric(NOISE_DBFS, 0.3)),
                noise_a: None,
                bands: Vec::new(),
            })),
            Some(drive) => Finding::Pink(Box::new(self.pink(common, step.purpose, drive.db()))),
        };
        let sound = self.calibrated.then(|| {
            let z = Some(Estimate::symmetric(level + OFFSET_DB, 0.5));
            SoundLevels { z, a: z, c: z, mid: z, peak: Some(level + OFFSET_DB + 12.5) }
        });
        let gain_change_db = step.drive.map(|_| Estimate::symmetric(0.0, 0.01));
        InputResult { role: InputRole::LeftEar, finding, gain_change_db, sound }
    }

    fn pink(&self, common: Common, purpose: Purpose, drive: f64) -> PinkFinding {
        let level = Some(Estimate::symmetric(drive + GAIN_DB, 0.1));
        let over = drive + GAIN_DB - NOISE_DBFS;
        let clips = drive > LIMIT_DB + self.full;
        let distortion = |at: f64| {
            if over < 40.0 { Reading::Below(-over - 8.0) } else { Reading::Determined(Estimate::symmetric(at, 1.2)) }
        };
        PinkFinding {
            common,
            level_z: level,
            level_a: level.map(|l| l.shifted(-3.0)),
            level_c: level.map(|l| l.shifted(-0.5)),
            level_mid: level,
            level_total: None,
            bands: (-17..=13).map(|x| band(x, drive + GAIN_DB - 15.0, &distortion)).collect(),
            response: (0..480).map(response).collect(),
            gain_db: Some(Estimate::symmetric(GAIN_DB, 0.01)),
            noise: Some(NOISE_DBFS),
            over_noise_db: Some(over),
            even: distortion(-58.0),
            odd: distortion(if clips { -31.0 } else { -52.0 }),
            even_output: None,
            odd_output: None,
            clip: (purpose != Purpose::Probe && purpose != Purpose::Reference).then(|| clip(clips, drive - self.full)),
            middle: None,
        }
    }
}

fn band(x: i32, level: f64, distortion: &impl Fn(f64) -> Reading) -> BandFinding {
    let rise = f64::from(x.abs()) * 0.7;
    BandFinding {
        x,
        level: Some(Estimate::symmetric(level, 0.2)),
        noise: Some(NOISE_DBFS - 15.0),
        even: distortion(-62.0 + rise),
        odd: if x < -12 { Reading::NotDetermined("too few lines".into()) } else { distortion(-56.0 + rise) },
    }
}

fn response(i: usize) -> ResponsePoint {
    let frequency_hz = 20.0 * 1000f64.powf(i as f64 / 479.0);
    // A bump near 3 kHz, as an ear canal makes it.
    let gain_db = GAIN_DB + 9.0 * (-(frequency_hz / 3000.0).ln().powi(2) / 0.3).exp();
    ResponsePoint { frequency_hz, gain_db, half_width_db: 0.05, phase_rad: 0.0, coherence: 1.0 }
}

fn clip(clips: bool, peak_db: f64) -> ClipFinding {
    let limit = Reading::Determined(Estimate::symmetric(LIMIT_DB, 0.04));
    let (reach, bend) = (10f64.powf(peak_db / 20.0), 10f64.powf(LIMIT_DB / 20.0));
    let curve = (-60..=60).map(|i| {
        let played = reach * f64::from(i) / 60.0;
        CurvePoint { played, came_back: played.clamp(-bend, bend), spread: 0.01, count: 500 }
    });
    ClipFinding {
        evidence: if clips { 4000.0 } else { 3.0 },
        threshold: 60.0,
        level: clips.then(|| ClipLevel {
            positive: limit.clone(),
            negative: limit,
            acts_on: ActsOn::Waveform,
            soft: false,
            unexplained: 0.001,
        }),
        level_not_determined: None,
        curve: curve.collect(),
    }
}

/// The session with a sine, two tones and a sweep in one of its climbing steps.
pub fn session_with_sounds() -> Record {
    let mut record = session(plan(), chain(true));
    let step = record.steps.iter_mut().rev().find(|s| s.step.purpose == Purpose::Climb).unwrap();
    let pink = step.takes.last().unwrap().clone();
    let common = pink.inputs[0].finding.common().clone();
    let stated = |db: f64| Reading::Determined(Estimate::symmetric(db, 0.5));
    let level = Some(Estimate::symmetric(-20.0, 0.1));
    let sine = SineFinding {
        common: common.clone(),
        frequency_hz: 997.0,
        level,
        gain_db: level,
        harmonics: vec![HarmonicFinding { order: 2, level: stated(-61.3), phase_rad: None }],
        thd: stated(-61.3),
        thd_r: stated(-61.4),
        thd_output: None,
        highest_harmonic: 10,
        thd_n: stated(-55.2),
        thd_n_with_hum: None,
        noise: Some(-90.0),
    };
    let tones = IntermodulationFinding {
        common: common.clone(),
        tones_hz: [61.5, 7000.5],
        level,
        second: stated(-71.2),
        third: Reading::Below(-84.0),
        second_output: None,
        third_output: None,
        definition: "arithmetic sum over the 7 kHz tone".into(),
        products: Vec::new(),
    };
    let curve = |order: u32| HarmonicCurve {
        order,
        points: (0..40)
            .map(|i| {
                let level = if i % 7 == 3 {
                    Reading::Below(-80.0)
                } else {
                    stated(-50.0 - 5.0 * f64::from(order) - 0.3 * f64::from(i))
                };
                HarmonicPoint { frequency_hz: 40.0 * 2f64.powf(f64::from(i) / 6.0), level }
            })
            .collect(),
    };
    let sweep = SweepFinding {
        common,
        level,
        response: (0..480).map(response).collect(),
        harmonics: (2..=5).map(curve).collect(),
        impulse: Vec::new(),
        impulse_from_s: 0.005,
    };
    let sounds = [
        (Stimulus::sine(997.0), Finding::Sine(Box::new(sine))),
        (Stimulus::TwoTones(TwoTones::Modulation), Finding::TwoTones(Box::new(tones))),
        (Stimulus::Sweep(Sweep::STANDARD), Finding::Sweep(Box::new(sweep))),
    ];
    for (stimulus, finding) in sounds {
        let mut take = pink.clone();
        take.head.stimulus = stimulus;
        take.inputs[0].finding = finding;
        step.takes.push(take);
    }
    record
}
