//! Does what must hold for every input hold for all that fuzzing has found so far, and for cut and bent curve files?

#[path = "../fuzz/checks.rs"]
mod checks;

use std::path::{Path, PathBuf};

fn files(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(folder);
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files
}

#[test]
fn the_corpus_of_the_curve_reader_holds() {
    let corpus = files("fuzz/corpus/curve");
    assert!(corpus.len() > 20, "{}", corpus.len());
    for path in corpus {
        checks::curve(&std::fs::read(path).unwrap());
    }
}

/// Every statement with every file of the library, whole, cut anywhere and with single bytes changed.
#[test]
fn curve_files_hold_whole_cut_and_bent() {
    for path in files("data/curves") {
        let bytes = std::fs::read(&path).unwrap();
        for stated in 0..27 {
            checks::curve(&[&[stated][..], &bytes].concat());
        }
        for at in 0..bytes.len() {
            checks::curve(&[&[9][..], &bytes[..at]].concat());
            for bent in [b',', b';', b'.', b' ', b'0', b'k', b'"', b'\n', 0xff, 0] {
                let mut bytes = bytes.clone();
                bytes[at] = bent;
                checks::curve(&[&[9][..], &bytes].concat());
            }
        }
    }
}

#[test]
fn the_corpus_of_the_chain_reader_holds() {
    let corpus = files("fuzz/corpus/chain");
    assert!(corpus.len() > 5, "{}", corpus.len());
    for path in corpus {
        checks::chain(&std::fs::read(path).unwrap());
    }
}

/// The examples and a file of the first version, whole, cut anywhere and with single bytes changed.
#[test]
fn chain_files_hold_whole_cut_and_bent() {
    let first = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/chain-v1.toml");
    for path in files("../calibration/chains").into_iter().chain([first]) {
        let bytes = std::fs::read(&path).unwrap();
        checks::chain(&bytes);
        for at in 0..bytes.len() {
            checks::chain(&bytes[..at]);
            for bent in *b"-.9\"" {
                let mut bytes = bytes.clone();
                bytes[at] = bent;
                checks::chain(&bytes);
            }
        }
    }
}
