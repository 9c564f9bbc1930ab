//! Known outputs and headphones, and what they would do together.
//!
//! ```text
//! sessions ─► learnt ─┐                        ┌─► limits (volts, milliamperes, full scale)
//!                     ├─► known output ────────┤
//! typed figures ──────┤                        └─► map
//!                     ├─► known headphone ─┐
//!                     └─► …                └─► predict ─► matrix, ranking
//! ```
//!
//! A measured pairing teaches the headphone's loudness and the output's limit, which sharpens every other prediction. All of
//! it is opinion on stored sessions and typed figures, computed anew each time.

mod entry;
mod evidence;
mod fit;
pub mod folder;
mod known;
mod learnt;
mod limits;
mod map;
mod matrix;
pub mod notebook;
mod ohms;
mod predict;
pub mod sensitivity;
pub mod side_by_side;
mod words;

pub use entry::{Figure, HeadphoneEntry, KeptListener, MeasuredLevel, OutputEntry, RatedPower, Sensitivity};
pub use fit::FIT_HALF_WIDTH_DB;
pub use known::{KnownHeadphone, KnownOutput, Loudness};
pub use learnt::{Learnt, OutputName, PerVolt, learn};
pub use limits::{Explained, LimitTest, Limits, StoppedBy};
pub use map::{Column, Map, OHMS, Point, volts_db};
pub use matrix::{Cell, Matrix};
pub use ohms::{Ohms, divided_db, peaks_db, response_change};
pub use predict::{LevelFrom, Listener, Pairing, available_db, predict};
pub use words::reading_words;

use crate::analysis::played::played;
use crate::session::plan::{HeadroomRule, ListeningLevel, Weighting};
use crate::signal::Stimulus;
use crate::units::SampleRate;
use std::collections::BTreeSet;

/// What to do where no listening level is kept.
pub const HOW_TO_STATE: &str =
    "state it with `--listening`, or keep it with `loudenough stock listener --listening 70`";

/// Everything at hand.
#[derive(Clone, Debug, Default)]
pub struct Stock {
    /// Typed outputs.
    pub outputs: Vec<OutputEntry>,
    /// Typed headphones.
    pub headphones: Vec<HeadphoneEntry>,
    /// What the sessions taught.
    pub sessions: Vec<Learnt>,
    /// Who listens, where that is kept.
    pub listener: Option<KeptListener>,
}

impl Stock {
    /// True where its sessions are those of the simulated bench.
    pub fn is_invented(&self) -> bool {
        self.sessions.iter().any(|session| session.simulated)
    }

    /// Every output, by name.
    pub fn output_names(&self) -> Vec<OutputName> {
        let typed = self.outputs.iter().map(|o| OutputName { name: o.name.clone(), positions: o.positions.clone() });
        let all: BTreeSet<OutputName> = typed.chain(self.sessions.iter().map(|s| s.output.clone())).collect();
        all.into_iter().collect()
    }

    /// Every headphone, by name.
    pub fn headphone_names(&self) -> Vec<String> {
        let typed = self.headphones.iter().map(|h| h.name.clone());
        let all: BTreeSet<String> = typed.chain(self.sessions.iter().map(|s| s.headphone.clone())).collect();
        all.into_iter().collect()
    }

    /// What is known of an output, from its entry and these of its sessions.
    pub fn output(&self, name: &OutputName, which: impl Fn(&&Learnt) -> bool) -> KnownOutput {
        let entry = self.outputs.iter().find(|o| o.name == name.name && o.positions == name.positions);
        let sessions: Vec<&Learnt> = self.sessions.iter().filter(|s| s.output == *name).filter(which).collect();
        KnownOutput::of(name, entry, &sessions)
    }

    /// What is known of a headphone, likewise.
    pub fn headphone(&self, name: &str, which: impl Fn(&&Learnt) -> bool) -> KnownHeadphone {
        let entry = self.headphones.iter().find(|h| h.name == name);
        let sessions: Vec<&Learnt> = self.sessions.iter().filter(|s| s.headphone == name).filter(which).collect();
        KnownHeadphone::of(name, entry, &sessions)
    }

    /// The map of an output, at so many impedances, with every headphone of the stock on it.
    ///
    /// # Errors
    /// In words, with what to do.
    pub fn map(&self, output: &OutputName, listener: &Listener, steps: usize) -> Result<Map, String> {
        let Some(stated) = listener.level else { return Err(format!("{}: {HOW_TO_STATE}", predict::not_stated())) };
        // Each headphone has a conversion of its own; the plane has one.
        if stated.field.is_some() || stated.weighting != Weighting::Z {
            return Err(
                "a map needs the listening level as Z at the point: `judge` shows what yours is for a headphone".into(),
            );
        }
        // What is said of a headphone is what every other place says of the pairing.
        let headphones = self.headphone_names().into_iter().map(|name| {
            let says = Cell::of(self, output, &name, listener).best().clone();
            (self.headphone(&name, |_| true), says)
        });
        let known = self.output(output, |_| true);
        Map::of(&known, headphones, listener, stated.level.db(), self.true_peak_factor_db(), steps)
    }

    /// The output that is meant by a name: its own words, with or without its positions.
    ///
    /// # Errors
    /// In words, with the names there are.
    pub fn find_output(&self, name: &str) -> Result<OutputName, String> {
        let all = self.output_names();
        let exact = all.iter().find(|o| o.words() == name);
        let by_name: Vec<&OutputName> = all.iter().filter(|o| o.name == name.trim()).collect();
        match (exact, by_name.as_slice()) {
            (Some(one), _) => Ok(one.clone()),
            (None, [one]) => Ok((*one).clone()),
            (None, []) => {
                Err(format!("the stock has no output `{name}`; it has {}", listed(all.iter().map(OutputName::words))))
            }
            (None, several) => Err(format!(
                "the stock has more than one output `{name}`: write {}",
                listed(several.iter().map(|o| o.words()))
            )),
        }
    }

    /// The headphone that is meant by a name.
    ///
    /// # Errors
    /// In words, with the names there are.
    pub fn find_headphone(&self, name: &str) -> Result<String, String> {
        let all = self.headphone_names();
        let found = all.iter().find(|h| *h == name.trim()).cloned();
        found.ok_or_else(|| format!("the stock has no headphone `{name}`; it has {}", listed(all.into_iter())))
    }

    /// Who listens: a level stated now, else the one that is kept, else none. Never that of a session.
    pub fn listener(&self, stated: Option<ListeningLevel>, rule: HeadroomRule) -> Listener {
        let Some(kept) = self.listener.as_ref().filter(|_| stated.is_none()) else {
            return Listener { level: stated, level_from: LevelFrom::Stated, half_width_db: 0.0, rule };
        };
        let half_width_db = kept.measured.as_ref().map_or(0.0, |measured| measured.half_width_db);
        Listener { level: Some(kept.listening), level_from: LevelFrom::Kept, half_width_db, rule }
    }

    /// True peak over RMS of the pink noise that predictions are for, dB: the standard one, whatever the sessions played.
    pub fn true_peak_factor_db(&self) -> f64 {
        let pink = played(&Stimulus::pink(SampleRate::DEFAULT), SampleRate::DEFAULT);
        pink.period.true_peak_factor_db().unwrap_or(0.0)
    }
}

fn listed(names: impl Iterator<Item = String>) -> String {
    let names: Vec<String> = names.map(|name| format!("`{name}`")).collect();
    if names.is_empty() { "none yet".into() } else { names.join(", ") }
}
