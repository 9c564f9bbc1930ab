//! No callback allocates: an allocator that aborts when asked inside a callback, wrapped around both back ends'
//! callbacks from outside.

#![allow(clippy::unwrap_used)] // test helpers outside #[test] functions may unwrap too

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use loudenough::audio::simulated::{
    BenchSpec, Blocks, Fault, FaultAction, Format, Pace, SimulatedBackend, SimulatedCardSpec,
};
use loudenough::audio::{Around, AudioError, Backend, Callbacks, Engine, Guard, OpenCards, Progress, TakeRequest};
use loudenough::card::{CaptureChannel, CardDescription, CardId, DEFAULT_BLOCK_FRAMES, Direction, InputRole, Routing};
use loudenough::signal::{Drive, DriveCeiling, Stimulus};
use loudenough::take::{Take, VoidReason};
use loudenough::units::{Dbfs, SampleRate};
use std::process::Command;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

#[cfg(feature = "sound-card")]
#[path = "common/servers.rs"]
mod servers;

#[global_allocator]
static FORBIDDING: AllocDisabler = AllocDisabler;

const RATE: SampleRate = SampleRate::DEFAULT;

/// Any back end, its callbacks run inside `around`.
struct Decorated<B>(B, Around);

impl<B: Backend> Backend for Decorated<B> {
    fn name(&self) -> &str {
        self.0.name()
    }

    fn owns(&self, id: &CardId) -> bool {
        self.0.owns(id)
    }

    fn list(&self) -> Result<Vec<CardDescription>, AudioError> {
        self.0.list()
    }

    fn open(&self, routing: &Routing, callbacks: Callbacks) -> Result<Box<dyn OpenCards>, AudioError> {
        self.0.open(routing, Callbacks { around: self.1, ..callbacks })
    }
}

static CALLS: AtomicU64 = AtomicU64::new(0);

fn forbidding(work: &mut dyn FnMut()) {
    CALLS.fetch_add(1, Ordering::Relaxed);
    assert_no_alloc(work);
}

fn allocating(work: &mut dyn FnMut()) {
    assert_no_alloc(|| {
        work();
        std::hint::black_box(vec![1.0f32; 64]);
    });
}

fn routing(playback: &str, capture: &str, channel: u16) -> Routing {
    Routing {
        playback: CardId(playback.into()),
        playback_channels: vec![0, 1],
        playback_rate: RATE,
        capture: CardId(capture.into()),
        capture_channels: vec![CaptureChannel { channel, role: InputRole::Loopback }],
        capture_rate: RATE,
        block_frames: DEFAULT_BLOCK_FRAMES,
    }
}

fn simulated() -> Routing {
    routing("simulated:bench", "simulated:bench", 3)
}

fn play(backend: &dyn Backend, routing: &Routing, periods: usize) -> Take {
    let mut engine = Engine::open(backend, routing, Box::new(|_| ())).unwrap();
    let stimulus = Stimulus::pink(RATE);
    let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
    let drive = Drive::grant(Dbfs(-20.0), &stimulus.period(RATE), &ceiling).unwrap();
    let guard = Guard::default();
    engine
        .start(TakeRequest { stimulus, drive, periods, settle_s: 0.25, delay_s: 0.0..0.1, guard, only: None })
        .unwrap();
    loop {
        if let Progress::Done(take) = engine.poll(Duration::from_millis(50)).unwrap() {
            return *take;
        }
    }
}

#[test]
fn callbacks_of_the_simulated_card_do_not_allocate_in_any_format_block_or_fault() {
    let before = CALLS.load(Ordering::Relaxed);
    for format in [Format::F32, Format::I16, Format::I32] {
        let spec = SimulatedCardSpec {
            playback_format: format,
            capture_format: format,
            playback_blocks: Blocks::Random { least: 1, most: 9_000, seed: 5 },
            capture_blocks: Blocks::Random { least: 1, most: 9_000, seed: 6 },
            wire_frames: Some(100),
            ..SimulatedCardSpec::default()
        };
        let take = play(
            &Decorated(SimulatedBackend::new(BenchSpec::default(), spec, Pace::AsFastAsPossible), forbidding),
            &simulated(),
            2,
        );
        assert_eq!(take.head.void, None);
    }
    for what in [FaultAction::Unplug, FaultAction::Storm(1000), FaultAction::Stall(Direction::Capture, 20.0)] {
        let faults = vec![Fault { at_frame: 96_000, what }];
        let spec = SimulatedCardSpec { faults, wire_frames: Some(100), ..SimulatedCardSpec::default() };
        let take = play(
            &Decorated(SimulatedBackend::new(BenchSpec::default(), spec, Pace::AsFastAsPossible), forbidding),
            &simulated(),
            2,
        );
        assert!(matches!(take.head.void, Some(VoidReason::Card { .. } | VoidReason::Stalled { .. })));
    }
    assert!(CALLS.load(Ordering::Relaxed) - before > 500, "the decorator was in the way");
}

#[test]
fn a_callback_that_allocates_on_purpose_aborts() {
    let output = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "inside_allocates_on_purpose", "--ignored", "--nocapture"])
        .output()
        .unwrap();
    assert!(!output.status.success(), "it went unnoticed");
    #[cfg(unix)]
    {
        use std::os::unix::process::ExitStatusExt;
        const SIGABRT: i32 = 6;
        assert_eq!(output.status.signal(), Some(SIGABRT), "{output:?}");
    }
}

#[test]
#[ignore = "aborts; runs in a process of its own"]
fn inside_allocates_on_purpose() {
    let spec = SimulatedCardSpec { wire_frames: Some(100), ..SimulatedCardSpec::default() };
    play(
        &Decorated(SimulatedBackend::new(BenchSpec::default(), spec, Pace::AsFastAsPossible), allocating),
        &simulated(),
        1,
    );
}

#[cfg(feature = "sound-card")]
#[test]
fn callbacks_of_real_cards_do_not_allocate() {
    match servers::Server::pulse() {
        Ok(server) => drop(server.run_inside("inside_real_card")),
        Err(why) => servers::skipped("PulseAudio", &why),
    }
}

#[cfg(feature = "sound-card")]
#[test]
#[ignore = "runs inside a private server"]
fn inside_real_card() {
    if std::env::var_os(servers::INSIDE).is_none() {
        return;
    }
    let backend = Decorated(loudenough::audio::backend::cpal::CpalBackend, forbidding);
    // Void or not: a busy machine may lose samples, and that path must not allocate either.
    play(&backend, &routing("alsa:bench_out", "alsa:bench_in", 0), 2);
    assert!(CALLS.load(Ordering::Relaxed) > 100, "the decorator was in the way");
}

static WORST_NS: AtomicU64 = AtomicU64::new(0);
static TOTAL_NS: AtomicU64 = AtomicU64::new(0);

fn timing(work: &mut dyn FnMut()) {
    let began = Instant::now();
    work();
    let took = began.elapsed().as_nanos() as u64;
    CALLS.fetch_add(1, Ordering::Relaxed);
    WORST_NS.fetch_max(took, Ordering::Relaxed);
    TOTAL_NS.fetch_add(took, Ordering::Relaxed);
}

/// A figure, not a test: `cargo test --test realtime -- --ignored --exact figure_worst_callback --nocapture`.
#[test]
#[ignore = "prints a figure; timing is no test"]
fn figure_worst_callback() {
    const FRAMES: u32 = 256;
    let blocks = Blocks::Fixed(FRAMES);
    let spec = SimulatedCardSpec {
        playback_blocks: blocks,
        capture_blocks: blocks,
        playback_format: Format::I16,
        wire_frames: Some(100),
        ..SimulatedCardSpec::default()
    };
    let backend = Decorated(SimulatedBackend::new(BenchSpec::default(), spec, Pace::AsFastAsPossible), timing);
    while CALLS.load(Ordering::Relaxed) < 200_000 {
        assert_eq!(play(&backend, &simulated(), 80).head.void, None);
    }
    let (calls, worst) = (CALLS.load(Ordering::Relaxed), WORST_NS.load(Ordering::Relaxed));
    let block_ns = 1e9 * f64::from(FRAMES) / RATE.hz();
    println!(
        "{calls} callbacks of {FRAMES} frames (16 bit, dithered): worst {worst} ns = {:.3} % of a block, mean {:.4} %",
        100.0 * worst as f64 / block_ns,
        100.0 * TOTAL_NS.load(Ordering::Relaxed) as f64 / calls as f64 / block_ns
    );
}
