//! The stock on the simulated bench: limits of an output from several loads, predictions beside measurements, and how often
//! their intervals hold the truth.

use crate::common::sessions::{chain, plan, run};
use loudenough::audio::simulated::{BenchSpec, HEADPHONES, OUTPUTS, SimulatedCardSpec};
use loudenough::session::plan::{HeadroomRule, ListeningLevel, Weighting};
use loudenough::session::record::Record;
use loudenough::stats::{Draws, Estimate, NORMAL_95, Reading};
use loudenough::stock::{
    KnownHeadphone, KnownOutput, LevelFrom, LimitTest, Limits, Listener, Loudness, Matrix, Ohms, OutputName, Stock,
    StoppedBy, learn, peaks_db, predict,
};
use loudenough::units::DbSpl;
use std::f64::consts::SQRT_2;
use std::path::Path;

/// Volts and milliamperes of a limit, dB.
const LIMIT_DB: f64 = 0.2;
/// Borders of the map, dB.
const BORDER_DB: f64 = 0.3;
/// A prediction beside its measurement: two level intervals and what the ohms leave, dB.
const PREDICTED_DB: f64 = 0.2;
/// Half widths of what the bench was told of itself: volts 0.05 dB, ohms 1 %.
const VOLTS_SHARE: f64 = 0.005;
const OHMS_SHARE: f64 = 0.01;

fn listener() -> Listener {
    let level = ListeningLevel { level: DbSpl(70.0), weighting: Weighting::Z, field: None };
    Listener { level: Some(level), level_from: LevelFrom::Stated, half_width_db: 0.0, rule: HeadroomRule::default() }
}

/// A session whose chain knows the volts of the output and both impedances.
fn session(spec: &BenchSpec, output: &str, headphone: &str, sessions: &Path) -> Record {
    let mut chain = chain(spec);
    chain.output = output.into();
    chain.headphone = headphone.into();
    let known = |value: f64, share: f64| Some(Estimate::symmetric(value, share * value));
    let side = &mut chain.output_side;
    side.volts_per_full_scale = known(spec.output.volts_per_fs / SQRT_2, VOLTS_SHARE);
    side.source_impedance_ohm = known(spec.output.source_ohm, OHMS_SHARE);
    side.load_impedance_ohm = known(spec.headphone.load_ohm, OHMS_SHARE);
    run(spec, SimulatedCardSpec::default(), plan(70.0), chain, sessions).unwrap().0
}

fn peak_db(volts: f64) -> f64 {
    20.0 * volts.log10()
}

/// 3 V and 80 mA meet at 37 Ω: two loads below, two above.
#[test]
fn volts_and_milliamperes_come_from_sessions_on_several_loads() {
    let folder = tempfile::tempdir().unwrap();
    let mut stock = Stock::default();
    for (i, ohm) in [16.0, 25.0, 80.0, 300.0].into_iter().enumerate() {
        let mut spec = BenchSpec { seed: 10 + i as u64, ..BenchSpec::default() };
        spec.output.volts_per_fs = 4.5;
        spec.output.source_ohm = 0.5;
        (spec.output.positive_limit_v, spec.output.negative_limit_v) = (Some(3.0), Some(3.0));
        spec.output.current_limit_a = Some(0.08);
        spec.headphone.load_ohm = ohm;
        // As loud with every load.
        spec.headphone.sensitivity_pa_per_v = if ohm < 40.0 { 12.0 } else { 5.0 };
        stock.sessions.extend(learn(&session(&spec, "invented output", &format!("{ohm} ohm"), folder.path())));
    }
    let name = OutputName { name: "invented output".into(), positions: String::new() };
    let all = stock.output(&name, |_| true);
    let (volts, amperes) = (all.limits.volts_db(), all.limits.amperes_db());
    let stated = |r: &Reading, truth: f64| r.determined().is_some_and(|e| (e.value - peak_db(truth)).abs() < LIMIT_DB);
    assert!(stated(&volts, 3.0) && stated(&amperes, 0.08), "{volts:?} {amperes:?} {:?}", all.limits.tests);
    // The map's borders along all impedances, by the closed form of the desk: the pink noise whose peak reaches the limit,
    // behind the divider.
    let map = stock.map(&name, &listener(), 60).unwrap();
    assert_eq!(map.columns.len(), 60);
    for column in &map.columns {
        let open = 3f64.min(0.08 * (column.ohm + 0.5)).min(4.5);
        let volts_db = peak_db(open * column.ohm / (column.ohm + 0.5)) - stock.true_peak_factor_db();
        for (border, headroom) in column.borders_db.iter().zip([20.0, 15.0, 0.0]) {
            let stated = border.determined().unwrap_or_else(|| panic!("{} Ω: {border:?}", column.ohm));
            assert!((stated.value - (70.0 + headroom - volts_db)).abs() < BORDER_DB, "{} Ω: {stated:?}", column.ohm);
        }
        let by = if column.ohm < 36.0 { StoppedBy::Amperes } else { StoppedBy::Volts };
        assert!((35.0..40.0).contains(&column.ohm) || column.stopped_by == Some(by), "{column:?}");
    }
    // From a load on either side the same; from one load alone neither.
    let two = stock.output(&name, |s| ["16 ohm", "300 ohm"].contains(&s.headphone.as_str()));
    assert!(stated(&two.limits.volts_db(), 3.0) && stated(&two.limits.amperes_db(), 0.08), "{:?}", two.limits);
    let one = stock.output(&name, |s| s.headphone == "300 ohm");
    assert!(one.limits.volts_db().determined().is_none(), "{:?}", one.limits);
    let (here, by) = all.limits.at(&Estimate::exact(peak_db(20.5)));
    assert!(stated(&here, 0.08 * 20.5) && by == Some(StoppedBy::Amperes), "{here:?}");
}

/// Every pairing of the demo, measured, and predicted from the others.
#[test]
fn each_pairing_of_the_demo_is_predicted_from_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let mut stock = Stock::default();
    for (i, output) in OUTPUTS.iter().enumerate() {
        for (j, headphone) in HEADPHONES.iter().enumerate() {
            let mut spec = BenchSpec::named(output, headphone).unwrap();
            spec.seed = 100 + (10 * i + j) as u64;
            stock.sessions.extend(learn(&session(&spec, output, headphone, folder.path())));
        }
    }
    let matrix = Matrix::of(&stock, &listener());
    assert_eq!((matrix.outputs.len(), matrix.headphones.len(), matrix.cells.len()), (3, 4, 12));
    for cell in &matrix.cells {
        let (_, measured) = cell.measured.as_ref().unwrap();
        let (measured, predicted) = (&measured.level_spl, &cell.predicted.level_spl);
        match (measured, predicted) {
            (Reading::Determined(truth), Reading::Determined(e)) => {
                assert!((e.value - truth.value).abs() < PREDICTED_DB && cell.error_db.is_some(), "{cell:?}")
            }
            (Reading::Determined(truth), Reading::AtLeast(e)) => {
                assert!(e.interval.low < truth.interval.high, "{cell:?}")
            }
            // The ceiling ended that climb.
            (Reading::AtLeast(least), Reading::Determined(e)) => {
                assert!(e.interval.high > least.interval.low, "{cell:?}")
            }
            (Reading::AtLeast(_), Reading::AtLeast(_)) => {}
            other => panic!("{other:?} {cell:?}"),
        }
    }
    let stated = matrix.cells.iter().filter(|c| c.predicted.level_spl.determined().is_some()).count();
    assert!(stated >= 8, "{stated}");
    let ranking = matrix.ranking(&matrix.outputs[0]);
    let headrooms: Vec<f64> = ranking.iter().filter_map(|c| Some(c.best().headroom_db.estimate()?.value)).collect();
    assert!(headrooms.len() == 4 && headrooms.is_sorted_by(|a, b| a >= b), "{headrooms:?}");
}

/// 1 000 pairings drawn from their own intervals (LOUDENOUGH_CASES says more): an output with a limit in
/// volts and one in current, measured on two loads; a headphone measured on another output; the prediction's 95 % interval
/// holds the truth in 93–97 %. The truth is computed beside the program, from the drawn values alone.
#[test]
fn intervals_of_predictions_hold_the_truth_as_often_as_they_say() {
    let cases: u64 = std::env::var("LOUDENOUGH_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(1_000);
    let mut random = Draws::new(20_261_126);
    let (mut stated, mut held, mut bounds, mut kept) = (0u64, 0u64, 0u64, 0u64);
    for _ in 0..cases {
        let case = Case::drawn(&mut random);
        match predict(&case.output, &case.headphone, &listener(), TRUE_PEAK_FACTOR_DB).level_spl {
            Reading::Determined(e) => {
                stated += 1;
                held += u64::from(e.holds(case.truth));
            }
            Reading::AtLeast(e) => {
                bounds += 1;
                kept += u64::from(e.interval.low <= case.truth);
            }
            other => panic!("{other:?}"),
        }
    }
    let share = |n: u64, of: u64| 100.0 * n as f64 / of as f64;
    println!("told {stated}, held {:.1} %; bounds {bounds}, kept {:.1} %", share(held, stated), share(kept, bounds));
    assert!(2 * stated > cases, "{stated} of {cases} told");
    // Three standard deviations of the count beside the 93–97 % that are asked of a thousand.
    let scatter = 100.0 * 3.0 * (0.95 * 0.05 / stated as f64).sqrt();
    assert!((share(held, stated) - 95.0).abs() < 2.0f64.max(scatter), "{} %", share(held, stated));
    assert!(share(kept, bounds) > 95.0 - scatter, "{} %", share(kept, bounds));
}

/// Plain ratio of the pink noise's true peak and RMS.
const TRUE_PEAK_FACTOR_DB: f64 = 12.5;

struct Case {
    output: KnownOutput,
    headphone: KnownHeadphone,
    /// Highest clean level of the pairing, dB SPL.
    truth: f64,
}

impl Case {
    fn drawn(random: &mut Draws) -> Case {
        let log = |random: &mut Draws, low: f64, high: f64| low * (high / low).powf(random.uniform());
        let (limit_v, limit_a) = (log(random, 1.0, 8.0), log(random, 0.02, 0.2));
        let (source, full_v) = (log(random, 0.2, 20.0), log(random, 1.0, 20.0));
        // What is read of a value: its own normal error, and the half width that says so.
        let read = |random: &mut Draws, truth: f64, half: f64| {
            Estimate::symmetric(truth + half / NORMAL_95 * random.normal(), half)
        };
        let volts_half = log(random, 0.02, 0.2);
        let volts_off = volts_half / NORMAL_95 * random.normal();
        let plain = |ohm: f64| Ohms { magnitude: Estimate::exact(ohm), curve: None };
        let open = |z: f64| limit_v.min(limit_a * (z + source)).min(full_v);
        let test = |random: &mut Draws, z: f64| {
            let truth = peak_db(open(z));
            let half = log(random, 0.02, 0.1);
            let limit = read(random, truth, half).shifted(volts_off);
            let full = open(z) >= full_v;
            LimitTest {
                from: String::new(),
                z_db: peaks_db(&plain(source), &plain(z)),
                limit_db: if full {
                    Reading::AtLeast(Estimate::exact(truth + volts_off))
                } else {
                    Reading::Determined(limit)
                },
            }
        };
        let tests = vec![test(random, 20.0), test(random, 200.0)];
        let output = KnownOutput {
            name: OutputName { name: "drawn".into(), positions: String::new() },
            open_db: Some(Estimate::symmetric(peak_db(full_v / SQRT_2) + volts_off, volts_half)),
            source: Some(plain(source)),
            source_is_default: false,
            limits: Limits::of(tests),
            gain_by_load: Vec::new(),
            in_doubt: false,
            from: Vec::new(),
        };
        let ohm = log(random, 12.0, 400.0);
        let (sensitivity, half) = (95.0 + 25.0 * random.uniform(), log(random, 0.1, 1.0));
        let headphone = KnownHeadphone {
            name: "drawn".into(),
            load: Some(plain(ohm)),
            loudness: Ok(Loudness::Pink { db_per_volt: read(random, sensitivity, half), response_unknown: false }),
            coupler: None,
            shape: Vec::new(),
            seats: 3,
            isolation_db: None,
            in_doubt: false,
            from: Vec::new(),
        };
        let truth = sensitivity + peak_db(open(ohm) * ohm / (ohm + source)) - TRUE_PEAK_FACTOR_DB;
        Case { output, headphone, truth }
    }
}
