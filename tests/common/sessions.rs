//! Runs whole sessions on the simulated bench through the same bench thread as the program, with time of day frozen.

use loudenough::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
use loudenough::calibration::Acoustic;
use loudenough::card::{CardId, InputRole};
use loudenough::session::chain::{Chain, Coupler};
use loudenough::session::matching::MatchedOn;
use loudenough::session::plan::{AskedLevel, ListeningLevel, Order, Plan, Swap, Weighting};
use loudenough::session::protocol::{Command, Event, RoundOf, RoundRequest, SessionRequest};
use loudenough::session::record::Record;
use loudenough::session::runner::Bench;
use loudenough::units::{DbSpl, SampleRate};
use std::path::{Path, PathBuf};

/// The time in every test.
pub fn frozen() -> String {
    "2026-03-01T09:12:00+00:00".into()
}

/// The chain of a simulated desk whose offset is known exactly.
pub fn chain(spec: &BenchSpec) -> Chain {
    let id = CardId::simulated();
    let mut chain = Chain::fresh(&id.0, &id.0);
    chain.output = "invented output".into();
    chain.headphone = "invented headphone".into();
    chain.coupler = Coupler::EarSimulator603184;
    let offset = Acoustic::typed(spec.microphone.full_scale_db_spl, 0.0, &frozen()).unwrap();
    chain.take_offset(InputRole::LeftEar, offset);
    chain
}

/// A default session for this listener.
pub fn plan(listening_db: f64) -> Plan {
    let listening = ListeningLevel { level: DbSpl(listening_db), weighting: Weighting::Z, field: None };
    Plan { listening: Some(listening), ..Plan::session(SampleRate::DEFAULT) }
}

/// A bench thread over the simulated desk.
pub fn bench(spec: &BenchSpec, card: SimulatedCardSpec) -> Bench {
    Bench::spawn(vec![Box::new(SimulatedBackend::new(spec.clone(), card, Pace::AsFastAsPossible))], frozen)
}

/// Waits for the end.
pub fn finish(bench: &Bench) -> Result<(Record, PathBuf), String> {
    loop {
        match bench.events.recv().map_err(|e| e.to_string())? {
            Event::Ended { record, folder } => return Ok((record.as_ref().clone(), folder)),
            Event::Failed(failure) => return Err(failure.message),
            _ => {}
        }
    }
}

/// One whole session.
pub fn run(
    spec: &BenchSpec,
    card: SimulatedCardSpec,
    plan: Plan,
    chain: Chain,
    sessions: &Path,
) -> Result<(Record, PathBuf), String> {
    let bench = bench(spec, card);
    let request = SessionRequest { plan, chain, sessions: sessions.into(), id: Some(format!("seed-{}", spec.seed)) };
    bench.commands.send(Command::Run(Box::new(request))).unwrap();
    finish(&bench)
}

/// One round of a swap on the simulated desk.
pub fn round(spec: &BenchSpec, output: RoundOf, other: Option<&Path>) -> Result<(Record, PathBuf), String> {
    let bench = bench(spec, SimulatedCardSpec::default());
    let request = RoundRequest { output, other: other.map(Path::to_path_buf), by_hand: false };
    bench.commands.send(Command::Round(Box::new(request))).unwrap();
    finish(&bench)
}

/// A new half of a swap.
pub fn half(chain: Chain, order: Order, at: Option<f64>, sessions: &Path, pair: &str) -> RoundOf {
    let at = at.map(|db| AskedLevel::Spl(DbSpl(db)));
    let swap = Swap { pair: pair.into(), order, at, on: MatchedOn::Pink };
    let plan = Plan::swap(SampleRate::DEFAULT, swap);
    RoundOf::New(Box::new(SessionRequest {
        plan,
        chain,
        sessions: sessions.into(),
        id: Some(format!("{pair}-{}", order.word())),
    }))
}

/// Rounds A, B, A … of a swap, each on a desk of its own. Both sessions, the first one first.
pub fn swap(rounds: &[BenchSpec], at: Option<f64>, sessions: &Path, pair: &str) -> Result<[Record; 2], String> {
    let mut halves: [Option<(Record, PathBuf)>; 2] = [None, None];
    for (i, spec) in rounds.iter().enumerate() {
        let order = if i % 2 == 0 { Order::First } else { Order::Second };
        let mut chain = chain(spec);
        chain.output = format!("invented output {}", order.word());
        let output = match &halves[i % 2] {
            Some((_, folder)) => RoundOf::Again { folder: folder.clone(), confirmed: None },
            None => half(chain, order, at, sessions, pair),
        };
        let other = halves[1 - i % 2].as_ref().map(|(_, folder)| folder.clone());
        halves[i % 2] = Some(round(spec, output, other.as_deref())?);
    }
    let [Some((first, _)), Some((second, _))] = halves else { return Err("a swap has two outputs".into()) };
    Ok([first, second])
}
