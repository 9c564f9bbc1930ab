//! From the eardrum to the field: how much louder a sound is at the eardrum than the same sound in a free or diffuse
//! field without a listener. Taking it off a level at the eardrum gives the field-related level that exposure rules and
//! A-weighted listening levels speak of. Forgetting it costs about 6 dB on pink noise.
//!
//! A curve of its own, never mixed with a microphone's: it changes what a level means, not how well it is known.

use super::Coupler;
use crate::analysis::Correction;
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;

/// Tables that are built in; `calibration/` holds them with their provenance.
const BUILT_IN: [&str; 2] = [
    include_str!("../../calibration/eardrum-to-diffuse-field.toml"),
    include_str!("../../calibration/eardrum-to-free-field.toml"),
];

/// The field that a level is related to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SoundField {
    /// Sound from everywhere.
    Diffuse,
    /// Sound from the front.
    Free,
}

/// A table from the eardrum to a field.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldCurve {
    /// Name for people.
    pub name: String,
    /// Which field.
    pub field: SoundField,
    /// Document that states the numbers.
    pub source: String,
    /// How the numbers came here and how far they were checked.
    pub provenance: String,
    /// Couplers whose level it may be taken off; for all others it means nothing.
    pub fits: Vec<Fit>,
    /// Eardrum re field, rising in frequency.
    pub points: Vec<FieldPoint>,
}

/// A coupler that a table fits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fit {
    /// Which.
    pub coupler: Coupler,
    /// What to keep in mind, where there is something.
    pub note: Option<String>,
}

/// One frequency of a table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldPoint {
    /// Hz.
    pub hz: f64,
    /// Eardrum re field, dB.
    pub db: f64,
    /// Lowest that a conforming head may differ, dB (negative).
    pub low: f64,
    /// Highest, dB.
    pub high: f64,
}

impl FieldCurve {
    /// The built-in table of a field.
    pub fn of(field: SoundField) -> Option<&'static FieldCurve> {
        static TABLES: LazyLock<Vec<FieldCurve>> =
            LazyLock::new(|| BUILT_IN.iter().filter_map(|text| FieldCurve::from_toml(text).ok()).collect());
        TABLES.iter().find(|table| table.field == field)
    }

    /// From the text of a file as in `calibration/`.
    ///
    /// # Errors
    /// Where in the text and what, in words.
    pub fn from_toml(text: &str) -> Result<FieldCurve, String> {
        let table: FieldCurve = toml::from_str(text).map_err(|error| error.to_string())?;
        if table.points.len() < 2 || table.correction().is_none() {
            return Err("a field table needs two points or more, rising in frequency".into());
        }
        Ok(table)
    }

    /// dB to add to a level at the eardrum.
    pub fn correction(&self) -> Correction {
        Correction::new(self.points.iter().map(|p| (p.hz, -p.db)).collect()).unwrap_or_default()
    }

    /// How it fits a coupler; `None` where it does not.
    pub fn fit(&self, coupler: Coupler) -> Option<&Fit> {
        self.fits.iter().find(|fit| fit.coupler == coupler)
    }
}
