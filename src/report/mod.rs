//! Reports that people read and machines can read back.
//!
//! ```text
//! Record, Judgement ── session.rs ──► Document (model.rs) ──► html.rs · markdown.rs · csv.rs
//!                                        └─ Picture (picture.rs) ──► svg.rs ──► png.rs
//!                                                                      folder.rs writes them all
//! ```
//!
//! A builder says what is in a report and knows no format; a writer knows a format and nothing else. Whatever a user
//! typed or a file held is text to every writer: each has one place that makes text harmless in its format.

pub mod attribution;
pub mod chain;
pub mod comparison;
mod csv;
pub mod folder;
mod html;
mod markdown;
pub mod model;
pub mod music;
pub mod picture;
#[cfg(feature = "pictures")]
mod png;
pub mod session;
pub mod stock;
mod svg;

pub use csv::csv;
pub use html::html;
pub use markdown::markdown;
pub use model::Document;
pub use svg::{Frame, Look, svg};

use crate::judgement::capital;

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
    pub further: Vec<model::Section>,
}

/// Name and version of the program that writes.
const PROGRAM: &str = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));

impl Added {
    fn written(&self) -> String {
        format!("Written by {PROGRAM}, {}.", self.now)
    }

    /// What else was asked, then the user's own text.
    fn sections(&self) -> Vec<Option<model::Section>> {
        self.further.iter().cloned().map(Some).chain([self.own_words()]).collect()
    }

    fn own_words(&self) -> Option<model::Section> {
        let text = self.text.as_ref().map(|text| text.replace("\r\n", "\n"))?;
        let paragraphs = text.split("\n\n").map(str::trim).filter(|p| !p.is_empty());
        let parts: Vec<model::Part> = paragraphs.map(|p| model::Part::Paragraph(p.into())).collect();
        (!parts.is_empty()).then(|| model::Section { title: "In the author's words".into(), parts })
    }
}
