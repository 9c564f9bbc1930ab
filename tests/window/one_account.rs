//! One account everywhere: each figure of a stored session stands with the same digits and interval in the terminal, in the
//! window, in the HTML page, in Markdown, in CSV and in JSON. What is expected is read from `judge --json` and written out
//! by this file alone.

use super::{finish, records, start_in, window};
use eframe::egui::{Role, Theme};
use egui_kittest::kittest::{NodeT, Queryable};
use loudenough::account::{self, write::terminal};
use loudenough::gui::desk::Evidence;
use loudenough::session::storage::Storage;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

fn program(home: &Path, arguments: &[&str]) -> String {
    let output =
        Command::new(env!("CARGO_BIN_EXE_loudenough")).args(arguments).env("LOUDENOUGH_HOME", home).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        matches!(output.status.code(), Some(0 | 4 | 5)),
        "{arguments:?}: {said}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    said
}

/// A quick session of two ears on the simulated bench.
fn session(home: &Path, id: &str, more: &[&str]) -> PathBuf {
    let desk = ["--playback", "simulated:bench", "--capture", "simulated:bench", "--left-ear", "1", "--right-ear", "2"];
    let asked = ["--quick", "--no-progress", "--id", id];
    program(home, &[&["run"][..], &desk, &asked, more].concat());
    home.join("sessions").join(id)
}

/// Changes what is stored.
fn edit(path: &Path, change: impl Fn(&mut Value)) {
    let mut stored: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    change(&mut stored);
    // As an earlier program wrote it, whose files bear no seal.
    stored.as_object_mut().unwrap().remove("seal");
    std::fs::write(path, serde_json::to_string(&stored).unwrap()).unwrap();
}

/// Every value below this name, wherever it stands.
fn each(value: &mut Value, name: &str, change: &dyn Fn(&mut Value)) {
    match value {
        Value::Object(all) => {
            for (key, inner) in all.iter_mut() {
                if key == name {
                    change(inner);
                } else {
                    each(inner, name, change);
                }
            }
        }
        Value::Array(all) => all.iter_mut().for_each(|inner| each(inner, name, change)),
        _ => {}
    }
}

fn steps(folder: &Path) -> Vec<PathBuf> {
    let folders = std::fs::read_dir(folder.join("steps")).unwrap().map(|entry| entry.unwrap().path().join("step.json"));
    folders.filter(|path| path.exists()).collect()
}

/// `20.50 (20.10 to 30.96)` and its kin, from the stored reading.
fn written(reading: &Value, places: usize) -> String {
    let number = |v: f64| format!("{v:.places$}").replace('-', "−");
    let estimate = |e: &Value| {
        let of = |pointer: &str| e.pointer(pointer).unwrap().as_f64().unwrap();
        let (value, low, high) = (of("/value"), of("/interval/low"), of("/interval/high"));
        let (nearer, farther) = ((value - low).min(high - value), (value - low).max(high - value));
        match farther {
            0.0 => number(value),
            _ if nearer < 0.8 * farther => format!("{} ({} to {})", number(value), number(low), number(high)),
            _ => format!("{} ±{:.places$}", number(value), 0.5 * (high - low)),
        }
    };
    let (kind, inner) = reading.as_object().unwrap().iter().next().unwrap();
    match kind.as_str() {
        "told" => estimate(inner),
        "at-least" => format!("at least {}", estimate(inner)),
        "below" => format!("below {}", number(inner.as_f64().unwrap())),
        _ => "not determined".into(),
    }
}

/// Value, ends and kind as CSV has them.
fn machine(reading: &Value, places: usize) -> String {
    let (kind, inner) = reading.as_object().unwrap().iter().next().unwrap();
    let number = |v: &Value| format!("{:.places$}", v.as_f64().unwrap());
    match kind.as_str() {
        "told" | "at-least" => {
            let ends = [&inner["value"], &inner["interval"]["low"], &inner["interval"]["high"]].map(number).join(",");
            format!("{ends},{}", if kind == "told" { "value" } else { "at least" })
        }
        "below" => format!("{0},,{0},below", number(inner)),
        _ => ",,,not determined".into(),
    }
}

/// Everything that people and machines read of a session.
#[derive(Clone)]
struct Read {
    terminal: String,
    labels: Vec<String>,
    buttons: Vec<String>,
    html: String,
    markdown: String,
    numbers: String,
    judged: Value,
}

fn read(home: &Path, folder: &Path) -> Read {
    let path = folder.to_str().unwrap();
    let report = folder.join("report");
    program(home, &["report", path, "--to", report.to_str().unwrap()]);
    let file = |name: &str| std::fs::read_to_string(report.join(name)).unwrap();
    let (_, record) = Storage::open(folder).unwrap();
    // As `run` shows it at its end; `reanalyse` would take the recordings instead of what is stored.
    let played = terminal::sections(&account::session::played(&record));
    let (desk, bench) = start_in(home.join("sessions"), records::chain(true), records::plan());
    let mut window = window(desk, 1600.0, 1000.0, 1.0, Theme::Light);
    finish(&bench, &Arc::new(record));
    window.run_steps(3);
    let mut said = |evidence: Evidence, role: Role| -> Vec<String> {
        window.state_mut().desk.evidence = evidence;
        window.run_steps(3);
        let nodes = window.query_all_by_role(role);
        nodes.filter_map(|n| n.accesskit_node().label().or(n.accesskit_node().value())).collect()
    };
    Read {
        terminal: program(home, &["judge", path, "--details"]) + &played,
        labels: said(Evidence::Numbers, Role::Label),
        buttons: said(Evidence::Steps, Role::Button),
        html: file("report.html"),
        markdown: file("report.md"),
        numbers: file("tables/numbers.csv"),
        judged: serde_json::from_str(&program(home, &["judge", path, "--json"])).unwrap(),
    }
}

/// Quantity, where JSON has it, and its places.
const FIGURES: [(&str, &str, usize); 4] = [
    ("highest clean level", "/highest_clean/level_spl", 2),
    ("highest clean drive", "/highest_clean/drive", 2),
    ("headroom", "/headroom/headroom_db", 2),
    ("peak headroom", "/headroom/peak_room_db", 2),
];

/// Each figure of the answer in each place; returns them as written.
fn the_same_everywhere(read: &Read, calibrated: bool) -> Vec<String> {
    let figures = FIGURES.iter().filter(|(name, ..)| calibrated || *name != "highest clean level");
    figures
        .map(|(name, place, places)| {
            let reading = read.judged.pointer(place).unwrap();
            let words = written(reading, *places);
            let row = |line: &&str| line.starts_with(&format!("{name} ")) && line.contains(&format!(" {words} "));
            assert!(read.terminal.lines().any(|line| row(&line)), "terminal, {name} {words}:\n{}", read.terminal);
            let heard = format!("{name}; value {words}; ");
            assert!(read.labels.iter().any(|label| label.starts_with(&heard)), "window, {heard}: {:#?}", read.labels);
            let cells = format!("<th scope=\"row\">{name}</th><td class=\"n\">{words}</td>");
            assert!(read.html.contains(&cells), "HTML, {cells}");
            let cells = format!("| {name} | {words} | ");
            assert!(read.markdown.contains(&cells), "Markdown, {cells}");
            let cells = format!("{name},{},", machine(reading, *places));
            assert!(read.numbers.lines().any(|line| line.starts_with(&cells)), "CSV, {cells}: {}", read.numbers);
            words
        })
        .collect()
}

/// The check above fails where one of the places says something else.
fn a_wrong_digit_is_noticed(read: &Read, headroom: &str) {
    let wrong = headroom.replace('.', ",");
    let spoilt = |spoil: &dyn Fn(&mut Read)| {
        let mut other = read.clone();
        spoil(&mut other);
        let checked = std::panic::catch_unwind(|| the_same_everywhere(&other, true));
        assert!(checked.is_err(), "{wrong} for {headroom} went unnoticed");
    };
    spoilt(&|read| read.terminal = read.terminal.replace(headroom, &wrong));
    spoilt(&|read| read.labels.iter_mut().for_each(|label| *label = label.replace(headroom, &wrong)));
    spoilt(&|read| read.html = read.html.replace(headroom, &wrong));
    spoilt(&|read| read.markdown = read.markdown.replace(headroom, &wrong));
    spoilt(&|read| read.numbers = read.numbers.replace("headroom,", "headroom,0"));
}

/// Every flaw, word for word; returns how many have this code.
fn every_flaw(read: &Read, code: &str) -> usize {
    let flaws = read.judged["flaws"].as_array().unwrap();
    let one_line = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let flat = one_line(&read.terminal);
    for flaw in flaws {
        let text = flaw["text"].as_str().unwrap();
        // A column breaks it into lines, between which other columns stand.
        let first: String = one_line(text).split(' ').take(4).collect::<Vec<_>>().join(" ");
        assert!(flat.contains(&first), "terminal, {first}: {}", read.terminal);
        assert!(read.labels.iter().any(|label| label.contains(text)), "window, {text}: {:#?}", read.labels);
        let escaped = text.replace('&', "&amp;").replace('<', "&lt;").replace('\'', "&#39;");
        assert!(read.html.contains(&escaped), "HTML, {text}");
    }
    flaws.iter().filter(|flaw| flaw["code"] == code).count()
}

#[test]
fn every_figure_reads_the_same_in_terminal_window_page_and_file() {
    let home = tempfile::tempdir().unwrap();
    let home = home.path();

    // Two ears, two cards that may resample, a headroom whose interval reaches farther up than down.
    let lopsided = session(home, "lopsided", &["--offset", "130", "--listening", "80"]);
    edit(&lopsided.join("session.json"), |head| {
        for card in ["playback", "capture"] {
            each(head, card, &|granted| {
                if granted.is_object() {
                    granted["may_resample"] = json!(format!("a server on the {card} side"));
                }
            });
        }
    });
    for step in steps(&lopsided) {
        edit(&step, |step| {
            each(step, "sound", &|sound| {
                if let Some(high) = sound.pointer("/z/interval/high").and_then(Value::as_f64) {
                    sound["z"]["interval"]["high"] = json!(high + 10.0);
                }
            });
            // The same flaw of both ears.
            for take in step["takes"].as_array_mut().unwrap() {
                for (number, input) in take["inputs"].as_array_mut().unwrap().iter_mut().enumerate() {
                    let flaws = input["finding"]["common"]["flaws"].as_array_mut().unwrap();
                    let text = format!("Planted at input {}.", number + 1);
                    flaws.push(json!({ "weight": "note", "code": "planted", "text": text }));
                }
            }
            each(step, "even", &|even| {
                if even.get("below").is_some() {
                    *even = json!({ "told": { "value": -60.0, "interval": { "low": -75.0, "high": -57.0 } } });
                }
            });
        });
    }
    let seen = read(home, &lopsided);
    let figures = the_same_everywhere(&seen, true);
    a_wrong_digit_is_noticed(&seen, &figures[2]);
    assert!(figures[2].contains(" to "), "headroom is lopsided: {figures:?}");
    assert!(seen.judged["left_less_right"].is_object(), "two ears");
    assert_eq!(every_flaw(&seen, "route-can-resample"), 2, "of two cards that may resample both are named");
    assert_eq!(every_flaw(&seen, "planted"), 2, "of one flaw at two ears both are named");
    let (value, ends) = ("−60.0", "(−75.0 to −57.0)");
    assert!(seen.buttons.iter().any(|row| row.contains(&format!("{value} {ends}"))), "{:?}", seen.buttons);
    assert!(seen.terminal.contains(value) && seen.terminal.contains(ends), "{}", seen.terminal);
    assert!(seen.html.contains(&format!("{value} {ends}")) && seen.markdown.contains(&format!("{value} {ends}")));

    // The climb ends under its ceiling: lower bounds.
    let one_sided = session(home, "one-sided", &["--offset", "130", "--listening", "60", "--ceiling-drive", "-30"]);
    let seen = read(home, &one_sided);
    assert!(the_same_everywhere(&seen, true).iter().all(|words| words.starts_with("at least ")));

    // Nothing is calibrated: neither level nor headroom.
    let seen = read(home, &session(home, "uncalibrated", &[]));
    assert_eq!(the_same_everywhere(&seen, false)[1..], ["not determined", "not determined"]);
    every_flaw(&seen, "");
}
