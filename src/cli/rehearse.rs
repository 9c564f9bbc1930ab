//! `rehearse`: the whole job on the simulated bench: calibrate it with a simulated sound calibrator by the ordinary
//! procedure, run a session faster than time, print table and verdict.

use super::args::Rehearse;
use super::{Surroundings, follow, hold, request, run};
use crate::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
use crate::calibration::Calibrator;
use crate::card::{CardId, InputRole};
use crate::session::chain::{Chain, Coupler, ElectricalPart};
use crate::session::plan::ListeningLevel;
use crate::session::protocol::{Command, SessionRequest};
use crate::session::runner::Bench;
use crate::session::storage;
use crate::stats::Estimate;
use crate::units::DbSpl;
use anyhow::{Context, Result};
use std::f64::consts::FRAC_1_SQRT_2;

/// Listening level of the demo (the bench itself assumes none).
const DEMO_LISTENING: DbSpl = DbSpl(70.0);

pub(super) fn rehearse(wanted: &Rehearse, surroundings: &mut Surroundings) -> Result<()> {
    let mut bench_spec = BenchSpec::named(&wanted.output, &wanted.headphone).with_context(|| {
        format!(
            "the simulated bench has no output `{}` with headphone `{}`; outputs: console phones socket, field recorder, desk amplifier; headphones: closed 80 Ω, open 300 Ω, planar 18 Ω, in-ear 16 Ω",
            wanted.output, wanted.headphone
        )
    })?;
    bench_spec.seed = wanted.seed;
    let spec = bench_spec.clone();
    let backend = SimulatedBackend::new(bench_spec, SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    let bench = Bench::spawn(vec![Box::new(backend)], surroundings.now);
    follow::stop_on_ctrl_c(&bench);
    let mut chain = demo_chain(&wanted.output, &wanted.headphone);
    know_electrical(&mut chain, &spec);
    calibrate(&bench, &mut chain)?;
    let mut plan = request::plan(&wanted.ask, &chain, surroundings.out)?;
    if plan.listening.is_none() {
        plan.listening = Some(ListeningLevel { level: DEMO_LISTENING, weighting: Default::default(), field: None });
    }
    let sessions = wanted.keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir);
    let request = SessionRequest { plan, chain, sessions, id: wanted.keep.id.clone() };
    if !wanted.keep.shown.json {
        writeln!(
            surroundings.out,
            "Simulated bench: invented devices, no sound. Calibrated with a simulated sound calibrator."
        )?;
    }
    bench.commands.send(Command::Run(Box::new(request)))?;
    let (record, folder) = follow::session(&bench, &wanted.keep.shown, surroundings.out)?;
    let record = hold::seats(&bench, record, &folder, &wanted.keep.shown, surroundings.out)?;
    run::report(&record, &folder, &wanted.keep.shown, surroundings.out)
}

/// The chain of the simulated desk.
pub fn demo_chain(output: &str, headphone: &str) -> Chain {
    let id = CardId::simulated();
    let mut chain = Chain::fresh(&id.0, &id.0);
    chain.name = "listening room, left ear (simulated)".into();
    chain.output = output.into();
    chain.volume = "simulated".into();
    chain.headphone = headphone.into();
    chain.coupler = Coupler::EarSimulator603184;
    chain
}

/// What the desk's people read off a voltmeter, as typed figures: the invented values, with the intervals of an ordinary
/// meter and of ordinary resistors.
fn know_electrical(chain: &mut Chain, spec: &BenchSpec) {
    let within = |value: f64, percent: f64| Some(Estimate::symmetric(value, 0.01 * percent * value));
    let side = &mut chain.output_side;
    side.volts_per_full_scale = within(spec.output.volts_per_fs * FRAC_1_SQRT_2, 1.0);
    side.source_impedance_ohm = within(spec.output.source_ohm, 3.0);
    side.load_impedance_ohm = within(spec.headphone.load_ohm, 1.0);
    chain.electrical_belongs_here([ElectricalPart::Volts, ElectricalPart::Source, ElectricalPart::Load]);
}

/// The ordinary procedure: fit the calibrator, listen, take the offset.
fn calibrate(bench: &Bench, chain: &mut Chain) -> Result<()> {
    let calibrator = Calibrator::at_1_khz(94.0);
    bench.commands.send(Command::Calibrate { chain: Box::new(chain.clone()), role: InputRole::LeftEar, calibrator })?;
    chain.take_offset(InputRole::LeftEar, follow::calibration(bench, true)?);
    Ok(())
}
