//! Whatever a card and its user do: does the sound at the card stay under the granted true peak, unclipped, and free
//! of steps that no fade allows? Random sequences of takes, stops, stalls, reports and block sizes on a card that
//! keeps everything it was given.

use crate::common::card::{Driven, Turn};
use loudenough::audio::{AudioError, Callbacks, Engine, FaultKind, Guard, GuardedInput, Progress, TakeRequest};
use loudenough::card::{CaptureChannel, CardId, InputRole, Routing};
use loudenough::signal::{Drive, DriveCeiling, FADE_S, Period, Stimulus};
use loudenough::units::{Dbfs, SampleRate};
use proptest::prelude::*;
use std::f64::consts::FRAC_PI_2;
use std::sync::{Arc, Mutex};
use std::time::Duration;

const RATE: SampleRate = SampleRate::DEFAULT;
/// Rounding of a sample to 32-bit float.
const ROUNDING: f64 = 1e-7;

/// What the card was given, and what it is told to do next.
#[derive(Default)]
struct Tape {
    /// Everything played so far.
    played: Vec<f32>,
    /// Frames of the next blocks, in turn.
    blocks: Vec<usize>,
    /// Blocks without a playback callback.
    stall_playback: usize,
    /// Blocks without a capture callback.
    stall_capture: usize,
    /// Reports due.
    reports: Vec<FaultKind>,
}

struct HostileCard {
    tape: Arc<Mutex<Tape>>,
    turn: usize,
    frames: u64,
}

impl Turn for HostileCard {
    fn turn(&mut self, callbacks: &mut Callbacks) -> f64 {
        let mut tape = self.tape.lock().unwrap();
        for kind in tape.reports.drain(..) {
            callbacks.faults.report(kind, || "reported".into());
        }
        let frames = tape.blocks[self.turn % tape.blocks.len()];
        self.turn += 1;
        self.frames += frames as u64;
        let mut block = vec![0.0f32; frames];
        if tape.stall_playback > 0 {
            tape.stall_playback -= 1;
        } else {
            callbacks.playback.render(&mut block, 1);
            tape.played.extend_from_slice(&block);
        }
        if tape.stall_capture > 0 {
            tape.stall_capture -= 1;
        } else {
            callbacks.capture.accept(&block, 1);
        }
        self.frames as f64 / RATE.hz()
    }
}

/// One thing a user or a card does.
#[derive(Clone, Debug)]
enum Act {
    Start { level_dbfs: f64, pink: bool, guarded: bool },
    Stop,
    ClearStop,
    Wait { ms: u64 },
    StallPlayback { blocks: usize },
    StallCapture { blocks: usize },
    Report(FaultKind),
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        4 => (-60.0..0.0f64, any::<bool>(), prop::bool::weighted(0.2))
            .prop_map(|(level_dbfs, pink, guarded)| Act::Start { level_dbfs, pink, guarded }),
        1 => Just(Act::Stop),
        2 => Just(Act::ClearStop),
        6 => (1u64..2_500).prop_map(|ms| Act::Wait { ms }),
        1 => (1usize..60).prop_map(|blocks| Act::StallPlayback { blocks }),
        1 => (1usize..60).prop_map(|blocks| Act::StallCapture { blocks }),
        1 => Just(Act::Report(FaultKind::Xrun)),
        1 => prop_oneof![9 => Just(FaultKind::Other), 1 => Just(FaultKind::Fatal)].prop_map(Act::Report),
    ]
}

/// A take that was begun: where on the tape, and what it may do to it at most.
struct Begun {
    at: usize,
    gain: f64,
    steepest: f64,
}

fn begun(at: usize, gain: f64, period: &Period) -> Begun {
    let samples = &period.samples;
    let steps = samples.iter().zip(samples.iter().cycle().skip(1)).map(|(a, b)| (b - a).abs());
    let own = steps.fold(0.0, f64::max);
    // The steepest a raised cosine gets, on a sample of 1.
    let fade = FRAC_PI_2 / RATE.frames_in(FADE_S) as f64;
    Begun { at, gain, steepest: gain * (own + fade) }
}

fn request(level_dbfs: f64, pink: bool, guarded: bool) -> Option<(TakeRequest, Arc<Period>)> {
    // So slow a sine that a sample missing from it, or a gain that jumps, stands out from its own steps.
    let stimulus = if pink { Stimulus::pink(RATE) } else { Stimulus::sine(20.0) };
    let period = stimulus.period(RATE);
    let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
    let drive = Drive::grant(Dbfs(level_dbfs), &period, &ceiling).ok()?;
    let input = GuardedInput { ceiling_dbfs: Some(level_dbfs - 20.0), ..GuardedInput::default() };
    let guard = Guard { inputs: if guarded { vec![input] } else { Vec::new() } };
    let request = TakeRequest { stimulus, drive, periods: 1, settle_s: 0.1, delay_s: 0.0..0.0, guard, only: None };
    Some((request, period))
}

/// Plays a sequence; the tape, and what was begun where.
fn perform(acts: &[Act], blocks: &[usize]) -> (Vec<f32>, Vec<Begun>, bool) {
    let tape = Arc::new(Mutex::new(Tape { blocks: blocks.to_vec(), ..Tape::default() }));
    let routing = Routing {
        playback: CardId("hostile:card".into()),
        playback_channels: vec![0],
        playback_rate: RATE,
        capture: CardId("hostile:card".into()),
        capture_channels: vec![CaptureChannel { channel: 0, role: InputRole::Loopback }],
        capture_rate: RATE,
        block_frames: 512,
    };
    let card = || HostileCard { tape: Arc::clone(&tape), turn: 0, frames: 0 };
    let mut engine = Engine::open(&Driven(card), &routing, Box::new(|_| ())).unwrap();
    let mut takes = Vec::new();
    for act in acts {
        match act {
            Act::Start { level_dbfs, pink, guarded } => {
                let Some((request, period)) = request(*level_dbfs, *pink, *guarded) else { continue };
                let gain = request.drive.gain();
                if engine.start(request).is_ok() {
                    takes.push(begun(tape.lock().unwrap().played.len(), gain, &period));
                }
            }
            Act::Stop => engine.stop_handle().stop(),
            Act::ClearStop => engine.clear_stop(),
            Act::Wait { ms } => {
                let _: Result<Progress, AudioError> = engine.poll(Duration::from_millis(*ms));
            }
            Act::StallPlayback { blocks } => tape.lock().unwrap().stall_playback += blocks,
            Act::StallCapture { blocks } => tape.lock().unwrap().stall_capture += blocks,
            Act::Report(kind) => tape.lock().unwrap().reports.push(*kind),
        }
    }
    let stalled = tape.lock().unwrap().stall_playback > 0;
    let alive = !matches!(engine.poll(Duration::ZERO), Err(AudioError::Lost(_)));
    drop(engine);
    let played = std::mem::take(&mut tape.lock().unwrap().played);
    (played, takes, alive && !stalled)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn the_granted_peak_is_never_passed_and_no_step_is_larger_than_the_fade_allows(
        acts in prop::collection::vec(act(), 1..24),
        blocks in prop::collection::vec(prop_oneof![1usize..64, 64usize..4_096, Just(20_000)], 1..8),
    ) {
        // Blocks of one frame only would take for ever.
        let blocks: Vec<usize> = blocks.into_iter().chain([1_024]).collect();
        let (played, takes, ends_well) = perform(&acts, &blocks);
        let mut next = 0;
        // What is in force: a take's limits hold from the first silent sample after its start, as the last one may
        // still be fading.
        let (mut gain, mut steepest) = (0.0f64, 0.0f64);
        let mut before = 0.0f64;
        for (n, sample) in played.iter().map(|x| f64::from(*x)).enumerate() {
            while next < takes.len() && takes[next].at <= n && before.abs() <= 0.0 {
                (gain, steepest) = (takes[next].gain, takes[next].steepest);
                next += 1;
            }
            prop_assert!(sample.abs() <= gain * (1.0 + ROUNDING), "frame {n}: {sample} over {gain}");
            prop_assert!((sample - before).abs() <= steepest + ROUNDING, "frame {n}: a step from {before} to {sample}");
            before = sample;
        }
        if ends_well {
            prop_assert!(before.abs() <= 0.0, "the engine was dropped at {before}");
        }
    }
}

/// The property would hold for a card that stays silent, too: takes do sound, and reach the granted peak.
#[test]
fn a_full_scale_sine_reaches_full_scale_at_the_card_unclipped() {
    let acts = [Act::Start { level_dbfs: 0.0, pink: false, guarded: false }, Act::Wait { ms: 4_000 }];
    let (played, takes, _) = perform(&acts, &[480]);
    let peak = played.iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
    assert!((takes[0].gain - 1.0).abs() < 1e-9 && (peak - 1.0).abs() < 1e-4, "{peak}");
    // Clipped tops would be level: a sine of 20 Hz has no two equal neighbours near its peak over 0.01 % of its period.
    let level =
        played.windows(3).filter(|w| w[0].abs() > 0.5 && w.iter().all(|x| x.to_bits() == w[0].to_bits())).count();
    assert_eq!(level, 0);
}

/// A take ends void while its card stands still, gate open; when the card comes back, the old sound only fades.
#[test]
fn a_gate_that_still_closes_for_an_old_reason_does_not_turn_back_for_a_new_take() {
    let acts = [
        Act::Start { level_dbfs: 0.0, pink: false, guarded: false },
        Act::Wait { ms: 1_000 },
        Act::StallPlayback { blocks: 220 },
        Act::Wait { ms: 1_900 },
        Act::Start { level_dbfs: -60.0, pink: false, guarded: false },
        Act::Wait { ms: 1_500 },
    ];
    let (played, takes, _) = perform(&acts, &[480]);
    assert_eq!(takes.len(), 2, "the first take ended while its card stood still");
    let back = takes[1].at;
    assert!(played[back - 1].abs() > 0.01, "in mid-sound");
    let faded = &played[back + RATE.frames_in(FADE_S)..];
    assert!(faded.len() > 20_000 && faded.iter().all(|x| x.abs() <= 0.001 * 1.001));
}
