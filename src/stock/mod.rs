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
pub mod folder;
mod known;
mod learnt;
mod limits;
mod map;
mod matrix;
mod ohms;
mod predict;
pub mod sensitivity;

pub use entry::{Figure, HeadphoneEntry, OutputEntry, RatedPower, Sensitivity};
pub use known::{KnownHeadphone, KnownOutput, Loudness};
pub use learnt::{Learnt, OutputName, PerVolt, learn};
pub use limits::{Explained, LimitTest, Limits, StoppedBy};
pub use map::{Column, Map, OHMS, Point, volts_db};
pub use matrix::{Cell, Matrix};
pub use ohms::{Ohms, divided_db, peaks_db, response_change};
pub use predict::{Listener, Pairing, available_db, predict};

use crate::signal::Stimulus;
use crate::units::SampleRate;
use std::collections::BTreeSet;

/// Everything at hand.
#[derive(Clone, Debug, Default)]
pub struct Stock {
    /// Typed outputs.
    pub outputs: Vec<OutputEntry>,
    /// Typed headphones.
    pub headphones: Vec<HeadphoneEntry>,
    /// What the sessions taught.
    pub sessions: Vec<Learnt>,
}

impl Stock {
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

    /// True peak over RMS of the pink noise that predictions are for, dB.
    pub fn true_peak_factor_db(&self) -> f64 {
        let standard = || Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT).true_peak_factor_db();
        self.sessions.first().map(|s| s.true_peak_factor_db).or_else(standard).unwrap_or(0.0)
    }
}
