//! Series: what is planted at a swap is found, what is right is not complained of, and everything is entered once.
//!
//! The desk is invented; what is planted is its truth. A swap reopens the simulated bench with another headphone, as a hand would
//! put one on the coupler.

use crate::common::sessions::{chain, frozen, plan};
use loudenough::audio::simulated::{BenchSpec, HEADPHONES, Pace, SeatSpec, SimulatedBackend, SimulatedCardSpec};
use loudenough::audio::{AudioError, Backend, Callbacks, OpenCards};
use loudenough::card::{CaptureChannel, CardDescription, CardId, InputRole, Routing};
use loudenough::session::chain::Chain;
use loudenough::session::plan::Plan;
use loudenough::session::protocol::{Command, Event, NextHeadphone, SeriesCommand, SeriesEvent, SessionRequest};
use loudenough::session::record::{Happening, Record};
use loudenough::session::runner::Bench;
use loudenough::session::series::{Stored, SwapChecked, check_s};
use loudenough::session::storage::Storage;
use loudenough::stats::Draws;
use loudenough::stock::notebook;
use loudenough::units::amplitude_from_db;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command as Program;
use std::sync::{Arc, Mutex};

/// Longest sound of a check (the task's figure).
const CHECK_S: f64 = 5.0;
/// Output of the series.
const OUTPUT: &str = "console phones socket";
/// A knob that somebody has touched, dB.
const KNOB_DB: f64 = 0.5;
/// A leak: a first-order high-pass.
const LEAK_HZ: f64 = 180.0;

/// A desk whose headphone somebody swaps between two openings of the cards.
#[derive(Clone)]
struct Desk {
    on_it: Arc<Mutex<BenchSpec>>,
}

impl Desk {
    fn backend(&self) -> SimulatedBackend {
        let spec = self.on_it.lock().unwrap().clone();
        SimulatedBackend::new(spec, SimulatedCardSpec::default(), Pace::AsFastAsPossible)
    }
}

impl Backend for Desk {
    fn name(&self) -> &str {
        "desk"
    }

    fn owns(&self, id: &CardId) -> bool {
        self.backend().owns(id)
    }

    fn list(&self) -> Result<Vec<CardDescription>, AudioError> {
        self.backend().list()
    }

    fn open(&self, routing: &Routing, callbacks: Callbacks) -> Result<Box<dyn OpenCards>, AudioError> {
        self.backend().open(routing, callbacks)
    }

    /// Whatever was named: what is on the desk is on it.
    fn with_devices(&self, _: &str, _: &str) -> Option<Box<dyn Backend>> {
        Some(Box::new(self.clone()))
    }
}

/// What is planted at a swap.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Planted {
    Clean,
    WrongName,
    Leak,
    DeadChannel,
    Knob,
    Route,
}

const PLANTED: [(Planted, &str); 6] = [
    (Planted::Clean, ""),
    (Planted::WrongName, "swap-other-headphone"),
    (Planted::Leak, "swap-leak"),
    (Planted::DeadChannel, "swap-ear-dead"),
    (Planted::Knob, "swap-volume"),
    (Planted::Route, "swap-not-heard"),
];

/// Both ears and a witness across the headphone.
fn series_chain(spec: &BenchSpec) -> Chain {
    let mut chain = chain(spec);
    chain.output = OUTPUT.into();
    let left = chain.acoustic(InputRole::LeftEar).unwrap().clone();
    let more = [(1, InputRole::RightEar), (2, InputRole::Witness)];
    chain.routing.capture_channels.extend(more.map(|(channel, role)| CaptureChannel { channel, role }));
    chain.take_offset(InputRole::RightEar, left);
    chain
}

fn spec(headphone: &str, seed: u64) -> BenchSpec {
    BenchSpec { seed, ..BenchSpec::named(OUTPUT, headphone).unwrap() }
}

/// A seat as they are drawn, level within 0.8 dB, treble within 2 dB, and what is planted beside.
fn swapped(headphone: &str, seed: u64, planted: Planted, draws: &mut Draws) -> BenchSpec {
    let mut on_it = spec(headphone, seed);
    let between = |draws: &mut Draws, most: f64| most * (2.0 * draws.uniform() - 1.0);
    let louder_db = between(draws, 0.8);
    let treble_db = between(draws, 2.0);
    let leak_hz = (planted == Planted::Leak).then_some(LEAK_HZ);
    on_it.seats = vec![SeatSpec { louder_db, treble_db, leak_hz }];
    on_it = on_it.seated(2);
    match planted {
        Planted::Knob => {
            let turned = if draws.uniform() < 0.5 { KNOB_DB } else { -KNOB_DB };
            on_it.output.volts_per_fs *= amplitude_from_db(turned);
        }
        Planted::DeadChannel => on_it.headphone.right_louder_db = -200.0,
        Planted::Route => on_it.headphone.sensitivity_pa_per_v = 1e-12,
        Planted::Clean | Planted::WrongName | Planted::Leak => {}
    }
    on_it
}

struct Running {
    bench: Bench,
    desk: Desk,
    chain: Chain,
    sessions: PathBuf,
    plan: Plan,
}

impl Running {
    fn begin(sessions: &Path, plan: Plan) -> Running {
        let first = spec(HEADPHONES[0], 1);
        let desk = Desk { on_it: Arc::new(Mutex::new(first.clone())) };
        let bench = Bench::spawn(vec![Box::new(desk.clone())], frozen);
        let chain = series_chain(&first);
        bench.commands.send(Command::Series(SeriesCommand::Begin(Box::new(chain.clone())))).unwrap();
        let running = Running { bench, desk, chain, sessions: sessions.into(), plan };
        assert!(matches!(running.news(), Event::Series(SeriesEvent::SwapNow { done: 0 })));
        running
    }

    /// The next event that ends something.
    fn news(&self) -> Event {
        loop {
            let event = self.bench.events.recv().unwrap();
            if matches!(event, Event::Series(_) | Event::Failed(_) | Event::Ended { .. }) {
                return event;
            }
        }
    }

    fn request(&self, headphone: &str, id: &str) -> SessionRequest {
        let chain = Chain { headphone: headphone.into(), ..self.chain.clone() };
        SessionRequest { plan: self.plan.clone(), chain, sessions: self.sessions.clone(), id: Some(id.into()) }
    }

    fn swap(&self, on_it: BenchSpec, headphone: &str, id: &str, stored: &[Stored]) -> SwapChecked {
        *self.desk.on_it.lock().unwrap() = on_it;
        let next = NextHeadphone { request: self.request(headphone, id), stored: stored.to_vec() };
        self.bench.commands.send(Command::Series(SeriesCommand::Next(Box::new(next)))).unwrap();
        match self.news() {
            Event::Series(SeriesEvent::Checked(checked)) => *checked,
            other => panic!("{other:?}"),
        }
    }

    fn start(&self) -> (Record, PathBuf) {
        self.bench.commands.send(Command::Series(SeriesCommand::Start)).unwrap();
        match self.news() {
            Event::Ended { record, folder } => (record.as_ref().clone(), folder),
            other => panic!("{other:?}"),
        }
    }

    fn end(&self) -> usize {
        self.bench.commands.send(Command::Series(SeriesCommand::End)).unwrap();
        match self.news() {
            Event::Series(SeriesEvent::Ended { done }) => done,
            other => panic!("{other:?}"),
        }
    }
}

/// Every headphone once, as quick looks with one seat: what the stock then knows.
fn taught(sessions: &Path) -> (Running, Vec<Stored>) {
    let quick = Plan { listening: plan(70.0).listening, ..Plan::quick_look(loudenough::units::SampleRate::DEFAULT) };
    let running = Running::begin(sessions, quick);
    for (seed, headphone) in (10..).zip(HEADPHONES) {
        let checked = running.swap(spec(headphone, seed), headphone, &format!("stored-{seed}"), &[]);
        assert!(checked.is_clean() && !checked.not_determined.is_empty(), "{checked:?}");
        let (record, _) = running.start();
        assert!(record.judgeable(), "{headphone}: {:?}", record.stop());
    }
    let stored = notebook::stored(&notebook::read(sessions), &running.chain, true);
    assert_eq!(stored.len(), HEADPHONES.len());
    assert!(stored.iter().all(|s| s.same_output && s.ears.len() == 2 && s.witness_db.is_some()), "{stored:?}");
    (running, stored)
}

/// Seeded swaps, so many with each thing planted; `LOUDENOUGH_SWAPS` more of them.
#[test]
fn what_is_planted_at_a_swap_is_found_and_clean_swaps_are_let_pass() {
    let each: usize = std::env::var("LOUDENOUGH_SWAPS").ok().and_then(|n| n.parse().ok()).unwrap_or(4);
    let home = tempfile::tempdir().unwrap();
    let (running, stored) = taught(home.path());
    let mut draws = Draws::new(20_261_130);
    let mut found: BTreeMap<Planted, (usize, usize)> = BTreeMap::new();
    let (mut worst_clean, mut nearest_wrong) = (0.0f64, f64::INFINITY);
    for i in 0..each {
        for (planted, code) in PLANTED {
            let named = HEADPHONES[i % HEADPHONES.len()];
            let other = HEADPHONES[(i + 1 + i / HEADPHONES.len() % 3) % HEADPHONES.len()];
            let on_it = if planted == Planted::WrongName { other } else { named };
            let on_it = swapped(on_it, 1000 + i as u64, planted, &mut draws);
            let checked = running.swap(on_it, named, "x", &stored);
            let right = match planted {
                Planted::Clean => checked.is_clean(),
                _ => checked.flaws.iter().any(|flaw| flaw.code == code),
            };
            if let Some((_, off)) = checked.most_like.as_ref().filter(|_| planted == Planted::Clean) {
                worst_clean = worst_clean.max(*off);
            }
            if planted == Planted::WrongName && right {
                let said = &checked.flaws[0].text;
                assert!(said.contains(&format!("looks like {other}, not {named}")), "{said}");
            }
            if planted == Planted::WrongName {
                let off = checked.flaws.first().map_or(0.0, |_| checked.most_like.as_ref().unwrap().1);
                nearest_wrong = nearest_wrong.min(off);
            }
            let count = found.entry(planted).or_default();
            (count.0, count.1) = (count.0 + usize::from(right), count.1 + 1);
            if !right {
                println!("{planted:?} {named} not right: {checked:?}");
            }
        }
    }
    println!("{found:?}; a clean swap at most {worst_clean:.2} dB from its stored response");
    for (planted, (right, of)) in &found {
        // 98 % of what is planted; one false alarm in 200.
        let least = if *planted == Planted::Clean { of - of / 200 } else { (0.98 * *of as f64).ceil() as usize };
        assert!(*right >= least, "{planted:?}: {right} of {of}");
    }
    assert_eq!(running.end(), HEADPHONES.len());
}

/// A whole series: the folder of each session says what the check found; what was begun against the check is in doubt; further
/// seats and a second round go on the same way; other commands are refused while it runs.
#[test]
fn a_series_keeps_what_its_checks_found() {
    let home = tempfile::tempdir().unwrap();
    let (running, stored) = taught(home.path());
    assert!(check_s(&running.request(HEADPHONES[0], "x")) <= CHECK_S);
    running.bench.commands.send(Command::ListCards).unwrap();
    assert!(matches!(running.news(), Event::Failed(failure) if failure.message.contains("a series is running")));
    running.bench.commands.send(Command::Series(SeriesCommand::Start)).unwrap();
    assert!(matches!(running.news(), Event::Failed(failure) if failure.message.contains("no headphone was named")));
    let mut draws = Draws::new(3);
    let wrong = swapped(HEADPHONES[1], 77, Planted::WrongName, &mut draws);
    let checked = running.swap(wrong, HEADPHONES[0], "wrong-name", &stored);
    assert!(!checked.is_clean());
    let (_, folder) = running.start();
    running.bench.commands.send(Command::Seat { folder: folder.clone(), hold: false }).unwrap();
    let Event::Ended { record, .. } = running.news() else { panic!() };
    assert_eq!(record.seat(), 2);
    // The check stays with the session, and is a doubt on it.
    let (_, stored_record) = Storage::open(&folder).unwrap();
    assert!(
        stored_record.events.iter().any(|e| matches!(&e.what, Happening::SwapChecked { checked: c } if **c == checked))
    );
    let flaws = loudenough::judgement::judge(&stored_record).flaws;
    assert!(flaws.iter().any(|flaw| flaw.code == "swap-other-headphone"), "{flaws:?}");
    assert_eq!(running.end(), HEADPHONES.len() + 1);
    running.bench.commands.send(Command::Series(SeriesCommand::End)).unwrap();
    assert!(matches!(running.news(), Event::Failed(failure) if failure.message.contains("no series is running")));
}

/// The program: names typed once each, the rest once for all; an empty line ends it; an unknown name by number is a name.
#[test]
fn the_program_runs_a_series_from_typed_names() {
    use std::io::Write;
    let home = tempfile::tempdir().unwrap();
    let run = |arguments: &[&str], typed: &str| {
        let mut program = Program::new(env!("CARGO_BIN_EXE_loudenough"))
            .args(arguments)
            .env("LOUDENOUGH_HOME", home.path())
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        program.stdin.take().unwrap().write_all(typed.as_bytes()).unwrap();
        let output = program.wait_with_output().unwrap();
        let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(output.status.success(), "{arguments:?}: {said}");
        said
    };
    let said = run(&["rehearse", "--series", "--quick", "--pairings", "2", "--no-progress"], "");
    assert!(said.matches("SILENT: SWAP NOW").count() == 3 && said.contains("for ten."), "{said}");
    let card = CardId::simulated().0;
    let series =
        ["run", "--series", "--quick", "--no-progress", "--playback", &card, "--capture", &card, "--output", OUTPUT];
    let said = run(&series, "1\nplanar 18 Ω\n\n");
    assert!(said.contains("2 done") && said.contains("planar 18 Ω"), "{said}");
    let listed = run(&["notebook"], "");
    assert!(listed.contains("4 sessions."), "{listed}");
}
