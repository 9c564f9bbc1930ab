//! The log for a report of a problem: does it say what matters, and nothing of what a person typed?

use std::path::Path;
use std::process::{Command, Output};

fn run(home: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_loudenough"));
    command.args(arguments).env("LOUDENOUGH_HOME", home).env("HOME", home.join("of-anna")).output().unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

#[test]
fn a_session_is_told_step_by_step_and_no_name_is_in_it() {
    let home = tempfile::tempdir().unwrap();
    let at = |name: &str| home.path().join(name).to_str().unwrap().to_string();
    let (log, sessions) = (at("problem.log"), at("Studio of Anna"));
    let pairing = ["--output", "desk amplifier", "--headphone", "open 300 Ω", "--id", "annas-first"];
    let wanted =
        ["rehearse", "--quick", "--no-progress", "--log", &log, "--sessions", &sessions, "--listening", "71.5"];
    let output = run(home.path(), &[&wanted[..], &pairing].concat());
    assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{}", stderr(&output));
    // A slow machine may say that it is waiting.
    assert!(!stderr(&output).contains("command: "), "not asked for: {}", stderr(&output));
    let text = std::fs::read_to_string(&log).unwrap();
    for words in [
        concat!("loudenough ", env!("CARGO_PKG_VERSION"), " ("),
        "features ",
        "hosts simulated",
        std::env::consts::OS,
        "command: rehearse --quick --no-progress --log … --sessions … --listening 71.5 --output … --headphone … --id …",
        "playback asked for: simulated:bench at 48000 Hz, channels 1, 2",
        "playback granted: simulated:bench at 48000 Hz",
        "capture granted: simulated:bench",
        "listening level 71.5 dB, calibrated: yes",
        "step 1 begins: silence",
        "step 1 done, seat 1",
        "samples lost: none",
        "flaws: ",
        "session ends: ",
        "ends with exit code ",
    ] {
        assert!(text.contains(words), "`{words}` is missing:\n{text}");
    }
    for name in ["desk amplifier", "Desk amplifier", "open 300", "annas-first", "Anna", home.path().to_str().unwrap()] {
        assert!(!text.contains(name), "`{name}` is in it:\n{text}");
    }
    let times: Vec<f64> = text.lines().map(|line| line.split(" s  ").next().unwrap().trim().parse().unwrap()).collect();
    assert!(times.is_sorted() && times.len() > 15, "{times:?}");
    // A second run does not write over it.
    let again = run(home.path(), &["cards", "--log", &log]);
    assert!(again.status.code() == Some(1) && stderr(&again).contains("problem.log"), "{}", stderr(&again));
    assert_eq!(std::fs::read_to_string(&log).unwrap(), text);
}

#[test]
fn what_failed_is_in_it_without_the_name_that_was_typed() {
    let home = tempfile::tempdir().unwrap();
    let output = run(home.path(), &["judge", "annas-session", "-v"]);
    let said = stderr(&output);
    let failed = said.lines().find(|line| line.contains("failed: ")).unwrap_or_else(|| panic!("{said}"));
    assert!(!failed.contains("anna") && failed.contains('…'), "{failed}");
    assert!(said.contains("loudenough: ") && said.contains("annas-session"), "the user is told all of it: {said}");
    assert!(said.contains("ends with exit code 1"), "{said}");
}

/// Standard output stays what it is: one JSON document.
#[test]
fn verbose_goes_to_standard_error_beside_any_command() {
    let home = tempfile::tempdir().unwrap();
    for command in
        [&["cards", "--json", "--verbose"][..], &["--verbose", "guide", "--json"], &["notebook", "--json", "-v"]]
    {
        let output = run(home.path(), command);
        assert!(output.status.success(), "{}", stderr(&output));
        serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap();
        assert!(stderr(&output).contains("ends with exit code 0"), "{command:?}: {}", stderr(&output));
    }
    assert!(stderr(&run(home.path(), &["cards", "-v"])).contains("Playback simulated:bench"));
}
