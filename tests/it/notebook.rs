//! The notebook: sessions are named in short, notes and corrected names are added and never lost, what is set aside does not
//! count, and the index is never believed over the folders.

use crate::common::sessions::{bench, chain, finish, frozen, plan};
use loudenough::account;
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec};
use loudenough::calibration::Acoustic;
use loudenough::card::InputRole;
use loudenough::session::notebook::{note, rename, set_aside, take_back, undo};
use loudenough::session::plan::Plan;
use loudenough::session::protocol::{Command, SessionRequest};
use loudenough::session::record::{Happening, Named};
use loudenough::session::storage::Storage;
use loudenough::stats::Estimate;
use loudenough::stock::folder;
use loudenough::stock::notebook::{Entry, SortBy, Trend, read, sort};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command as Program, Output};

/// A quick look of this name in `sessions`.
fn session(
    sessions: &Path,
    id: &str,
    offset_db: f64,
    change: impl Fn(&mut loudenough::session::chain::Chain),
) -> PathBuf {
    let spec = BenchSpec { seed: 3, ..BenchSpec::default() };
    let mut chain = chain(&spec);
    let offset = Acoustic::typed(spec.microphone.full_scale_db_spl + offset_db, 0.1, &frozen()).unwrap();
    chain.take_offset(InputRole::LeftEar, offset);
    change(&mut chain);
    let quick = Plan { listening: plan(70.0).listening, ..Plan::quick_look(chain.routing.playback_rate) };
    let bench = bench(&spec, SimulatedCardSpec::default());
    let request = SessionRequest { plan: quick, chain, sessions: sessions.into(), id: Some(id.into()) };
    bench.commands.send(Command::Run(Box::new(request))).unwrap();
    finish(&bench).unwrap().1
}

fn copied(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let to = to.join(path.file_name().unwrap());
        if path.is_dir() { copied(&path, &to) } else { assert!(fs::copy(&path, &to).is_ok()) }
    }
}

fn words(text: &str) -> Vec<String> {
    text.split_whitespace().map(str::to_string).collect()
}

fn names(entries: &[Entry]) -> Vec<&str> {
    entries.iter().map(|entry| entry.name.as_str()).collect()
}

fn of<'a>(entries: &'a [Entry], name: &str) -> &'a Entry {
    entries.iter().find(|entry| entry.name == name).unwrap()
}

/// What is written stands at once, in the notebook as in the session; undone it stands no more, and every event is still there.
#[test]
fn notes_and_corrected_names_stand_until_they_are_undone() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let known = |value: f64| Some(Estimate::symmetric(value, 0.01 * value));
    let folder = session(&sessions, "evening", 0.0, |chain| {
        chain.output_side.volts_per_full_scale = known(1.4);
        chain.output_side.source_impedance_ohm = known(1.0);
        chain.output_side.load_impedance_ohm = known(80.0);
    });
    let at = frozen();
    let before = Storage::open(&folder).unwrap().1;
    let figures =
        account::session::document(&before, &loudenough::judgement::judge(&before), &account::Added::default());

    note(&folder, "  the cable was loose\u{1b}[31m ", &at).unwrap();
    assert!(note(&folder, " \n ", &at).unwrap_err().to_string().contains("empty"));
    assert!(note(&folder, &"x".repeat(3000), &at).unwrap_err().to_string().contains("3000"));
    rename(&folder, Named::Headphone, "open 300 Ω", false, &at).unwrap();
    let entries = read(&sessions);
    let measured = of(&entries, "evening").measured().unwrap();
    assert_eq!(
        (measured.headphone.as_str(), measured.notes[0].text.as_str()),
        ("open 300 Ω", "the cable was loose[31m")
    );
    for found in ["evening", "open 300ohm", "LOOSE invented", "quick left", "300 ω"] {
        // A word is looked for as it stands; two words anywhere.
        let is = of(&entries, "evening").matches(&words(found));
        assert_eq!(is, found != "open 300ohm", "{found}");
    }
    // The impedance was taken on the headphone that it was not.
    let (_, record) = Storage::open(&folder).unwrap();
    assert_eq!(record.head.chain.headphone, "open 300 Ω");
    assert_eq!(record.head.chain.output_side.load_impedance_ohm, None, "it belongs to the other headphone");
    assert!(record.head.chain.output_side.volts_per_full_scale.is_some(), "the output is what it was");

    let (_, undone) = undo(&folder, &at).unwrap();
    assert!(matches!(undone, Happening::Renamed { what: Named::Headphone, .. }), "{undone:?}");
    rename(&folder, Named::Headphone, "Invented Headphone", true, &at).unwrap();
    let record = Storage::open(&folder).unwrap().1;
    assert!(record.head.chain.output_side.load_impedance_ohm.is_some(), "only the spelling was wrong");
    undo(&folder, &at).unwrap();
    undo(&folder, &at).unwrap();
    assert!(undo(&folder, &at).unwrap_err().to_string().contains("undone"));
    let after = Storage::open(&folder).unwrap().1;
    assert_eq!((&after.head, &after.steps), (&before.head, &before.steps));
    let again = account::session::document(&after, &loudenough::judgement::judge(&after), &account::Added::default());
    assert_eq!(figures, again);
    assert_eq!(after.events.len(), before.events.len() + 6, "nothing is ever taken away: {:?}", after.events);
    assert!(after.changed.is_empty());
}

/// What is set aside teaches the stock nothing and comes back whole.
#[test]
fn what_is_set_aside_does_not_count_until_it_is_taken_back() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let folder = session(&sessions, "wrong-one", 0.0, |_| ());
    let stock = || folder::load(&home.path().join("stock"), &sessions).unwrap().0.sessions.len();
    assert_eq!(stock(), 1);
    set_aside(&folder, "the wrong plug", &frozen()).unwrap();
    set_aside(&folder, "again", &frozen()).unwrap();
    assert_eq!(stock(), 0);
    assert!(loudenough::session::storage::finished(&sessions).is_empty());
    let entries = read(&sessions);
    let table = account::notebook::table(&entries);
    let shown = table.row_words(&table.rows[0]);
    assert!(shown.contains("set aside: the wrong plug") && !shown.contains("again"), "{shown}");
    take_back(&folder, &frozen()).unwrap();
    assert_eq!((stock(), read(&sessions)[0].measured().unwrap().set_aside.as_deref()), (1, None));
}

/// Eight writers at once in one session: every note is there, once.
#[test]
fn many_writers_at_once_lose_nothing() {
    const WRITERS: usize = 8;
    const NOTES: usize = 6;
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let folder = session(&sessions, "busy", 0.0, |_| ());
    std::thread::scope(|scope| {
        for writer in 0..WRITERS {
            let (folder, sessions) = (&folder, &sessions);
            scope.spawn(move || {
                for i in 0..NOTES {
                    note(folder, &format!("writer {writer} note {i}"), &frozen()).unwrap();
                    // The index is written by all of them, too.
                    let notes = read(sessions)[0].measured().unwrap().notes.len();
                    assert!(notes > i, "{notes}");
                }
            });
        }
    });
    let entries = read(&sessions);
    let mut notes: Vec<&str> = entries[0].measured().unwrap().notes.iter().map(|n| n.text.as_str()).collect();
    notes.sort_unstable();
    notes.dedup();
    assert_eq!(notes.len(), WRITERS * NOTES);
    // While another program measures in it nothing is written, and that is said.
    let measuring = Storage::take_up(&folder).unwrap();
    assert!(note(&folder, "late", &frozen()).unwrap_err().to_string().contains("in use by another loudenough"));
    drop(measuring);
    note(&folder, "late", &frozen()).unwrap();
}

/// The index saves time and is believed in nothing: changed by hand, cut, foreign or gone, the list stays that of the folders.
#[test]
fn the_index_is_never_believed_over_the_folders() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let first = session(&sessions, "first", 0.0, |_| ());
    copied(&first, &sessions.join("second"));
    fs::create_dir(sessions.join("no-session")).unwrap();
    let index = sessions.join(".notebook-index");
    // The files must be older than the index by more than the coarsest time of a file system.
    let old = std::time::SystemTime::now() - std::time::Duration::from_secs(60);
    let age = |file: &Path| fs::File::options().write(true).open(file).unwrap().set_modified(old).unwrap();
    let age_all = |folder: &Path| {
        age(&folder.join("session.json"));
        for part in ["events", "steps"] {
            for entry in fs::read_dir(folder.join(part)).unwrap() {
                let path = entry.unwrap().path();
                age(&if path.is_dir() { path.join("step.json") } else { path });
            }
        }
    };
    age_all(&first);
    age_all(&sessions.join("second"));
    let fresh = read(&sessions);
    assert_eq!(names(&fresh), ["second", "first"]);
    assert_eq!(read(&sessions), fresh);

    // A lie in the index is believed only as long as nothing has changed …
    let text = fs::read_to_string(&index).unwrap();
    let lie = text.replace("invented headphone", "another headphone");
    fs::write(&index, &lie).unwrap();
    let lied = |entries: &[Entry], name| of(entries, name).measured().unwrap().headphone.starts_with("another");
    assert!(lied(&read(&sessions), "first"), "the index is not used at all");
    // … and a change by hand that leaves the length as it was shows by its time.
    let step = first.join("steps/0002/step.json");
    let whole = fs::read_to_string(&step).unwrap();
    fs::write(&step, whole.replacen("\"seat\":1", "\"seat\":2", 1)).unwrap();
    let entries = read(&sessions);
    assert!(!lied(&entries, "first") && lied(&entries, "second"));
    assert!(of(&entries, "first").measured().unwrap().doubts.iter().any(|d| d.contains("changed outside")));
    fs::write(&step, &whole).unwrap();

    for broken in
        ["", "{", "{\"index\":\"other\",\"program\":\"x\"}\n", &lie[..lie.len() / 2], &lie.replace("0.1.0", "0.0.9")]
    {
        fs::write(&index, broken).unwrap();
        let names_then: Vec<String> = read(&sessions).iter().map(|e| e.name.clone()).collect();
        assert_eq!(names_then, ["second", "first"], "{broken:.60}");
    }
    fs::remove_file(&index).unwrap();
    assert_eq!(read(&sessions), fresh);
    // What cannot be read is listed with the reason, before everything else.
    fs::write(&step, &whole[..whole.len() / 2]).unwrap();
    let entries = read(&sessions);
    assert_eq!(entries[0].name, "first");
    assert!(entries[0].session.as_ref().unwrap_err().contains("step.json"), "{:?}", entries[0].session);
    fs::remove_dir_all(&first).unwrap();
    assert_eq!(names(&read(&sessions)), ["second"]);
    // A folder of no sessions has none, and no index is left in it.
    let empty = tempfile::tempdir().unwrap();
    assert!(read(empty.path()).is_empty() && fs::read_dir(empty.path()).unwrap().next().is_none());
}

/// A pairing over three sessions: an offset that moved by 0.5 dB shows as such, in the level too; another coupler is left out.
#[test]
fn the_trend_tells_what_the_calibration_did() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    session(&sessions, "march", 0.0, |_| ());
    session(&sessions, "april", 0.5, |_| ());
    session(&sessions, "may", 0.0, |chain| chain.coupler = loudenough::session::chain::Coupler::Other);
    session(&sessions, "june", 0.0, |chain| chain.headphone = "another".into());
    for (id, month) in [("march", "03"), ("april", "04"), ("may", "05"), ("june", "06")] {
        // The clock of the tests stands still.
        let head = sessions.join(id).join("session.json");
        let text = fs::read_to_string(&head).unwrap().replacen(
            "\"started_at\":\"2026-03",
            &format!("\"started_at\":\"2026-{month}"),
            1,
        );
        fs::write(&head, text).unwrap();
    }
    let mut entries = read(&sessions);
    assert_eq!(names(&entries), ["june", "may", "april", "march"]);
    sort(&mut entries, SortBy::Headphone);
    assert_eq!(entries[0].name, "june");
    let trend = Trend::of(&entries, of(&entries, "april")).unwrap();
    assert_eq!(trend.rows.iter().map(|r| r.name.as_str()).collect::<Vec<_>>(), ["march", "april"]);
    assert!(trend.left_out.len() == 1 && trend.left_out[0].contains("another coupler"), "{:?}", trend.left_out);
    // Same desk and seed: what moved is the offset alone.
    let april = &trend.rows[1];
    assert!((april.offset_change_db.unwrap() - 0.5).abs() < 1e-9);
    assert!((april.change_db.unwrap().value - 0.5).abs() < 1e-3, "{april:?}");
    assert_eq!((trend.rows[0].change_db, trend.rows[0].drift_db), (None, None));
}

/// Runs the program with its own home.
fn loudenough(home: &Path, arguments: &[&str]) -> Output {
    Program::new(env!("CARGO_BIN_EXE_loudenough")).args(arguments).env("LOUDENOUGH_HOME", home).output().unwrap()
}

fn said(home: &Path, arguments: &[&str], succeeds: bool) -> String {
    let output = loudenough(home, arguments);
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert_eq!(matches!(output.status.code(), Some(0 | 4 | 5)), succeeds, "{arguments:?}: {said}");
    assert!(!said.contains("panicked"), "{arguments:?}: {said}");
    said
}

/// Every command takes a session by a beginning of its name, a part of it, or `last`; what is not one is said plainly.
#[test]
fn every_command_takes_sessions_by_name() {
    let home = tempfile::tempdir().unwrap();
    let sessions = home.path().join("sessions");
    let first = session(&sessions, "2026-03-01_09-12-33", 0.0, |_| ());
    copied(&first, &sessions.join("2026-03-01_09-12-33-2"));
    session(&sessions, "2026-04-02_10-00-00", 0.0, |chain| chain.output = "field recorder".into());
    let home = home.path();
    let by_path = said(home, &["judge", first.to_str().unwrap()], true);
    for name in ["2026-03-01_09-12-33", "12-33-2"] {
        assert_eq!(said(home, &["judge", name], true), by_path, "{name}");
    }
    let other = said(home, &["judge", "10-00"], true);
    assert!(other.contains("ield recorder") && said(home, &["judge", "2026-04"], true) == other);
    assert_eq!(said(home, &["judge", "last"], true), other, "the one that was begun last by its name");
    let several = said(home, &["judge", "2026-03"], false);
    assert!(
        several.contains("`2026-03` could be 2 sessions") && several.contains("2026-03-01_09-12-33-2: invented output"),
        "{several}"
    );
    for command in [
        &["reanalyse", "may"][..],
        &["report", "may"],
        &["compare", "10-00", "may"],
        &["hold", "may"],
        &["listen", "may", "--ear", "open"],
        &["run", "--continue", "may"],
        &["swap", "--continue", "may"],
        &["calibrate", "check", "may"],
        &["notebook", "note", "may", "text"],
    ] {
        let refused = said(home, command, false);
        assert!(
            refused.contains("begins with or contains `may`") && refused.contains("loudenough notebook"),
            "{refused}"
        );
    }
    said(home, &["reanalyse", "10-00"], true);
    said(home, &["compare", "10-00", "12-33-2", "--same-seat"], true);
    said(home, &["hold", "12-33-2", "--at-once", "--no-progress"], true);
    said(home, &["report", "last"], true);

    said(home, &["notebook", "note", "10-00", "a", "loose", "cable"], true);
    said(home, &["notebook", "rename", "10-00", "--headphone", "open 300 Ω"], true);
    let list = said(home, &["notebook", "open", "loose"], true).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        list.contains("open 300 Ω") && list.contains("a loose cable") && list.contains("1 session of 3."),
        "{list}"
    );
    said(home, &["notebook", "set-aside", "10-00", "wrong", "plug"], true);
    let stock = || said(home, &["stock", "--json"], true);
    assert!(!stock().contains("field recorder"), "{}", stock());
    assert!(said(home, &["judge", "last"], true) != other, "what is set aside is not the last one");
    said(home, &["notebook", "undo", "10-00"], true);
    assert!(stock().contains("field recorder"));
    let all: serde_json::Value = serde_json::from_slice(&loudenough(home, &["notebook", "--json"]).stdout).unwrap();
    assert_eq!(all.as_array().unwrap().len(), 3);
    assert_eq!(all[0]["session"]["notes"][0]["text"], "a loose cable");
    assert!(said(home, &["notebook", "trend", "12-33-2"], true).contains("over time"));
    assert!(said(home, &["notebook", "nothing-like-it"], true).contains("None of 3 sessions"));
    let empty = tempfile::tempdir().unwrap();
    assert!(said(empty.path(), &["judge", "last"], false).contains("no session"));
    assert!(said(empty.path(), &["notebook"], true).contains("No session is kept yet"));
}

/// Sessions of earlier versions are listed.
#[test]
fn sessions_of_earlier_versions_are_listed() {
    let home = tempfile::tempdir().unwrap();
    copied(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/session-v1"), &home.path().join("session-v1"));
    let entries = read(home.path());
    let measured = entries[0].measured().unwrap();
    assert!(measured.verdict.answer != loudenough::judgement::Answer::NotDetermined, "{measured:?}");
    assert!(!measured.curve.is_empty() && measured.notes.is_empty() && measured.set_aside.is_none());
    note(&entries[0].folder, "old", &frozen()).unwrap();
    assert_eq!(read(home.path())[0].measured().unwrap().notes[0].text, "old");
}
