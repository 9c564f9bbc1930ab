//! Runs whole sessions on the simulated bench through the same bench thread as the program, with time of day frozen.

use loudenough::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
use loudenough::calibration::Acoustic;
use loudenough::card::{CardId, InputRole};
use loudenough::session::chain::{Chain, Coupler};
use loudenough::session::plan::{ListeningLevel, Plan, Weighting};
use loudenough::session::protocol::{Command, Event, SessionRequest};
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
