//! Is every habit of writing a correction curve read, and is what could mean two things refused with what to state?

use loudenough::calibration::Curve;
use loudenough::calibration::curve::{Column, Decimal, FrequencyUnit, Stated};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Decibels in text are read and interpolated exactly.
const EXACT_DB: f64 = 1e-9;

/// Only what the dB are.
const GAIN: Stated = Stated { decimal: None, frequencies: None, column: Some(Column::Gain) };
const CORRECTION: Stated = Stated { column: Some(Column::Correction), ..GAIN };
const NOTHING: Stated = Stated { column: None, ..GAIN };
const POINT: Stated = Stated { decimal: Some(Decimal::Point), ..GAIN };
const COMMA: Stated = Stated { decimal: Some(Decimal::Comma), ..GAIN };
const HERTZ: Stated = Stated { frequencies: Some(FrequencyUnit::Hertz), ..GAIN };
const KILOHERTZ: Stated = Stated { frequencies: Some(FrequencyUnit::Kilohertz), ..GAIN };

enum Must<'a> {
    /// dB to add at these frequencies, the lines skipped, and the number of other remarks.
    Give(&'a [(f64, f64)], &'a [usize], usize),
    /// A message with all of these in it.
    Refuse(&'a [&'a str]),
}
use Must::{Give, Refuse};

/// The usual content: −1.5 dB at 20 Hz, 0 at 1 kHz, 2.5 at 20 kHz, given as the microphone's gain.
const USUAL: &[(f64, f64)] = &[(20.0, 1.5), (1000.0, 0.0), (20_000.0, -2.5)];
const USUAL_31: &[(f64, f64)] = &[(31.5, 1.5), (1000.0, 0.0), (20_000.0, -2.5)];

#[rustfmt::skip]
const TABLE: &[(&str, Stated, Must)] = &[
    // Separators.
    ("spaces.txt", GAIN, Give(USUAL, &[], 0)),
    ("aligned-spaces.txt", GAIN, Give(USUAL, &[], 0)),
    ("tabs.txt", GAIN, Give(USUAL, &[], 0)),
    ("two-tabs.txt", GAIN, Give(USUAL, &[1], 0)),
    ("commas.csv", GAIN, Give(USUAL, &[], 0)),
    ("commas-blanks.csv", GAIN, Give(USUAL, &[], 0)),
    ("semicolons.csv", GAIN, Give(USUAL, &[], 0)),
    ("trailing-semicolons.csv", GAIN, Give(USUAL, &[], 0)),
    ("whole-decibels.csv", GAIN, Give(&[(20.0, 2.0), (1000.0, 0.0), (20_000.0, -3.0)], &[], 0)),
    ("whole-decibels.csv", COMMA, Refuse(&["line 1, column 1", "semicolons"])),
    // Numbers.
    ("exponents.txt", GAIN, Give(USUAL, &[], 0)),
    ("leading-point.txt", GAIN, Give(USUAL, &[], 0)),
    ("true-minus.txt", GAIN, Give(USUAL, &[], 0)),
    ("padded-zeros.txt", GAIN, Give(USUAL, &[], 0)),
    // Decimal commas.
    ("comma-semicolons.csv", GAIN, Give(USUAL, &[], 0)),
    ("comma-tabs.txt", GAIN, Give(USUAL_31, &[], 0)),
    ("comma-spaces.txt", GAIN, Give(&[(31.5, 3.0), (1000.0, 0.0), (20_000.0, -2.5)], &[], 0)),
    ("comma-blanks.csv", GAIN, Give(USUAL_31, &[], 0)),
    ("comma-quoted.csv", GAIN, Give(USUAL_31, &[], 0)),
    ("comma-three-places.txt", GAIN, Give(USUAL, &[], 0)),
    ("comma-semicolons.csv", POINT, Refuse(&["line 1, column 2", "-1,5", "point"])),
    ("semicolons.csv", COMMA, Refuse(&["line 1, column 2", "-1.5", "comma"])),
    // Groups of three.
    ("comma-grouped-points.csv", GAIN, Give(USUAL, &[], 0)),
    ("grouped-commas.txt", GAIN, Give(USUAL, &[], 0)),
    ("grouped-blanks.csv", GAIN, Give(USUAL, &[], 0)),
    ("grouped-apostrophes.csv", GAIN, Give(USUAL, &[], 0)),
    ("grouped-quoted.csv", GAIN, Give(USUAL, &[], 0)),
    // Phase and what comes after it.
    ("phase.txt", GAIN, Give(USUAL, &[], 0)),
    ("phase-comma.csv", GAIN, Give(USUAL, &[], 0)),
    ("phase-commas.csv", GAIN, Give(USUAL, &[], 0)),
    ("phase-coherence.txt", GAIN, Give(USUAL, &[], 1)),
    ("remarks.csv", GAIN, Give(USUAL, &[], 0)),
    // Units.
    ("hertz.txt", GAIN, Give(USUAL, &[], 0)),
    ("kilohertz-units.txt", GAIN, Give(USUAL, &[], 0)),
    ("kilohertz-k.txt", GAIN, Give(&[(20.0, 1.5), (315.0, 0.2), (1000.0, 0.0), (1250.0, -0.1), (20_000.0, -2.5)], &[], 0)),
    ("kilohertz-stated.txt", KILOHERTZ, Give(USUAL, &[1], 0)),
    ("kilohertz-stated.txt", GAIN, Refuse(&["line 2, column 1", "20", "frequencies = hz", "frequencies = khz"])),
    // Encodings and line ends.
    ("crlf.csv", GAIN, Give(USUAL, &[], 0)),
    ("cr.txt", GAIN, Give(USUAL, &[], 0)),
    ("no-last-line-end.txt", GAIN, Give(USUAL, &[], 0)),
    ("utf8-mark.csv", GAIN, Give(USUAL, &[], 0)),
    ("utf8-mark-heading.csv", GAIN, Give(USUAL_31, &[1], 0)),
    ("utf16-le.txt", GAIN, Give(USUAL_31, &[1], 0)),
    ("utf16-be.txt", GAIN, Give(USUAL_31, &[1], 0)),
    ("utf16-le-no-mark.txt", GAIN, Give(USUAL, &[], 0)),
    ("utf16-be-no-mark.txt", GAIN, Give(USUAL, &[], 0)),
    ("latin1.txt", GAIN, Give(USUAL_31, &[1], 0)),
    ("dos-end.txt", GAIN, Give(USUAL, &[4], 0)),
    // Order.
    ("falling.txt", GAIN, Give(USUAL, &[], 0)),
    ("unsorted.txt", GAIN, Give(USUAL, &[], 0)),
    ("repeated.txt", GAIN, Give(USUAL, &[], 1)),
    ("zero-hertz.txt", GAIN, Give(USUAL, &[1], 0)),
    // What is not read.
    ("headings.txt", GAIN, Give(USUAL, &[1, 2, 3, 5, 9], 0)),
    ("starred-first-row.txt", GAIN, Give(USUAL, &[1], 0)),
    ("date-first.txt", GAIN, Give(USUAL, &[1, 2], 0)),
    ("terminal-codes.txt", GAIN, Give(USUAL, &[1], 0)),
    // Gain or correction; straight over log frequency; the ends hold.
    ("half-a-decibel-steps.txt", CORRECTION, Give(&[(50.0, 1.0), (100.0, 1.0), (1000.0, 2.0), (10_000.0, 3.0), (20_000.0, 3.0)], &[], 0)),
    ("half-a-decibel-steps.txt", GAIN, Give(&[(100.0, -1.0), (1000.0, -2.0), (10_000.0, -3.0)], &[], 0)),
    ("half-a-decibel-steps.txt", NOTHING, Refuse(&["line 1, column 2", "column = gain", "column = correction"])),
    ("headings.txt", NOTHING, Refuse(&["line 6, column 2", "column = gain"])),
    ("sensitivity-in-it.txt", GAIN, Give(&[(1000.0, 38.2)], &[], 1)),
    // What could mean two things, and what decides.
    ("refused-one-or-thousand.txt", GAIN, Refuse(&["line 2, column 1", "`1,000` is 1000 with a decimal point, 1 with", "decimal = point", "decimal = comma"])),
    ("refused-one-or-thousand.txt", POINT, Give(&[(20.0, 2.0), (1000.0, 0.0), (20_000.0, -3.0)], &[], 0)),
    ("refused-one-or-thousand.txt", Stated { frequencies: Some(FrequencyUnit::Hertz), ..COMMA }, Refuse(&["line 3, column 2", "20 Hz"])),
    ("refused-one-or-thousand.txt", COMMA, Refuse(&["frequencies = hz"])),
    ("refused-one-or-thousand-point.txt", GAIN, Refuse(&["line 2, column 1", "`1.000` is 1 with a decimal point, 1000 with", "decimal = comma"])),
    ("refused-one-or-thousand-point.txt", COMMA, Give(&[(63.0, 2.0), (1000.0, 0.0), (16_000.0, -3.0)], &[], 0)),
    ("refused-both-marks.txt", GAIN, Refuse(&["line 3, column 2", "2,5", "line 1, column 2"])),
    ("refused-comma-twice.csv", GAIN, Refuse(&["line 1, column 1", "31,5,-3,0", "decimal = point", "semicolons"])),
    ("refused-comma-twice.csv", COMMA, Refuse(&["line 1, column 1", "semicolons"])),
    ("refused-comma-phase.csv", GAIN, Refuse(&["line 1, column 1", "decimal = point"])),
    ("refused-comma-phase.csv", POINT, Give(&[(20.0, 2.0), (1000.0, 0.0), (20_000.0, -3.0)], &[], 0)),
    ("refused-grouped-blanks.txt", GAIN, Refuse(&["line 2, column 1", "1 000 0.0", "grouping"])),
    ("refused-grouped-commas.csv", GAIN, Refuse(&["line 2, column 1", "1,000,0.0,1", "grouping"])),
    ("refused-hertz-or-kilohertz.txt", GAIN, Refuse(&["line 1, column 1", "frequencies = khz"])),
    ("refused-hertz-or-kilohertz.txt", KILOHERTZ, Give(USUAL, &[], 0)),
    ("refused-hertz-or-kilohertz.txt", HERTZ, Give(&[(0.02, 1.5), (1.0, 0.0), (20.0, -2.5)], &[], 0)),
    ("refused-two-levels.txt", GAIN, Refuse(&["line 4, column 2", "1000 Hz", "-6 dB", "line 2"])),
    // What is no curve.
    ("refused-no-level.txt", GAIN, Refuse(&["line 2, column 2", "nothing"])),
    ("refused-empty-level.csv", GAIN, Refuse(&["line 2, column 2", "nothing"])),
    ("refused-words-for-level.txt", GAIN, Refuse(&["line 2, column 2", "`unknown`"])),
    ("refused-not-a-number.txt", GAIN, Refuse(&["line 2, column 2", "`NaN`"])),
    ("refused-year-first.txt", GAIN, Refuse(&["line 1, column 2", "`calibrated`"])),
    ("refused-ragged.txt", GAIN, Refuse(&["line 2, column 3", "line 1"])),
    ("refused-level-in-pascals.txt", GAIN, Refuse(&["line 2, column 2", "`50000`", "200 dB"])),
    ("refused-negative-frequency.txt", GAIN, Refuse(&["line 1, column 1", "`-20`"])),
    ("refused-megahertz.txt", GAIN, Refuse(&["line 3, column 1", "1 MHz"])),
    ("refused-one-row.txt", GAIN, Refuse(&["two frequencies", "1000 Hz"])),
    ("refused-words.txt", GAIN, Refuse(&["no row begins with a frequency", "2 rows"])),
    ("refused-empty.txt", GAIN, Refuse(&["no row begins with a frequency", "0 rows"])),
    ("refused-pipes.txt", GAIN, Refuse(&["no row begins with a frequency"])),
    ("refused-binary.bin", GAIN, Refuse(&["no text", "zero bytes"])),
    ("refused-utf16-cut.txt", GAIN, Refuse(&["no text", "half a character"])),
];

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/curves")
}

#[test]
fn every_habit_gives_its_value_or_its_message() {
    let mut wrong = Vec::new();
    for (file, stated, must) in TABLE {
        let bytes = std::fs::read(folder().join(file)).unwrap();
        let read = Curve::read(file, &bytes, stated);
        match (must, &read) {
            (Give(values, skipped, remarks), Ok(curve)) => {
                let lines: Vec<usize> = curve.skipped.iter().map(|row| row.line).collect();
                let off = |(f, db): &&(f64, f64)| (curve.correction.db_at(*f) - db).abs() > EXACT_DB;
                if let Some((f, db)) = values.iter().find(off) {
                    wrong.push(format!("{file} {stated:?}: {} dB at {f} Hz, not {db}", curve.correction.db_at(*f)));
                }
                let ends = |curve: &Curve| {
                    let (low, high) = curve.correction.range_hz().unwrap();
                    values.iter().any(|(f, _)| (f - low).abs() < EXACT_DB)
                        && values.iter().any(|(f, _)| (f - high).abs() < EXACT_DB)
                };
                if values.len() > 1 && !ends(curve) {
                    wrong.push(format!("{file} {stated:?}: known from {:?}", curve.correction.range_hz()));
                }
                if lines != *skipped || curve.remarks().len() != skipped.len() + remarks {
                    wrong.push(format!("{file} {stated:?}: {:?}", curve.remarks()));
                }
                if curve.remarks().iter().any(|remark| remark.contains(char::is_control)) {
                    wrong.push(format!("{file}: a terminal would obey {:?}", curve.remarks()));
                }
            }
            (Refuse(words), Err(refused)) => {
                let said = refused.to_string();
                if let Some(word) = words.iter().find(|word| !said.contains(**word)) {
                    wrong.push(format!("{file} {stated:?} does not say `{word}`: {said}"));
                }
            }
            _ => wrong.push(format!("{file} {stated:?}: {read:?}")),
        }
    }
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), TABLE.len(), wrong.join("\n"));
}

#[test]
fn the_library_is_large_and_every_file_of_it_is_asked() {
    let asked: BTreeSet<&str> = TABLE.iter().map(|(file, ..)| *file).collect();
    let present: BTreeSet<String> =
        std::fs::read_dir(folder()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    assert_eq!(asked.iter().map(|f| f.to_string()).collect::<BTreeSet<_>>(), present);
    assert!(present.len() >= 40, "{}", present.len());
}
