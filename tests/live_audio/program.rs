//! The program itself on real paths: `loudenough run` as typed, through a private server, to its exit code.

use super::servers::{LIMIT_DB, Server, skipped};
use loudenough::signal::FADE_S;
use serde_json::Value;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Above the limiter: pink noise of this drive peaks about 4.5 dB under full scale.
const DRIVE_DBFS: f64 = -14.0;
/// A level whose peaks stand some 5 dB above the limiter's.
const ABOVE_DBFS: f64 = -17.0;
/// Agreed for the clip level on this path, dB.
const CLIP_LEVEL_DB: f64 = 0.1;
/// A digital path changes nothing: what is left is the rounding of 32-bit floats, far below this, dB.
const LEVEL_DB: f64 = 0.01;
/// An end that was not planned is reported within this, at this price of processor time and lines.
const END_WITHIN_S: f64 = 3.0;
/// … and after a dead server, which is waited for in case it comes back.
const GIVEN_UP_WITHIN_S: f64 = 10.0;
const PROCESSOR_S: f64 = 0.3;
const LINES: usize = 5;
/// The last sixth of a raised-cosine fade lies 30 dB under the sound before it, on average; pink noise scatters by a
/// few dB over so short a time. Sound that is cut off lies 0 dB under it.
const FADED_DB: f64 = -20.0;
/// Longest wait for a step of a session, takes that had to be repeated included.
const STEP_WAIT: Duration = Duration::from_secs(90);

/// On a busy machine a private server drops a fresh stream now and then (seen 3 times in some 40 openings).
const SERVER_GAVE_UP: &str = "failed over and over";
/// … or delivers every repetition of a take too late (seen once): a busy machine may cost takes, never an answer.
const TAKES_VOID: &str = "a take stayed void";

/// The program with a home of its own, reaching this server and no other.
fn loudenough(server: &Server, home: &TempDir, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_loudenough"));
    command.args(arguments).envs(server.env()).env("LOUDENOUGH_HOME", home.path()).stdin(Stdio::null());
    command
}

/// `run` from `playback` to the null sink's monitor up to [`DRIVE_DBFS`], for machines to read.
fn run(playback: &str, more: &[&str]) -> Vec<String> {
    let drive = DRIVE_DBFS.to_string();
    let typed = ["run", "--playback", playback, "--capture", "alsa:bench_in", "--no-progress", "--json", "--id", "it"];
    let ceiling = ["--ceiling-drive", &drive, "--confirm-ceiling", &drive];
    typed.iter().chain(&ceiling).chain(more).map(ToString::to_string).collect()
}

/// Its JSON, from a run that must succeed.
fn stated(server: &Server, home: &TempDir, arguments: &[impl AsRef<str>]) -> Value {
    let arguments: Vec<&str> = arguments.iter().map(AsRef::as_ref).collect();
    let mut output = loudenough(server, home, &arguments).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let kept = said.split_once("--continue \"").and_then(|(_, rest)| Some(rest.split_once('"')?.0));
    let cut_short = said.contains(SERVER_GAVE_UP) || said.contains(TAKES_VOID);
    if let (true, Some(folder)) = (cut_short, kept) {
        // What the program itself advises.
        let drive = DRIVE_DBFS.to_string();
        let again = ["run", "--continue", folder, "--confirm-ceiling", &drive, "--no-progress", "--json"];
        output = loudenough(server, home, &again).output().unwrap();
    }
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{arguments:?}: {said}");
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{arguments:?}: {e}: {said}"))
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

fn no_doubt(all: &Value) {
    let flaws = all["judgement"]["flaws"].as_array().unwrap();
    let beyond_notes: Vec<&Value> = flaws.iter().filter(|flaw| flaw["weight"] != "note").collect();
    assert!(beyond_notes.is_empty(), "{beyond_notes:?}");
}

/// What came back, less what was played, dB, at every step of pink noise.
fn level_errors(all: &Value) -> Vec<f64> {
    let steps = all["record"]["steps"].as_array().unwrap();
    let pink = steps.iter().filter(|step| !step["step"]["drive"].is_null());
    pink.map(|step| {
        let last = step["takes"].as_array().unwrap().last().unwrap();
        number(&last["inputs"][0]["finding"]["level_z"]["value"]) - number(&step["step"]["drive"])
    })
    .collect()
}

fn with_server(needs_limiter: bool, test: impl FnOnce(Server)) {
    match Server::pulse() {
        Ok(server) if server.has_limiter() || !needs_limiter => test(server),
        Ok(_) => skipped("LADSPA hard limiter", "hard_limiter_1413.so is missing"),
        Err(why) => skipped("PulseAudio", &why),
    }
}

#[test]
fn run_finds_the_limit_of_a_limiter_that_is_not_ours() {
    with_server(true, |server| {
        let home = tempfile::tempdir().unwrap();
        // Twice the usual distance between steps: the same climb in less time.
        let all = stated(&server, &home, &run("alsa:limited_out", &["--step", "6"]));
        let threshold = &all["judgement"]["threshold"];
        assert_eq!(threshold["threshold"], "told", "{threshold}");
        for polarity in ["positive", "negative"] {
            let level = number(&threshold[polarity]["told"]["value"]);
            println!("{polarity}: {level:.3} dB re full scale for {LIMIT_DB}");
            assert!((level - LIMIT_DB).abs() < CLIP_LEVEL_DB, "{polarity}: {level}");
        }
        assert_eq!((&threshold["acts_on"], &threshold["whose"]), (&"samples".into(), &"output".into()));
        no_doubt(&all);
    });
}

/// What a desktop runs: the same session through PipeWire's PulseAudio side into a limiter of its filter chain, by the names that
/// people see, and by ALSA's plug-in.
#[test]
fn run_finds_the_same_limit_on_pipewire() {
    let server = match Server::pipewire() {
        Ok(server) if server.has_limiter() => server,
        Ok(_) => return skipped("LADSPA hard limiter", "hard_limiter_1413.so is missing"),
        Err(why) => return skipped("PipeWire", &why),
    };
    let home = tempfile::tempdir().unwrap();
    let cards = loudenough(&server, &home, &["cards"]).output().unwrap();
    let cards = String::from_utf8_lossy(&cards.stdout).into_owned();
    for name in ["pulseaudio:limited", "pulseaudio:bench.monitor"] {
        assert!(cfg!(not(feature = "pulseaudio")) || cards.contains(name), "{name}: {cards}");
    }
    let route: &[[&str; 2]] = if cfg!(feature = "pulseaudio") {
        &[["alsa:limited_out", "alsa:bench_in"], ["pulseaudio:limited", "pulseaudio:bench.monitor"]]
    } else {
        &[["alsa:limited_out", "alsa:bench_in"]]
    };
    for [playback, capture] in route {
        let home = tempfile::tempdir().unwrap();
        let typed = run(playback, &["--step", "6"]);
        let typed: Vec<&str> =
            typed.iter().map(|word| if word == "alsa:bench_in" { capture } else { word.as_str() }).collect();
        let all = stated(&server, &home, &typed);
        let threshold = &all["judgement"]["threshold"];
        for polarity in ["positive", "negative"] {
            let level = number(&threshold[polarity]["told"]["value"]);
            println!("{playback}, {polarity}: {level:.3} dB re full scale for {LIMIT_DB}");
            assert!((level - LIMIT_DB).abs() < CLIP_LEVEL_DB, "{playback}, {polarity}: {level}");
        }
    }
}

#[test]
fn run_through_a_null_sink_brings_every_level_back_unchanged_and_without_a_doubt() {
    with_server(false, |server| {
        let home = tempfile::tempdir().unwrap();
        let all = stated(&server, &home, &run("alsa:bench_out", &["--quick"]));
        let errors = level_errors(&all);
        println!("level less drive at each step, dB: {errors:?}");
        assert!(errors.len() >= 3 && errors.iter().all(|e| e.abs() < LEVEL_DB), "{errors:?}");
        assert_eq!(all["judgement"]["threshold"]["threshold"], "none-up-to");
        no_doubt(&all);
    });
}

/// Two devices that are not ours, the same session on both: where neither limits they are the same in every word that is
/// said; at a level above the limit of one their odd-order distortion differs.
#[test]
fn compare_tells_a_limiter_from_a_straight_path_where_it_limits_and_not_where_it_does_not() {
    with_server(true, |server| {
        let home = tempfile::tempdir().unwrap();
        let session = |playback: &str, id: &str, more: &[&str]| {
            let named: Vec<String> =
                run(playback, more).into_iter().map(|word| if word == "it" { id.to_string() } else { word }).collect();
            stated(&server, &home, &[&named[..], &["--output".to_string(), id.to_string()]].concat());
            home.path().join("sessions").join(id).to_str().unwrap().to_string()
        };
        let straight = session("alsa:bench_out", "straight", &["--step", "6"]);
        let above = ABOVE_DBFS.to_string();
        let matched = ["--step", "6", "--match", &straight, "--match-at", &above, "--match-same-seat"];
        let limited = session("alsa:limited_out", "limited", &matched);
        let compared = |more: &[&str]| {
            let typed = ["compare", &straight, &limited, "--same-seat", "--json"];
            stated(&server, &home, &[&typed[..], more].concat())
        };
        let below = compared(&[]);
        assert_eq!(below["overall"], "same", "{}", below["bands"]);
        assert_ne!(below["distortions"]["overall"], "differs", "{}", below["distortions"]);
        let above = compared(&["--at", &above]);
        let quantities = above["distortions"]["quantities"].as_array().unwrap();
        let odd = quantities.iter().find(|q| q["product"]["of"] == "odd" && q["place"]["at"] == "overall").unwrap();
        println!("odd-order of all the noise: {odd}");
        assert_eq!(odd["told"], "differs", "{odd}");
        assert!(number(&odd["of"][1]["told"]["value"]) > -40.0, "{odd}");
    });
}

/// `chain check` from `playback`: what it found, and whether it was content.
fn checked(server: &Server, playback: &str) -> (Vec<(String, String, String)>, bool) {
    let home = tempfile::tempdir().unwrap();
    let typed = ["chain", "check", "--playback", playback, "--capture", "alsa:bench_in", "--no-progress", "--json"];
    let ears = ["--left-ear", "1", "--right-ear", "2"];
    let once = || loudenough(server, &home, &[&typed[..], &ears].concat()).output().unwrap();
    let mut output = once();
    if String::from_utf8_lossy(&output.stderr).contains(SERVER_GAVE_UP) {
        output = once();
    }
    let said = String::from_utf8_lossy(&output.stderr);
    let all: Value = serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {said}"));
    let word = |value: &Value| value.as_str().unwrap_or_default().to_string();
    let findings = all["report"]["findings"].as_array().unwrap();
    let found = findings.iter().map(|f| (word(&f["what"]), word(&f["answer"]), word(&f["text"]))).collect();
    println!("{playback}: {} {said}", all["report"]["sentence"]);
    (found, matches!(output.status.code(), Some(0 | 4 | 5)))
}

#[test]
fn a_path_check_finds_swapped_channels_and_a_compressor_that_are_not_ours_and_nothing_on_a_null_sink() {
    match Server::meddling() {
        Err(why) => skipped("PulseAudio with a LADSPA compressor", &why),
        Ok(server) => {
            let (found, content) = checked(&server, "alsa:bench_out");
            assert!(content && found.iter().all(|(_, answer, _)| answer != "doubt"), "{found:?}");
            assert!(found.iter().any(|(what, answer, _)| what == "rate" && answer == "note"), "{found:?}");
            // The compressor's gain never stands still: without any noise that alone makes every take void, which tells it.
            for (playback, fault) in [("alsa:swapped_out", "sides"), ("alsa:controlled_out", "drift")] {
                let (found, content) = checked(&server, playback);
                let doubts: Vec<_> = found.iter().filter(|(_, answer, _)| answer == "doubt").collect();
                assert!(!content && doubts.iter().any(|(what, ..)| what == fault), "{playback}: {found:?}");
            }
        }
    }
}

/// Stopped in the reference, taken up, killed in the next step, taken up again.
#[test]
fn run_outlives_ctrl_c_and_its_server_plainly_and_is_taken_up_again() {
    with_server(false, |mut server| {
        let home = tempfile::tempdir().unwrap();
        let session = home.path().join("sessions/it");
        let heard = Recorder::start(&server, &home);
        let mut first = Started::new(&server, &home, &run("alsa:bench_out", &["--quick"]));
        first.wait_in_mid_step(&session, 3);
        let ended = first.ends_plainly(&session, END_WITHIN_S, |pid| {
            assert!(Command::new("kill").args(["-INT", &pid.to_string()]).status().unwrap().success());
        });
        println!("Ctrl-C: {ended}");
        let faded_db = heard.end_of_sound_db();
        println!("the last of the sound lies {faded_db:.0} dB under what was before");
        assert!(faded_db < FADED_DB, "cut off");

        let folder = session.to_str().unwrap();
        let drive = DRIVE_DBFS.to_string();
        let again =
            ["run", "--continue", folder, "--confirm-ceiling", &drive, "--json", "--no-progress"].map(String::from);
        let mut second = Started::new(&server, &home, &again);
        second.wait_in_mid_step(&session, 4);
        let ended = second.ends_plainly(&session, GIVEN_UP_WITHIN_S, |_| server.kill());
        println!("server killed: {ended}");
        assert_eq!(std::fs::read_to_string(&second.out).unwrap(), "", "nothing but the message");

        let third = session.join("steps/0003/step.json");
        let before = std::fs::read(&third).unwrap();
        let judged = stated(&server, &home, &["judge", folder, "--json"]);
        // Silence, probe and reference: the reference, 20 dB under the ceiling on a wire without noise, is the highest clean
        // step.
        assert_eq!(judged["highest_clean"]["drive"]["at-least"]["value"], DRIVE_DBFS - 20.0, "{judged}");
        server.restart().unwrap();
        let all = stated(&server, &home, &again);
        let errors = level_errors(&all);
        println!("after --continue, level less drive at each step, dB: {errors:?}");
        assert!(errors.len() >= 4 && errors.iter().all(|e| e.abs() < LEVEL_DB), "{errors:?}");
        assert_eq!(std::fs::read(&third).unwrap(), before, "a finished step was touched");
    });
}

/// The program under way, what it prints kept in files.
struct Started {
    child: Child,
    out: PathBuf,
    err: PathBuf,
}

impl Started {
    fn new(server: &Server, home: &TempDir, arguments: &[String]) -> Started {
        let [out, err] = ["out", "err"].map(|name| home.path().join(name));
        let mut command = loudenough(server, home, &arguments.iter().map(String::as_str).collect::<Vec<_>>());
        command.stdout(File::create(&out).unwrap()).stderr(File::create(&err).unwrap());
        Started { child: command.spawn().unwrap(), out, err }
    }

    fn wait_in_mid_step(&self, session: &Path, number: usize) {
        let before = session.join(format!("steps/{:04}/step.json", number - 1));
        wait_until(&format!("step {} to be finished", number - 1), || {
            assert!(processor_time(self.child.id()).0, "it ended: {}", std::fs::read_to_string(&self.err).unwrap());
            before.exists()
        });
        std::thread::sleep(Duration::from_millis(1500));
        assert!(!session.join(format!("steps/{number:04}/step.json")).exists(), "step {number} is over already");
    }

    /// `cut` ends the session; the program ends soon, says where the finished steps are, and costs little.
    fn ends_plainly(&mut self, session: &Path, within_s: f64, cut: impl FnOnce(u32)) -> String {
        let pid = self.child.id();
        let (_, before_s) = processor_time(pid);
        cut(pid);
        let began = Instant::now();
        // The entry of an ended process keeps its times until it is waited for.
        wait_until("the program to end", || !processor_time(pid).0);
        let took_s = began.elapsed().as_secs_f64();
        let spent_s = processor_time(pid).1 - before_s;
        let status = self.child.wait().unwrap();
        let said = std::fs::read_to_string(&self.err).unwrap();
        let lines = said.lines().count();
        let stated = format!("{took_s:.2} s, {spent_s:.2} s of processor time, {lines} lines, {status}:\n{said}");
        assert!(took_s < within_s && spent_s < PROCESSOR_S && lines <= LINES && !status.success(), "{stated}");
        for word in ["loudenough: ", session.to_str().unwrap(), "run --continue"] {
            assert!(said.contains(word), "it does not say `{word}`: {stated}");
        }
        assert!(!said.contains("panicked"), "{stated}");
        stated
    }
}

/// Records what leaves the null sink, beside the program.
struct Recorder {
    child: Child,
    file: PathBuf,
}

impl Recorder {
    fn start(server: &Server, home: &TempDir) -> Recorder {
        let file = home.path().join("heard.raw");
        let mut command = Command::new("parec");
        command.args(["--device=bench.monitor", "--format=float32le", "--rate=48000", "--channels=1", "--raw"]);
        command.envs(server.env()).stdout(File::create(&file).unwrap()).stderr(Stdio::null());
        Recorder { child: command.spawn().unwrap(), file }
    }

    /// Level of the last sixth of a fade before silence, less that of 0.1 s of sound before the fade, dB.
    fn end_of_sound_db(mut self) -> f64 {
        // What was played last is on its way to the file.
        std::thread::sleep(Duration::from_millis(2500));
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        let bytes = std::fs::read(&self.file).unwrap();
        let samples: Vec<f32> = bytes.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).collect();
        let end = samples.iter().rposition(|x| x.abs() > 0.0).unwrap() + 1;
        let fade = (FADE_S * 48_000.0) as usize;
        let power = |part: &[f32]| part.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / part.len() as f64;
        let sound = &samples[end - fade - 4800..end - fade];
        10.0 * (power(&samples[end - fade / 6..end]) / power(sound)).log10()
    }
}

fn wait_until(what: &str, mut reached: impl FnMut() -> bool) {
    let began = Instant::now();
    while !reached() {
        assert!(began.elapsed() < STEP_WAIT, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Whether the process still runs, and the processor time it has used, seconds.
fn processor_time(pid: u32) -> (bool, f64) {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    // utime and stime, in ticks of 1/100 s (Linux reports USER_HZ = 100 on every platform).
    (fields[0] != "Z", fields[11..13].iter().map(|ticks| ticks.parse::<f64>().unwrap() / 100.0).sum())
}
