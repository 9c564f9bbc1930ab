//! The table of fields, walked: what is typed on the command line and in the window means the same, and what cannot be
//! is refused by both with the same message.

use super::{Window, electrical, records};
use clap::{ArgMatches, CommandFactory};
use loudenough::asked::sheet::{SheetFigure, SheetSensitivity};
use loudenough::asked::{Field, Takes};
use loudenough::card::InputRole;
use loudenough::cli::Arguments;
use loudenough::gui::StartState;
use loudenough::gui::electrical::Kind;
use loudenough::gui::form::Form;
use loudenough::session::chain::Chain;
use loudenough::session::electrical::{ElectricalProcedure, MeterReading};
use loudenough::session::plan::{AskedLevel, Plan};
use loudenough::stats::Estimate;

/// What can be typed that no field takes.
const HOSTILE: [&str; 17] = [
    "1e308",
    " ",
    "NaN",
    "inf",
    "-inf",
    "1e400",
    "-1e400",
    "1e",
    ".",
    "--",
    "0x10",
    "70\u{0}",
    "\u{1b}[2J70",
    "\u{200f}70",
    "٧٠",
    "1.2.3",
    "𝟕𝟎",
];

/// Where the window puts what was typed.
enum Put {
    /// Into the form: read from plan, chain, or the form itself.
    Form(fn(&Form, &Plan, &Chain) -> Vec<f64>),
    /// Into the guide of this calibration.
    Guide(Kind, fn(&ElectricalProcedure) -> Vec<f64>),
    /// Nowhere: the command line alone asks for it.
    Nowhere,
}

/// A field, the option that takes it, the command and what else that needs, and the window's place.
type Row = (Field, &'static str, &'static [&'static str], Put);

fn estimate(e: Option<Estimate>) -> Vec<f64> {
    e.map_or(Vec::new(), |e| vec![e.value, e.half_width()])
}

fn levels(asked: &[AskedLevel]) -> Vec<f64> {
    asked
        .iter()
        .map(|level| match level {
            AskedLevel::Spl(l) => l.db(),
            AskedLevel::Drive(l) => l.db(),
        })
        .collect()
}

fn with_meter(p: &ElectricalProcedure, of: fn(&loudenough::session::electrical::StatedMeter) -> f64) -> Vec<f64> {
    p.meter().map(of).into_iter().collect()
}

const RUN: &[&str] = &["run"];
const NEW: &[&str] = &["chain", "new", "x"];
const LEVEL: &[&str] = &["calibrate", "level"];
const VOLTS: &[&str] = &["calibrate", "volts"];
const IN: &[&str] = &["calibrate", "input-volts"];
const SOURCE: &[&str] = &["calibrate", "source", "--resistor", "33"];
const LOAD: &[&str] = &["calibrate", "load", "--series", "100"];
const OUTPUT: &[&str] = &["stock", "keep-output", "x", "--source", "sheet"];
const HEADPHONE: &[&str] = &["stock", "keep-headphone", "x", "--source", "sheet"];
const COMPARE: &[&str] = &["compare", "a", "b"];
const SWAP: &[&str] = &["swap", "a", "b"];

fn rows() -> Vec<Row> {
    use ElectricalProcedure as P;
    use Field as F;
    use Put::{Form as In, Guide, Nowhere};
    vec![
        (F::Listening, "listening", RUN, In(|_, p, _| p.listening.iter().map(|l| l.level.db()).collect())),
        (F::Wanted, "wanted", RUN, In(|_, p, _| vec![p.wanted_headroom_db])),
        (F::Ample, "ample", RUN, Nowhere),
        (F::Borderline, "borderline", RUN, Nowhere),
        (F::CeilingSpl, "ceiling", RUN, In(|_, p, _| vec![p.ceilings.spl.db()])),
        (F::CeilingDrive, "ceiling_drive", RUN, In(|_, p, _| vec![p.ceilings.drive.map_or(-20.0, |d| d.db())])),
        (F::CeilingVolts, "ceiling_volts", RUN, Nowhere),
        (F::CeilingMilliwatts, "ceiling_milliwatts", RUN, Nowhere),
        (F::Sines, "sines", RUN, In(|_, p, _| p.sines_hz.clone())),
        (F::AskedSpl, "at", RUN, In(|_, p, _| levels(&p.asked))),
        (F::AskedDrive, "at_drive", RUN, In(|_, p, _| levels(&p.asked))),
        (F::Seats, "seats", RUN, Nowhere),
        (F::Step, "step", RUN, Nowhere),
        (F::DistortionLimit, "distortion_limit", RUN, Nowhere),
        (
            F::PlaybackChannels,
            "playback_channels",
            RUN,
            In(|_, _, c| c.routing.playback_channels.iter().map(|c| f64::from(*c)).collect()),
        ),
        (
            F::CaptureChannels,
            "left_ear",
            RUN,
            In(|_, _, c| {
                c.ears().map(|(channel, _)| f64::from(c.routing.capture_channels[channel].channel)).take(1).collect()
            }),
        ),
        (F::Rate, "rate", RUN, Nowhere),
        (F::Block, "block", RUN, Nowhere),
        (F::MicrophoneMax, "microphone_max", RUN, In(|_, _, c| c.microphone_max_db_spl.into_iter().collect())),
        (F::CardDistortion, "card_distortion", RUN, In(|_, _, c| c.card_distortion_db.into_iter().collect())),
        (F::CertificateMonths, "certificate_months", NEW, In(|_, _, c| vec![f64::from(c.ages.certificate_months)])),
        (F::OffsetHours, "offset_hours", NEW, In(|_, _, c| vec![c.ages.offset_hours])),
        (F::ChainCeilingSpl, "ceiling", NEW, In(|_, _, c| c.output_side.ceilings.spl.iter().map(|l| l.db()).collect())),
        (
            F::ChainCeilingDrive,
            "ceiling_drive",
            NEW,
            In(|_, _, c| c.output_side.ceilings.drive.iter().map(|l| l.db()).collect()),
        ),
        (F::ChainCeilingVolts, "ceiling_volts", NEW, In(|_, _, c| c.output_side.ceilings.volts.into_iter().collect())),
        (
            F::ChainCeilingMilliwatts,
            "ceiling_milliwatts",
            NEW,
            In(|_, _, c| c.output_side.ceilings.milliwatts.into_iter().collect()),
        ),
        (F::Volts, "volts", NEW, In(|_, _, c| estimate(c.output_side.volts_per_full_scale))),
        (F::Source, "source_impedance", NEW, In(|_, _, c| estimate(c.output_side.source_impedance_ohm))),
        (F::Load, "load_impedance", NEW, In(|_, _, c| estimate(c.output_side.load_impedance_ohm))),
        (F::CurveHalfWidth, "curve_half_width", &["chain", "new", "x", "--curve", "c.txt"], Nowhere),
        (F::Offset, "typed", LEVEL, In(|f, _, _| f.typed_offset("").map_or(Vec::new(), |a| vec![a.offset.value]))),
        (
            F::OffsetHalfWidth,
            "offset_half_width",
            RUN,
            In(|f, _, _| f.typed_offset("").map_or(Vec::new(), |a| vec![a.offset.half_width()])),
        ),
        (
            F::CalibratorLevel,
            "calibrator",
            LEVEL,
            In(|f, _, _| f.calibrator().map_or(Vec::new(), |c| vec![c.level.value])),
        ),
        (
            F::CalibratorFrequency,
            "frequency",
            LEVEL,
            In(|f, _, _| f.calibrator().map_or(Vec::new(), |c| vec![c.frequency_hz])),
        ),
        (
            F::LevelCorrection,
            "level_correction",
            LEVEL,
            In(|f, _, _| f.calibrator().map_or(Vec::new(), |c| vec![c.correction_db])),
        ),
        (
            F::Sensitivity,
            "sensitivity",
            &["calibrate", "level", "--input-volts", "1"],
            In(|f, _, _| f.typed.number(Field::Sensitivity).into_iter().collect()),
        ),
        (F::InputVolts, "input_volts", LEVEL, In(|f, _, _| f.typed.number(Field::InputVolts).into_iter().collect())),
        (F::Drive, "drive", VOLTS, Nowhere),
        (F::ToneFrequency, "frequency", VOLTS, Guide(Kind::Volts, |p| with_meter(p, |m| m.frequency_hz))),
        (F::ToneSeconds, "seconds", VOLTS, Guide(Kind::Volts, |p| with_meter(p, |m| m.seconds))),
        (F::MeterAccuracy, "accuracy", VOLTS, Guide(Kind::Volts, |p| with_meter(p, |m| m.accuracy_percent))),
        (F::Reading, "reading", VOLTS, Nowhere),
        (
            F::Readings,
            "readings",
            SOURCE,
            Guide(Kind::Source, |p| match p {
                P::SourceByMeter { readings_v, last_digit_v, .. } => {
                    readings_v.iter().chain([last_digit_v]).copied().collect()
                }
                _ => Vec::new(),
            }),
        ),
        (F::LastDigit, "last_digit", SOURCE, Nowhere),
        (F::StraightWithin, "straight_within", SOURCE, Nowhere),
        (F::Divider, "divider", IN, Nowhere),
        (F::DividerResistor, "divider_ohm", IN, Nowhere),
        (
            F::Resistor,
            "resistor",
            &["calibrate", "source"],
            Guide(Kind::Source, |p| match p {
                P::Source { heavier, .. } | P::SourceByMeter { heavier, .. } => vec![heavier.ohm],
                _ => Vec::new(),
            }),
        ),
        (
            F::SecondResistor,
            "lighter",
            SOURCE,
            Guide(Kind::Source, |p| match p {
                P::Source { lighter, .. } => lighter.iter().map(|r| r.ohm).collect(),
                _ => Vec::new(),
            }),
        ),
        (
            F::Tolerance,
            "tolerance",
            SOURCE,
            Guide(Kind::Source, |p| match p {
                P::Source { heavier, .. } => vec![heavier.tolerance_percent],
                _ => Vec::new(),
            }),
        ),
        (
            F::InputResistance,
            "input_ohm",
            SOURCE,
            Guide(Kind::Source, |p| match p {
                P::Source { input, .. } => input.iter().map(|r| r.ohm).collect(),
                _ => Vec::new(),
            }),
        ),
        (
            F::SeriesResistor,
            "series",
            &["calibrate", "load"],
            Guide(Kind::Load, |p| match p {
                P::Load { setup, .. } => vec![setup.series.ohm],
                _ => Vec::new(),
            }),
        ),
        (F::CheckResistor, "check", LOAD, Nowhere),
        (
            F::Cable,
            "cable",
            LOAD,
            Guide(Kind::Load, |p| match p {
                P::Load { setup, .. } => estimate(Some(setup.cable_ohm)),
                _ => Vec::new(),
            }),
        ),
        (F::Rounds, "rounds", SWAP, Nowhere),
        (F::MatchLevel, "at", COMPARE, Nowhere),
        (F::SameWithin, "within", COMPARE, Nowhere),
        (F::HearsResponse, "hears_response", COMPARE, Nowhere),
        (F::HearsDistortion, "hears_distortion", COMPARE, Nowhere),
        (F::HearsNoise, "hears_noise", COMPARE, Nowhere),
        (F::DistortionWithin, "distortion_within", COMPARE, Nowhere),
        (F::LimitVolts, "limit_volts", OUTPUT, Nowhere),
        (F::LimitMilliamperes, "limit_milliamperes", OUTPUT, Nowhere),
        (F::SheetVolts, "volts", OUTPUT, Nowhere),
        (F::SheetSource, "source_ohm", OUTPUT, Nowhere),
        (
            F::HeadphoneSensitivity,
            "sensitivity",
            &["stock", "keep-headphone", "x", "--source", "sheet", "--per", "v"],
            Nowhere,
        ),
        (F::SensitivityFrequency, "at_hz", HEADPHONE, Nowhere),
        (F::SensitivityHalfWidth, "half_width", HEADPHONE, Nowhere),
        (F::HeadphoneImpedance, "ohm", HEADPHONE, Nowhere),
        (F::Isolation, "isolation", HEADPHONE, Nowhere),
    ]
}

/// Fields that are no single option: names and dates, a second typing, one of several numbers.
const OTHERWISE: [Field; 10] = [
    Field::Output,
    Field::Headphone,
    Field::Cards,
    Field::Certificate,
    Field::CeilingAgain,
    Field::DriveAgain,
    Field::CalibratorHalfWidth,
    Field::SinesPerOctave,
    Field::SheetPower,
    Field::SheetPowerInto,
];

/// What the command line makes of it.
fn on_the_command_line((field, id, command, _): &Row, typed: &str) -> Result<Vec<f64>, String> {
    let arguments = Arguments::command();
    let mut deepest = &arguments;
    for word in *command {
        deepest = deepest.find_subcommand(word).unwrap_or(deepest);
    }
    let option = deepest.get_arguments().find(|a| a.get_id() == *id).unwrap_or_else(|| panic!("no option {id}"));
    let option = format!("--{}={typed}", option.get_long().unwrap());
    let line = std::iter::once("loudenough").chain(command.iter().copied()).chain([option.as_str()]);
    let matches = arguments.try_get_matches_from(line).map_err(|error| error.to_string())?;
    let mut inner: &ArgMatches = &matches;
    while let Some((_, deeper)) = inner.subcommand() {
        inner = deeper;
    }
    Ok(match field.row().takes {
        Takes::List => inner.get_many::<f64>(id).unwrap().copied().collect(),
        Takes::Whole => vec![f64::from(*inner.get_one::<u32>(id).unwrap())],
        Takes::WithHalf if *field != Field::Divider => estimate(inner.get_one::<Estimate>(id).copied()),
        Takes::Two => {
            let read = inner.get_one::<[MeterReading; 2]>(id).unwrap();
            read.iter().map(|r| r.volts).chain([read.iter().map(|r| r.last_digit_v).fold(0.0, f64::max)]).collect()
        }
        Takes::Channels if *id == "left_ear" => vec![f64::from(*inner.get_one::<u16>(id).unwrap())],
        Takes::Channels => inner.get_one::<Vec<u16>>(id).unwrap().iter().map(|c| f64::from(*c)).collect(),
        _ if *field == Field::Reading => inner.get_one::<MeterReading>(id).map(|r| r.volts).into_iter().collect(),
        _ if ["check", "divider_ohm"].contains(id) => inner.get_one::<[f64; 2]>(id).unwrap()[..1].to_vec(),
        _ if *field == Field::HeadphoneSensitivity => vec![inner.get_one::<SheetSensitivity>(id).unwrap().level.value],
        _ if [Field::SheetVolts, Field::SheetSource, Field::HeadphoneImpedance].contains(field) => {
            vec![inner.get_one::<SheetFigure>(id).unwrap().value]
        }
        _ => vec![*inner.get_one::<f64>(id).unwrap()],
    })
}

/// What the window makes of it; `None` where it has no such field.
fn in_the_window((field, _, _, put): &Row, typed: &str) -> Option<Result<Vec<f64>, String>> {
    match put {
        Put::Nowhere => None,
        Put::Form(value) => {
            let calibrated = *field != Field::CeilingDrive && *field != Field::AskedDrive;
            let plan = Plan { sines_hz: vec![997.0], ..records::plan() };
            let start =
                StartState { chain: records::chain(calibrated), plan, ..StartState::simulated("/nowhere".into()) };
            let mut form = Form::new(start);
            if *field == Field::CaptureChannels {
                form.inputs[0].channel = typed.into();
            } else {
                form.typed.set(Field::Offset, "120");
                form.typed.set(*field, typed);
            }
            form.check(&[]);
            Some(match (form.wrong.get(field), form.ready()) {
                (Some(message), _) => Err(message.clone()),
                (None, Some((plan, chain))) => Ok(value(&form, plan, chain)),
                (None, None) => Err(format!("another field: {:?}", form.wrong)),
            })
        }
        Put::Guide(kind, value) => {
            let inputs = [(2, InputRole::Witness), (3, InputRole::Loopback), (4, InputRole::SourceSide)];
            let (mut window, _bench): (Window, _) = electrical::guide(&inputs, *kind);
            let guide = &mut window.state_mut().desk.guide;
            guide.typed.set(Field::Resistor, "33");
            guide.typed.set(Field::SeriesResistor, "100");
            guide.typed.set(*field, typed);
            let read = guide.stated(*kind);
            // The tests' fonts draw ordinary text alone.
            if !typed.is_ascii() {
                return Some(read.map(|procedure| value(&procedure)).map_err(|wrong| wrong.to_string()));
            }
            electrical::next(&mut window);
            let shown = window.state().desk.guide.wrong.clone();
            assert_eq!(shown.as_ref().map(ToString::to_string), read.as_ref().err().map(ToString::to_string));
            Some(read.map(|procedure| value(&procedure)).map_err(|wrong| wrong.to_string()))
        }
    }
}

/// The command line's example: commas part where the window has blanks.
fn with_commas(row: &Row) -> String {
    let example = row.0.row().example;
    match (row.1, row.0.row().takes) {
        ("check", _) => format!("{example},1"),
        ("divider_ohm", _) => format!("{example},{example}"),
        ("divider", _) => "10".into(),
        (_, Takes::List | Takes::WithHalf | Takes::Two) => example.replace(' ', ","),
        _ => example.into(),
    }
}

fn near(a: &[f64], b: &[f64]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() <= 1e-9 * b.abs().max(1.0))
}

#[test]
fn every_field_of_the_table_has_a_row_here() {
    let rows = rows();
    for field in Field::ALL {
        let count =
            rows.iter().filter(|row| row.0 == *field).count() + OTHERWISE.iter().filter(|f| *f == field).count();
        assert_eq!(count, 1, "{field:?}: name the option that takes it, and the window's place");
    }
}

#[test]
fn an_example_means_the_same_on_the_command_line_and_in_the_window() {
    for row in rows() {
        let on_line = on_the_command_line(&row, &with_commas(&row)).unwrap_or_else(|e| panic!("{:?}: {e}", row.0));
        assert!(!on_line.is_empty(), "{:?}", row.0);
        if let Some(shown) = in_the_window(&row, row.0.row().example) {
            let shown = shown.unwrap_or_else(|e| panic!("{:?}: {e}", row.0));
            assert!(near(&on_line, &shown), "{:?}: {on_line:?} and {shown:?}", row.0);
        }
    }
}

#[test]
fn what_lies_outside_the_range_is_refused_by_both_with_one_message() {
    let mut tried = 0;
    for row in rows() {
        let known = row.0.row();
        let step = |end: f64| if known.takes == Takes::Whole { 1.0 } else { (1e-3 * end.abs()).max(1e-9) };
        for outside in [known.low - step(known.low), known.high + step(known.high)] {
            if !outside.is_finite() {
                continue;
            }
            tried += 1;
            let (on_line, typed) = match known.takes {
                Takes::WithHalf if row.1 != "divider" => (format!("{outside},0"), format!("{outside} 0")),
                Takes::Two => (format!("{outside},1"), format!("{outside} 1")),
                _ if row.1 == "check" => (format!("{outside},1"), String::new()),
                _ if row.1 == "divider_ohm" => (format!("{outside},1"), String::new()),
                _ => (outside.to_string(), outside.to_string()),
            };
            let refused = on_the_command_line(&row, &on_line).expect_err(&format!("{:?}: {on_line}", row.0));
            for part in [known.name, &known.range_in_words(), known.unit.symbol()] {
                assert!(refused.contains(part), "{part} is missing: {refused}");
            }
            if let Some(shown) = in_the_window(&row, &typed) {
                let shown = shown.expect_err(&format!("{:?}: {typed}", row.0));
                assert!(refused.contains(&shown), "{refused} and {shown}");
            }
        }
    }
    assert!(tried > 100, "{tried}");
}

#[test]
fn hostile_text_is_refused_by_both_and_nothing_panics() {
    let long = "9".repeat(100_000);
    for row in rows() {
        for typed in HOSTILE.iter().copied().chain([long.as_str()]) {
            let refused = on_the_command_line(&row, typed).expect_err(&format!("{:?} takes {typed:?}", row.0));
            // What nothing is typed in is left as it was.
            if let Some(shown) = in_the_window(&row, typed).filter(|_| !typed.trim().is_empty()) {
                let shown = shown.expect_err(&format!("{:?} takes {typed:?}", row.0));
                assert!(refused.contains(&shown), "{refused} and {shown}");
                assert!(shown.chars().count() < 400 && !shown.chars().any(char::is_control), "{shown:?}");
            }
        }
    }
}

/// A whole chain: every option of `chain new`, and every field of the page with the same text.
#[test]
fn a_chain_typed_on_the_command_line_is_the_chain_typed_in_the_window() {
    let home = tempfile::tempdir().unwrap();
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_loudenough"));
    command.env("LOUDENOUGH_HOME", home.path());
    command.args(["chain", "new", "x", "--json", "--playback", "a", "--capture", "b", "--output", "one"]);
    command.args(["--headphone", "two", "--left-ear", "1"]);
    let chain = Chain { output: "one".into(), headphone: "two".into(), ..Chain::fresh("a", "b") };
    let mut form = Form::new(StartState { chain, ..StartState::simulated("/nowhere".into()) });
    let of_desk = [Field::MicrophoneMax, Field::CardDistortion, Field::PlaybackChannels];
    for row in rows().iter().filter(|row| row.2 == NEW || of_desk.contains(&row.0)) {
        command.arg(format!("--{}={}", row.1.replace('_', "-"), with_commas(row)));
        form.typed.set(row.0, row.0.row().example);
    }
    form.check(&[]);
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let stated: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let on_line: Chain = serde_json::from_value(stated["chain"].clone()).unwrap();
    let shown = &form.ready().unwrap_or_else(|| panic!("{:?}", form.wrong)).1;
    assert_eq!(Chain { name: shown.name.clone(), ..on_line }, *shown);
}

#[test]
fn a_comma_is_never_taken_for_one_that_parts_thousands() {
    for (field, option, typed) in [(Field::Volts, "--volts", "10,000"), (Field::Cable, "--cable", "1,000")] {
        let row = rows().into_iter().find(|row| row.0 == field).unwrap();
        let refused = on_the_command_line(&row, typed).unwrap_err();
        assert!(refused.contains(option) && refused.contains("and half its 95 % interval"), "{refused}");
    }
}
