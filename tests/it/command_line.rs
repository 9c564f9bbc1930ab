//! The program as people and machines call it: what it prints, what it keeps, what it says when the input is bad.

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

/// Runs the program with its own home, so that no test touches anybody's sessions.
pub fn loudenough(home: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_loudenough")).args(arguments).env("LOUDENOUGH_HOME", home).output().unwrap()
}

pub fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Words in a terminal are broken into lines.
fn in_a_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Refused with a message that names every one of `words`.
fn refused(home: &Path, arguments: &[&str], words: &[&str]) {
    let output = loudenough(home, arguments);
    let said = said(&output);
    assert!(!output.status.success(), "{arguments:?} was accepted: {said}");
    for word in words {
        assert!(said.contains(word), "{arguments:?} does not say `{word}`: {said}");
    }
    assert!(!said.contains("panicked"), "{arguments:?}: {said}");
}

/// One rehearsal, then everything that can be done with its folder: judge, recompute, compare the numbers.
#[test]
fn a_rehearsal_leaves_a_session_that_can_be_judged_again_and_recomputed_bit_for_bit() {
    let home = tempfile::tempdir().unwrap();
    let output = loudenough(home.path(), &["rehearse", "--id", "first", "--json", "--quick"]);
    assert!(output.status.success(), "{}", said(&output));
    let all: Value = serde_json::from_slice(&output.stdout).unwrap();
    let headroom = &all["judgement"]["headroom"];
    assert_eq!(headroom["listening_z"], Value::from(70.0));
    let folder = home.path().join("sessions/first");
    let folder_text = folder.to_str().unwrap();
    assert!(folder.join("session.json").exists() && folder.join("summary.csv").exists());

    let again = loudenough(home.path(), &["reanalyse", folder_text, "--json"]);
    assert!(again.status.success(), "{}", said(&again));
    let again: Value = serde_json::from_slice(&again.stdout).unwrap();
    assert_eq!(again["changed"], serde_json::json!([]), "numbers are not repeated bit for bit");
    assert_eq!(again["record"]["steps"], all["record"]["steps"]);

    let louder = loudenough(home.path(), &["judge", folder_text, "--listening", "80", "--json"]);
    let louder: Value = serde_json::from_slice(&louder.stdout).unwrap();
    assert_eq!(louder["headroom"]["listening_z"], Value::from(80.0));

    // The answer first, in at most twelve lines of a hundred letters.
    let brief = said(&loudenough(home.path(), &["judge", folder_text]));
    assert!(brief.trim().lines().count() <= 12 && brief.lines().all(|l| l.chars().count() <= 100), "{brief}");
    for words in ["headroom", "├", "dB SPL: ", "Peak headroom", "--details"] {
        assert!(brief.contains(words), "no `{words}`: {brief}");
    }
    let whole = said(&loudenough(home.path(), &["judge", folder_text, "--details"]));
    assert!(whole.lines().count() > 50 && whole.contains("The numbers"), "{whole}");

    let tone = "tests/data/music/tone.flac";
    let played = loudenough(home.path(), &["judge", folder_text, "--music", tone, "--json"]);
    let played: Value = serde_json::from_slice(&played.stdout).unwrap();
    assert_eq!(played["music"][0]["file"], Value::from("tone.flac"));
    // Half a second of a tone is too short to be judged by its average; its peak is there.
    assert!(
        played["music"][0]["needs"]["not-told"].as_str().unwrap().contains("lasts 0.5 s"),
        "{}",
        played["music"][0]
    );
    assert!(played["music"][0]["peak_db"].is_f64());
    refused(home.path(), &["judge", folder_text, "--music", tone, "no/such.wav"], &["no/such.wav", "cannot be read"]);
    let twice = in_a_line(&said(&loudenough(home.path(), &["judge", folder_text, folder_text, "--music", tone])));
    assert!(twice.contains("Session 2 does not help: it is the same pairing"), "{twice}");
    assert!(twice.contains("Headroom over the highest peak"), "{twice}");

    // Half a JSON: named, and nothing else is lost.
    let step = folder.join("steps/0002/step.json");
    let whole = std::fs::read(&step).unwrap();
    std::fs::write(&step, &whole[..whole.len() / 2]).unwrap();
    refused(home.path(), &["judge", folder_text], &["step.json"]);
    std::fs::write(&step, &whole).unwrap();
    assert!(matches!(loudenough(home.path(), &["judge", folder_text]).status.code(), Some(0 | 4 | 5)));

    // A newer form: both versions are named.
    let head = folder.join("session.json");
    let text = std::fs::read_to_string(&head).unwrap();
    std::fs::write(&head, text.replacen("loudenough-session/1", "loudenough-session/9", 1)).unwrap();
    refused(home.path(), &["judge", folder_text], &["session.json", "version 9", "version 1"]);
}

/// Numbers that another version of the arithmetic computed are judged with a note that says so, until they are computed again.
#[test]
fn a_session_of_another_arithmetic_says_so_until_it_is_computed_again() {
    let home = tempfile::tempdir().unwrap();
    let run = |words: &[&str]| {
        let output = loudenough(home.path(), words);
        assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{words:?}: {}", said(&output));
        output
    };
    let note = || -> Option<String> {
        let judged: Value = serde_json::from_slice(&run(&["judge", "it", "--json"]).stdout).unwrap();
        let flaws = judged["flaws"].as_array().unwrap();
        let note = flaws.iter().find(|flaw| flaw["code"] == "other-arithmetic")?;
        assert_eq!(note["weight"], Value::from("note"));
        Some(note["text"].as_str().unwrap().into())
    };
    run(&["rehearse", "--quick", "--id", "it", "--json"]);
    assert_eq!(note(), None);
    let folder = home.path().join("sessions/it/steps");
    let steps = std::fs::read_dir(&folder).unwrap().count();
    let step = |number: usize| folder.join(format!("{number:04}/step.json"));
    let with = |number: usize, arithmetic: &str| {
        let mut file: Value = serde_json::from_slice(&std::fs::read(step(number)).unwrap()).unwrap();
        file.as_object_mut().unwrap().remove("seal");
        assert!(file["arithmetic"].is_u64(), "a step does not say what it was computed with");
        match arithmetic {
            "none" => drop(file.as_object_mut().unwrap().remove("arithmetic")),
            version => file["arithmetic"] = serde_json::from_str(version).unwrap(),
        }
        std::fs::write(step(number), file.to_string()).unwrap();
    };
    let whole = std::fs::read(step(2)).unwrap();
    with(2, "0");
    let said = note().unwrap();
    assert!(said.contains(&format!("1 of {steps} steps")) && said.contains("by version 0"), "{said}");
    with(2, "9");
    assert!(note().unwrap().contains("a newer one"));
    with(2, "none");
    assert!(note().unwrap().contains("did not keep the version of its arithmetic (loudenough"));
    run(&["report", "it", "--to", home.path().join("report").to_str().unwrap()]);
    let report = std::fs::read_to_string(home.path().join("report/report.md")).unwrap();
    assert!(report.contains("did not keep the version"), "the report does not say it");
    // Computed again: no number differs, and the step is the one that was measured.
    let again: Value = serde_json::from_slice(&run(&["reanalyse", "it", "--write", "--json"]).stdout).unwrap();
    assert_eq!(again["changed"], serde_json::json!([]));
    assert_eq!((note(), std::fs::read(step(2)).unwrap()), (None, whole));
}

/// Two programs begin within one second: both sessions are kept, each under a name of its own.
#[test]
fn two_sessions_of_one_second_are_both_kept() {
    let home = tempfile::tempdir().unwrap();
    let begin = || {
        Command::new(env!("CARGO_BIN_EXE_loudenough"))
            .args(["rehearse", "--quick", "--json"])
            .env("LOUDENOUGH_HOME", home.path())
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap()
    };
    let mut running: Vec<_> = (0..3).map(|_| begin()).collect();
    assert!(running.iter_mut().all(|program| program.wait().unwrap().success()));
    assert_eq!(std::fs::read_dir(home.path().join("sessions")).unwrap().count(), 3);
}

/// A reader that has seen enough ends the program without an error.
#[test]
fn a_pipe_that_is_closed_early_is_no_error() {
    let home = tempfile::tempdir().unwrap();
    let mut program = Command::new(env!("CARGO_BIN_EXE_loudenough"))
        .args(["rehearse", "--quick", "--no-progress", "--details"])
        .env("LOUDENOUGH_HOME", home.path())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(program.stdout.take());
    assert!(program.wait().unwrap().success());
}

#[test]
fn bad_input_is_named_and_the_way_out_is_stated() {
    let home = tempfile::tempdir().unwrap();
    let at = home.path();
    refused(at, &["judge", "/no/such/session"], &["/no/such/session"]);
    refused(at, &["run"], &["--playback", "--chain"]);
    refused(at, &["run", "--chain", "/no/such/chain.toml"], &["/no/such/chain.toml"]);
    let words = said(&loudenough(at, &["run", "--chain", "/no/such/chain.toml"]));
    assert_eq!(words.matches("os error").count(), 1, "the reason is given twice: {words}");
    refused(at, &["run", "--playback", "nowhere:1", "--capture", "nowhere:2"], &["nowhere:1", "cards"]);
    refused(at, &["rehearse", "--output", "moon"], &["moon", "desk amplifier"]);
    for option in
        [["--ceiling", "90"], ["--offset", "100"], ["--left-ear", "2"], ["--id", "other"], ["--listening", "60"]]
    {
        refused(at, &["run", "--continue", "session", option[0], option[1]], &["--continue", option[0]]);
    }
    refused(at, &["rehearse", "--ceiling", "120"], &["120", "--confirm-ceiling"]);
    refused(at, &["rehearse", "--ceiling-drive", "3"], &["full scale"]);
    refused(at, &["rehearse", "--listening", "500"], &["listening", "500"]);
    refused(at, &["rehearse", "--step", "0"], &["step"]);
    refused(at, &["rehearse", "--sine", "30000"], &["sine", "30000"]);
    refused(at, &["rehearse", "--ample", "10", "--borderline", "15"], &["ample", "borderline"]);
    refused(at, &["rehearse", "--listening", "loud"], &["loud"]);
    let text = at.join("chain.toml");
    std::fs::write(&text, "name = \"half").unwrap();
    refused(at, &["run"], &["chain.toml", "line 1"]);
}

#[test]
fn an_offset_is_typed_once_and_kept_with_the_chain() {
    let home = tempfile::tempdir().unwrap();
    let desk = ["--playback", "simulated:bench", "--capture", "simulated:bench"];
    let typed = [&["calibrate", "level"][..], &desk, &["--typed", "120", "--half-width", "0.3"]].concat();
    let output = loudenough(home.path(), &typed);
    assert!(output.status.success(), "{}", said(&output));
    let chain = std::fs::read_to_string(home.path().join("chain.toml")).unwrap();
    assert!(chain.contains("120.0"), "{chain}");
    refused(
        home.path(),
        &[&["calibrate", "level"][..], &desk, &["--calibrator", "20"]].concat(),
        &["--calibrator", "20"],
    );
}

/// A decimal comma beside a blank was once read as two columns: 31 Hz with 5 dB.
#[test]
fn a_spectrum_table_is_read_as_every_other_table() {
    let home = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = home.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_string()
    };
    let at = home.path();
    let stimulus = |table: &str, out: &str, rest: &[&str]| {
        let out = at.join(out);
        let output =
            loudenough(at, &[&["stimulus", "--spectrum", table, "--out", out.to_str().unwrap()][..], rest].concat());
        (output.status.success(), said(&output), std::fs::read(out).ok())
    };
    let points = write("points.txt", "Hz dB\n31.5 -3\n1000 0\n20000 -6\n");
    let commas = write("commas.txt", "31,5 -3\n1000 0\n20000 -6\n");
    let (ok, stated, first) = stimulus(&points, "points.wav", &[]);
    assert!(ok && stated.contains("line 1: Hz dB"), "{stated}");
    let (ok, stated, second) = stimulus(&commas, "commas.wav", &[]);
    assert!(ok, "{stated}");
    assert!(first.is_some() && first == second, "the same table makes the same noise");
    let open = write("open.txt", "20 -3\n1,000 0\n20,000 -6\n");
    let (ok, stated, none) = stimulus(&open, "open.wav", &[]);
    assert!(
        !ok && none.is_none() && stated.contains("line 2, column 1") && stated.contains("decimal = point"),
        "{stated}"
    );
    let (ok, stated, _) = stimulus(&open, "open.wav", &["--decimal", "point"]);
    assert!(ok, "{stated}");
}

/// The device follows the names; a name that the bench does not know is only a name, and the answer says so.
#[test]
fn a_simulated_session_says_which_devices_were_simulated() {
    let home = tempfile::tempdir().unwrap();
    let run = |headphone: &str| {
        let desk = ["--playback", "simulated:bench", "--capture", "simulated:bench", "--offset", "130"];
        let names = ["--output", "field recorder", "--headphone", headphone, "--id", "it"];
        let rest = ["--quick", "--listening", "60", "--json", "--sessions"];
        let kept = home.path().join(headphone);
        let output = loudenough(home.path(), &[&["run"][..], &desk, &names, &rest, &[kept.to_str().unwrap()]].concat());
        assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{}", said(&output));
        let all: Value = serde_json::from_slice(&output.stdout).unwrap();
        let note = all["judgement"]["flaws"].as_array().unwrap().iter().find(|flaw| flaw["code"] == "simulated");
        let reference = &all["record"]["steps"][3]["takes"][0]["inputs"][0]["finding"]["gain_db"]["value"];
        (note.unwrap()["text"].as_str().unwrap().to_string(), reference.as_f64().unwrap())
    };
    let (open, open_gain_db) = run("open 300 Ω");
    assert_eq!(open, "The bench was simulated: field recorder with open 300 Ω, all invented.");
    let (closed, closed_gain_db) = run("closed 80 Ω");
    assert_eq!(closed, "The bench was simulated: field recorder with closed 80 Ω, all invented.");
    let (other, other_gain_db) = run("my own");
    assert!(other.contains("closed 80 Ω, all invented. It has no field recorder with my own"), "{other}");
    // Full scale plays the closed one 5 to 7 dB louder than the open one: 96 and 90 dB clean from the same output.
    assert!((5.0..8.0).contains(&(closed_gain_db - open_gain_db)), "{closed_gain_db} {open_gain_db}");
    assert!((other_gain_db - closed_gain_db).abs() < 1e-9, "{other_gain_db} {closed_gain_db}");
}

#[test]
fn cards_lists_the_simulated_bench_for_people_and_for_machines() {
    let home = tempfile::tempdir().unwrap();
    let output = loudenough(home.path(), &["cards", "--json"]);
    let listed: Value = serde_json::from_slice(&output.stdout).unwrap();
    let ids: Vec<&str> = listed["cards"].as_array().unwrap().iter().filter_map(|c| c["id"].as_str()).collect();
    assert_eq!(ids.iter().filter(|id| **id == "simulated:bench").count(), 2);
    let listed = said(&loudenough(home.path(), &["cards"]));
    for words in ["simulated:bench", "channel 1: left ear", "channel 3: witness", "channel 5: source side"] {
        assert!(listed.contains(words), "no `{words}`: {listed}");
    }
    assert!(listed.lines().all(|line| line.chars().count() <= 100), "{listed}");
}

#[test]
fn a_path_check_tells_its_findings_and_is_judged_as_what_it_is() {
    let home = tempfile::tempdir().unwrap();
    let cards =
        ["--playback", "simulated:bench", "--capture", "simulated:bench", "--left-ear", "1", "--right-ear", "2"];
    let check = |more: &[&str]| loudenough(home.path(), &[&["chain", "check"][..], &cards, more].concat());
    let output = check(&["--id", "check"]);
    assert!(output.status.success(), "{}", said(&output));
    for word in ["no fault level steps", "polarity", "The path shows no fault", "kept in"] {
        assert!(in_a_line(&said(&output)).contains(word), "no `{word}`: {}", said(&output));
    }
    let folder = home.path().join("sessions/check");
    let folder = folder.to_str().unwrap();
    let judged = loudenough(home.path(), &["judge", folder]);
    assert!(in_a_line(&said(&judged)).contains("This is a path check"), "{}", said(&judged));
    let again = loudenough(home.path(), &["reanalyse", folder, "--json"]);
    let again: Value = serde_json::from_slice(&again.stdout).unwrap();
    assert_eq!(again["changed"], serde_json::json!([]), "numbers are not repeated bit for bit");
    refused(home.path(), &["hold", folder], &["finished session"]);
    let output = check(&["--json"]);
    let all: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(
        all["report"]["findings"].as_array().unwrap().len() > 10 && all["report"]["sound_s"].as_f64().unwrap() < 20.0
    );
}

/// Two sessions and two typed entries: the pairing that nobody measured is predicted, what is typed wrong is named.
#[test]
fn the_stock_predicts_from_sessions_and_typed_figures_and_names_what_is_wrong() {
    let home = tempfile::tempdir().unwrap();
    for (id, output, headphone) in [("a", "field recorder", "closed 80 Ω"), ("b", "desk amplifier", "open 300 Ω")] {
        let run = ["rehearse", "--quick", "--id", id, "--output", output, "--headphone", headphone];
        assert!(matches!(loudenough(home.path(), &run).status.code(), Some(0 | 4 | 5)));
    }
    let source = ["--source", "invented data sheet"];
    let kept = |words: &[&str]| {
        let all: Vec<&str> = ["stock"].iter().chain(words).chain(&source).copied().collect();
        loudenough(home.path(), &all)
    };
    let player = kept(&[
        "keep-output",
        "pocket player",
        "--volts",
        "1",
        "--source-ohm",
        "2",
        "--power",
        "30,32",
        "--power",
        "3.3,300",
    ]);
    let closed = kept(&[
        "keep-headphone",
        "closed 250 Ω",
        "--sensitivity",
        "96",
        "--per",
        "mw",
        "--at-hz",
        "500",
        "--ohm",
        "250",
    ]);
    assert!(player.status.success() && closed.status.success(), "{} {}", said(&player), said(&closed));
    assert!(said(&kept(&["keep-output", "pocket player"])).contains("--replace"));
    // As data sheets write it; and what a sensitivity is for is asked where neither says it.
    let sheet = ["keep-headphone", "small 32 ohm", "--sensitivity", "112 dB SPL/Vrms @ 500 Hz", "--ohm", "32 Ω ±15 %"];
    assert!(said(&kept(&sheet)).contains("small-32-ohm.toml"));
    let file = std::fs::read_to_string(home.path().join("stock/headphones/small-32-ohm.toml")).unwrap();
    assert!(
        file.contains("per = \"V\"") && file.contains("at_hz = 500.0") && file.contains("half_width = 4.8"),
        "{file}"
    );
    std::fs::remove_file(home.path().join("stock/headphones/small-32-ohm.toml")).unwrap();
    assert!(said(&kept(&["keep-headphone", "x", "--sensitivity", "98"])).contains("98 dB/mW"));
    let power = ["keep-output", "small amplifier", "--power", "150 mW @ 32 Ω"];
    assert!(kept(&power).status.success());
    std::fs::remove_file(home.path().join("stock/outputs/small-amplifier.toml")).unwrap();
    assert!(
        said(&kept(&["keep-headphone", "x", "--sensitivity", "960", "--per", "v"]))
            .contains("sensitivity of the headphone is 960 dB SPL")
    );

    let json = loudenough(home.path(), &["stock", "--json"]);
    let matrix: Value = serde_json::from_slice(&json.stdout).unwrap();
    let cells = matrix["cells"].as_array().unwrap();
    assert_eq!(cells.len(), 9, "{}", said(&json));
    let cell = |output: &str, headphone: &str| {
        cells.iter().find(|c| c["output"]["name"] == output && c["headphone"] == headphone).unwrap()
    };
    assert!(cell("field recorder", "closed 80 Ω")["measured"].is_array());
    // 1.414 V peak at full scale under the voltage limit of both powers: pink noise at −12.5 dB of it through the divider,
    // at 96 dB/mW = 102.02 dB/V (worked example of 96 dB/mW and 250 Ω).
    let predicted = &cell("pocket player", "closed 250 Ω")["predicted"]["level_spl"]["told"]["value"];
    let expected = 102.0206 + 20.0 * (2f64.sqrt() * 250.0 / 252.0).log10() - 12.5;
    assert!((predicted.as_f64().unwrap() - expected).abs() < 0.2, "{predicted} for {expected}");

    // The sessions were planned for a listener; whose level it is here is not guessed from them.
    let table = in_a_line(&said(&loudenough(home.path(), &["stock"])));
    assert!(table.contains("no listening level is kept"), "{table}");
    refused(home.path(), &["stock", "map", "pocket player"], &["no listening level is kept", "stock listener"]);
    refused(home.path(), &["stock", "listener", "--hears-noise", "8"], &["listening level", "stock listener"]);
    assert!(said(&loudenough(home.path(), &["stock", "listener", "--listening", "72"])).contains("72.0 dB"));
    let hears = said(&loudenough(home.path(), &["stock", "listener", "--hears-noise", "8"]));
    assert!(hears.contains("noise from 8.0 dB SPL A on"), "{hears}");
    assert!(said(&loudenough(home.path(), &["stock", "listener"])).contains("noise from 8.0 dB SPL A on"));
    let table = in_a_line(&said(&loudenough(home.path(), &["stock"])));
    assert!(table.contains("72.0 dB, the listener's own, as kept"), "{table}");
    assert!(said(&loudenough(home.path(), &["stock", "listener", "--forget"])).contains("forgotten"));
    let map = in_a_line(&said(&loudenough(home.path(), &["stock", "map", "pocket player", "--listening", "75"])));
    assert!(map.contains("closed 250 Ω") && map.contains("digital"), "{map}");
    refused(
        home.path(),
        &["stock", "map", "pocket plaier"],
        &["pocket plaier", "`pocket player`", "`field recorder (simulated)`"],
    );
    refused(
        home.path(),
        &["stock", "headphone", "closed 250 Ω", "--source-ohm", "120"],
        &["over frequency", "calibrate load"],
    );

    let file = home.path().join("stock/headphones/closed-250-ohm.toml");
    std::fs::write(&file, std::fs::read_to_string(&file).unwrap().replace("at_hz", "at_herz")).unwrap();
    refused(home.path(), &["stock"], &["closed-250-ohm.toml", "at_herz"]);
}
