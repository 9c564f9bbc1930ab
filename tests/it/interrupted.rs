//! Can a session that was cut short be taken up again, with nothing lost and the same answer in the end?

use crate::common::sessions;
use loudenough::analysis::Weight;
use loudenough::audio::simulated::{BenchSpec, Fault, FaultAction, SimulatedCardSpec};
use loudenough::judgement::judge;
use loudenough::session::protocol::Command;
use loudenough::session::step::StopReason;
use loudenough::session::storage::Storage;
use loudenough::take::VoidReason;
use std::path::{Path, PathBuf};

/// On another run of the same bench its noise falls differently: a fitted level moves by less than this, dB.
#[cfg(unix)]
const SAME_DB: f64 = 0.05;

fn carry_on(spec: &BenchSpec, folder: &Path) -> (loudenough::session::record::Record, PathBuf) {
    take_up(spec, folder, None).unwrap()
}

fn take_up(
    spec: &BenchSpec,
    folder: &Path,
    confirmed: Option<f64>,
) -> Result<(loudenough::session::record::Record, PathBuf), String> {
    let bench = sessions::bench(spec, SimulatedCardSpec::default());
    bench.commands.send(Command::Continue { folder: folder.into(), confirmed }).unwrap();
    sessions::finish(&bench)
}

/// A card whose input goes dead after so many seconds.
fn dead_after(seconds: u64) -> SimulatedCardSpec {
    let dead = Fault { at_frame: 48_000 * seconds, what: FaultAction::Mute };
    SimulatedCardSpec { faults: vec![dead], ..SimulatedCardSpec::default() }
}

fn rows(folder: &Path) -> usize {
    std::fs::read_to_string(folder.join("summary.csv")).unwrap().lines().count()
}

/// The input goes dead in mid-session: every attempt at the step is void, and the step is given up.
#[test]
fn a_step_that_was_given_up_is_played_again_when_the_session_is_taken_up() {
    let home = tempfile::tempdir().unwrap();
    let spec = BenchSpec::named("console phones socket", "closed 80 Ω").unwrap();
    let card = dead_after(25);
    // The bench starts with other devices than the chain names: both times the session takes those of its names.
    let mut chain = sessions::chain(&spec);
    (chain.output, chain.headphone) = ("field recorder".into(), "open 300 Ω".into());
    let (record, folder) = sessions::run(&spec, card, sessions::plan(70.0), chain, home.path()).unwrap();
    assert_eq!(record.head.playback.simulates.as_deref(), Some("field recorder with open 300 Ω"));
    assert!(matches!(record.stop(), Some(StopReason::TakesVoid { .. })), "{:?}", record.stop());
    let given_up = record.steps.len();
    assert!(given_up > 3 && record.steps.last().unwrap().given_up().is_some());

    let (whole, _) = carry_on(&spec, &folder);
    assert_eq!(whole.stop(), Some(&StopReason::ClipEvidence));
    assert_eq!(whole.steps[..given_up - 1], record.steps[..given_up - 1]);
    assert!(whole.steps.iter().all(|step| step.given_up().is_none()));
    let (_, stored) = Storage::open(&folder).unwrap();
    assert_eq!(stored, whole);
    // The reference came back at the level it had before: it is the same headphone.
    let flaws = judge(&whole).flaws;
    assert!(flaws.iter().all(|flaw| flaw.weight == Weight::Note), "{flaws:?}");
    assert!(flaws.iter().any(|flaw| flaw.text.ends_with("field recorder with open 300 Ω, all invented.")));
    assert_eq!(rows(&folder), 1 + whole.steps.len());
    // The void takes are kept beside it.
    assert!(folder.join(format!("steps/{given_up:04}-unfinished-1/step.json")).exists());
}

/// A digit that slipped into the stored ceiling once played 119 dB SPL: what cannot be is refused, and what was raised is
/// confirmed again.
#[test]
fn a_stored_ceiling_is_checked_like_a_typed_one() {
    let home = tempfile::tempdir().unwrap();
    let spec = BenchSpec::named("console phones socket", "closed 80 Ω").unwrap();
    let (_, folder) =
        sessions::run(&spec, dead_after(15), sessions::plan(70.0), sessions::chain(&spec), home.path()).unwrap();
    let file = folder.join("session.json");
    let stored = std::fs::read_to_string(&file).unwrap();
    let with_ceiling = |ceiling: &str, confirmed: Option<f64>| {
        let changed = stored.replacen("\"spl\":115.0", &format!("\"spl\":{ceiling}"), 1);
        assert_ne!(changed, stored);
        std::fs::write(&file, changed).unwrap();
        take_up(&spec, &folder, confirmed)
    };
    let stated = with_ceiling("915.0", Some(915.0)).unwrap_err();
    assert!(stated.contains("915") && stated.contains("ceiling"), "{stated}");
    for confirmed in [None, Some(121.0)] {
        let stated = with_ceiling("120.0", confirmed).unwrap_err();
        assert!(stated.contains("--confirm-ceiling 120"), "{stated}");
    }
    with_ceiling("120.0", Some(120.0)).unwrap();
}

/// The gain is turned up by 12 dB in mid-session: protection fades out, and that drive is not played a second time.
#[test]
fn what_protection_faded_out_is_not_played_again() {
    let home = tempfile::tempdir().unwrap();
    let spec = BenchSpec::named("console phones socket", "closed 80 Ω").unwrap();
    let turned = Fault { at_frame: 48_000 * 25, what: FaultAction::TurnInput(12.0) };
    let card = SimulatedCardSpec { faults: vec![turned], ..SimulatedCardSpec::default() };
    let (record, _) = sessions::run(&spec, card, sessions::plan(70.0), sessions::chain(&spec), home.path()).unwrap();
    let Some(StopReason::TakesVoid { reason: VoidReason::Protection { what } }) = record.stop() else {
        panic!("{:?}", record.stop())
    };
    assert!(what.contains("not what was predicted"), "{what}");
    assert_eq!(record.steps.last().unwrap().takes.len(), 1);
}

/// The program ended between the last commit mark and its row in the summary.
#[test]
fn a_session_taken_up_with_nothing_left_to_play_has_its_whole_summary() {
    let home = tempfile::tempdir().unwrap();
    let spec = BenchSpec::named("console phones socket", "closed 80 Ω").unwrap();
    let plan = loudenough::session::plan::Plan {
        listening: sessions::plan(70.0).listening,
        ..loudenough::session::plan::Plan::quick_look(loudenough::units::SampleRate::DEFAULT)
    };
    let card = SimulatedCardSpec::default();
    let (record, folder) = sessions::run(&spec, card, plan, sessions::chain(&spec), home.path()).unwrap();
    let summary = folder.join("summary.csv");
    let whole = std::fs::read_to_string(&summary).unwrap();
    let last_row = whole.trim_end().rfind('\n').unwrap() + 1;
    std::fs::write(&summary, &whole[..last_row]).unwrap();
    for event in std::fs::read_dir(folder.join("events")).unwrap() {
        std::fs::remove_file(event.unwrap().path()).unwrap();
    }

    let (again, _) = carry_on(&spec, &folder);
    assert_eq!(again.steps, record.steps);
    assert_eq!(std::fs::read_to_string(&summary).unwrap(), whole);
}

#[cfg(unix)]
mod by_signal {
    use super::{SAME_DB, rows};
    use serde_json::Value;
    use std::path::Path;
    use std::process::{Child, Command, Stdio};
    use std::time::{Duration, Instant};

    const WAIT: Duration = Duration::from_secs(60);
    /// Finished when the signal comes: silence, probes, reference and two steps of the climb.
    const FINISHED: usize = 6;

    fn program(home: &Path, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_loudenough"));
        command.args(arguments).env("LOUDENOUGH_HOME", home).stdin(Stdio::null());
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    fn run(home: &Path, id: &str) -> Child {
        let cards = ["--playback", "simulated:bench", "--capture", "simulated:bench", "--offset", "128"];
        let rest = ["--listening", "70", "--json", "--id", id];
        program(home, &[&["run"][..], &cards, &rest].concat()).spawn().unwrap()
    }

    fn stated(child: Child) -> Value {
        let output = child.wait_with_output().unwrap();
        assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    }

    fn interrupt(child: &Child) {
        assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    }

    fn step(session: &Path, number: usize) -> Value {
        let file = session.join(format!("steps/{number:04}/step.json"));
        let mut step: Value = serde_json::from_slice(&std::fs::read(file).unwrap()).unwrap();
        step.as_object_mut().unwrap().remove("finished_at");
        // Of everything, the time among it.
        step.as_object_mut().unwrap().remove("seal");
        step
    }

    fn number(value: &Value) -> f64 {
        value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
    }

    #[test]
    fn ctrl_c_keeps_the_finished_steps_says_where_and_continue_comes_to_the_same_answer() {
        let home = tempfile::tempdir().unwrap();
        let [whole_at, cut_at] = ["whole", "cut"].map(|id| home.path().join("sessions").join(id));
        let whole = stated(run(home.path(), "whole"));
        let child = run(home.path(), "cut");
        let began = Instant::now();
        while !cut_at.join(format!("steps/{FINISHED:04}/step.json")).exists() {
            assert!(began.elapsed() < WAIT, "step {FINISHED} was never finished");
            std::thread::sleep(Duration::from_millis(5));
        }
        interrupt(&child);
        let output = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        println!("{said}");
        let finished = (1..).take_while(|n| cut_at.join(format!("steps/{n:04}/step.json")).exists()).count();
        let steps = whole["record"]["steps"].as_array().unwrap();
        assert!((FINISHED..steps.len() - 1).contains(&finished), "{finished} steps: not in mid-climb");
        assert!(!output.status.success(), "a session cut short is no success");
        for word in ["stopped", cut_at.to_str().unwrap(), "run --continue"] {
            assert!(said.contains(word), "it does not say `{word}`: {said}");
        }
        // The bench has a seed: up to here both sessions are one and the same.
        for n in 1..=finished {
            assert_eq!(step(&cut_at, n), step(&whole_at, n), "step {n}");
        }
        let before: Vec<Value> = (1..=finished).map(|n| step(&cut_at, n)).collect();

        let all =
            stated(program(home.path(), &["run", "--continue", cut_at.to_str().unwrap(), "--json"]).spawn().unwrap());
        let after: Vec<Value> = (1..=finished).map(|n| step(&cut_at, n)).collect();
        assert_eq!(before, after, "finished steps were touched");
        let again = all["record"]["steps"].as_array().unwrap();
        assert_eq!(again.len(), steps.len());
        assert_eq!(rows(&cut_at), 1 + steps.len());
        for (a, b) in again.iter().zip(steps) {
            assert_eq!(a["step"]["purpose"], b["step"]["purpose"]);
            let drive = |step: &Value| step["step"]["drive"].as_f64().unwrap_or(0.0);
            assert!((drive(a) - drive(b)).abs() < SAME_DB, "{} for {}", drive(a), drive(b));
        }
        for polarity in ["positive", "negative"] {
            let [a, b] = [&all, &whole].map(|all| number(&all["judgement"]["threshold"][polarity]["told"]["value"]));
            assert!((a - b).abs() < SAME_DB, "{a} for {b}");
        }
        assert_eq!(all["judgement"]["headroom"]["verdict"], whole["judgement"]["headroom"]["verdict"]);
    }
}
