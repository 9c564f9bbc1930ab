//! One account of every answer: what is said, in which order, with every number as a value and its interval. The command
//! line, the window and the reports all read it, so that they say the same.
//!
//! ```text
//! Record, Judgement ── session.rs ────┐
//! Comparison ───────── comparison.rs ─┼─► Document (document.rs) ──► write: terminal · html · markdown · csv
//! Matrix, Map ──────── stock.rs ──────┘    └─ Picture (picture.rs) ──► write: svg · png         folder.rs: all of them
//! ```
//!
//! A builder says what is in an account and knows no format.

pub mod attribution;
pub mod chain;
pub mod comparison;
pub mod document;
pub mod guide;
mod imprint;
pub mod journal;
pub mod music;
pub mod notebook;
pub mod own_level;
pub mod path;
pub mod picture;
pub mod series;
pub mod session;
pub mod stock;
pub mod when;
pub mod write;

pub use document::Document;

use crate::session::program;
pub(crate) use crate::words::capital;

/// Method, section 8: what the product always shows.
pub const CAUTIONS: [&str; 5] = [
    "Never wear the headphones while a session runs, and keep ears away from the coupler: over 100 dB SPL is normal here, and such levels harm hearing in minutes.",
    "Start low; the bench ramps. Stop is always one key away (Esc) and starts to fade at once.",
    "Sines and steps near full output can overheat drivers and loads: the plan limits level, power and time; check the headphone's rating and the dummy load's wattage.",
    "Plug and unplug only while silent. Do not ground a balanced, bridged or virtual-ground output; computer and capture card may share ground through USB; do not feed an amplifier into a microphone input without the proper divider; check an unknown output for DC with a voltmeter first.",
    "Exposure figures are information, not medical or occupational advice: local law and licensed audiologists or hygienists decide.",
];

/// What is added to every report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Added {
    /// When it is written (RFC 3339).
    pub now: String,
    /// Text of the user's own; empty lines part its paragraphs.
    pub text: Option<String>,
    /// What else was asked of the same sessions: [`music::pairings`], [`attribution::section`].
    pub further: Vec<document::Section>,
}

impl Added {
    fn written(&self) -> String {
        format!("Written {} by {}.", when::words(&self.now), program::program())
    }

    /// What else was asked, then the user's own text.
    fn sections(&self) -> Vec<Option<document::Section>> {
        self.further.iter().cloned().map(Some).chain([self.own_words()]).collect()
    }

    fn own_words(&self) -> Option<document::Section> {
        let text = self.text.as_ref().map(|text| text.replace("\r\n", "\n"))?;
        let paragraphs = text.split("\n\n").map(str::trim).filter(|p| !p.is_empty());
        let parts: Vec<document::Part> = paragraphs.map(|p| document::Part::Paragraph(p.into())).collect();
        (!parts.is_empty()).then(|| document::Section { parts, ..document::Section::new("In the author's words") })
    }
}
