//! `rehearse --series`: one simulated output, headphone after headphone; the bench swaps by itself.

use super::{DEMO_LISTENING, calibrate, demo_chain};
use crate::audio::simulated::{BenchSpec, HEADPHONES, Pace, SimulatedBackend, SimulatedCardSpec};
use crate::cli::args::Rehearse;
use crate::cli::series::{Fixed, Keys, series};
use crate::cli::{Environment, follow, request, show};
use crate::session::plan::ListeningLevel;
use crate::session::runner::Bench;
use crate::session::storage;
use anyhow::{Context, Result};

pub(super) fn rehearse(wanted: &Rehearse, env: &mut Environment) -> Result<()> {
    let named = BenchSpec::named(&wanted.output, HEADPHONES[0])
        .with_context(|| format!("the simulated bench has no output `{}`", wanted.output))?;
    let spec = BenchSpec { seed: wanted.seed, ..named };
    let backend = SimulatedBackend::new(spec, SimulatedCardSpec::default(), Pace::AsFastAsPossible);
    let bench = env.log.watched(Bench::spawn(vec![Box::new(backend)], env.now));
    follow::stop_on_ctrl_c(&bench);
    let mut chain = demo_chain(&wanted.output, HEADPHONES[0]);
    calibrate(&bench, &mut chain)?;
    let shown = &wanted.keep.shown;
    let settings = env.settings()?;
    let mut plan = request::plan(&wanted.ask, &chain, &settings, &mut show::aside(shown.json, env.out))?;
    if plan.listening.is_none() {
        plan.listening = Some(ListeningLevel { level: DEMO_LISTENING, weighting: Default::default(), field: None });
    }
    writeln!(
        show::aside(shown.json, env.out),
        "Simulated bench: invented devices, no sound. The bench swaps the headphones by itself."
    )?;
    let sessions = wanted.keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir);
    let fixed = Fixed { chain, plan, sessions, simulated: true, chain_file: None };
    let names = HEADPHONES.iter().cycle().take(wanted.pairings as usize).map(|name| (*name).to_string());
    let mut keys = Keys::given(names.collect());
    series(&bench, &fixed, &mut keys, shown, env.out)
}
