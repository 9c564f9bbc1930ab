//! The map of an output: which headphones it would drive, on the plane of their impedance and their sensitivity.
//!
//! ```text
//! dB SPL    ╲   ample
//! for 1 V    ╲____________________        left: milliamperes are what it lacks
//!           ╲   borderline                right: volts
//!            ╲____________________
//!   • closed 80 Ω      short
//!           4 Ω       impedance      600 Ω
//! ```
//!
//! A headphone on the map is a resistance; what its impedance does over frequency stands in the matrix.

use super::known::{KnownHeadphone, KnownOutput, Loudness};
use super::limits::StoppedBy;
use super::ohms::{Ohms, peaks_db};
use super::predict::{LevelFrom, Listener, Pairing, available_db};
use super::sensitivity::per_volt_less_per_milliwatt_db;
use crate::session::plan::HeadroomRule;
use crate::stats::{Estimate, Reading};
use crate::units::{db_from_power, power_from_db};
use serde::{Deserialize, Serialize};

/// Impedances of the map, ohm.
pub const OHMS: (f64, f64) = (4.0, 600.0);

/// What one impedance allows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Column {
    /// Impedance, ohm.
    pub ohm: f64,
    /// Volts RMS of pink noise at the plug, dB re 1 V.
    pub volts_db: Reading,
    /// Sensitivities in dB SPL for 1 V of pink noise from which it is ample, borderline, and reaches the listening level.
    pub borders_db: [Reading; 3],
    /// What stops the output here.
    pub stopped_by: Option<StoppedBy>,
}

/// A headphone of the stock on the map.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// In words.
    pub headphone: String,
    /// Impedance at 1 kHz, ohm.
    pub ohm: Estimate,
    /// dB SPL for 1 V of pink noise at the plug.
    pub per_volt_db: Estimate,
    /// What it does on this output: measured where it was, else predicted.
    pub says: Pairing,
}

/// The map of an output for a listener.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Map {
    /// The output, in words.
    pub output: String,
    /// Listening level, Z at the point, dB SPL.
    pub listening_z: f64,
    /// Whose that is.
    pub level_from: LevelFrom,
    /// The rule.
    pub rule: HeadroomRule,
    /// By impedance, rising.
    pub columns: Vec<Column>,
    /// Headphones whose impedance and loudness are known.
    pub points: Vec<Point>,
}

impl Map {
    /// Of an output, at so many impedances evenly over the logarithm; each headphone with what its pairing says.
    ///
    /// # Errors
    /// In words, where the output's source impedance is not known.
    pub fn of(
        output: &KnownOutput,
        headphones: impl Iterator<Item = (KnownHeadphone, Pairing)>,
        listener: &Listener,
        listening_z: f64,
        true_peak_factor_db: f64,
        steps: usize,
    ) -> Result<Map, String> {
        let rule = listener.rule;
        let source = output.source.as_ref();
        let source = source.ok_or_else(|| format!("the source impedance of {} is not known", output.name.words()))?;
        let ohm = |i: usize| OHMS.0 * (OHMS.1 / OHMS.0).powf(i as f64 / (steps.max(2) - 1) as f64);
        let column = |ohm: f64| {
            let (volts_db, stopped_by) = volts_db(output, source, ohm, true_peak_factor_db);
            let border = |headroom: f64| volts_db.taken_from(listening_z + headroom);
            let borders_db = [border(rule.ample_db), border(rule.borderline_db), border(0.0)];
            Column { ohm, volts_db, borders_db, stopped_by }
        };
        Ok(Map {
            output: output.name.words(),
            listening_z,
            level_from: listener.level_from,
            rule,
            columns: (0..steps.max(2)).map(|i| column(ohm(i))).collect(),
            points: headphones.filter_map(|(headphone, says)| point(&headphone, says)).collect(),
        })
    }
}

/// Volts RMS of pink noise that an output gives into a resistance, dB re 1 V.
pub fn volts_db(
    output: &KnownOutput,
    source: &Ohms,
    ohm: f64,
    true_peak_factor_db: f64,
) -> (Reading, Option<StoppedBy>) {
    let load = Ohms { magnitude: Estimate::exact(ohm), curve: None };
    let (available, by) = available_db(output, &peaks_db(source, &load));
    let divided = super::ohms::divided_db(source, &load);
    let shares: f64 = divided.iter().map(|(_, db)| power_from_db(*db)).sum::<f64>() / divided.len() as f64;
    let down = db_from_power(shares).unwrap_or(0.0) - true_peak_factor_db;
    let own = output.open_db.map_or(0.0, |e| e.half_width());
    (available.plus(&Estimate::symmetric(down, own)), by)
}

fn point(headphone: &KnownHeadphone, says: Pairing) -> Option<Point> {
    let (per_volt_db, load) = headphone.per_volt_db().zip(headphone.load.as_ref())?;
    Some(Point { headphone: headphone.name.clone(), ohm: load.magnitude, per_volt_db, says })
}

impl KnownHeadphone {
    /// dB SPL of pink noise of 1 V RMS at the plug; `None` where its loudness is not determined.
    pub fn per_volt_db(&self) -> Option<Estimate> {
        match self.loudness.as_ref().ok()? {
            Loudness::Bands { bands, half_width_db } => {
                let all: f64 = bands.iter().map(|(_, db)| power_from_db(*db)).sum();
                let mean = db_from_power(all / crate::analysis::band::BANDS.count() as f64)?;
                Some(Estimate::symmetric(mean, *half_width_db))
            }
            Loudness::Pink { db_per_volt, .. } => Some(*db_per_volt),
        }
    }
}

impl Point {
    /// The same per milliwatt at its impedance.
    pub fn per_milliwatt_db(&self) -> f64 {
        self.per_volt_db.value - per_volt_less_per_milliwatt_db(self.ohm.value)
    }
}
