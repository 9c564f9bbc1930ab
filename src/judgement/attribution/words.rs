//! Whose distortion it is in words, the same in every front end.

use super::{Attributed, Attribution, Changed, Does, Owner, Product, Proof};
use crate::analysis::band;
use crate::figure::Figure;
use crate::stats::Reading;
use crate::units::tidy;
use std::fmt;

impl fmt::Display for Owner {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Owner::Output => "the output's",
            Owner::Headphone => "the headphone's",
            Owner::Input => "the input's",
            Owner::NotDetermined => "not determined",
        })
    }
}

impl Attribution {
    /// What is asked, with the level at which it was looked at.
    pub fn question(&self) -> String {
        let at = self.level_db.map_or(String::new(), |level| format!(" at {} dB at the ear", tidy(level, 1)));
        format!("where the distortion of session 1 comes from{at} (each product re the stimulus of its own band)")
    }

    /// Products that are given one by one: overall and harmonics, where any session holds against them.
    pub fn rows(&self) -> Vec<&Attributed> {
        let proved = self.products.iter().any(|product| !product.proofs.is_empty());
        self.products.iter().filter(|product| proved && product.product.band().is_none()).collect()
    }

    /// What the table does not hold, as lines: sessions that do not help, bands by owner, and what would decide.
    pub fn lines(&self) -> Vec<String> {
        let unused = self.unused.iter().map(|(session, why)| format!("session {session} does not help: {why}"));
        if self.products.is_empty() {
            return unused.chain(std::iter::once("no product stands above the noise there".to_string())).collect();
        }
        let next = self.next.iter().map(|next| format!("what is not determined would be decided by: {next}"));
        let mut kinds: Vec<String> =
            self.products.iter().filter(|p| p.product.band().is_some()).map(|p| p.product.kind()).collect();
        kinds.dedup();
        unused.chain(kinds.iter().flat_map(|kind| self.by_band(kind))).chain(next).collect()
    }

    /// Bands of one kind of product, by owner.
    fn by_band(&self, kind: &str) -> Vec<String> {
        let of_owner = |owner: Owner| {
            let bands = self.products.iter().filter(|p| p.owner == owner && !p.proofs.is_empty());
            let of_kind = bands.filter(|p| p.product.kind() == kind);
            let labels: Vec<String> = of_kind.filter_map(|p| p.product.band()).map(band::label).collect();
            let at = self.products.iter().find(|p| p.product.kind() == kind).and_then(|p| p.at_db);
            let at = at.map_or(String::new(), |db| format!(", at {} dB", tidy(db, 1)));
            (!labels.is_empty()).then(|| format!("{kind} by band{at}: {owner} at {}", labels.join(", ")))
        };
        [Owner::Output, Owner::Headphone, Owner::Input, Owner::NotDetermined].into_iter().filter_map(of_owner).collect()
    }
}

impl Attributed {
    /// As it is called, with the level where that is one of its own.
    pub fn name(&self) -> String {
        let at = self.at_db.map_or(String::new(), |db| format!(", at {} dB", tidy(db, 1)));
        format!("{}{at}", self.product.name())
    }

    /// The sessions that say so, and those that do not.
    pub fn proofs_in_words(&self) -> String {
        self.proofs.iter().map(Proof::in_words).collect::<Vec<_>>().join("; ")
    }
}

impl Proof {
    /// `moves on session 2 (another output) by at least 12.3 ±0.4 dB`.
    pub fn in_words(&self) -> String {
        let changed = match self.changed {
            Changed::Output => "another output",
            Changed::InputGain => "another input gain",
            Changed::Headphone => "another headphone, same drive",
        };
        let does = match self.does {
            Does::Moves => "moves",
            Does::Stays => "stays",
            Does::NotDetermined => "open",
        };
        let by = match &self.difference_db {
            Reading::NotDetermined(why) => format!("an unknown amount: {why}"),
            known => Figure::new(known, 1).in_unit("dB"),
        };
        format!("{does} on session {} ({changed}) by {by}", self.session)
    }
}

impl Product {
    /// As it is called.
    pub fn name(self) -> String {
        match self {
            Product::Harmonic { sine_hz, .. } => format!("{} of {} Hz", self.kind(), tidy(sine_hz, 0)),
            Product::Intermodulation { tones_hz: [low, high], .. } => {
                format!("{} of {} and {} Hz", self.kind(), tidy(low, 0), tidy(high, 0))
            }
            Product::Even { .. } | Product::Odd { .. } | Product::Swept { .. } => format!("{}, all", self.kind()),
        }
    }

    fn kind(self) -> String {
        match self {
            Product::Even { .. } => "even-order".into(),
            Product::Odd { .. } => "odd-order".into(),
            Product::Harmonic { order, .. } => format!("harmonic {order}"),
            Product::Swept { order, .. } => format!("harmonic {order} of the sweep"),
            Product::Intermodulation { order: 2, .. } => "second-order intermodulation".into(),
            Product::Intermodulation { .. } => "third-order intermodulation".into(),
        }
    }

    fn band(self) -> Option<i32> {
        match self {
            Product::Even { band } | Product::Odd { band } => band,
            Product::Swept { band, .. } => Some(band),
            Product::Harmonic { .. } | Product::Intermodulation { .. } => None,
        }
    }
}
