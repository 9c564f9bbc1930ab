//! What the window starts with: the chain as it was last used, or that of the simulated bench.

use super::form::sentence;
use super::remembered::{self, Remembered};
use crate::card::CardId;
use crate::session::chain::{Chain, Coupler};
use crate::session::plan::{ListeningLevel, Plan, Weighting};
use crate::session::{chain_file, storage};
use crate::stock::folder;
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
    /// What the window remembers of the last time.
    pub remembered: Remembered,
    /// File that it is kept in; `None` keeps nothing.
    pub window_file: Option<PathBuf>,
    /// What could not be read, as plain messages.
    pub problems: Vec<String>,
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
            remembered: Remembered::default(),
            window_file: None,
            problems: Vec::new(),
        }
    }

    /// As the program was last used on this computer; the simulated bench where it never was.
    pub fn as_last_used() -> StartState {
        let mut start = StartState::simulated(storage::default_sessions_dir());
        let path = remembered::default_path();
        match Remembered::load(&path) {
            Ok(remembered) => (start.remembered, start.window_file) = (remembered, Some(path)),
            Err(why) => start.problems.push(why),
        }
        start.take_chain();
        start.take_listener();
        start
    }

    /// The chain of the desk, else what stood on the simulated bench.
    fn take_chain(&mut self) {
        let path = chain_file::default_path();
        if !path.exists() {
            if let Some(pairing) = &self.remembered.simulated {
                let Chain { output, volume, headphone, .. } = &mut self.chain;
                (*output, *volume) = (pairing.output.clone(), pairing.volume.clone());
                *headphone = pairing.headphone.clone();
            }
            self.chain_file = Some(path);
            return;
        }
        match chain_file::load(&path) {
            Ok(chain) => {
                self.plan = Plan::session(chain.routing.playback_rate);
                self.chain = chain;
                self.chain_file = Some(path);
            }
            Err(error) => {
                // The file is not written over until it has been seen to.
                let message = error.to_string();
                let first = message.lines().next().unwrap_or_default();
                self.problems.push(format!(
                    "{}. The window starts with the simulated bench and leaves the file alone.",
                    sentence(first).trim_end_matches('.')
                ));
            }
        }
    }

    /// Who listens: as asked for last in the window, else the level that is kept with the stock.
    fn take_listener(&mut self) {
        let kept = folder::listener(&folder::beside(&self.sessions));
        let kept = kept.unwrap_or_else(|error| {
            self.problems.push(sentence(&error.to_string()));
            None
        });
        let last = match self.chain.routing.playback == CardId::simulated() {
            true => self.remembered.simulated.as_ref().and_then(|pairing| pairing.listening),
            false => self.remembered.listening,
        };
        let last = last.or(kept.map(|kept| kept.listening));
        self.plan.listening = last.or(self.plan.listening);
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
