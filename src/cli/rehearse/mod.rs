//! `rehearse`: the whole job on the simulated bench: calibrate it with a simulated sound calibrator by the ordinary
//! procedure, run a session faster than time, print table and verdict.

mod all;
mod series;

use super::args::{Ask, Rehearse, Shown};
use super::{Environment, Log, follow, hold, request, run, show};
use crate::asked::Settings;
use crate::audio::simulated::{BenchSpec, HEADPHONES, OUTPUTS, Pace, SimulatedBackend, SimulatedCardSpec};
use crate::calibration::Calibrator;
use crate::card::{CardId, InputRole};
use crate::session::chain::{Chain, Coupler, ElectricalPart};
use crate::session::plan::ListeningLevel;
use crate::session::protocol::{Command, SessionRequest};
use crate::session::record::Record;
use crate::session::runner::Bench;
use crate::session::storage;
use crate::stats::Estimate;
use crate::units::DbSpl;
use anyhow::{Context, Result};
use std::f64::consts::FRAC_1_SQRT_2;
use std::io::Write;
use std::path::PathBuf;

/// Listening level of the demo (the bench itself assumes none).
const DEMO_LISTENING: DbSpl = DbSpl(70.0);

pub(super) fn rehearse(wanted: &Rehearse, env: &mut Environment) -> Result<()> {
    if wanted.all {
        return all::rehearse(wanted, env);
    }
    if wanted.series {
        return series::rehearse(wanted, env);
    }
    let pairing = Pairing {
        output: &wanted.output,
        headphone: &wanted.headphone,
        seed: wanted.seed,
        before: 0,
        volts_known: false,
    };
    let sessions = wanted.keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir);
    let shown = &wanted.keep.shown;
    if !shown.json {
        writeln!(
            env.out,
            "Simulated bench: invented devices, no sound. Calibrated with a simulated sound calibrator."
        )?;
    }
    let kept = Kept { sessions, id: wanted.keep.id.clone(), shown };
    let (record, folder) = session(&pairing, &wanted.ask, kept, &Means::of(env)?, env.out)?;
    env.exit = run::report(&record, &folder, shown, env.out)?;
    Ok(())
}

/// Which of the simulated devices.
struct Pairing<'a> {
    output: &'a str,
    headphone: &'a str,
    seed: u64,
    /// How many outputs the headphone was heard on before, each with as many seats, the last of which it still sits on.
    before: u64,
    /// The chain knows volts and impedances: such sessions teach the stock.
    volts_known: bool,
}

/// Where a session goes, and how it is shown.
struct Kept<'a> {
    sessions: PathBuf,
    id: Option<String>,
    shown: &'a Shown,
}

/// What a session needs of the environment beside where it writes.
struct Means {
    settings: Settings,
    now: fn() -> String,
    log: Log,
}

impl Means {
    fn of(env: &Environment) -> Result<Means> {
        Ok(Means { settings: env.settings()?, now: env.now, log: env.log.clone() })
    }
}

/// One session with all its seats.
fn session(pairing: &Pairing, ask: &Ask, kept: Kept, means: &Means, out: &mut dyn Write) -> Result<(Record, PathBuf)> {
    let Pairing { output, headphone, seed, before, volts_known } = *pairing;
    let named = BenchSpec::named(output, headphone).with_context(|| {
        format!(
            "the simulated bench has no output `{output}` with headphone `{headphone}`; outputs: {}; headphones: {}",
            OUTPUTS.join(", "),
            HEADPHONES.join(", ")
        )
    })?;
    // Every output its own noise and seats.
    let on_output = |n: u64, spec: BenchSpec| BenchSpec { seed: seed + 1_000 * n, ..spec };
    let worn = (0..before).fold(named, |spec, n| on_output(n, spec).seated(ask.seats.unwrap_or(1)));
    let spec = on_output(before, worn);
    let backend = SimulatedBackend::new(spec.clone(), SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    let bench = means.log.watched(Bench::spawn(vec![Box::new(backend)], means.now));
    follow::stop_on_ctrl_c(&bench);
    let mut chain = demo_chain(output, headphone);
    if volts_known {
        know_electrical(&mut chain, &spec);
    }
    calibrate(&bench, &mut chain)?;
    let mut plan = request::plan(ask, &chain, &means.settings, &mut show::aside(kept.shown.json, out))?;
    if plan.listening.is_none() {
        plan.listening = Some(ListeningLevel { level: DEMO_LISTENING, weighting: Default::default(), field: None });
    }
    let request = SessionRequest { plan, chain, sessions: kept.sessions, id: kept.id };
    bench.commands.send(Command::Run(Box::new(request)))?;
    let (record, folder) = follow::session(&bench, kept.shown, out)?;
    let record = hold::seats(&bench, record, &folder, kept.shown, out)?;
    Ok((record, folder))
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
