//! Chains as files and on the command line: read, kept, shown; and what invalidates or ages their calibration.

use crate::common::sessions;
use loudenough::analysis::{Finding, Weight};
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec};
use loudenough::calibration::curve::{Column, Stated};
use loudenough::calibration::{Acoustic, AgeLimits, Curve};
use loudenough::card::{CardId, InputRole};
use loudenough::judgement::judge;
use loudenough::session::chain::{Chain, Coupler, Curves, Instrument, Point};
use loudenough::session::chain_file::{from_toml, to_toml};
use loudenough::session::plan::Plan;
use loudenough::session::record::Record;
use loudenough::session::storage::Storage;
use loudenough::units::SampleRate;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Sums of bands against the level of all of them, dB.
const SUM_DB: f64 = 0.01;

fn at_root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn example(name: &str) -> String {
    std::fs::read_to_string(at_root("calibration/chains").join(name)).unwrap()
}

fn loudenough(home: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_loudenough")).args(arguments).env("LOUDENOUGH_HOME", home).output().unwrap()
}

fn done(home: &Path, arguments: &[&str]) -> String {
    let output = loudenough(home, arguments);
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{arguments:?}: {said}");
    said
}

fn refused(home: &Path, arguments: &[&str], words: &[&str]) {
    let output = loudenough(home, arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success(), "{arguments:?} was accepted");
    for word in words {
        assert!(said.contains(word), "{arguments:?} does not say `{word}`: {said}");
    }
}

#[test]
fn every_example_loads_is_invented_and_comes_back_as_written() {
    let files: Vec<_> = std::fs::read_dir(at_root("calibration/chains")).unwrap().map(|e| e.unwrap().path()).collect();
    assert_eq!(files.len(), 2);
    for path in files {
        let text = std::fs::read_to_string(&path).unwrap();
        let chain = from_toml(&text).unwrap_or_else(|why| panic!("{}: {why}", path.display()));
        assert!(text.starts_with("# Invented") && chain.name.contains("invented"), "{}", path.display());
        assert_eq!(from_toml(&to_toml(&chain).unwrap()).unwrap(), chain);
        assert!(chain.changed_offsets().is_empty());
    }
    let chain = from_toml(&example("field-recorder.toml")).unwrap();
    let file = std::fs::read(at_root("calibration/invented-microphone.txt")).unwrap();
    assert_eq!(chain.curves[&InputRole::LeftEar].0[0].fingerprint, loudenough::fingerprint::of(&file));
    assert_eq!((chain.point(), chain.coupler), (Point::Microphone, Coupler::FlatPlate));
}

#[test]
fn a_chain_file_of_the_first_version_loads_and_knows_what_its_offset_was_taken_on() {
    let mut chain = from_toml(&std::fs::read_to_string(at_root("tests/data/chain-v1.toml")).unwrap()).unwrap();
    assert_eq!((chain.coupler, chain.point()), (Coupler::EarSimulator603184, Point::Eardrum));
    assert_eq!(chain.positions(), "knob at 12 o'clock");
    assert!(chain.changed_offsets().is_empty() && chain.is_calibrated());
    chain.routing.capture = CardId("another:card".into());
    assert_eq!(chain.changed_offsets().len(), 1);
    let (_, record) = Storage::open(&at_root("tests/data/session-v1")).unwrap();
    assert_eq!(record.head.chain.coupler, Coupler::EarSimulator603184);
}

#[test]
fn what_a_hand_gets_wrong_in_a_chain_file_is_named() {
    let good = example("console-phones-socket.toml");
    for (from, to, says) in [
        ("milliwatts =", "miliwatts =", "output_side.ceilings.miliwatts"),
        ("spl = 110.0", "spl = 500.0", "500"),
        ("spl = 110.0", "spl = nan", "output_side"),
        ("certificate = \"2026-02-15\"", "certificate = \"15.2.2026\"", "15.2.2026"),
        ("low = 1.394", "low = 1.424", "1.424"),
        ("coupler = \"iec60318-4\"", "coupler = \"iec60318-9\"", "iec60318-9"),
        (
            "[{ channel = 0, role = \"left-ear\" }]",
            "[{ channel = 0, role = \"left-ear\" }, { channel = 0, role = \"right-ear\" }]",
            "once",
        ),
        ("certificate_months = 12", "certificate_months = 0", "limits of age"),
        ("playback_rate = 48000", "playback_rate = 48", "line"),
    ] {
        assert!(good.contains(from), "{from}");
        let why = from_toml(&good.replacen(from, to, 1)).unwrap_err();
        assert!(why.contains(says), "{to}: {why}");
    }
}

/// An offset belongs to one card, channel, rate, gain and curve.
#[test]
fn whatever_changes_at_the_input_invalidates_the_offset() {
    let mut chain = Chain::fresh("a:play", "a:record");
    chain.gain = "+20 dB".into();
    chain.take_offset(InputRole::LeftEar, Acoustic::typed(120.0, 0.4, "2026-03-01T09:12:00Z").unwrap());
    assert!(chain.changed_offsets().is_empty());
    let changed = |change: &dyn Fn(&mut Chain)| {
        let mut chain = chain.clone();
        change(&mut chain);
        let what = chain.changed_offsets().first().map(|o| o.what.clone()).unwrap_or_default();
        assert_eq!(chain.drop_changed_offsets().len(), usize::from(!what.is_empty()));
        assert_eq!(chain.is_calibrated(), what.is_empty());
        what
    };
    assert_eq!(changed(&|c| c.routing.capture = CardId("b:record".into())), "the card was a:record, now b:record");
    assert_eq!(changed(&|c| c.routing.capture_channels[0].channel = 3), "the channel was 1, now 4");
    assert_eq!(
        changed(&|c| c.routing.capture_rate = SampleRate::new(96_000).unwrap()),
        "the rate was 48000 Hz, now 96000 Hz"
    );
    assert_eq!(changed(&|c| c.gain = "+30 dB".into()), "the gain was `+20 dB`, now `+30 dB`");
    assert!(changed(&|c| c.routing.capture_channels.clear()).contains("no longer recorded"));
    let curves = from_toml(&example("field-recorder.toml")).unwrap().curves;
    assert_eq!(changed(&|c| c.curves = curves.clone()), "", "this curve is zero at 1 kHz");
    let moved = changed(&|c| {
        let text = "20 1.0\n1000 1.0\n20000 1.0\n";
        let stated = Stated { column: Some(Column::Gain), ..Stated::default() };
        let curve = Curve::read("x", text.as_bytes(), &stated).unwrap();
        c.curves.insert(InputRole::LeftEar, Curves(vec![curve]));
    });
    assert_eq!(moved, "the correction curve was 0.00 dB at the calibrator, now −1.00 dB at the calibrator");
    assert_eq!(changed(&|c| c.routing.playback = CardId("b:play".into())), "", "the output has no part in it");
}

fn quick(spec: &BenchSpec, chain: Chain) -> Record {
    let home = tempfile::tempdir().unwrap();
    let plan = Plan { extent: loudenough::session::plan::Extent::QuickLook, ..sessions::plan(60.0) };
    sessions::run(spec, SimulatedCardSpec::default(), plan, chain, home.path()).unwrap().0
}

/// Sessions run on 2026-03-01 at 09:12.
#[test]
fn what_is_older_than_the_users_limit_is_a_doubt_of_the_session() {
    let spec = BenchSpec { seed: 3, ..BenchSpec::default() };
    let mut chain = sessions::chain(&spec);
    chain.coupler = Coupler::AcousticCoupler603183;
    chain.microphones.insert(
        InputRole::LeftEar,
        Instrument { serial: "17".into(), certificate: Some("2025-02-28".into()), ..Instrument::default() },
    );
    chain.take_offset(
        InputRole::LeftEar,
        Acoustic::typed(spec.microphone.full_scale_db_spl, 0.0, "2026-02-28T20:00:00Z").unwrap(),
    );
    let mut record = quick(&spec, chain);
    let text = |record: &Record, code: &str| {
        let flaws = judge(record).flaws;
        flaws.into_iter().find(|f| f.code == code).inspect(|f| assert_eq!(f.weight, Weight::Doubt)).map(|f| f.text)
    };
    let offset = text(&record, "offset-old").unwrap();
    assert!(offset.contains("left ear is 13.2 hours old; the limit is 12 hours"), "{offset}");
    let certificate = text(&record, "certificate-old").unwrap();
    assert!(certificate.contains("microphone 17 of the left ear is dated 2025-02-28"), "{certificate}");
    record.head.chain.ages = AgeLimits { certificate_months: 24, offset_hours: 24.0 };
    assert_eq!((text(&record, "offset-old"), text(&record, "certificate-old")), (None, None));

    // The acoustic coupler of part 3 is valid from 125 Hz to 8 kHz: its level is that of 19 of the 31 bands.
    let (pink, result) = record.steps.last().unwrap().pink(0).unwrap();
    let sound = result.sound.unwrap();
    let power = |db: f64| 10f64.powf(db / 10.0);
    let outside: f64 =
        pink.bands.iter().filter(|b| !(-9..=9).contains(&b.x)).filter_map(|b| b.level).map(|l| power(l.value)).sum();
    let inside = power(pink.level_z.unwrap().value) - outside;
    let offset = spec.microphone.full_scale_db_spl;
    let stated = sound.mid.unwrap();
    assert!((stated.value - offset - 10.0 * inside.log10()).abs() < SUM_DB, "{stated:?}");
    assert!(stated.value < sound.z.unwrap().value && stated.half_width() < 1.0);
    assert!(matches!(result.finding, Finding::Pink(_)));
    let note = judge(&record).flaws.into_iter().find(|f| f.code == "coupler-range").unwrap();
    assert!(note.text.contains("125 Hz to 8 kHz") && note.weight == Weight::Note, "{note:?}");
}

/// What the capture thread hears is not corrected; it must neither trip on the difference nor miss a ceiling by it.
#[test]
fn a_curve_moves_no_level_that_its_offset_takes_in() {
    let spec = BenchSpec { seed: 4, ..BenchSpec::default() };
    let plain = sessions::chain(&spec);
    let mut curved = plain.clone();
    let stated = Stated { column: Some(Column::Correction), ..Stated::default() };
    let curve = Curve::read("flat", b"10 8.0\n30000 8.0\n", &stated).unwrap();
    curved.curves.insert(InputRole::LeftEar, Curves(vec![curve]));
    let full_scale = spec.microphone.full_scale_db_spl;
    curved.take_offset(InputRole::LeftEar, Acoustic::typed(full_scale - 8.0, 0.0, &sessions::frozen()).unwrap());
    let levels = |chain: Chain| {
        let record = quick(&spec, chain);
        assert_eq!(record.repeated(), 0, "{:?}", record.stop());
        let of = |step: &loudenough::session::record::StepResult| step.pink(0)?.1.sound?.z.map(|l| l.value);
        record.steps.iter().filter_map(of).collect::<Vec<f64>>()
    };
    let (plain, curved) = (levels(plain), levels(curved));
    assert_eq!(plain.len(), curved.len());
    for (plain, curved) in plain.iter().zip(&curved) {
        assert!((plain - curved).abs() < SUM_DB, "{plain} {curved}");
    }
}

/// Independent half widths add in quadrature (GUM 5.1.2); an unstated one is named as left out.
#[test]
fn the_interval_that_a_curves_certificate_states_is_in_every_level() {
    let spec = BenchSpec { seed: 4, ..BenchSpec::default() };
    let with = |half_width_db: Option<f64>| {
        let stated = Stated { column: Some(Column::Gain), ..Stated::default() };
        let curve = Curve::read("flat", b"10 0.0\n30000 0.0\n", &stated).unwrap();
        let mut chain = sessions::chain(&spec);
        chain.curves.insert(InputRole::LeftEar, Curves(vec![Curve { half_width_db, ..curve }]));
        chain.take_offset(
            InputRole::LeftEar,
            Acoustic::typed(spec.microphone.full_scale_db_spl, 0.4, &sessions::frozen()).unwrap(),
        );
        judge(&quick(&spec, chain))
    };
    let (stated, unstated) = (with(Some(0.3)), with(None));
    let half = |j: &loudenough::judgement::Judgement| j.highest_clean.level_spl.estimate().unwrap().half_width();
    assert!((half(&stated) - 0.5).abs() < 0.01, "{}", half(&stated));
    assert!((half(&unstated) - 0.4).abs() < 0.01, "{}", half(&unstated));
    let of_curve = |name: &str| name.contains("correction curve");
    let stated = stated.budget.unwrap();
    assert!(stated.contributions.iter().any(|c| of_curve(&c.what) && (c.half_width_db - 0.3).abs() < 1e-12));
    assert!(
        unstated.budget.unwrap().left_out.iter().any(|l| of_curve(l)) && !stated.left_out.iter().any(|l| of_curve(l))
    );
}

/// The calibrator's 94 dB are 94 dB whatever the curve: the offset takes it in.
#[test]
fn a_calibration_through_a_curve_gives_the_calibrators_level() {
    let home = tempfile::tempdir().unwrap();
    let curve = home.path().join("curve.txt");
    std::fs::write(&curve, "20 1.0\n1000 1.0\n20000 1.0\n").unwrap();
    let desk = ["--playback", "simulated:bench", "--capture", "simulated:bench"];
    let offset = |chain: &str, rest: &[&str]| {
        done(home.path(), &[&["chain", "new", chain][..], &desk, rest].concat());
        let said = done(home.path(), &["calibrate", "level", "--chain", chain, "--calibrator", "94", "--json"]);
        let acoustic: Value = serde_json::from_str(&said[said.find('{').unwrap()..]).unwrap();
        acoustic["offset"]["value"].as_f64().unwrap()
    };
    let plain = offset("plain", &[]);
    let through = offset("through", &["--curve", curve.to_str().unwrap(), "--column", "gain"]);
    assert!((through - plain - 1.0).abs() < 0.01, "{through} {plain}");
}

#[test]
fn chains_are_made_listed_shown_and_used_by_name() {
    let home = tempfile::tempdir().unwrap();
    let at = home.path();
    assert!(done(at, &["chain", "list"]).contains("no chain is kept"));
    let example = at_root("calibration/chains/console-phones-socket.toml");
    let curve = at_root("calibration/invented-microphone.txt");
    let from = ["--chain", example.to_str().unwrap()];
    let new =
        [&["chain", "new", "desk"][..], &from, &["--knob", "3 o'clock", "--curve", curve.to_str().unwrap()]].concat();
    refused(at, &new, &["line 2, column 2", "column = gain"]);
    let new = [&new[..], &["--column", "gain"]].concat();
    // Another position of the knob: the volts of the example hold where they are said to.
    let new = [&new[..], &["--confirm-volts", "1.414"]].concat();
    let said = done(at, &new);
    for words in [
        "line 1 was skipped: # Invented",
        "knob at 3 o'clock, gain low",
        "occluded-ear simulator, IEC 60318-4; levels are those at the eardrum",
        "100 Hz to 10 kHz",
        "wiring           single-ended",
        "both channels driven, on the mains, plugged in again with the load, ceiling 110.0 dB SPL",
        "1.414 ±0.020 V (3.0 dBV, 5.2 dBu), typed",
        "ceiling 110.0 dB SPL",
        "invented-microphone.txt, 20 to 20000 Hz, a gain, taken off",
        "invented ear microphone 0001, certificate of 2026-03-01",
        "fitted at the coupler's entrance",
    ] {
        assert!(said.contains(words), "`{words}` is missing: {said}");
    }
    refused(at, &new, &["desk", "kept already", "--replace"]);
    refused(at, &["chain", "new", "../desk", "--chain", "desk"], &["`../desk`", "letters"]);
    refused(at, &["chain", "show", "nowhere"], &["nowhere"]);
    assert!(done(at, &["chain", "list"]).contains("not calibrated"));
    let shown: Value = serde_json::from_slice(&loudenough(at, &["chain", "show", "desk", "--json"]).stdout).unwrap();
    assert_eq!(shown["chain"]["output_side"]["knob"], "3 o'clock");
    assert_eq!(shown["chain"]["curves"]["left-ear"][0]["points"].as_array().unwrap().len(), 11);
    let listed: Value = serde_json::from_slice(&loudenough(at, &["chain", "list", "--json"]).stdout).unwrap();
    assert_eq!((listed[0]["name"].as_str(), listed.as_array().unwrap().len()), (Some("desk"), 1));
    // A broken one hides none of the others.
    std::fs::write(at.join("chains/broken.toml"), "name = \"half").unwrap();
    let said = done(at, &["chain", "list"]);
    assert!(said.contains("broken") && said.contains("cannot be used") && said.contains("desk"), "{said}");

    done(at, &["calibrate", "level", "--chain", "desk", "--typed", "130", "--half-width", "0.3"]);
    assert!(done(at, &["chain", "show", "desk"]).contains("0 dBFS = 130.00 ±0.30 dB SPL"));
    let run = |rest: &[&'static str]| {
        [&["run", "--chain", "desk", "--quick", "--listening", "60", "--json", "--no-progress"][..], rest].concat()
    };
    refused(
        at,
        &["calibrate", "level", "--chain", "desk", "--gain", "+10 dB", "--calibrator", "94", "--another-fit"],
        &["the gain was", "--another-fit"],
    );
    let changed = [
        "left ear (130.00 dB)",
        "the gain was `+20 dB, pad off`, now `+10 dB`",
        "--confirm-offset 130.00",
        "--forget-offset",
    ];
    refused(at, &run(&["--gain", "+10 dB"]), &changed);
    refused(at, &run(&["--gain", "+10 dB", "--confirm-offset", "131"]), &changed);
    let head = |arguments: &[&str]| {
        let output = loudenough(at, arguments);
        assert!(matches!(output.status.code(), Some(0 | 4 | 5)), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice::<Value>(&output.stdout).unwrap()["record"]["head"].clone()
    };
    let confirmed = head(&run(&["--gain", "+10 dB", "--confirm-offset", "130", "--id", "confirmed"]));
    assert_eq!(confirmed["chain"]["acoustic"]["left-ear"]["offset"]["value"], 130.0);
    assert_eq!(confirmed["chain"]["taken_on"]["left-ear"]["gain"], "+10 dB");
    assert_eq!(confirmed["chain"]["output_side"]["ceilings"]["spl"], 110.0);
    assert_eq!(confirmed["chain"]["curves"]["left-ear"][0]["name"], "invented-microphone.txt");
    let forgotten = head(&run(&["--gain", "+10 dB", "--forget-offset", "--id", "forgotten"]));
    assert_eq!(forgotten["chain"]["acoustic"], serde_json::json!({}));

    // A calibration of long ago is reported wherever the chain is looked at.
    let file = at.join("chains/desk.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    let year = text.split("taken_at = \"").nth(1).unwrap()[..4].to_string();
    std::fs::write(&file, text.replace(&format!("taken_at = \"{year}"), "taken_at = \"2020")).unwrap();
    let said = done(at, &["chain", "show", "desk"]);
    assert!(said.contains("offset of the left ear is") && said.contains("the limit is 12 hours"), "{said}");
    assert!(done(at, &["chain", "list"]).contains("to check"));
}
