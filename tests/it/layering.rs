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
    ("signal", &["units"]),
    ("take", &["card", "signal", "units"]),
    ("analysis", &["signal", "take", "stats", "units", "card"]),
    ("calibration", &["units", "stats", "analysis", "figure", "fingerprint"]),
    ("audio", &["signal", "take", "card", "units"]),
    ("session", &["analysis", "audio", "calibration", "card", "fingerprint", "signal", "stats", "take", "units"]),
    ("judgement", &["analysis", "calibration", "card", "figure", "session", "signal", "stats", "take", "units"]),
    ("stock", &["analysis", "asked", "calibration", "figure", "judgement", "session", "signal", "stats", "units"]),
    ("asked", &["calibration", "card", "session", "signal", "stats", "units"]),
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

/// Parts of `session` that stay free of cards and files.
const PURE_SESSION: &[&str] = &[
    "chain.rs",
    "chain/ages.rs",
    "chain/check.rs",
    "chain/electrical.rs",
    "chain/instrument.rs",
    "chain/offsets.rs",
    "chain/output_side.rs",
    "electrical.rs",
    "path.rs",
    "plan.rs",
    "climb.rs",
    "evaluate.rs",
    "record.rs",
    "protocol.rs",
];

/// Parts of `session` that `asked` may use: what it makes, and no more.
const ASKED_OF_SESSION: &[&str] = &["chain", "electrical", "plan"];

/// Package → the only places (path prefixes under `src`) that may name it.
const PACKAGE_PLACE: &[(&str, &[&str])] = &[
    ("cpal", &["audio/backend/cpal"]),
    ("ringbuf", &["audio/ring.rs"]),
    // Complex numbers alone in the last two.
    ("realfft", &["analysis", "signal", "audio/simulated", "calibration/electrical", "stock/ohms.rs"]),
    ("rustfft", &["analysis/fft.rs"]),
    ("hound", &["session/wav.rs"]),
    ("pulp", &["analysis/resample.rs", "analysis/resample/fine.rs"]),
    ("symphonia", &["session/music.rs"]),
    ("eframe", &["gui"]),
    ("egui", &["gui"]),
    ("egui_plot", &["gui"]),
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

#[test]
fn every_module_imports_only_what_lies_below_it() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&src, &mut files);
    assert!(files.len() > 20);
    let mut wrong = Vec::new();
    for path in files {
        let inside = path.strip_prefix(&src).unwrap().to_string_lossy().replace('\\', "/");
        if inside.contains("tests.rs") {
            continue;
        }
        let code = code_of(&path);
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
        let pure = inside.strip_prefix("session/").is_some_and(|f| PURE_SESSION.contains(&f));
        if pure && (code.contains("crate::audio") || code.contains("std::fs")) {
            wrong.push(format!("{inside} is pure and touches cards or files"));
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
