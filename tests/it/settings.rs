//! `settings.toml`: does a session follow it, does an option beat it, does the session say what came from it, and is what is
//! misspelt refused?

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

fn run(home: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_loudenough"));
    command.args(arguments).env("LOUDENOUGH_HOME", home).output().unwrap()
}

fn home(settings: &str) -> tempfile::TempDir {
    let home = tempfile::tempdir().unwrap();
    std::fs::write(home.path().join("settings.toml"), settings).unwrap();
    home
}

/// Standard error of what must fail.
fn refused(home: &Path, arguments: &[&str]) -> String {
    let output = run(home, arguments);
    assert_eq!(output.status.code(), Some(1), "{arguments:?}");
    String::from_utf8(output.stderr).unwrap()
}

/// The plan of a quick look, with these options.
fn plan(home: &Path, id: &str, options: &[&str]) -> Value {
    let output = run(home, &[&["rehearse", "--quick", "--json", "--id", id], options].concat());
    assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{}", String::from_utf8_lossy(&output.stderr));
    let all: Value = serde_json::from_slice(&output.stdout).unwrap();
    all["record"]["head"]["plan"].clone()
}

#[test]
fn a_session_follows_the_settings_and_says_so_and_an_option_beats_them() {
    let home = home("listening = 66\nample = 24\nborderline = 18\nwanted = 24\nceiling = 104\ntheme = \"dark\"\n");
    let at = home.path();
    let set = plan(at, "set", &[]);
    let read = |plan: &Value, place: &str| plan.pointer(place).and_then(Value::as_f64);
    for (place, value) in [
        ("/listening/level", 66.0),
        ("/rule/ample_db", 24.0),
        ("/rule/borderline_db", 18.0),
        ("/wanted_headroom_db", 24.0),
        ("/ceilings/spl", 104.0),
    ] {
        assert_eq!(read(&set, place), Some(value), "{place}");
    }
    assert_eq!(set["from_settings"].as_array().unwrap().len(), 5, "{}", set["from_settings"]);
    let typed = plan(at, "typed", &["--listening", "70", "--ceiling", "99", "--ample", "30"]);
    assert_eq!((read(&typed, "/ceilings/spl"), read(&typed, "/listening/level")), (Some(99.0), Some(70.0)));
    assert_eq!(read(&typed, "/rule/borderline_db"), Some(18.0), "the others hold");
    let said: Vec<&str> = typed["from_settings"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    assert_eq!(said, ["headroom that counts as borderline 18 dB", "wanted headroom 24 dB"]);
    // A stored session needs no file: its judgement stays when the file is gone, and its report says what came from it.
    let judged = |home: &Path| run(home, &["judge", "set", "--json"]).stdout;
    let before = judged(at);
    std::fs::remove_file(at.join("settings.toml")).unwrap();
    assert!(before == judged(at) && !before.is_empty());
    assert!(run(at, &["report", "set", "--to", at.join("report").to_str().unwrap()]).status.code().is_some());
    let report = std::fs::read_to_string(at.join("report/report.md")).unwrap();
    assert!(report.contains("| from the settings | listening level 66.0 dB, headroom that counts as ample 24 dB"));
    assert!(plan(at, "without", &[])["from_settings"].is_null(), "nothing is said where nothing is set");
}

#[test]
fn what_is_misspelt_stops_a_session_and_nothing_else() {
    let home = home("ceilling = 90\n");
    let said = refused(home.path(), &["rehearse", "--quick"]);
    for words in ["settings.toml", "`ceilling`", "did you mean `ceiling`?"] {
        assert!(said.contains(words), "{words} in {said}");
    }
    assert!(run(home.path(), &["guide", "settings"]).status.success(), "what needs no settings goes on");
    assert!(!home.path().join("sessions").exists(), "nothing was measured");
}

/// Typed or set, a ceiling above its default is said twice; one that is typed is not confirmed by the file.
#[test]
fn a_raised_ceiling_is_confirmed_where_it_stands() {
    let once = home("ceiling = 118\n");
    assert!(refused(once.path(), &["rehearse", "--quick"]).contains("`confirm-ceiling`"));
    let twice = home("ceiling = 118\nconfirm-ceiling = 118\n");
    assert_eq!(plan(twice.path(), "a", &[])["ceilings"]["spl"], 118.0);
    let other = refused(twice.path(), &["rehearse", "--quick", "--ceiling", "117"]);
    assert!(other.contains("type 117 again") && other.contains("--confirm-ceiling"), "{other}");
    let same = refused(twice.path(), &["rehearse", "--quick", "--ceiling", "118"]);
    assert!(same.contains("type 118 again"), "{same}");
}

/// The quiet sound of an output that is measured elsewhere obeys the ceiling on the drive.
#[test]
fn a_sound_plan_obeys_the_ceiling_on_the_drive() {
    let home = home("ceiling-drive = -26\n");
    let at = |name: &str| home.path().join(name).to_str().unwrap().to_string();
    let written = |name: &str, options: &[&str]| -> Value {
        let output =
            run(home.path(), &[&["plan", "--json", "--reference", "-50", "--out", &at(name)], options].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let set = written("set.wav", &[]);
    assert_eq!(set["plan"]["plan"]["ceilings"]["drive"], -26.0);
    assert_eq!(set["plan"]["plan"]["from_settings"][0], "ceiling of the drive −26 dBFS");
    assert_eq!(written("typed.wav", &["--ceiling-drive", "-24"])["plan"]["plan"]["ceilings"]["drive"], -24.0);
}

#[test]
fn the_help_says_where_the_file_lies() {
    let home = home("");
    let help = String::from_utf8(run(home.path(), &["--help"]).stdout).unwrap();
    assert!(help.contains("settings.toml") && help.contains("$LOUDENOUGH_HOME"), "{help}");
}
