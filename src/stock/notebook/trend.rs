//! One pairing over months: what its level per drive and its calibration did from session to session.

use super::{Entry, Measured};
use crate::calibration::Coupler;
use crate::stats::{Estimate, Reading};
use serde::Serialize;

/// Sessions of one pairing in the order of time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Trend {
    /// Output with its volume positions.
    pub output: String,
    /// Headphone.
    pub headphone: String,
    /// What it sat on; sessions on another coupler are left out.
    pub coupler: Coupler,
    /// The sessions, the first one first.
    pub rows: Vec<TrendRow>,
    /// Sessions of the pairing that are left out, each with the reason.
    pub left_out: Vec<String>,
}

/// One of them.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TrendRow {
    /// Name of its folder.
    pub name: String,
    /// When it began (RFC 3339).
    pub started_at: String,
    /// Level at the ear for a drive of 0 dBFS RMS, dB SPL (dBFS without calibration).
    pub per_drive: Estimate,
    /// The same less the first one's, dB.
    pub change_db: Option<Estimate>,
    /// Calibration offset, dB, and when it was taken.
    pub offset: Option<(Estimate, String)>,
    /// The same less the first one's, dB.
    pub offset_change_db: Option<f64>,
    /// How far the calibration had moved when it was checked after the session, dB.
    pub drift_db: Option<f64>,
    /// Highest clean level, dB SPL.
    pub highest_clean: Reading,
    /// Doubts on its numbers.
    pub doubts: usize,
}

impl Trend {
    /// Of the pairing of one session, from all entries; `None` where that session cannot be read.
    pub fn of(entries: &[Entry], like: &Entry) -> Option<Trend> {
        let like = like.measured()?;
        let mut all: Vec<(&Entry, &Measured)> = entries
            .iter()
            .filter_map(|entry| Some((entry, entry.measured()?)))
            .filter(|(_, m)| m.same_pairing(like))
            .collect();
        all.sort_by(|a, b| at(a.1).cmp(&at(b.1)).then_with(|| a.0.name.cmp(&b.0.name)));
        let (mut rows, mut left_out): (Vec<TrendRow>, Vec<String>) = (Vec::new(), Vec::new());
        let mut first: Option<&Measured> = None;
        for (entry, m) in all {
            match why_not(m, like) {
                Some(why) => left_out.push(format!("{}: {why}", entry.name)),
                None => {
                    let Some(per_drive) = m.per_drive else { continue };
                    rows.push(row(entry, m, per_drive, first));
                    first = first.or(Some(m));
                }
            }
        }
        let (output, headphone, coupler) = (like.output_name().words(), like.headphone.clone(), like.coupler);
        Some(Trend { output, headphone, coupler, rows, left_out })
    }
}

fn at(m: &Measured) -> Option<jiff::Timestamp> {
    m.started_at.parse().ok()
}

/// Why a session says nothing here.
fn why_not(m: &Measured, like: &Measured) -> Option<&'static str> {
    match () {
        () if m.set_aside.is_some() => Some("set aside"),
        () if m.coupler != like.coupler => Some("on another coupler"),
        () if m.ears != like.ears => Some("other ears were recorded"),
        () if m.offset.is_some() != like.offset.is_some() => Some("only one of them is calibrated"),
        () if m.per_drive.is_none() => Some("it has no quiet reference"),
        () => None,
    }
}

fn row(entry: &Entry, m: &Measured, per_drive: Estimate, first: Option<&Measured>) -> TrendRow {
    let offset = |m: &Measured| m.offset.as_ref().map(|(offset, _)| offset.value);
    TrendRow {
        name: entry.name.clone(),
        started_at: m.started_at.clone(),
        per_drive,
        change_db: first.and_then(|first| Some(per_drive.plus(&first.per_drive?.negative()))),
        offset: m.offset.clone(),
        offset_change_db: first.and_then(|first| Some(offset(m)? - offset(first)?)),
        drift_db: m.drift_db,
        highest_clean: m.highest_clean.clone(),
        doubts: m.doubts.len(),
    }
}
