//! Who may import whom? The `use crate::…` lines of every file are held against the import rule (DEVELOPERS.md), and
//! each third-party package may be named in its one place only.

use std::path::{Path, PathBuf};

/// Module → modules of this crate it may use (itself always).
const MAY_USE: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("stats", &[]),
    ("card", &["units"]),
    ("fingerprint", &[]),
    ("figure", &["stats", "units"]),
    ("palette", &[]),
    ("words", &[]),
    ("signal", &["units"]),
    ("take", &["card", "signal", "units"]),
    ("analysis", &["signal", "take", "stats", "units", "card"]),
    ("calibration", &["units", "stats", "analysis", "figure", "fingerprint"]),
    ("audio", &["signal", "take", "card", "units"]),
    ("session", &["analysis", "audio", "calibration", "card", "fingerprint", "signal", "stats", "take", "units"]),
    (
        "judgement",
        &["analysis", "calibration", "card", "figure", "session", "signal", "stats", "take", "units", "words"],
    ),
    (
        "stock",
        &["analysis", "asked", "calibration", "card", "figure", "judgement", "session", "signal", "stats", "units"],
    ),
    ("asked", &["calibration", "card", "session", "signal", "stats", "units", "words"]),
    (
        "account",
        &[
            "analysis",
            "calibration",
            "card",
            "figure",
            "judgement",
            "palette",
            "session",
            "signal",
            "stats",
            "stock",
            "take",
            "units",
            "words",
        ],
    ),
    (
        "cli",
        &[
            "analysis",
            "asked",
            "audio",
            "calibration",
            "card",
            "figure",
            "judgement",
            "account",
            "session",
            "signal",
            "stats",
            "stock",
            "units",
        ],
    ),
    (
        "gui",
        &[
            "analysis",
            "asked",
            "calibration",
            "card",
            "figure",
            "judgement",
            "palette",
            "account",
            "session",
            "signal",
            "stats",
            "stock",
            "units",
        ],
    ),
];

/// The files that touch the world: files, clocks, threads, terminals, cards. Every other file is pure, a new one too, until
/// it is listed here with what it does.
const TOUCHES_THE_WORLD: &[(&str, &str)] = &[
    ("account/write/folder.rs", "writes reports and pictures"),
    ("audio/mod.rs", "the threads of the engine"),
    ("audio/pump.rs", "the threads that move samples"),
    ("audio/ring.rs", "what passes between threads and callbacks"),
    ("audio/backend.rs", "names the back end of real cards"),
    ("audio/backend/cpal.rs", "real cards"),
    ("audio/simulated/card.rs", "paced by the clock in the window"),
    ("cli/cards.rs", "knows what the simulated cards are connected to"),
    ("cli/mod.rs", "is handed the cards"),
    ("cli/electrical.rs", "asks and waits at the terminal"),
    ("cli/follow.rs", "follows a session at the terminal"),
    ("cli/hold.rs", "waits for Enter"),
    ("cli/log.rs", "writes the log, listens to events on a thread"),
    ("cli/pages.rs", "writes manual pages and completions"),
    ("cli/notebook.rs", "shows progress at the terminal"),
    ("cli/own_level.rs", "waits for Enter"),
    ("cli/series.rs", "asks at the terminal"),
    ("cli/show.rs", "words beside the JSON go to standard error"),
    ("cli/stimulus.rs", "writes a WAV"),
    ("cli/swap.rs", "asks at the terminal"),
    ("cli/rehearse/mod.rs", "builds the simulated bench"),
    ("cli/rehearse/all.rs", "the same, with progress"),
    ("cli/rehearse/series.rs", "the same, headphones swapped"),
    ("gui/app.rs", "paces the window"),
    ("gui/link.rs", "talks to the bench thread"),
    ("gui/mod.rs", "opens the window"),
    ("gui/music.rs", "reads music on a thread"),
    ("gui/open.rs", "opens what was written with its own program"),
    ("gui/work.rs", "long work on a thread"),
    ("main.rs", "the program: time of day, Ctrl-C, exit code"),
    ("session/audio_file/flac.rs", "reads FLAC"),
    ("session/audio_file/wav.rs", "reads WAV"),
    ("session/chain_file.rs", "reads and writes chains"),
    ("session/elsewhere/sound_file.rs", "reads and writes sound plans"),
    ("session/music.rs", "reads music on a thread"),
    ("session/plain_file.rs", "reads and writes text"),
    ("session/program.rs", "names the sound systems that are built in"),
    ("session/reanalyse.rs", "reads takes on threads"),
    ("session/runner/mod.rs", "the bench thread"),
    ("session/runner/series.rs", "keeps the cards open between sessions"),
    ("session/runner/step.rs", "opens cards, plays"),
    ("session/runner/request.rs", "what is asked of the cards"),
    ("session/runner/own_level.rs", "plays and listens through the cards"),
    ("session/runner/calibrate.rs", "plays through the cards"),
    ("session/runner/electrical.rs", "plays through the cards"),
    ("session/runner/elsewhere.rs", "opens cards to listen"),
    ("session/runner/elsewhere/keeper.rs", "listens through the cards"),
    ("session/runner/error.rs", "names what a card says"),
    ("session/runner/handles.rs", "stops the cards"),
    ("session/storage.rs", "session folders"),
    ("session/storage/annotate.rs", "waits for another program"),
    ("session/storage/disk.rs", "the four operations on them"),
    ("session/storage/names.rs", "where they are kept"),
    ("session/toml_file.rs", "reads and writes TOML"),
    ("session/wav.rs", "reads and writes takes"),
    ("stock/folder.rs", "reads and writes the stock"),
    ("stock/notebook/index.rs", "reads sessions on threads, keeps an index"),
];

/// Names by which a file touches the world.
const WORLD: &[&str] = &[
    "std::fs",
    "std::thread",
    "std::net",
    "std::process",
    "std::env",
    "SystemTime",
    "::now",
    "elapsed()",
    "stdin()",
    "stdout()",
    "stderr()",
    "println!",
    "eprintln!",
    "hound",
    "cpal",
    "alsa",
    "symphonia",
    "flacenc",
    "ringbuf",
    "crossbeam_channel",
    "tempfile",
    "ctrlc",
    "directories",
    "indicatif",
    "run_native",
];

/// Parts of `session` that `asked` may use: what it makes, and no more.
const ASKED_OF_SESSION: &[&str] = &["chain", "electrical", "elsewhere", "plan"];

/// Package → the only places (path prefixes under `src`) that may name it.
const PACKAGE_PLACE: &[(&str, &[&str])] = &[
    ("cpal", &["audio/backend/cpal"]),
    ("ringbuf", &["audio/ring.rs"]),
    // Complex numbers alone in the last two.
    ("realfft", &["analysis", "signal", "audio/simulated", "calibration/electrical", "stock/ohms.rs"]),
    ("rustfft", &["analysis/fft.rs"]),
    ("hound", &["session/wav.rs", "session/elsewhere/sound_file.rs"]),
    ("pulp", &["analysis/resample.rs", "analysis/resample/fine.rs"]),
    ("symphonia", &["session/audio_file/flac.rs"]),
    ("flacenc", &["session/audio_file/flac.rs"]),
    ("eframe", &["gui"]),
    ("egui", &["gui"]),
    ("clap", &["cli", "main.rs"]),
    ("resvg", &["account/write/png.rs"]),
    ("epaint_default_fonts", &["account/write/png.rs"]),
    ("anyhow", &["cli", "gui", "main.rs"]),
];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// True where `name` stands in the code as a word of its own.
fn names(code: &str, name: &str) -> bool {
    let part = |c: char| c.is_alphanumeric() || c == '_';
    code.match_indices(name).any(|(at, _)| {
        let (before, after) = (&code[..at], &code[at + name.len()..]);
        let goes_on = name.ends_with(part) && after.starts_with(part);
        let began_before = name.starts_with(part) && before.ends_with(part);
        !began_before && !goes_on
    })
}

/// Modules named after `crate::` anywhere in the code of a file (tests at its bottom left out).
fn named(code: &str, prefix: &str) -> Vec<String> {
    code.match_indices(prefix)
        .filter(|(at, _)| !code[..*at].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == ':'))
        .map(|(at, _)| code[at + prefix.len()..].chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect())
        .collect()
}

/// Code without comments and without the tests at the bottom.
fn code_of(path: &Path) -> String {
    let text = std::fs::read_to_string(path).unwrap();
    let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap().to_string();
    code.lines().filter(|l| !l.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

/// Every source file that is not tests, by its path below `src`, with its code.
fn files() -> Vec<(String, String)> {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    sources(&src, &mut found);
    assert!(found.len() > 20);
    let inside = |path: &Path| path.strip_prefix(&src).unwrap().to_string_lossy().replace('\\', "/");
    found.iter().map(|path| (inside(path), code_of(path))).filter(|(inside, _)| !inside.contains("tests")).collect()
}

/// A file that is not listed touches no file, clock, thread, terminal or card; outside `audio` it knows nothing of cards at work
/// either. What is listed and touches nothing any more comes off the list.
#[test]
fn only_the_listed_files_touch_the_world() {
    let mut wrong = Vec::new();
    let mut touching: Vec<String> = Vec::new();
    for (inside, code) in files() {
        let cards = !inside.starts_with("audio/") && names(&code, "crate::audio");
        let named: Vec<&str> =
            WORLD.iter().copied().filter(|name| names(&code, name)).chain(cards.then_some("crate::audio")).collect();
        if named.is_empty() {
            continue;
        }
        if !TOUCHES_THE_WORLD.iter().any(|(file, _)| *file == inside) {
            wrong.push(format!("{inside} is pure, but names {}", named.join(", ")));
        }
        touching.push(inside);
    }
    let idle = TOUCHES_THE_WORLD.iter().filter(|(file, _)| !touching.iter().any(|touches| touches == file));
    wrong.extend(idle.map(|(file, _)| format!("{file} is listed and touches nothing")));
    assert!(wrong.is_empty(), "files and the world:\n{}", wrong.join("\n"));
}

#[test]
fn every_module_imports_only_what_lies_below_it() {
    let mut wrong = Vec::new();
    for (inside, code) in files() {
        let module = inside.split('/').next().unwrap().trim_end_matches(".rs").to_string();
        if let Some((_, allowed)) = MAY_USE.iter().find(|(name, _)| *name == module) {
            for used in named(&code, "crate::") {
                let known = MAY_USE.iter().any(|(name, _)| *name == used);
                if known && used != module && !allowed.contains(&used.as_str()) {
                    wrong.push(format!("{inside} uses crate::{used}"));
                }
            }
        } else {
            assert!(["lib", "main"].contains(&module.as_str()), "{module} has no line in the import rule");
        }
        let of_session = named(&code, "crate::session::");
        if module == "asked" && of_session.iter().any(|part| !ASKED_OF_SESSION.contains(&part.as_str())) {
            wrong.push(format!("{inside} uses more of session than {ASKED_OF_SESSION:?}: {of_session:?}"));
        }
        for (package, places) in PACKAGE_PLACE {
            let named = !named(&code, &format!("{package}::")).is_empty();
            if named && !places.iter().any(|place| inside.starts_with(place)) {
                wrong.push(format!("{inside} names {package}"));
            }
        }
    }
    assert!(wrong.is_empty(), "against the import rule:\n{}", wrong.join("\n"));
}
