//! Every command prints JSON, and nothing else beside it.

use crate::command_line::{loudenough, said};
use serde_json::Value;
use std::path::Path;

/// Commands that print no JSON, each with the reason.
const WITHOUT_JSON: [(&str, &str); 2] =
    [("pages", "it prints nothing: it writes files for packages"), ("session-names", "a shell reads its lines")];

/// Words of every command that can be typed.
fn commands(command: &clap::Command, path: &str, all: &mut Vec<(String, bool)>) {
    for sub in command.get_subcommands().filter(|sub| sub.get_name() != "help") {
        let name = format!("{path} {}", sub.get_name()).trim().to_string();
        if !sub.is_subcommand_required_set() {
            all.push((name.clone(), sub.get_arguments().any(|option| option.get_long() == Some("json"))));
        }
        commands(sub, &name, all);
    }
}

#[test]
fn every_command_prints_json_or_says_why_not() {
    let mut all = Vec::new();
    commands(&loudenough::cli::command(), "", &mut all);
    assert!(all.len() > 30, "only {} commands were found", all.len());
    for (name, has) in &all {
        let why_not = WITHOUT_JSON.iter().find(|(without, _)| without == name);
        assert!(*has != why_not.is_some(), "`{name}` has no --json and no reason, or both");
    }
    for (name, _) in WITHOUT_JSON {
        assert!(all.iter().any(|(known, _)| known == name), "`{name}` is no command");
    }
}

/// A series is one document as well, with a judgement for each headphone; what is said on the way goes to standard error.
#[test]
fn a_series_prints_one_json_document() {
    let home = tempfile::tempdir().unwrap();
    let output = loudenough(home.path(), &["rehearse", "--series", "--quick", "--pairings", "2", "--json"]);
    assert!(output.status.success(), "{}", said(&output));
    let all: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(all["sessions"].as_array().unwrap().len(), 2);
    for session in all["sessions"].as_array().unwrap() {
        assert!(Path::new(session["folder"].as_str().unwrap()).join("session.json").exists());
        assert!(session["judgement"]["sentence"].is_string() && session["swap"]["flaws"].is_array());
        assert!(session["sound_s"].as_f64().unwrap() > 5.0);
    }
    assert_eq!(all["failed"], Value::Array(Vec::new()));
    assert!(String::from_utf8_lossy(&output.stderr).contains("SILENT: SWAP NOW"));
}

/// What the small commands print is one JSON document and nothing else, with units in its keys.
#[test]
fn small_commands_print_one_json_document_each() {
    let home = tempfile::tempdir().unwrap();
    let at = home.path();
    let json = |words: &[&str]| -> Value {
        let output = loudenough(at, &[words, &["--json"]].concat());
        assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{words:?}: {}", said(&output));
        serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{words:?}: {e}: {}", said(&output)))
    };
    let in_home = |name: &str| at.join(name).to_str().unwrap().to_string();
    json(&["rehearse", "--quick", "--id", "first"]);

    let (wav, table) = (in_home("tone.wav"), in_home("table.txt"));
    let tone = json(&["stimulus", "--sine", "1000", "--level", "-12", "--out", &wav]);
    assert_eq!((&tone["rate_hz"], &tone["level_dbfs"]), (&Value::from(48_000), &Value::from(-12.0)));
    // A full-scale sine is 0 dBFS and its peak 0 dBFS (AES17): the peak of this one is its level.
    assert!((tone["peak_dbfs"].as_f64().unwrap() + 12.0).abs() < 0.01, "{tone}");
    // A row that is skipped is named beside the JSON.
    std::fs::write(&table, "Hz dB\n31.5 -3\n1000 0\n20000 -6\n").unwrap();
    assert!(json(&["stimulus", "--spectrum", &table, "--out", &in_home("noise.wav")])["duration_s"].is_f64());
    let plan = json(&["plan", "--out", &in_home("phone.wav")]);
    assert!(plan["duration_s"].as_f64().unwrap() > 60.0 && plan["plan"]["steps"].is_array());
    assert!(Path::new(plan["plan_file"].as_str().unwrap()).exists());

    let source = ["--source", "invented data sheet"];
    let keep = |words: &[&str]| json(&[words, &source].concat());
    let player = keep(&["stock", "keep-output", "player", "--volts", "1", "--source-ohm", "2"]);
    assert_eq!(player["output"]["volts_per_full_scale"]["value"], Value::from(1.0));
    let phones = keep(&["stock", "keep-headphone", "phones", "--sensitivity", "98 dB/mW", "--ohm", "32"]);
    assert_eq!(phones["headphone"]["impedance_ohm"]["value"], Value::from(32.0));
    let output = json(&["stock", "output", "player"]);
    assert_eq!(output["open_full_scale_dbv"]["value"], Value::from(0.0));
    let phones = json(&["stock", "headphone", "phones"]);
    // 98 dB/mW in 32 Ω is 98 + 10 lg(1000/32) = 112.95 dB for 1 V.
    let per_volt = phones["pink_per_volt_db_spl"]["value"].as_f64().unwrap();
    assert!((per_volt - 112.95).abs() < 0.01 && phones["change_by_source"].is_null(), "{phones}");
    let listener = json(&["stock", "listener", "--listening", "72"]);
    assert_eq!(listener["listener"]["listening"]["level"], Value::from(72.0));
    assert_eq!(json(&["stock", "listener"]), listener);
    assert_eq!(json(&["stock", "listener", "--forget"])["forgotten"], Value::from(true));

    let noted = json(&["notebook", "note", "first", "new ear pads"]);
    assert_eq!(noted["written"][0]["text"], Value::from("new ear pads"));
    let renamed = json(&["notebook", "rename", "first", "--output", "other", "--volume", "at 12"]);
    assert_eq!((&renamed["output"], &renamed["volume"]), (&Value::from("other"), &Value::from("at 12")));
    assert_eq!(json(&["notebook", "set-aside", "first", "loose plug"])["set_aside"], Value::from("loose plug"));
    assert!(json(&["notebook", "take-back", "first"])["set_aside"].is_null());
    assert_eq!(json(&["notebook", "undo", "first"])["set_aside"], Value::from("loose plug"));

    let report = json(&["report", "first", "--to", &in_home("report")]);
    assert!(Path::new(report["begin_with"].as_str().unwrap()).exists() && report["size_bytes"].as_u64() > Some(1000));
    assert!(json(&["guide"])["topics"].as_array().unwrap().len() > 10);
    assert!(json(&["guide", "scripts"])["markdown"].as_str().unwrap().starts_with("# Scripts"));
}
