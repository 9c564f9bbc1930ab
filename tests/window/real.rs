//! The real program in a real window on a virtual display (`tests/run.sh` starts one): a session by keyboard alone.

use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::thread::sleep;
use std::time::{Duration, Instant};

const PROGRAM: &str = env!("CARGO_BIN_EXE_loudenough");
/// A quick look holds under 20 s of sound; a loaded machine needs some of its own on top.
const SESSION_LIMIT: Duration = Duration::from_secs(120);
/// Calibration listens until the tone has been steady for 5 s, in readings of 1.6 s.
const CALIBRATION: Duration = Duration::from_secs(9);
const START_LIMIT: Duration = Duration::from_secs(20);
/// A window that shows anything has more colours than this; an empty one has one or two.
const LEAST_COLOURS: usize = 20;
/// What differs between two sessions although nothing else does: the time of day, the name made from it, and the seal on both.
const TIMES: [&str; 7] = ["at", "finished_at", "started_at", "taken_at", "id", "written_at", "seal"];

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn xdotool(arguments: &[&str]) -> Option<String> {
    let output = Command::new("xdotool").args(arguments).output().ok()?;
    output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_string())
}

fn wait_for<T>(limit: Duration, what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(begun.elapsed() < limit, "{what} did not come within {limit:?}");
        sleep(Duration::from_millis(50));
    }
}

/// Without a display of its own the test would type into somebody's desktop.
fn display_is_ours() -> bool {
    let ours = std::env::var_os("LOUDENOUGH_REQUIRE_DISPLAY").is_some();
    if !ours {
        println!("skipped: no virtual display; `sh tests/run.sh` starts one");
    }
    ours
}

#[test]
fn a_session_by_keyboard_alone_leaves_the_folder_that_the_command_line_leaves() {
    if !display_is_ours() {
        return;
    }
    let home = tempfile::tempdir().unwrap();
    let begun = Instant::now();
    let mut window = Running(Command::new(PROGRAM).env("LOUDENOUGH_HOME", home.path()).spawn().unwrap());
    let pid = window.0.id().to_string();
    let id = wait_for(START_LIMIT, "the window", || {
        let found = xdotool(&["search", "--onlyvisible", "--pid", &pid])?;
        found.lines().last().map(ToString::to_string)
    });
    println!("start to window: {:.2} s", begun.elapsed().as_secs_f64());
    wait_for(START_LIMIT, "the keyboard's focus", || xdotool(&["windowfocus", "--sync", &id]));
    sleep(Duration::from_secs(1));

    // Quick look; calibrate; start as soon as the calibrator has been heard.
    xdotool(&["key", "F7"]).unwrap();
    xdotool(&["key", "F12"]).unwrap();
    sleep(CALIBRATION);
    let sessions = home.path().join("sessions");
    let folder = wait_for(SESSION_LIMIT, "the session", || {
        let found = std::fs::read_dir(&sessions).ok().and_then(|mut all| all.next()?.ok());
        if found.is_none() {
            xdotool(&["key", "F5"]);
            sleep(Duration::from_millis(500));
        }
        found.map(|f| f.path())
    });
    wait_for(SESSION_LIMIT, "the end of the session", || {
        let events = std::fs::read_dir(folder.join("events")).ok()?;
        let text = |e: std::io::Result<std::fs::DirEntry>| std::fs::read_to_string(e.ok()?.path()).ok();
        events.filter_map(text).any(|t| t.contains("ended")).then_some(())
    });
    sleep(Duration::from_secs(1));
    assert!(colours() > LEAST_COLOURS, "the window is blank");
    xdotool(&["key", "ctrl+q"]).unwrap();
    let status = wait_for(START_LIMIT, "the end of the program", || window.0.try_wait().unwrap());
    assert!(status.success(), "{status}");

    let typed = home.path().join("typed");
    let rehearsed = Command::new(PROGRAM)
        .args(["rehearse", "--quick", "--listening", "70", "--json", "--sessions"])
        .arg(&typed)
        .output()
        .unwrap();
    assert!(matches!(rehearsed.status.code(), Some(0 | 4 | 5)), "{}", String::from_utf8_lossy(&rehearsed.stderr));
    let other = std::fs::read_dir(&typed).unwrap().next().unwrap().unwrap().path();
    compare(&contents(&folder), &contents(&other));
}

#[test]
#[cfg(target_os = "linux")]
fn without_a_display_the_program_says_what_to_do_instead() {
    let home = tempfile::tempdir().unwrap();
    let mut program = Command::new(PROGRAM);
    for name in ["DISPLAY", "WAYLAND_DISPLAY", "WAYLAND_SOCKET"] {
        program.env_remove(name);
    }
    let output = program.env("LOUDENOUGH_HOME", home.path()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(!output.status.success());
    assert!(said.contains("DISPLAY is set") && said.contains("loudenough rehearse"), "{said}");
    assert!(!said.contains(".rs:"), "names source files of libraries: {said}");
}

/// Different colours on the screen.
fn colours() -> usize {
    let picture = Command::new("import").args(["-window", "root", "-format", "%k", "info:"]).output().unwrap();
    String::from_utf8_lossy(&picture.stdout).trim().parse().unwrap_or(0)
}

fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(next) = open.pop() {
        for entry in std::fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                found.insert(path.strip_prefix(folder).unwrap().to_path_buf(), std::fs::read(&path).unwrap());
            }
        }
    }
    found
}

fn without_times(value: &mut Value) {
    match value {
        Value::Object(fields) => {
            fields.retain(|key, _| !TIMES.contains(&key.as_str()));
            fields.values_mut().for_each(without_times);
        }
        Value::Array(all) => all.iter_mut().for_each(without_times),
        _ => {}
    }
}

fn compare(window: &BTreeMap<PathBuf, Vec<u8>>, typed: &BTreeMap<PathBuf, Vec<u8>>) {
    let names = |of: &BTreeMap<PathBuf, Vec<u8>>| of.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(window), names(typed));
    assert!(window.len() > 8, "only {} files", window.len());
    for (name, ours) in window {
        let theirs = &typed[name];
        if name.extension().is_some_and(|e| e == "json") {
            let read = |bytes: &[u8]| {
                let mut value: Value = serde_json::from_slice(bytes).unwrap();
                without_times(&mut value);
                value
            };
            assert_eq!(read(ours), read(theirs), "{}", name.display());
        } else if name.as_path() == Path::new("SHA256SUMS") {
            // The files of the steps hold times, so their hashes differ; recordings do not.
            let read = |bytes: &[u8]| {
                let of = |line: &str| {
                    if line.ends_with(".json") { line.split_whitespace().last() } else { Some(line) }.map(String::from)
                };
                String::from_utf8_lossy(bytes).lines().map(of).collect::<Vec<_>>()
            };
            assert_eq!(read(ours), read(theirs));
        } else {
            assert!(ours == theirs, "{} differs", name.display());
        }
    }
}
