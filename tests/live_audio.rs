//! Real paths: sound that leaves through cpal, passes a private audio server, and comes back through cpal.
//!
//! Each test starts its own server and runs an ignored test of this binary inside its environment. Without the server
//! the test is skipped, unless `LOUDENOUGH_REQUIRE_AUDIO` is set. Expected values are what was played.
#![cfg(feature = "sound-card")]
#![allow(clippy::unwrap_used, clippy::print_stdout)] // test helpers outside #[test] functions may unwrap and tell figures

#[cfg(target_os = "linux")]
#[path = "live_audio/program.rs"]
mod program;
#[path = "common/servers.rs"]
mod servers;

use loudenough::analysis::live::LiveAnalyser;
use loudenough::analysis::{Context, Correction, Finding, Weight, measure};
use loudenough::audio::backend::cpal::CpalBackend;
use loudenough::audio::{AudioError, Backend, Engine, Guard, Progress, TakeRequest};
use loudenough::card::{CaptureChannel, CardId, DEFAULT_BLOCK_FRAMES, InputRole, Routing};
use loudenough::signal::{Drive, DriveCeiling, FADE_S, Stimulus, raised_cosine};
use loudenough::take::{Take, VoidReason};
use loudenough::units::{Dbfs, SampleRate};
use servers::{INSIDE, LIMIT_DB, Server, skipped};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

const RATE: SampleRate = SampleRate::DEFAULT;
/// A take may be void when the machine is busy; a session repeats it as often.
const ATTEMPTS: usize = 3;
/// Periods of one take of the long run: 80 last 109 s.
const LONG_TAKE_PERIODS: usize = 80;
/// The same takes again need no more memory than this beside what the first needed, MiB.
const MOST_GROWTH_MIB: f64 = 64.0;
/// Rounding of 32-bit floats near the limit's −12 dB, with a margin for the limiter's own arithmetic.
const LIMIT_TOLERANCE: f32 = 1e-5;

fn routing(playback: &str, capture: &str) -> Routing {
    Routing {
        playback: CardId(playback.into()),
        playback_channels: vec![0],
        playback_rate: RATE,
        capture: CardId(capture.into()),
        capture_channels: vec![CaptureChannel { channel: 0, role: InputRole::Loopback }],
        capture_rate: RATE,
        block_frames: DEFAULT_BLOCK_FRAMES,
    }
}

fn request(level_dbfs: f64, periods: usize) -> TakeRequest {
    request_at(RATE, level_dbfs, periods)
}

fn request_at(rate: SampleRate, level_dbfs: f64, periods: usize) -> TakeRequest {
    let stimulus = Stimulus::pink(rate);
    let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
    let drive = Drive::grant(Dbfs(level_dbfs), &stimulus.period(rate), &ceiling).unwrap();
    TakeRequest { stimulus, drive, periods, settle_s: 0.25, delay_s: 0.0..2.5, guard: Guard::default(), only: None }
}

fn finish(engine: &mut Engine) -> Take {
    loop {
        if let Progress::Done(take) = engine.poll(Duration::from_millis(50)).unwrap() {
            return *take;
        }
    }
}

/// A take that is not void, within a few attempts.
fn clean_take(engine: &mut Engine, request: &TakeRequest) -> Take {
    for attempt in 1..=ATTEMPTS {
        engine.start(request.clone()).unwrap();
        let take = finish(engine);
        match &take.head.void {
            None => return take,
            Some(why) => println!("attempt {attempt}: {why}; gaps {:?}", take.head.gaps),
        }
    }
    panic!("no clean take in {ATTEMPTS} attempts");
}

/// First captured frame that is not zero: a digital path is silent before.
fn onset(take: &Take) -> usize {
    take.inputs[0].samples.iter().position(|x| x.abs() > 0.0).unwrap()
}

fn describe(engine: &Engine, take: &Take) {
    let (out, back) = engine.granted();
    let delay = onset(take) as i64 - take.head.pre_roll as i64;
    println!(
        "{} {:?} {} → {} {:?} {}: blocks up to {:?}, apparent delay {delay} frames",
        out.id,
        out.block_frames,
        out.format,
        back.id,
        back.block_frames,
        back.format,
        engine.largest_blocks()
    );
}

/// Frames, from the first sounding one, that equal what was played, up to the fade-out.
fn identical_frames(take: &Take, request: &TakeRequest) -> usize {
    let period = request.stimulus.period(RATE);
    let fade = RATE.frames_in(FADE_S);
    let heard = &take.inputs[0].samples[onset(take)..];
    let expected = |n: usize| {
        let open = if n + 1 < fade { raised_cosine((n + 1) as f64 / fade as f64) } else { 1.0 };
        (period.samples[n % period.samples.len()] * open * request.drive.gain()) as f32
    };
    (0..take.head.played_frames - fade).take_while(|n| heard[*n].to_bits() == expected(*n).to_bits()).count()
}

fn processor_time_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    // utime and stime, in ticks of 1/100 s (Linux reports USER_HZ = 100 on every platform).
    fields[11..13].iter().map(|ticks| ticks.parse::<f64>().unwrap() / 100.0).sum()
}

fn inside() -> Option<String> {
    std::env::var(INSIDE).ok()
}

// ---- JACK: dummy server, cpal's JACK host -------------------------------------------------------------------------

#[cfg(feature = "jack")]
#[test]
fn over_jack_captured_equals_played_sample_for_sample() {
    match Server::jack() {
        Ok(server) => {
            let output = server.run_inside("inside_jack");
            print!("{}", String::from_utf8_lossy(&output.stdout));
        }
        Err(why) => skipped("JACK", &why),
    }
}

#[cfg(feature = "jack")]
#[test]
#[ignore = "runs inside a private server"]
fn inside_jack() {
    if inside().is_none() {
        return;
    }
    let mut engine = Engine::open(&CpalBackend, &routing("jack:output", "jack:input"), Box::new(|_| ())).unwrap();
    let client = format!("cpal_client_{}", std::process::id());
    let jack = |tool: &str, from: &str, to: &str| Command::new(tool).args([from, to]).output().unwrap();
    assert!(jack("jack_connect", &format!("{client}_out:out_0"), &format!("{client}_in:in_0")).status.success());
    jack("jack_disconnect", "system:capture_1", &format!("{client}_in:in_0"));
    let request = request(-20.0, 2);
    let take = clean_take(&mut engine, &request);
    describe(&engine, &take);
    assert_eq!(take.head.gaps, vec![]);
    let whole = take.head.played_frames - RATE.frames_in(FADE_S);
    assert_eq!(identical_frames(&take, &request), whole);
    println!("{whole} frames identical");
}

// ---- PulseAudio: null sink, cpal's ALSA host ----------------------------------------------------------------------

fn with_pulse(test: &str) {
    match Server::pulse() {
        Ok(server) => {
            let output = server.run_inside(test);
            print!("{}", String::from_utf8_lossy(&output.stdout));
        }
        Err(why) => skipped("PulseAudio", &why),
    }
}

#[test]
fn over_a_null_sink_the_level_is_right_and_nothing_is_lost() {
    with_pulse("inside_null_sink");
}

#[test]
#[ignore = "runs inside a private server"]
fn inside_null_sink() {
    if inside().is_none() {
        return;
    }
    let cards = CpalBackend.list().unwrap();
    let listed = cards.iter().find(|card| card.id.0 == "alsa:bench_out").unwrap();
    assert!(listed.may_resample.is_some() && listed.rates.contains(&RATE) && listed.channels >= 2, "{listed:?}");
    let routing = routing("alsa:bench_out", "alsa:bench_in");
    let mut engine = Engine::open(&CpalBackend, &routing, Box::new(|_| ())).unwrap();
    let request = request(-20.0, 2);
    let take = clean_take(&mut engine, &request);
    describe(&engine, &take);
    assert_eq!(take.head.gaps, vec![]);
    let samples = &take.inputs[0].samples[onset(&take) + take.head.settle..][..2 * 65_536];
    let mean_square = samples.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / samples.len() as f64;
    let level = Dbfs::from_rms(mean_square.sqrt()).unwrap().db();
    assert!((level + 20.0).abs() < 0.01, "{level}");
    let identical = identical_frames(&take, &request);
    println!("level {level:.6} dBFS for −20; {identical} of {} frames identical", take.head.played_frames);
    let unknown = Engine::open(&CpalBackend, &self::routing("alsa:bench_ou", "alsa:bench_in"), Box::new(|_| ()));
    let Err(AudioError::UnknownCard { known, .. }) = unknown else { panic!("a near miss must not be opened") };
    assert!(known.iter().any(|id| id == "alsa:bench_out"));
}

/// Streams of 96 kHz to and from a sink of 44.1 kHz: the server resamples on both sides. Its own choice of resampler is so
/// shallow that hardly anything is missing of a stimulus that ends at 22.4 kHz; in noise it shows.
#[test]
fn over_a_slower_sink_the_resampling_is_noticed() {
    for (resampler, test) in [("auto", "inside_slower_sink_noise"), ("speex-float-10", "inside_slower_sink_pink")] {
        match Server::pulse_at(44_100, resampler) {
            Ok(server) => print!("{}", String::from_utf8_lossy(&server.run_inside(test).stdout)),
            Err(why) => skipped("PulseAudio", &why),
        }
    }
}

/// What the analysis says against a take of 96 kHz over the null sink.
fn resampled_at_96_khz(request: impl Fn(SampleRate) -> TakeRequest) -> String {
    let rate = SampleRate::new(96_000).unwrap();
    let routing = Routing { playback_rate: rate, capture_rate: rate, ..routing("alsa:bench_out", "alsa:bench_in") };
    let mut engine = Engine::open(&CpalBackend, &routing, Box::new(|_| ())).unwrap();
    let take = clean_take(&mut engine, &request(rate));
    let none = Correction::none();
    let context = Context::alone(&none);
    let finding = measure(&take, 0, &context).unwrap().finding;
    if let Finding::Pink(pink) = &finding {
        let last = pink.response.last().unwrap();
        println!("{:.1} dB at {:.0} Hz", last.gain_db, last.frequency_hz);
    }
    let flaws = &finding.common().flaws;
    flaws.iter().find(|flaw| flaw.code == "resampled").unwrap_or_else(|| panic!("{flaws:?}")).text.clone()
}

#[test]
#[ignore = "runs inside a private server"]
fn inside_slower_sink_noise() {
    if inside().is_none() {
        return;
    }
    // White noise of another program, 30 s at 44.1 kHz, while the bench listens to its own silence.
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("noise.raw");
    let mut state = 1u32;
    let mut random = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        1e-3 * ((state >> 8) as f32 / (1 << 24) as f32 - 0.5)
    };
    std::fs::write(&file, (0..30 * 2 * 44_100).flat_map(|_| random().to_le_bytes()).collect::<Vec<u8>>()).unwrap();
    let stream = ["--playback", "--raw", "--format=float32le", "--rate=44100", "--channels=2", "--device=bench"];
    let mut noise = Command::new("pacat").args(stream).arg(&file).spawn().unwrap();
    std::thread::sleep(Duration::from_millis(500));
    let silence =
        |rate| TakeRequest { stimulus: Stimulus::silence(), drive: Drive::SILENT, ..request_at(rate, -20.0, 2) };
    let text = resampled_at_96_khz(silence);
    noise.kill().unwrap();
    noise.wait().unwrap();
    // The server's own choice of filter falls from 20 to 25 kHz: the end is found, which of the two rates need not be.
    assert!(text.contains("ends near 22.05 or 24 kHz") || text.contains("ends near 22.05 kHz"), "{text}");
}

#[test]
#[ignore = "runs inside a private server"]
fn inside_slower_sink_pink() {
    if inside().is_none() {
        return;
    }
    let text = resampled_at_96_khz(|rate| request_at(rate, -20.0, 2));
    assert!(text.contains("ends near 22.05 kHz"), "{text}");
}

/// `sh tests/soak.sh`: takes one after the other for ten minutes, the live picture of two ears drawn up beside them.
#[test]
#[ignore = "takes ten minutes: sh tests/soak.sh"]
fn a_long_run_loses_no_block_unnoticed() {
    match std::env::var_os("LOUDENOUGH_SOAK_PIPEWIRE").map_or_else(Server::pulse, |_| Server::pipewire()) {
        Ok(server) => print!("{}", String::from_utf8_lossy(&server.run_inside("inside_long_run").stdout)),
        Err(why) => skipped("the audio server", &why),
    }
}

/// What the process holds: resident memory in MiB, threads, open handles.
fn held() -> (f64, usize, usize) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let number = |key: &str| -> f64 {
        let line = status.lines().find_map(|line| line.strip_prefix(key)).unwrap();
        line.split_whitespace().next().unwrap().parse().unwrap()
    };
    (number("VmRSS:") / 1024.0, number("Threads:") as usize, std::fs::read_dir("/proc/self/fd").unwrap().count())
}

/// What the analysis says of a take that is not whole: that it is void, or how many periods it left out.
fn noticed(take: &Take) -> Option<String> {
    let finding = match measure(take, 0, &Context::alone(&Correction::none())) {
        Ok(measured) => measured.finding,
        Err(error) => return Some(error.to_string()),
    };
    let common = finding.common();
    let void = common.flaws.iter().find(|flaw| flaw.weight == Weight::Void).map(|flaw| flaw.text.clone());
    let left_out = LONG_TAKE_PERIODS.saturating_sub(common.window.periods);
    void.or((left_out > 0).then(|| format!("{left_out} periods left out")))
}

/// Whatever is lost on the way is said: a take that is not void holds every sample as it was played. Nothing grows.
#[test]
#[ignore = "runs inside a private server"]
fn inside_long_run() {
    if inside().is_none() {
        return;
    }
    let seconds: f64 = std::env::var("LOUDENOUGH_SOAK_S").ok().and_then(|s| s.parse().ok()).unwrap_or(600.0);
    let ears = [(0, InputRole::LeftEar), (1, InputRole::RightEar)];
    let capture_channels = ears.map(|(channel, role)| CaptureChannel { channel, role }).to_vec();
    let routing = Routing { capture_channels, ..routing("alsa:bench_out", "alsa:bench_in") };
    // Nanoseconds of analysis, the longest from a block to the picture it completes, pictures.
    let spent: Arc<[AtomicU64; 3]> = Arc::default();
    let open = || {
        let mut analyser = LiveAnalyser::new(RATE, ears.map(|(_, role)| role));
        let stated = Arc::clone(&spent);
        let live = move |heard: loudenough::audio::Heard| {
            let began = Instant::now();
            let picture = analyser.push(heard.inputs, heard.steady).is_some();
            let nanoseconds = began.elapsed().as_nanos() as u64;
            stated[0].fetch_add(nanoseconds, Ordering::Relaxed);
            if picture {
                stated[1].fetch_max(nanoseconds, Ordering::Relaxed);
                stated[2].fetch_add(1, Ordering::Relaxed);
            }
        };
        Engine::open(&CpalBackend, &routing, Box::new(live)).unwrap()
    };
    let mut engine = open();
    let (began, request) = (Instant::now(), request(-20.0, LONG_TAKE_PERIODS));
    let (mut whole, mut void, mut silently, mut reopened, mut frames, mut first) = (0, 0, 0, 0, 0, None);
    while began.elapsed().as_secs_f64() < seconds {
        engine.start(request.clone()).unwrap();
        let take = loop {
            match engine.poll(Duration::from_millis(50)) {
                Ok(Progress::Done(take)) => break Some(take),
                Ok(_) => {}
                Err(AudioError::Lost(what)) => {
                    println!("after {:.0} s the stream failed: {what}", began.elapsed().as_secs_f64());
                    break None;
                }
                Err(error) => panic!("{error}"),
            }
        };
        match take {
            Some(take) if take.head.void.is_none() && take.head.gaps.is_empty() => {
                let played = take.head.played_frames - RATE.frames_in(FADE_S);
                if identical_frames(&take, &request) == played {
                    (whole, frames) = (whole + 1, frames + take.inputs[0].samples.len());
                } else {
                    // What a server drops without a word the card cannot know; the analysis must.
                    let noticed = noticed(&take);
                    println!("after {:.0} s the analysis: {noticed:?}", began.elapsed().as_secs_f64());
                    assert!(noticed.is_some(), "samples were changed on the way and nothing said so");
                    silently += 1;
                }
            }
            Some(take) => {
                println!("after {:.0} s a take is void: {:?}", began.elapsed().as_secs_f64(), take.head.void);
                assert!(take.head.void.is_some(), "gaps without a void take: {:?}", take.head.gaps);
                void += 1;
            }
            None => {
                drop(engine);
                engine = open();
                reopened += 1;
            }
        }
        let now = held();
        let (memory, threads, handles) = *first.get_or_insert(now);
        assert!(now.0 < memory + MOST_GROWTH_MIB, "memory grew from {memory:.1} to {:.1} MiB", now.0);
        assert!(now.1 <= threads && now.2 <= handles, "threads and handles: {now:?} after {threads}, {handles}");
    }
    let [analysis, longest, pictures] = [0, 1, 2].map(|i| spent[i].load(Ordering::Relaxed) as f64);
    let elapsed = began.elapsed().as_secs_f64();
    println!(
        "{whole} takes whole, every sample as played ({frames} frames in {elapsed:.0} s); {void} void, {silently} void by the analysis, streams reopened {reopened} times"
    );
    println!("memory, threads, handles after the first take {:?}, at the end {:?}", first.unwrap_or_default(), held());
    println!(
        "live picture of two ears: {:.1} a second, {:.1} ms of analysis at most before one, {:.2} % of a core",
        pictures / elapsed,
        longest * 1e-6,
        analysis * 1e-7 / elapsed
    );
    println!("the whole program: {:.1} % of a core", 100.0 * processor_time_s() / elapsed);
}

#[test]
fn over_a_hard_limiter_samples_are_held_at_its_limit() {
    match Server::pulse() {
        Ok(server) if server.has_limiter() => {
            let output = server.run_inside("inside_limiter");
            print!("{}", String::from_utf8_lossy(&output.stdout));
        }
        Ok(_) => skipped("LADSPA hard limiter", "hard_limiter_1413.so is missing"),
        Err(why) => skipped("PulseAudio", &why),
    }
}

#[test]
#[ignore = "runs inside a private server"]
fn inside_limiter() {
    if inside().is_none() {
        return;
    }
    let routing = routing("alsa:limited_out", "alsa:bench_in");
    let mut engine = Engine::open(&CpalBackend, &routing, Box::new(|_| ())).unwrap();
    let request = request(-14.0, 2);
    assert!(request.drive.peak().unwrap().db() > LIMIT_DB + 6.0, "the take goes over");
    let take = clean_take(&mut engine, &request);
    describe(&engine, &take);
    let samples = take.inputs[0].samples.iter();
    let (low, high) = samples.fold((0.0f32, 0.0f32), |(low, high), x| (low.min(*x), high.max(*x)));
    let limit = 10f64.powf(LIMIT_DB / 20.0) as f32;
    println!("extremes {low} and {high}, limit {limit}");
    assert!((high - limit).abs() < LIMIT_TOLERANCE && (low + limit).abs() < LIMIT_TOLERANCE, "{low} {high}");
}

#[test]
fn a_server_killed_in_mid_take_ends_it_plainly_soon_and_without_a_spinning_processor() {
    match Server::pulse() {
        Ok(server) => {
            let output = server.run_inside("inside_killed_server");
            let out = String::from_utf8_lossy(&output.stdout);
            print!("{out}");
            // The harness itself prints five or six lines, the test one.
            let lines = |bytes: &[u8]| String::from_utf8_lossy(bytes).lines().filter(|l| !l.is_empty()).count();
            let err_lines = lines(&output.stderr);
            println!("{err_lines} lines on stderr: {}", String::from_utf8_lossy(&output.stderr));
            assert!(lines(&output.stdout) + err_lines <= 12, "{} and {err_lines} lines", lines(&output.stdout));
        }
        Err(why) => skipped("PulseAudio", &why),
    }
}

#[test]
#[ignore = "runs inside a private server"]
fn inside_killed_server() {
    let Some(server) = inside() else { return };
    let mut engine = Engine::open(&CpalBackend, &routing("alsa:bench_out", "alsa:bench_in"), Box::new(|_| ())).unwrap();
    engine.start(request(-30.0, 8)).unwrap();
    while !matches!(engine.poll(Duration::from_millis(50)).unwrap(), Progress::Playing { done_s, .. } if done_s > 1.5) {
    }
    assert!(Command::new("kill").args(["-9", &server]).status().unwrap().success());
    let (began, before_s) = (Instant::now(), processor_time_s());
    let take = finish(&mut engine);
    let took_s = began.elapsed().as_secs_f64();
    let Some(void) = &take.head.void else { panic!("the take must be void") };
    assert!(matches!(void, VoidReason::Card { .. } | VoidReason::Stalled { .. }), "{void:?}");
    std::thread::sleep(Duration::from_secs(3).saturating_sub(began.elapsed()));
    let spent_s = processor_time_s() - before_s;
    println!("void after {took_s:.2} s: {void}; {spent_s:.2} s of processor time in 3 s");
    assert!(took_s < 3.0 && spent_s < 0.3, "{took_s} s, {spent_s} s");
    assert!(
        matches!(engine.start(request(-30.0, 2)), Err(AudioError::Lost(_)))
            || matches!(void, VoidReason::Stalled { .. })
    );
}

// ---- PulseAudio: null sink, cpal's own PulseAudio host ------------------------------------------------------------

#[cfg(feature = "pulseaudio")]
#[test]
fn over_the_pulseaudio_host_blocks_of_any_size_change_nothing() {
    with_pulse("inside_pulse_host");
}

#[cfg(feature = "pulseaudio")]
#[test]
#[ignore = "runs inside a private server"]
fn inside_pulse_host() {
    if inside().is_none() {
        return;
    }
    let routing = routing("pulseaudio:bench", "pulseaudio:bench.monitor");
    let mut engine = Engine::open(&CpalBackend, &routing, Box::new(|_| ())).unwrap();
    let request = request(-20.0, 2);
    let take = clean_take(&mut engine, &request);
    describe(&engine, &take);
    let whole = take.head.played_frames - RATE.frames_in(FADE_S);
    assert_eq!(identical_frames(&take, &request), whole);
    println!("{whole} frames identical");
}
