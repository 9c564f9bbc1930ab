//! What the window starts with: the chain as it was last used, or that of the simulated bench.

use crate::card::CardId;
use crate::session::chain::{Chain, Coupler};
use crate::session::plan::{ListeningLevel, Plan, Weighting};
use crate::session::{chain_file, storage};
use crate::units::{DbSpl, SampleRate};
use std::path::PathBuf;

/// Listening level of the demo (the bench itself assumes none).
const DEMO_LISTENING: DbSpl = DbSpl(70.0);

/// What the window starts with.
#[derive(Clone, Debug)]
pub struct StartState {
    /// The chain as last used, or that of the simulated bench.
    pub chain: Chain,
    /// The plan as last used; its rule, step and limits stay, its levels can be typed.
    pub plan: Plan,
    /// Folder that sessions are kept in.
    pub sessions: PathBuf,
    /// File that the chain is kept in from session to session; `None` keeps nothing.
    pub chain_file: Option<PathBuf>,
    /// What could not be read, as a plain message.
    pub problem: Option<String>,
}

impl StartState {
    /// The simulated bench with the demo's listening level, keeping sessions in `sessions`.
    pub fn simulated(sessions: PathBuf) -> StartState {
        let rate = SampleRate::DEFAULT;
        let listening = Some(ListeningLevel { level: DEMO_LISTENING, weighting: Weighting::Z, field: None });
        StartState {
            chain: simulated_chain(),
            plan: Plan { listening, ..Plan::session(rate) },
            sessions,
            chain_file: None,
            problem: None,
        }
    }

    /// As the program was last used on this computer; the simulated bench where it never was.
    pub fn as_last_used() -> StartState {
        let path = chain_file::default_path();
        let mut start = StartState::simulated(storage::default_sessions_dir());
        if path.exists() {
            match chain_file::load(&path) {
                Ok(chain) => {
                    start.plan = Plan::session(chain.routing.playback_rate);
                    start.chain = chain;
                }
                Err(error) => {
                    // The file is not written over until it has been seen to.
                    let message = error.to_string();
                    let first = message.lines().next().unwrap_or_default();
                    start.problem = Some(format!(
                        "{}. The window starts with the simulated bench and leaves the file alone.",
                        super::form::sentence(first).trim_end_matches('.')
                    ));
                    return start;
                }
            }
        }
        start.chain_file = Some(path);
        start
    }
}

fn simulated_chain() -> Chain {
    let id = CardId::simulated();
    Chain {
        name: "listening room, left ear (simulated)".into(),
        output: "console phones socket".into(),
        volume: "simulated".into(),
        headphone: "closed 80 Ω".into(),
        coupler: Coupler::EarSimulator603184,
        ..Chain::fresh(&id.0, &id.0)
    }
}
