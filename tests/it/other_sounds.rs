//! A session that plays every other sound at a level asked for, on the simulated bench, stored and recomputed.

use crate::common::sessions::{bench, chain, plan, run};
use loudenough::analysis::{Finding, ResponsePoint, Weight};
use loudenough::audio::simulated::{BenchSpec, SimulatedCardSpec};
use loudenough::judgement::judge;
use loudenough::session::chain::Chain;
use loudenough::session::plan::{AskedLevel, Ceilings, Plan, PlanError};
use loudenough::session::protocol::{Command, Event, SessionRequest};
use loudenough::session::reanalyse::reanalyse;
use loudenough::session::record::StepResult;
use loudenough::session::step::Purpose;
use loudenough::signal::{Burst, Noise, Per, Shaped, Stimulus, Sweep, TableRow, TwoTones};
use loudenough::stats::Reading;
use loudenough::units::{DbSpl, Dbfs, SampleRate};

/// Predicted from the quiet reference, dB.
const PREDICTED_DB: f64 = 0.1;
/// Responses of one seat at one level agree within this, dB.
const SAME_RESPONSE_DB: f64 = 0.05;

fn sounds() -> Vec<Stimulus> {
    let row = |frequency_hz, level_db| TableRow { frequency_hz, level_db };
    let table = vec![row(100.0, -6.0), row(1000.0, 0.0), row(8000.0, -12.0)];
    vec![
        Stimulus::TwoTones(TwoTones::Modulation),
        Stimulus::TwoTones(TwoTones::DifferenceFrequency),
        Stimulus::Sweep(Sweep::STANDARD),
        Stimulus::Burst(Burst {}),
        Stimulus::Noise(Noise { spans: 6, ..Noise::STANDARD }),
        Stimulus::Shaped(Shaped::new(table, Per::Line, 1).unwrap()),
    ]
}

#[test]
fn a_session_plays_every_other_sound_at_the_levels_asked_for() {
    let spec = BenchSpec::default();
    let folder = tempfile::tempdir().unwrap();
    let asked = vec![AskedLevel::Spl(DbSpl(80.0)), AskedLevel::Spl(DbSpl(70.0))];
    let wanted = Plan { beside: sounds(), asked, sines_hz: vec![997.0], step_db: 10.0, ..plan(70.0) };
    let (record, stored) = run(&spec, SimulatedCardSpec::default(), wanted, chain(&spec), folder.path()).unwrap();
    let steps: Vec<&StepResult> = record.steps.iter().filter(|s| s.step.purpose == Purpose::Asked).collect();
    assert_eq!(steps.len(), 2);
    for (step, level) in steps.iter().zip([70.0, 80.0]) {
        let z = step.pink(0).unwrap().1.sound.unwrap().z.unwrap().value;
        assert!((z - level).abs() < PREDICTED_DB, "{level} asked, {z} played");
        assert_eq!(step.others(0).count(), 6, "{:?}", step.takes.iter().map(|t| &t.void).collect::<Vec<_>>());
        for (stimulus, result) in step.others(0) {
            let doubts: Vec<_> = result.finding.common().flaws.iter().filter(|f| f.weight != Weight::Note).collect();
            assert!(doubts.is_empty(), "{stimulus} at {level}: {doubts:?}");
        }
        assert_eq!(step.sines(0).count(), 1);
        same_responses(step);
    }
    let climbing = record.steps.iter().filter(|s| s.step.purpose == Purpose::Climb);
    assert!(climbing.clone().count() > 0 && climbing.into_iter().all(|s| s.others(0).count() == 0));
    let again = reanalyse(&stored, false).unwrap();
    assert_eq!(again.changed, Vec::<usize>::new(), "re-analysis gives the stored numbers");
}

fn same_responses(step: &StepResult) {
    let pink = &step.pink(0).unwrap().0.response;
    // Pink noise's response at a frequency, straight over the logarithm of frequency between its points.
    let at = |hz: f64| {
        let after = pink.iter().position(|p| p.frequency_hz >= hz)?;
        let (left, right) = (pink.get(after.checked_sub(1)?)?, pink[after]);
        let share = (hz / left.frequency_hz).ln() / (right.frequency_hz / left.frequency_hz).ln();
        Some(left.gain_db + share * (right.gain_db - left.gain_db))
    };
    let mean_difference = |response: &[ResponsePoint], hz: f64| {
        let near = response.iter().filter(|p| (p.frequency_hz / hz).log2().abs() < 1.0 / 12.0);
        let off: Vec<f64> = near.filter_map(|p| Some(p.gain_db - at(p.frequency_hz)?)).collect();
        off.iter().sum::<f64>() / off.len() as f64
    };
    for (stimulus, result) in step.others(0) {
        let response = match &result.finding {
            Finding::Sweep(f) => &f.response,
            Finding::Noise(f) => &f.response,
            _ => continue,
        };
        // A sweep is short in its lowest octave; stationary noise scatters there.
        let lowest: &[f64] = if matches!(stimulus, Stimulus::Sweep(_)) { &[20.0, 22.0, 31.5] } else { &[] };
        for hz in lowest.iter().copied().chain([100.0, 250.0, 1000.0, 4000.0]) {
            let off = mean_difference(response, hz);
            assert!(off.abs() < SAME_RESPONSE_DB, "{stimulus} at {hz} Hz: {off:+.3} dB off pink noise");
        }
    }
}

/// Levels stand behind the ceiling, and a plan says so before anything sounds.
#[test]
fn levels_above_the_ceiling_are_refused_and_the_noise_alone_may_be_asked_for() {
    let asked = |level| Plan { asked: vec![level], beside: sounds(), ..plan(70.0) };
    let rate = SampleRate::DEFAULT;
    assert!(matches!(asked(AskedLevel::Spl(DbSpl(116.0))).check(rate), Err(PlanError::OutOfRange { .. })));
    assert!(matches!(asked(AskedLevel::Drive(Dbfs(1.0))).check(rate), Err(PlanError::OutOfRange { .. })));
    assert!(asked(AskedLevel::Spl(DbSpl(90.0))).check(rate).is_ok());
    let noise_alone = Plan { beside: vec![], ..asked(AskedLevel::Spl(DbSpl(90.0))) };
    assert!(noise_alone.check(rate).is_ok());
    let silence = Plan { beside: vec![Stimulus::silence()], ..plan(70.0) };
    assert!(matches!(silence.check(rate), Err(PlanError::NotBeside(_))));
}

/// Steps of the noise alone at levels in dB SPL, whatever the order typed: each is played where it was asked for, from the
/// quietest up, predicted from the quiet reference and never above what the ceiling leaves; then the climb goes on as ever.
#[test]
fn steps_of_the_noise_are_played_at_levels_in_db_spl() {
    /// Asked of a level that was predicted, dB.
    const AS_ASKED_DB: f64 = 0.05;
    let home = tempfile::tempdir().unwrap();
    for seed in 1..=3 {
        let spec = BenchSpec { seed, ..BenchSpec::default() };
        let spl = |db| AskedLevel::Spl(DbSpl(db));
        let asked = vec![spl(84.0), spl(72.5), AskedLevel::Drive(Dbfs(-40.0)), spl(90.0)];
        let wanted = Plan { asked, ceilings: Ceilings { spl: DbSpl(90.0), ..Ceilings::default() }, ..plan(70.0) };
        let (record, _) = run(&spec, SimulatedCardSpec::default(), wanted, chain(&spec), home.path()).unwrap();
        let steps = record.steps.iter().filter(|s| s.step.purpose == Purpose::Asked);
        let stated: Vec<(f64, f64)> =
            steps.map(|s| (s.step.drive.unwrap().db(), s.pink(0).unwrap().1.sound.unwrap().z.unwrap().value)).collect();
        assert!(stated.len() == 4 && stated.windows(2).all(|w| w[0].0 < w[1].0), "{stated:?}");
        for wanted in [72.5, 84.0, 90.0] {
            let nearest = stated.iter().map(|(_, level)| level - wanted).min_by(|a, b| a.abs().total_cmp(&b.abs()));
            assert!(nearest.unwrap().abs() < AS_ASKED_DB, "{wanted}: {stated:?}");
        }
        assert!(stated.iter().any(|(drive, _)| (drive + 40.0).abs() < 1e-9), "{stated:?}");
        assert!(stated.iter().all(|(_, level)| *level < 90.0 + AS_ASKED_DB), "{stated:?}");
        assert!(record.steps.iter().any(|s| s.step.purpose == Purpose::Climb), "the climb goes on");
        assert!(!judge(&record).flaws.iter().any(|f| f.code == "asked-held-back"));
    }
}

/// The bench reaches full scale first; stationary noise, whose peaks stand higher, reaches it before pink noise does.
#[test]
fn a_level_that_full_scale_holds_back_is_noted() {
    let spec = BenchSpec::default();
    let folder = tempfile::tempdir().unwrap();
    let wanted = Plan {
        beside: vec![Stimulus::Noise(Noise { spans: 1, ..Noise::STANDARD })],
        asked: vec![AskedLevel::Drive(Dbfs(-1.0))],
        step_db: 10.0,
        ..Plan { listening: plan(70.0).listening, ..Plan::quick_look(SampleRate::DEFAULT) }
    };
    let (record, _) = run(&spec, SimulatedCardSpec::default(), wanted, chain(&spec), folder.path()).unwrap();
    let flaws = judge(&record).flaws;
    let text = |code: &str| &flaws.iter().find(|f| f.code == code).unwrap_or_else(|| panic!("{code}: {flaws:?}")).text;
    let held = text("asked-held-back");
    assert!(held.contains("−1.0 dBFS") || held.contains("-1.0 dBFS"), "{held}");
    assert!(held.contains("full scale"), "{held}");
    assert!(text("sound-held-back").contains("stationary pink noise"), "{flaws:?}");
}

/// The card's own distortion, where the chain states it, turns what it could explain into "below".
#[test]
fn distortion_that_the_capture_card_could_have_made_is_stated_as_below() {
    let spec = BenchSpec::named("field recorder", "in-ear 16 Ω").unwrap();
    let home = tempfile::tempdir().unwrap();
    let stated = |card_distortion_db| {
        let wanted = Plan {
            sines_hz: vec![73.0],
            asked: vec![AskedLevel::Spl(DbSpl(100.0))],
            ..Plan { listening: plan(70.0).listening, ..Plan::quick_look(SampleRate::DEFAULT) }
        };
        let chain = Chain { card_distortion_db, ..chain(&spec) };
        let folder = home.path().join(format!("{}", card_distortion_db.is_some()));
        let (record, _) = run(&spec, SimulatedCardSpec::default(), wanted, chain, &folder).unwrap();
        let step = record.steps.iter().find(|s| s.step.purpose == Purpose::Asked).unwrap();
        let thd = step.sines(0).next().unwrap().thd.clone();
        (thd, step.pink(0).unwrap().0.even.clone())
    };
    let (Reading::Determined(thd), Reading::Determined(even)) = stated(None) else { panic!("the driver distorts") };
    let (Reading::Below(thd_below), Reading::Below(even_below)) = stated(Some(-40.0)) else {
        panic!("the card explains it")
    };
    assert!(thd_below > thd.interval.high && even_below > even.interval.high, "{thd_below} {even_below}");
    assert!(thd_below < -34.0, "the two together, not more: {thd_below}");
}

/// Intermodulation of a clean bench is not made up: at most what noise could explain.
#[test]
fn readings_of_a_quiet_bench_are_stated_or_below() {
    let spec = BenchSpec::default();
    let folder = tempfile::tempdir().unwrap();
    let wanted = Plan {
        beside: vec![Stimulus::TwoTones(TwoTones::Modulation)],
        asked: vec![AskedLevel::Drive(Dbfs(-40.0))],
        step_db: 10.0,
        ..Plan::quick_look(SampleRate::DEFAULT)
    };
    let (record, _) = run(&spec, SimulatedCardSpec::default(), wanted, chain(&spec), folder.path()).unwrap();
    let step = record.steps.iter().find(|s| s.step.purpose == Purpose::Asked).unwrap();
    assert!((step.step.drive.unwrap().db() + 40.0).abs() < 1e-9);
    let Some((_, result)) = step.others(0).next() else { panic!("nothing was played beside") };
    let Finding::TwoTones(f) = &result.finding else { panic!("{:?}", result.finding) };
    assert!(matches!(f.second, Reading::Determined(_) | Reading::Below(_)), "{:?}", f.second);
    assert!(f.definition.contains("7 kHz"));
}

/// Once only the pink takes were counted: a session with sweeps beside them reported a third of the time it took.
#[test]
fn the_time_left_counts_what_is_played_beside_the_noise() {
    let home = tempfile::tempdir().unwrap();
    let spec = BenchSpec::default();
    let bench = bench(&spec, SimulatedCardSpec::default());
    let beside = vec![Stimulus::Sweep(Sweep::STANDARD), Stimulus::sine(997.0)];
    let plan = Plan { beside, ..plan(70.0) };
    let request = SessionRequest { plan, chain: chain(&spec), sessions: home.path().into(), id: Some("it".into()) };
    bench.commands.send(Command::Run(Box::new(request))).unwrap();
    let mut stated = Vec::new();
    let record = loop {
        match bench.events.recv().unwrap() {
            Event::StepBegan { step, left_s, .. } => stated.push((step.number, step.purpose, left_s)),
            Event::Ended { record, .. } => break record,
            Event::Failed(failure) => panic!("{}", failure.message),
            _ => {}
        }
    };
    let seconds = |step: &StepResult| -> f64 {
        step.takes.iter().map(|t| t.head.played_frames as f64 / t.head.played_rate.hz()).sum()
    };
    // How many steps the climb will need is an estimate; what one of them plays is not.
    let (number, _, left_s) = stated.iter().find(|(_, purpose, _)| *purpose == Purpose::Climb).unwrap();
    let played: f64 = record.steps[number - 1..].iter().map(seconds).sum();
    assert!((0.7..1.5).contains(&(left_s / played)), "{left_s:.0} s told, {played:.0} s played");
}
