//! Histories of sessions as a desk collects them: the stock's answers never get worse by a poorer session that comes later, and
//! never depend on the order.

use crate::common::sessions::{chain, plan, run};
use loudenough::account::document::{self as doc, Part};
use loudenough::account::picture::Mark;
use loudenough::account::stock::About;
use loudenough::account::{self, Added};
use loudenough::analysis::{Flaw, Weight};
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec};
use loudenough::calibration::electrical::InputVolts;
use loudenough::card::{CaptureChannel, InputRole};
use loudenough::judgement::comparison::Hears;
use loudenough::session::plan::{HeadroomRule, ListeningLevel, Plan, Weighting};
use loudenough::session::record::Record;
use loudenough::stats::{Draws, Estimate, NORMAL_95, Reading};
use loudenough::stock::{
    Cell, FIT_HALF_WIDTH_DB, KeptListener, KnownHeadphone, Learnt, LevelFrom, Listener, Matrix, MeasuredLevel,
    OutputName, Stock, folder, learn,
};
use loudenough::units::DbSpl;
use std::f64::consts::SQRT_2;
use std::path::Path;
use std::sync::OnceLock;

const HISTORIES: u64 = 200;
/// Sums in another order.
const ROUNDING_DB: f64 = 1e-9;

/// Kinds of sessions, the poorest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    Uncalibrated,
    Interrupted,
    Doubtful,
    /// It went up to the listener's headroom and found no limit.
    Quick,
    /// Its ceiling ended it.
    Bounded,
    Full,
    ThreeSeats,
}

const KINDS: [Kind; 7] =
    [Kind::Uncalibrated, Kind::Interrupted, Kind::Doubtful, Kind::Quick, Kind::Bounded, Kind::Full, Kind::ThreeSeats];

fn listener() -> Listener {
    let level = ListeningLevel { level: DbSpl(70.0), weighting: Weighting::Z, field: None };
    Listener { level: Some(level), level_from: LevelFrom::Stated, half_width_db: 0.0, rule: HeadroomRule::default() }
}

/// An output that clips at 3 V, and a headphone of so many ohms.
fn session(output: &str, ohm: f64, seed: u64, plan: Plan, sessions: &Path) -> Record {
    let mut spec = BenchSpec { seed, ..BenchSpec::default() };
    spec.output.volts_per_fs = 4.5;
    spec.output.source_ohm = 0.5;
    (spec.output.positive_limit_v, spec.output.negative_limit_v) = (Some(3.0), Some(3.0));
    spec.headphone.load_ohm = ohm;
    let mut chain = chain(&spec);
    chain.output = output.into();
    chain.headphone = format!("{ohm} ohm");
    let known = |value: f64| Some(Estimate::symmetric(value, 0.005 * value));
    let side = &mut chain.output_side;
    side.volts_per_full_scale = known(spec.output.volts_per_fs / SQRT_2);
    side.source_impedance_ohm = known(spec.output.source_ohm);
    side.load_impedance_ohm = known(ohm);
    run(&spec, SimulatedCardSpec::default(), plan, chain, sessions).unwrap().0
}

/// One session of each kind of the pairing that is watched, and what its neighbours teach.
struct Templates {
    kinds: Vec<(Kind, Learnt)>,
    neighbours: Vec<Learnt>,
}

/// Played once for all tests here.
fn templates() -> &'static Templates {
    static ONCE: OnceLock<Templates> = OnceLock::new();
    ONCE.get_or_init(|| Templates::of(tempfile::tempdir().unwrap().path()))
}

/// The whole session on one seat.
fn full() -> Learnt {
    templates().kinds.iter().find(|(kind, _)| *kind == Kind::Full).unwrap().1.clone()
}

impl Templates {
    fn of(folder: &Path) -> Templates {
        let of = |output: &str, ohm: f64, seed: u64| session(output, ohm, seed, plan(70.0), folder);
        let full = of("first", 80.0, 1);
        let quick = Plan { listening: plan(70.0).listening, ..Plan::quick_look(full.head.playback.rate) };
        let quick = session("first", 80.0, 3, quick, folder);
        let mut cut = full.clone();
        cut.steps.truncate(cut.steps.len() / 2 + 2);
        cut.events.clear();
        let kinds = KINDS.map(|kind| {
            let record = match kind {
                Kind::Quick => &quick,
                Kind::Interrupted => &cut,
                _ => &full,
            };
            let mut learnt = learn(record).unwrap();
            match kind {
                Kind::Uncalibrated => {
                    learnt.level_spl = Reading::NotDetermined("no offset".into());
                    learnt.per_volt = None;
                }
                Kind::Bounded => {
                    let bound = |reading: &Reading| Reading::AtLeast(reading.estimate().unwrap().shifted(-6.0));
                    learnt.level_spl = bound(&learnt.level_spl);
                    if let Some(limit) = &mut learnt.limit {
                        limit.limit_db = bound(&limit.limit_db);
                    }
                }
                Kind::Doubtful => learnt.judgement.flaws.push(Flaw::doubt("test", "in doubt")),
                Kind::ThreeSeats => {
                    learnt.seats = 3;
                    if let Some(per_volt) = &mut learnt.per_volt {
                        per_volt.fit_half_width_db = 0.5;
                    }
                }
                Kind::Interrupted | Kind::Quick | Kind::Full => {}
            }
            (kind, learnt)
        });
        // The first two are predicted from the pairing that is watched and the third; the fourth tells volts from milliamperes.
        let neighbours = [of("first", 300.0, 5), of("second", 80.0, 6), of("second", 300.0, 7), of("first", 150.0, 8)];
        Templates { kinds: kinds.into(), neighbours: neighbours.iter().filter_map(learn).collect() }
    }

    /// One of a kind, later than those before it, off by what its seat and its noise made of it.
    fn drawn(&self, kind: Kind, minute: usize, random: &mut Draws) -> Learnt {
        let (_, template) = self.kinds.iter().find(|(k, _)| *k == kind).unwrap();
        let mut learnt = template.clone();
        learnt.id = format!("{kind:?}-{minute}");
        learnt.started_at = format!("2026-03-01T10:{minute:02}:00+00:00");
        learnt.listening = [None, plan(60.0).listening, plan(75.0).listening][minute % 3];
        let off = 0.3 * FIT_HALF_WIDTH_DB / NORMAL_95 * random.normal();
        learnt.level_spl = learnt.level_spl.plus(&Estimate::exact(off));
        for (_, db) in learnt.per_volt.iter_mut().flat_map(|p| &mut p.bands) {
            *db += off;
        }
        learnt
    }
}

fn one_of<T: Copy>(random: &mut Draws, all: &[T]) -> T {
    all[(random.uniform() * all.len() as f64) as usize % all.len()]
}

fn shuffled(mut sessions: Vec<Learnt>, random: &mut Draws) -> Vec<Learnt> {
    for i in (1..sessions.len()).rev() {
        sessions.swap(i, (random.uniform() * (i + 1) as f64) as usize % (i + 1));
    }
    sessions
}

fn stock(sessions: &[Learnt]) -> Stock {
    Stock { sessions: sessions.to_vec(), ..Stock::default() }
}

/// What is determined stays as before, a bound is no lower, and what was not determined is no matter.
fn worse(now: &Reading, before: &Reading) -> bool {
    match (before, now) {
        (Reading::NotDetermined(_), _) => false,
        (Reading::AtLeast(_) | Reading::Below(_), Reading::Determined(_)) => false,
        (Reading::AtLeast(before), Reading::AtLeast(now)) => now.interval.low < before.interval.low - ROUNDING_DB,
        (Reading::Determined(before), Reading::Determined(now)) => {
            let moved = |of: fn(&Estimate) -> f64| (of(now) - of(before)).abs() > ROUNDING_DB;
            moved(|e| e.value) || moved(|e| e.interval.low) || moved(|e| e.interval.high)
        }
        (before, now) => before != now,
    }
}

fn cells(sessions: &[Learnt]) -> Vec<Cell> {
    Matrix::of(&stock(sessions), &listener()).cells
}

#[test]
fn no_history_makes_an_answer_worse_or_depends_on_its_order() {
    let templates = templates();
    for (kind, learnt) in &templates.kinds {
        let stated = matches!(learnt.level_spl, Reading::Determined(_));
        let expected = matches!(kind, Kind::Doubtful | Kind::Full | Kind::ThreeSeats);
        assert!(stated == expected || *kind == Kind::Quick, "{kind:?}: {:?}", learnt.level_spl);
        assert_eq!(learnt.level_spl.estimate().is_none(), *kind == Kind::Uncalibrated, "{kind:?}");
        assert_eq!(learnt.finished, *kind != Kind::Interrupted, "{kind:?}");
    }
    let mut random = Draws::new(20_261_129);
    let (mut poorer, mut several, mut predicted) = (0, 0, 0);
    for history in 0..HISTORIES {
        let mut sessions = templates.neighbours.clone();
        let mut kinds: Vec<Kind> = Vec::new();
        let mut before = cells(&sessions);
        let length = 2 + history as usize % 5;
        for minute in 0..length {
            let kind = one_of(&mut random, &KINDS);
            sessions.push(templates.drawn(kind, minute, &mut random));
            let now = cells(&sessions);
            // A poorer one leaves every answer of the stock as it was, or raises a lower bound.
            if kinds.iter().max().is_some_and(|best| kind < *best) {
                poorer += 1;
                let neighbour = |cell: &&Cell| (cell.output.name == "first") != (cell.headphone == "80 ohm");
                let stated = before.iter().filter(neighbour).filter(|c| c.predicted.level_spl.estimate().is_some());
                predicted += stated.count();
                for (before, now) in before.iter().zip(&now) {
                    let at = format!("history {history}: {kinds:?} then {kind:?}: {before:#?} {now:#?}");
                    assert!(!worse(&now.best().level_spl, &before.best().level_spl), "{at}");
                    assert!(!worse(&now.predicted.level_spl, &before.predicted.level_spl), "{at}");
                    assert!(now.best().verdict.firm || !before.best().verdict.firm, "{at}");
                    assert!(now.predicted.verdict.firm || !before.predicted.verdict.firm, "{at}");
                }
            }
            kinds.push(kind);
            before = now;
        }
        let again = cells(&shuffled(sessions.clone(), &mut random));
        assert_eq!(before, again, "history {history}: {kinds:?}");
        // All stay reachable.
        let watched = before.iter().find(|c| c.output.name == "first" && c.headphone == "80 ohm").unwrap();
        assert_eq!(watched.others.len() + 1, length);
        several += usize::from(!watched.others.is_empty() && watched.others.iter().all(|(_, why)| !why.is_empty()));
        // A finished session with a limit and no doubts leads where there is one.
        if let Some(best) = kinds.iter().max().filter(|best| **best >= Kind::Full) {
            assert!(watched.measured.as_ref().unwrap().0.starts_with(&format!("{best:?}")), "{kinds:?} {watched:#?}");
        }
    }
    println!("{poorer} poorer ones, {predicted} predictions beside them, {several} pairings of several sessions");
    assert!(poorer > 200 && several > 100 && predicted > 100, "{poorer} {several} {predicted}");
}

/// Headphones that sit as the default says, in one to four sessions as good as each other: the loudness that the stock tells
/// holds the truth in 93 to 97 %.
#[test]
fn the_loudness_of_a_headphone_holds_the_truth_as_often_as_it_says() {
    const DRAWN: usize = 1_000;
    let full = full();
    let own = full.per_volt.as_ref().unwrap().half_width_db;
    let of = |sessions: &[Learnt]| {
        let all: Vec<&Learnt> = sessions.iter().collect();
        KnownHeadphone::of("80 ohm", None, &all).per_volt_db().unwrap()
    };
    let truth = of(std::slice::from_ref(&full)).value;
    let mut random = Draws::new(7);
    for n in 1..=4 {
        let mut held = 0;
        for _ in 0..DRAWN {
            // The desk's own error is the same in all of them, the seat is not.
            let desk = own / NORMAL_95 * random.normal();
            let drawn = |minute: usize| {
                let mut learnt = full.clone();
                learnt.id = format!("{minute}");
                let off = desk + FIT_HALF_WIDTH_DB / NORMAL_95 * random.normal();
                learnt.per_volt.iter_mut().flat_map(|p| &mut p.bands).for_each(|(_, db)| *db += off);
                learnt
            };
            let sessions: Vec<Learnt> = (0..n).map(drawn).collect();
            held += usize::from(of(&sessions).holds(truth));
        }
        let share = held as f64 / DRAWN as f64;
        println!("{n} sessions: {:.1} %", 100.0 * share);
        // Three standard deviations of the count beside the 93–97 % that are asked.
        let scatter = 3.0 * (0.95 * 0.05 / DRAWN as f64).sqrt();
        assert!((share - 0.95).abs() < 0.02 + scatter, "{n} sessions: {share}");
    }
}

/// A session that contradicts the one that leads is reported beside it.
#[test]
fn a_contradiction_between_two_sessions_is_said() {
    let full = full();
    let mut louder = full.clone();
    louder.id = "louder".into();
    louder.level_spl = louder.level_spl.plus(&Estimate::exact(6.0));
    let name = OutputName { name: "first".into(), positions: String::new() };
    let said = |sessions: &[Learnt]| {
        let cell = Cell::of(&stock(sessions), &name, "80 ohm", &listener());
        cell.best().remarks.iter().filter(|r| r.contains("outside both intervals")).count()
    };
    assert_eq!((said(&[full.clone(), louder]), said(std::slice::from_ref(&full))), (1, 0));
}

/// One pairing has the same figures in the matrix, at its point of the map, and in the report; what was seen of a limit is said,
/// what was not is not.
#[test]
fn matrix_map_and_report_say_the_same_of_a_pairing() {
    let templates = templates();
    let bounded = templates.kinds.iter().find(|(kind, _)| *kind == Kind::Bounded).unwrap().1.clone();
    let stock = stock(&[templates.neighbours[..2].to_vec(), vec![bounded]].concat());
    let matrix = Matrix::of(&stock, &listener());
    let report = account::stock::document(&stock, &listener(), &About::All, &Added::default());
    let table = report.sections.iter().flat_map(|s| &s.parts).find_map(|part| match part {
        Part::Table(table) if table.name == "pairings" => Some(table),
        _ => None,
    });
    let table = table.unwrap();
    for output in stock.output_names() {
        let map = stock.map(&output, &listener(), 9).unwrap();
        assert!(!map.points.is_empty());
        for point in &map.points {
            let cell = matrix.cells.iter().find(|c| c.output == output && c.headphone == point.headphone).unwrap();
            assert_eq!(point.says, *cell.best());
            let row = table
                .rows
                .iter()
                .find(|row| row[0] == doc::Cell::text(output.words()) && row[1] == doc::Cell::text(&cell.headphone));
            let row = row.unwrap();
            assert_eq!(row[4], doc::Cell::reading(Some(&cell.best().level_spl), 1));
            assert_eq!(row[5], doc::Cell::reading(Some(&cell.best().headroom_db), 1));
            assert_eq!(row[6], doc::Cell::text(cell.best().verdict.to_string()));
            // A bound was not ended by the output.
            if matches!(cell.best().level_spl, Reading::AtLeast(_)) && cell.measured.is_some() {
                assert_eq!((cell.best().stopped_by, &row[8]), (None, &doc::Cell::text("")));
            }
        }
        // Two lines of the same sort never share a name; headphones are named in the legend, not on the curves.
        let picture = account::stock::map_picture(1, &map, &stock).unwrap();
        assert!(picture.texts.is_empty());
        assert!(map.points.iter().all(|p| picture.series.iter().any(|s| s.name.starts_with(&p.headphone))));
    }
    let bounds =
        matrix.cells.iter().filter(|c| c.measured.is_some() && c.best().level_spl.determined().is_none()).count();
    assert_eq!(bounds, 1);
}

/// An output that no session saw at its limit: every border is one from above, drawn with arrows.
#[test]
fn a_map_without_a_limit_is_drawn_as_a_bound() {
    let templates = templates();
    let bounded = templates.kinds.iter().find(|(kind, _)| *kind == Kind::Bounded).unwrap().1.clone();
    let stock = stock(&[bounded]);
    let map = stock.map(&stock.output_names()[0], &listener(), 60).unwrap();
    assert!(map.columns.iter().all(|c| c.borders_db.iter().all(|b| matches!(b, Reading::Below(_)))), "{map:?}");
    assert!(map.columns.iter().all(|c| c.stopped_by.is_none()));
    let picture = account::stock::map_picture(1, &map, &stock).unwrap();
    let arrows = picture.series.iter().filter(|s| s.mark == Some(Mark::Below));
    assert!(arrows.map(|s| s.points.len()).sum::<usize>() >= 3 * 10 && picture.says.contains("Arrows down"));
    let full = self::stock(&[full(), templates.neighbours[0].clone()]);
    let map = full.map(&full.output_names()[0], &listener(), 60).unwrap();
    let seen = account::stock::map_picture(1, &map, &full).unwrap();
    let stated = |p: &loudenough::account::picture::Picture| {
        p.series.iter().filter(|s| s.mark == Some(Mark::Below)).map(|s| s.points.len()).sum::<usize>()
    };
    assert!(stated(&seen) < stated(&picture), "{}", seen.says);
}

/// A listening level is the listener's: what sessions were planned for is nobody's here.
#[test]
fn the_listening_level_is_never_that_of_a_session() {
    let mut stock = stock(&[full()]);
    assert!(stock.sessions[0].listening.is_some());
    let of = |stock: &Stock, stated| stock.listener(stated, HeadroomRule::default());
    assert_eq!((of(&stock, None).level, of(&stock, None).level_from), (None, LevelFrom::Stated));
    let none = Matrix::of(&stock, &of(&stock, None));
    assert!(none.cells.iter().all(
        |c| matches!(&c.best().headroom_db, Reading::NotDetermined(why) if why.contains("no listening level is kept"))
    ));
    let [quiet, loud] = [60.0, 80.0].map(|db| plan(db).listening);
    let hears = Hears { response_db: Some(0.5), noise_db_spl: Some(-3.0), ..Hears::default() };
    let stated_at = "2026-03-01T09:00:00+00:00".into();
    stock.listener = Some(KeptListener { stated_at, listening: quiet.unwrap(), hears, measured: None });
    assert_eq!((of(&stock, None).level, of(&stock, None).level_from), (quiet, LevelFrom::Kept));
    assert_eq!((of(&stock, loud).level, of(&stock, loud).level_from), (loud, LevelFrom::Stated));
    let home = tempfile::tempdir().unwrap();
    assert_eq!(folder::listener(home.path()).unwrap(), None);
    folder::keep_listener(home.path(), stock.listener.as_ref().unwrap()).unwrap();
    assert_eq!(folder::listener(home.path()).unwrap(), stock.listener);
    assert!(folder::forget_listener(home.path()).unwrap() && !folder::forget_listener(home.path()).unwrap());
}

/// A level that was measured at the listener's own volume position is known to an interval, and the headroom to no less.
#[test]
fn the_headroom_carries_the_interval_of_a_measured_listening_level() {
    let mut stock = stock(&[full()]);
    let mut half_widths = [None, Some(0.9)].map(|half_width_db| {
        let measured = half_width_db.map(|half_width_db| MeasuredLevel {
            half_width_db,
            by: "own music".into(),
            listened_s: 60.0,
            output: "invented output".into(),
            headphone: "invented headphone".into(),
        });
        let stated_at = "2026-03-01T09:00:00+00:00".into();
        let listening = plan(60.0).listening.unwrap();
        stock.listener = Some(KeptListener { stated_at, listening, hears: Hears::default(), measured });
        let matrix = Matrix::of(&stock, &stock.listener(None, HeadroomRule::default()));
        matrix.cells[0].best().headroom_db.estimate().unwrap().half_width()
    });
    half_widths[0] = half_widths[0].hypot(0.9);
    assert!((half_widths[0] - half_widths[1]).abs() < 1e-9, "{half_widths:?}");
}

/// A witness whose volts were calibrated wrongly is held against what the output's volts and the impedances make of the drive.
#[test]
fn a_witness_that_reads_other_volts_is_a_doubt_on_both() {
    let folder = tempfile::tempdir().unwrap();
    let mut spec = BenchSpec { seed: 8, ..BenchSpec::default() };
    spec.output.volts_per_fs = 2.0;
    spec.output.source_ohm = 10.0;
    spec.headphone.load_ohm = 80.0;
    let mut chain = chain(&spec);
    chain.routing.capture_channels.push(CaptureChannel { channel: 2, role: InputRole::Witness });
    let side = &mut chain.output_side;
    side.volts_per_full_scale = Some(Estimate::symmetric(2.0 / SQRT_2, 0.01));
    side.source_impedance_ohm = Some(Estimate::symmetric(10.0, 0.2));
    side.load_impedance_ohm = Some(Estimate::symmetric(80.0, 0.8));
    let quick = Plan { listening: plan(70.0).listening, ..Plan::quick_look(chain.routing.playback_rate) };
    let mut record = run(&spec, SimulatedCardSpec::default(), quick, chain, folder.path()).unwrap().0;
    let full_scale_v = spec.lines_in.witness_full_scale_v / SQRT_2;
    let mut doubts = |volts: Option<f64>| {
        record.head.chain.input_volts = volts
            .map(|volts| {
                let calibrated = InputVolts {
                    volts_per_full_scale: Estimate::symmetric(volts, 0.005 * volts),
                    meter: None,
                    divider: 1.0,
                    taken_at: String::new(),
                };
                (InputRole::Witness, calibrated)
            })
            .into_iter()
            .collect();
        let flaws = learn(&record).unwrap().judgement.flaws;
        flaws.iter().filter(|f| f.code == "volts-disagree" && f.weight == Weight::Doubt).count()
    };
    assert_eq!((doubts(None), doubts(Some(full_scale_v))), (0, 0));
    // 5 % off, outside 0.5 % and about 1 %.
    assert_eq!((doubts(Some(1.05 * full_scale_v)), doubts(Some(0.95 * full_scale_v))), (1, 1));
}

/// A prediction that stands on a doubtful session alone says so; beside a session without doubts it does not count.
#[test]
fn a_prediction_from_a_doubtful_session_is_in_doubt() {
    let templates = templates();
    let of = |kind: Kind| templates.kinds.iter().find(|(k, _)| *k == kind).unwrap().1.clone();
    let name = OutputName { name: "second".into(), positions: String::new() };
    let [_, second, ..] = templates.neighbours.as_slice() else { panic!() };
    let mut other = second.clone();
    other.headphone = "another".into();
    let firm = |sessions: &[Learnt]| {
        let cell = Cell::of(&stock(sessions), &name, "80 ohm", &listener());
        assert!(cell.predicted.level_spl.estimate().is_some(), "{cell:?}");
        cell.predicted.verdict.firm
    };
    assert!(firm(&[other.clone(), of(Kind::Full)]));
    assert!(!firm(&[other.clone(), of(Kind::Doubtful)]));
    assert!(firm(&[other, of(Kind::Doubtful), of(Kind::Full)]));
}
