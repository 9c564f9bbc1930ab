//! What else is known of a chain and is no number: dates and curves.

use crate::asked::{Field, chain};
use crate::calibration::Curve;
use crate::calibration::curve::Stated;
use crate::session::chain::{Chain, Instrument};
use std::collections::BTreeMap;

/// What is typed of it and is no number.
#[derive(Clone, Debug, Default)]
pub struct Particulars {
    /// Date of the calibrator's certificate; empty: none.
    pub calibrator_certificate: String,
    /// File of a correction curve.
    pub curve_file: String,
    /// How it is to be read.
    pub stated: Stated,
    /// What came of reading it: remarks, or why it was refused.
    pub read: Option<Result<Vec<String>, String>>,
}

impl Particulars {
    /// As the chain has them.
    pub fn of(chain: &Chain) -> Particulars {
        let certificate = chain.calibrator.as_ref().and_then(|i| i.certificate.clone());
        Particulars { calibrator_certificate: certificate.unwrap_or_default(), ..Particulars::default() }
    }

    /// Puts dates into the chain; what is none is reported beside its field.
    pub fn read_into(&self, chain: &mut Chain, wrong: &mut BTreeMap<Field, String>) {
        let mut date = |typed: &str| match typed.trim() {
            "" => None,
            typed => chain::date(typed).map_err(|w| wrong.insert(w.field, w.to_string())).ok(),
        };
        for microphone in chain.microphones.values_mut() {
            microphone.certificate = microphone.certificate.take().and_then(|typed| date(&typed));
        }
        let mut calibrator = chain.calibrator.take().unwrap_or_default();
        calibrator.certificate = date(&self.calibrator_certificate);
        chain.calibrator = Some(calibrator).filter(|c| *c != Instrument::default());
        chain.microphones.retain(|_, microphone| *microphone != Instrument::default());
    }
}

/// A curve by name, points and range.
pub fn curve_words(curve: &Curve) -> String {
    let points = curve.correction.points();
    let ends = points.first().zip(points.last());
    let range = ends.map_or(String::new(), |(low, high)| format!(", {} Hz to {} Hz", low.0, high.0));
    format!("{}: {} points{range}", curve.name, points.len())
}
