//! The program itself on real paths: `loudenough run` as typed, through a private server, to its exit code.

use super::servers::{LIMIT_DB, Server, skipped};
use serde_json::Value;
use std::fs::File;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Above the limiter: pink noise of this drive peaks about 4.5 dB under full scale.
const DRIVE_DBFS: f64 = -14.0;
/// Agreed for the clip level on this path, dB.
const CLIP_LEVEL_DB: f64 = 0.1;
/// A digital path changes nothing: what is left is the rounding of 32-bit floats, far below this, dB.
const LEVEL_DB: f64 = 0.01;
/// A server's death is told within this, at this price of processor time and lines.
const END_WITHIN_S: f64 = 3.0;
const PROCESSOR_S: f64 = 0.3;
const LINES: usize = 5;
/// Longest wait for a step of a session, takes that had to be repeated included.
const STEP_WAIT: Duration = Duration::from_secs(90);

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
fn told(server: &Server, home: &TempDir, arguments: &[impl AsRef<str>]) -> Value {
    let arguments: Vec<&str> = arguments.iter().map(AsRef::as_ref).collect();
    let output = loudenough(server, home, &arguments).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments:?}: {said}");
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
        let all = told(&server, &home, &run("alsa:limited_out", &["--step", "6"]));
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

#[test]
fn run_through_a_null_sink_brings_every_level_back_unchanged_and_without_a_doubt() {
    with_server(false, |server| {
        let home = tempfile::tempdir().unwrap();
        let all = told(&server, &home, &run("alsa:bench_out", &["--quick"]));
        let errors = level_errors(&all);
        println!("level less drive at each step, dB: {errors:?}");
        assert!(errors.len() >= 3 && errors.iter().all(|e| e.abs() < LEVEL_DB), "{errors:?}");
        assert_eq!(all["judgement"]["threshold"]["threshold"], "none-up-to");
        no_doubt(&all);
    });
}

#[test]
fn run_outlives_its_server_plainly_and_is_taken_up_again() {
    with_server(false, |mut server| {
        let home = tempfile::tempdir().unwrap();
        let session = home.path().join("sessions/it");
        let [out, err] = ["out", "err"].map(|name| home.path().join(name));
        let arguments = run("alsa:bench_out", &["--quick"]);
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        let mut command = loudenough(&server, &home, &arguments);
        command.stdout(File::create(&out).unwrap()).stderr(File::create(&err).unwrap());
        let mut child = command.spawn().unwrap();
        wait_until("the third step to be finished", || session.join("steps/0003/step.json").exists());
        // In the middle of the fourth.
        std::thread::sleep(Duration::from_millis(1500));

        let lines_before = lines(&out) + lines(&err);
        let (alive, before_s) = processor_time(child.id());
        assert!(alive, "it ended by itself: {}", std::fs::read_to_string(&err).unwrap());
        server.kill();
        let killed = Instant::now();
        // The entry of an ended process keeps its times until it is waited for.
        wait_until("the program to end", || !processor_time(child.id()).0);
        let took_s = killed.elapsed().as_secs_f64();
        let spent_s = processor_time(child.id()).1 - before_s;
        let status = child.wait().unwrap();

        let said = std::fs::read_to_string(&err).unwrap();
        let printed = lines(&out) + lines(&err) - lines_before;
        println!("ended after {took_s:.2} s, {spent_s:.2} s of processor time, {printed} lines, {status}:\n{said}");
        assert!(took_s < END_WITHIN_S && spent_s < PROCESSOR_S && printed <= LINES);
        assert!(!status.success() && !said.contains("panicked"));
        for word in ["loudenough: ", session.to_str().unwrap(), "run --continue"] {
            assert!(said.contains(word), "it does not say `{word}`");
        }
        kept_and_finished(&mut server, &home, &session);
    });
}

/// The three finished steps can be judged, and once the server is back the rest is played.
fn kept_and_finished(server: &mut Server, home: &TempDir, session: &Path) {
    let folder = session.to_str().unwrap();
    let first = std::fs::read(session.join("steps/0003/step.json")).unwrap();
    let judged = told(server, home, &["judge", folder, "--json"]);
    // Silence, probe and reference: the reference, played at the first probe's drive, is the highest clean step.
    assert_eq!(judged["highest_clean"]["drive"]["at-least"]["value"], -70.0, "{judged}");
    server.restart().unwrap();
    let all = told(server, home, &["run", "--continue", folder, "--json"]);
    let errors = level_errors(&all);
    println!("after --continue, level less drive at each step, dB: {errors:?}");
    assert!(errors.len() >= 4 && errors.iter().all(|e| e.abs() < LEVEL_DB), "{errors:?}");
    assert_eq!(std::fs::read(session.join("steps/0003/step.json")).unwrap(), first, "a finished step was touched");
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

fn lines(path: &Path) -> usize {
    std::fs::read_to_string(path).unwrap().lines().count()
}
