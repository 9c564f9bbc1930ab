//! The engine on a straight digital wire: what comes back is known sample for sample.

use super::simulated::{BenchSpec, Blocks, Fault, FaultAction, Format, Pace, SimulatedBackend, SimulatedCardSpec};
use super::*;
use crate::card::{CaptureChannel, CardId, DEFAULT_BLOCK_FRAMES, InputRole};
use crate::signal::{Drive, DriveCeiling};
use crate::take::{GapWitness, VoidReason};
use crate::units::{Dbfs, SampleRate};

const RATE: SampleRate = SampleRate::DEFAULT;
const WIRE_FRAMES: usize = 700;

fn routing() -> Routing {
    Routing {
        playback: CardId::simulated(),
        playback_channels: vec![0],
        playback_rate: RATE,
        capture: CardId::simulated(),
        capture_channels: vec![CaptureChannel { channel: 3, role: InputRole::Loopback }],
        capture_rate: RATE,
        block_frames: DEFAULT_BLOCK_FRAMES,
    }
}

fn wire() -> SimulatedCardSpec {
    SimulatedCardSpec { wire_frames: Some(WIRE_FRAMES), ..SimulatedCardSpec::default() }
}

fn open(spec: SimulatedCardSpec) -> Engine {
    let backend = SimulatedBackend::new(BenchSpec::default(), spec, Pace::AsFastAsPossible);
    Engine::open(&backend, &routing(), Box::new(|_| ())).unwrap()
}

fn request(stimulus: Stimulus, level_dbfs: f64) -> TakeRequest {
    let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
    let drive = if stimulus.is_silent() {
        Drive::SILENT
    } else {
        Drive::grant(Dbfs(level_dbfs), &stimulus.period(RATE), &ceiling).unwrap()
    };
    TakeRequest { stimulus, drive, periods: 2, settle_s: 0.25, delay_s: 0.0..0.1, guard: Guard::default(), only: None }
}

fn pink() -> TakeRequest {
    request(Stimulus::pink(RATE), -20.0)
}

fn finish(engine: &mut Engine) -> Take {
    for _ in 0..2000 {
        if let Progress::Done(take) = engine.poll(Duration::from_millis(100)).unwrap() {
            return *take;
        }
    }
    panic!("the take did not end");
}

fn play(spec: SimulatedCardSpec, request: TakeRequest) -> Take {
    let mut engine = open(spec);
    engine.start(request).unwrap();
    finish(&mut engine)
}

fn fault(at_frame: u64, what: FaultAction) -> SimulatedCardSpec {
    SimulatedCardSpec { faults: vec![Fault { at_frame, what }], ..wire() }
}

/// Frame about two seconds into the sound of a two-period take.
const MID_TAKE: u64 = 96_000;

#[test]
fn what_comes_back_over_a_wire_is_the_period_times_the_gain_sample_for_sample() {
    let request = pink();
    let period = request.stimulus.period(RATE);
    let take = play(wire(), request.clone());
    assert_eq!(take.head.void, None);
    assert_eq!(take.head.gaps, vec![]);
    let heard = &take.inputs[0].samples;
    let fade = RATE.frames_in(crate::signal::FADE_S);
    // The gate opens at the start of a playback block, before that block is captured: the wire's delay is exact.
    let start = take.head.pre_roll + WIRE_FRAMES;
    for n in 0..take.head.played_frames - fade {
        let unit = period.samples[n % period.samples.len()];
        let open = crate::signal::raised_cosine((n + 1) as f64 / fade as f64);
        let expected = (unit * open * request.drive.gain()) as f32;
        assert_eq!(heard[start + n].to_bits(), expected.to_bits(), "frame {n}");
    }
    assert!(heard[..start].iter().all(|x| x.abs() <= 0.0), "silent before the gain opens");
    assert!(heard[start + take.head.played_frames..].iter().all(|x| x.abs() <= 0.0), "and after the fade");
    assert!(take.head.pre_roll >= RATE.frames_in(0.1));
    let needed = take.head.settle + 2 * period.samples.len() + fade + RATE.frames_in(0.1);
    assert!(take.head.played_frames >= needed);
}

#[test]
fn one_take_after_another_starts_with_the_first_sample_again() {
    let mut engine = open(wire());
    engine.start(pink()).unwrap();
    let first = finish(&mut engine);
    engine.start(pink()).unwrap();
    let second = finish(&mut engine);
    let sound = |take: &Take| take.inputs[0].samples[take.head.pre_roll..].to_vec();
    assert!(sound(&first) == sound(&second));
}

#[test]
fn the_same_bench_gives_the_same_take_bit_for_bit_whatever_the_poll() {
    let backend = SimulatedBackend::new(BenchSpec::default(), SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    let play = |poll_ms: u64| {
        let mut engine = Engine::open(&backend, &routing(), Box::new(|_| ())).unwrap();
        engine.start(pink()).unwrap();
        loop {
            if let Progress::Done(take) = engine.poll(Duration::from_millis(poll_ms)).unwrap() {
                return *take;
            }
        }
    };
    let take = play(10);
    assert_eq!(take.head.void, None);
    assert!(take == play(700));
}

#[test]
fn any_block_sizes_give_the_same_sound() {
    let reference = play(wire(), pink());
    let start = |take: &Take| take.inputs[0].samples.iter().position(|x| x.abs() > 0.0).unwrap();
    // Larger blocks make the take longer, so it is compared up to the earliest fade-out.
    let same = reference.head.played_frames - RATE.frames_in(crate::signal::FADE_S);
    for (least, most) in [(1, 1), (1, 4096), (96_000, 96_000), (1, 96_000)] {
        let random = |seed| Blocks::Random { least, most, seed };
        let spec = SimulatedCardSpec { playback_blocks: random(1), capture_blocks: random(2), ..wire() };
        let take = play(spec, pink());
        assert_eq!(take.head.void, None, "{least} to {most}");
        let sound = |take: &Take| take.inputs[0].samples[start(take)..][..same].to_vec();
        assert!(sound(&take) == sound(&reference), "{least} to {most}");
    }
}

#[test]
fn stop_fades_out_within_a_block_and_no_take_starts_until_it_is_cleared() {
    let mut engine = open(wire());
    engine.start(pink()).unwrap();
    engine.poll(Duration::from_secs(2)).unwrap();
    engine.stop_handle().stop();
    let take = finish(&mut engine);
    assert_eq!(take.head.void, Some(VoidReason::Stopped));
    assert!(take.inputs[0].samples.len() > RATE.frames_in(1.5), "what was recorded is kept");
    assert_eq!(engine.start(pink()), Err(AudioError::Stopped));
    engine.clear_stop();
    engine.start(pink()).unwrap();
    assert_eq!(finish(&mut engine).head.void, None);
}

#[test]
fn an_overrun_that_only_the_host_sees_voids_the_take() {
    let take = play(fault(MID_TAKE, FaultAction::Xrun), pink());
    assert!(matches!(take.head.void, Some(VoidReason::LostSamples { .. })), "{:?}", take.head.void);
    assert!(take.head.gaps.iter().all(|gap| gap.seen_by == GapWitness::Host));
}

/// A whole period lost or repeated is invisible in the signal: only the frame count sees it. (Lost in one piece it is
/// longer than the watchdog waits, so it comes in eight.)
#[test]
fn a_whole_period_lost_or_repeated_is_seen_by_the_frame_count() {
    let piece = 8_192;
    for what in [FaultAction::LoseCaptured(piece), FaultAction::RepeatCaptured(piece), FaultAction::LosePlayed(piece)] {
        let pieces = (0..8).map(|i| Fault { at_frame: 110_000 + 14_000 * i, what: what.clone() });
        let spec = SimulatedCardSpec { faults: pieces.collect(), ..wire() };
        let take = play(spec, TakeRequest { periods: 4, ..pink() });
        assert!(matches!(take.head.void, Some(VoidReason::LostSamples { .. })), "{what:?}: {:?}", take.head.void);
        assert!(take.head.gaps.iter().all(|gap| gap.seen_by == GapWitness::FrameCount));
    }
    let take = play(fault(MID_TAKE, FaultAction::LoseCaptured(8 * piece)), pink());
    assert_eq!(take.head.void, Some(VoidReason::Stalled { side: "capture".into() }));
}

#[test]
fn a_card_at_another_rate_than_it_granted_is_stated() {
    let other = Some(SampleRate::new(44_100).unwrap());
    for spec in [
        SimulatedCardSpec { true_capture_rate: other, ..SimulatedCardSpec::default() },
        SimulatedCardSpec { true_playback_rate: other, ..SimulatedCardSpec::default() },
        SimulatedCardSpec { true_playback_rate: other, true_capture_rate: other, ..SimulatedCardSpec::default() },
    ] {
        let take = play(spec, pink());
        let Some(VoidReason::WrongRate { ppm }) = take.head.void else { panic!("{:?}", take.head.void) };
        assert!((ppm.abs() - 85_000.0).abs() < 15_000.0, "44.1 for 48 kHz is 8.1 to 8.8 %: {ppm}");
    }
}

#[test]
fn a_stalled_side_voids_the_take_and_is_named() {
    for (side, name) in [(Direction::Playback, "playback"), (Direction::Capture, "capture")] {
        let take = play(fault(MID_TAKE, FaultAction::Stall(side, 3.0)), pink());
        assert_eq!(take.head.void, Some(VoidReason::Stalled { side: name.into() }));
    }
}

/// Nothing sounds for long that nobody hears. What was played after the last captured frame is counted.
#[test]
fn a_capture_side_that_stops_ends_the_sound_within_four_tenths_of_a_second() {
    let mut engine = open(fault(MID_TAKE, FaultAction::Stall(Direction::Capture, 100.0)));
    engine.start(pink()).unwrap();
    let mut blocks = 0;
    let mut silent_after = None;
    while silent_after.is_none() {
        if let Progress::Done(_) = engine.poll(Duration::ZERO).unwrap() {
            silent_after = Some(blocks * DEFAULT_BLOCK_FRAMES as usize);
        }
        blocks += 1;
    }
    let sounded_s = (silent_after.unwrap() as f64 - MID_TAKE as f64) / RATE.hz();
    assert!((0.3..0.4).contains(&sounded_s), "{sounded_s}");
}

#[test]
fn a_card_that_never_calls_is_given_five_seconds() {
    let mut engine = open(fault(0, FaultAction::Stall(Direction::Capture, 100.0)));
    engine.start(pink()).unwrap();
    let mut blocks = 0;
    let take = loop {
        blocks += 1;
        if let Progress::Done(take) = engine.poll(Duration::ZERO).unwrap() {
            break take;
        }
    };
    let waited_s = f64::from(blocks * DEFAULT_BLOCK_FRAMES) / 48_000.0;
    assert!((5.0..5.2).contains(&waited_s), "{waited_s}");
    assert_eq!(take.head.void, Some(VoidReason::Stalled { side: "capture".into() }));
}

#[test]
fn a_muted_input_voids_a_sounding_take_and_not_a_silent_one() {
    assert_eq!(play(fault(0, FaultAction::Mute), pink()).head.void, Some(VoidReason::ZeroInput));
    assert_eq!(play(fault(0, FaultAction::Mute), request(Stimulus::silence(), 0.0)).head.void, None);
}

#[test]
fn an_unplugged_card_and_an_error_storm_end_the_take_and_the_engine_with_a_plain_message() {
    for (what, word) in [(FaultAction::Unplug, "unplugged"), (FaultAction::Storm(1_000_000), "server failed")] {
        let mut engine = open(fault(MID_TAKE, what));
        engine.start(pink()).unwrap();
        let take = finish(&mut engine);
        let Some(VoidReason::Card { what }) = take.head.void else { panic!("{:?}", take.head.void) };
        assert!(what.contains(word), "{what}");
        assert!(matches!(engine.start(pink()), Err(AudioError::Lost(_))));
        assert!(matches!(engine.poll(Duration::ZERO), Err(AudioError::Lost(_))));
    }
}

#[test]
fn the_guard_trips_the_gain_and_says_what_it_heard() {
    let ceiling = GuardedInput { ceiling_dbfs: Some(-40.0), ..GuardedInput::default() };
    let take = play(wire(), TakeRequest { guard: Guard { inputs: vec![ceiling] }, ..pink() });
    let Some(VoidReason::Protection { what }) = take.head.void else { panic!("{:?}", take.head.void) };
    assert!(what.contains("ceiling"), "{what}");
    // 20 dB over: shown by the quick window, so the sound ends within 100 ms of window, the fade, and two blocks.
    let sounding = take.inputs[0].samples.iter().filter(|x| x.abs() > 0.0).count();
    assert!(sounding < RATE.frames_in(0.1 + 0.03) + 3 * 2048 + WIRE_FRAMES, "{sounding}");
    let as_predicted = GuardedInput { expected_dbfs: Some(-20.0), ceiling_dbfs: Some(-20.0), ..ceiling };
    assert_eq!(play(wire(), TakeRequest { guard: Guard { inputs: vec![as_predicted] }, ..pink() }).head.void, None);
}

/// A long way that is known: played is what is heard and no more, all of it is captured, and the guard judges whole
/// periods of it: 4 dB off passes the quick limits, only the exact ones see it.
#[test]
fn a_known_delay_is_waited_for_and_not_played() {
    let spec = SimulatedCardSpec { wire_frames: Some(RATE.frames_in(2.0)), ..SimulatedCardSpec::default() };
    let expects = |level_dbfs: f64| {
        let input =
            GuardedInput { expected_dbfs: Some(level_dbfs), noise_dbfs: Some(-120.0), ..GuardedInput::default() };
        TakeRequest { delay_s: 1.9..2.1, guard: Guard { inputs: vec![input] }, ..pink() }
    };
    let take = play(spec.clone(), expects(-20.0));
    assert_eq!(take.head.void, None);
    let usual = play(wire(), TakeRequest { delay_s: 0.0..0.2, ..pink() });
    let blocks_s = 4.0 * 2048.0 / RATE.hz();
    assert!(take.head.played_frames <= usual.head.played_frames + RATE.frames_in(blocks_s));
    let end = take.head.pre_roll + RATE.frames_in(2.0) + take.head.played_frames;
    assert!(take.inputs[0].samples.len() > end, "the end of the fade is captured");
    for off in [-24.0, -16.0] {
        let Some(VoidReason::Protection { what }) = play(spec.clone(), expects(off)).head.void else { panic!("{off}") };
        assert!(what.contains("not what was predicted"), "{what}");
    }
}

#[test]
fn a_playing_sixteen_bit_card_is_dithered_and_its_silence_is_zero() {
    let spec = SimulatedCardSpec { playback_format: Format::I16, ..wire() };
    let request = request(Stimulus::pink(RATE), -60.0);
    let take = play(spec.clone(), request.clone());
    let fade = RATE.frames_in(crate::signal::FADE_S);
    let period = request.stimulus.period(RATE);
    let start = take.head.pre_roll + WIRE_FRAMES;
    let codes = |n: usize| f64::from(take.inputs[0].samples[start + n]) * 32_767.0;
    let error: Vec<f64> = (fade..fade + 100_000)
        .map(|n| codes(n) - period.samples[n % period.samples.len()] * request.drive.gain() * 32_767.0)
        .collect();
    // TPDF dither: total error variance is 1/12 + 2/12 = 1/4 code², whatever the signal (Lipshitz et al. 1992).
    let variance = error.iter().map(|e| e * e).sum::<f64>() / error.len() as f64;
    assert!((variance - 0.25).abs() < 0.005, "{variance}");
    let silence = play(spec, self::request(Stimulus::silence(), 0.0));
    assert!(silence.inputs[0].samples.iter().all(|x| x.abs() <= 0.0));
}

#[test]
fn a_take_over_two_minutes_is_refused_and_so_is_a_second_one_at_the_same_time() {
    let mut engine = open(wire());
    let long = TakeRequest { periods: 100, ..pink() };
    assert!(matches!(engine.start(long), Err(AudioError::TooLong { .. })));
    assert!(matches!(engine.start(TakeRequest { settle_s: f64::INFINITY, ..pink() }), Err(AudioError::TooLong { .. })));
    engine.start(pink()).unwrap();
    assert_eq!(engine.start(pink()), Err(AudioError::AlreadyPlaying));
}

#[test]
fn unknown_cards_and_channels_are_refused_with_what_exists() {
    let backend = SimulatedBackend::new(BenchSpec::default(), wire(), Pace::AsFastAsPossible);
    let refused = |routing: &Routing| match Engine::open(&backend, routing, Box::new(|_| ())) {
        Ok(_) => panic!("was opened"),
        Err(error) => error.to_string(),
    };
    let unknown = refused(&Routing { playback: CardId("simulated:other".into()), ..routing() });
    assert!(unknown.contains("simulated:other") && unknown.contains("simulated:bench"), "{unknown}");
    let channel = refused(&Routing { playback_channels: vec![2], ..routing() });
    assert!(channel.contains("from 1 to 2"), "{channel}");
    let rate = refused(&Routing { capture_rate: SampleRate::new(8_000).unwrap(), ..routing() });
    assert!(rate.contains("48000 Hz"), "{rate}");
    assert!(refused(&Routing { capture_channels: vec![], ..routing() }).contains("no capture channel"));
}

#[test]
fn the_live_picture_gets_every_captured_frame() {
    let (tell, heard) = std::sync::mpsc::channel();
    let backend = SimulatedBackend::new(BenchSpec::default(), wire(), Pace::AsFastAsPossible);
    let live = Box::new(move |heard: Heard| tell.send(heard.inputs[0].len()).unwrap());
    let mut engine = Engine::open(&backend, &routing(), live).unwrap();
    engine.poll(Duration::from_secs(1)).unwrap();
    let frames: usize = heard.try_iter().sum();
    assert!((frames as f64 - (48_000.0 - WIRE_FRAMES as f64)).abs() <= 2.0 * 2048.0, "{frames}");
}

#[test]
fn a_bench_paced_by_the_wall_clock_takes_as_long_as_it_says() {
    let backend = SimulatedBackend::new(BenchSpec::default(), wire(), Pace::WallClock);
    let mut engine = Engine::open(&backend, &routing(), Box::new(|_| ())).unwrap();
    let began = Instant::now();
    engine.poll(Duration::from_millis(300)).unwrap();
    let took = began.elapsed().as_secs_f64();
    // The first block passes at once; scheduling may be late.
    assert!((0.25..0.6).contains(&took), "{took}");
}

/// Every input of the wire hears the left channel.
#[test]
fn a_take_of_one_channel_alone_leaves_the_others_silent_and_silence_is_no_fault_of_it() {
    let backend = SimulatedBackend::new(BenchSpec::default(), wire(), Pace::AsFastAsPossible);
    let both = Routing { playback_channels: vec![0, 1], ..routing() };
    let mut engine = Engine::open(&backend, &both, Box::new(|_| ())).unwrap();
    let mut play = |only| {
        engine.start(TakeRequest { only: Some(only), ..pink() }).unwrap();
        finish(&mut engine)
    };
    let (left, right) = (play(0), play(1));
    assert_eq!((left.head.void, right.head.void), (None, None));
    assert_eq!((left.head.driven, right.head.driven), (vec![0], vec![1]));
    assert!(left.inputs[0].samples.iter().any(|x| x.abs() > 1e-3));
    assert!(right.inputs[0].samples.iter().all(|x| x.abs() <= 0.0));
    let refused = engine.start(TakeRequest { only: Some(7), ..pink() });
    assert!(matches!(refused, Err(AudioError::NoSuchChannel { channel: 7, .. })));
}
