//! Pairings, limits and maps as people read them, the same in every place.

use super::known::{KnownHeadphone, KnownOutput, Loudness};
use super::limits::Limits;
use super::predict::Pairing;
use super::{Cell, Ohms};
use crate::calibration::electrical::{ohms_words, volts_words};
use crate::figure::{Figure, NOT_DETERMINED};
use crate::stats::{Estimate, Reading};
use crate::units::{amplitude_from_db, tidy, tidy_signed};

/// Places of levels.
const DB: usize = 1;

/// A level as people read it: `94.9 ±0.1`, `at least 115.0 ±0.4`, `below 98.2`, `not determined`.
pub fn reading_words(reading: &Reading) -> String {
    Figure::new(reading, DB).words()
}

impl Pairing {
    /// Why its level is not determined.
    pub fn missing(&self) -> Option<&str> {
        match (&self.level_spl, &self.headroom_db) {
            (Reading::NotDetermined(why), _) | (_, Reading::NotDetermined(why)) => Some(why),
            _ => None,
        }
    }

    /// `3.2 %` of the full drive for the listening level; more than 100 % of it is said so.
    pub fn share_words(&self) -> String {
        match self.share_of_full {
            None => "·".into(),
            Some(share) if share > 1.0 => "more than 100 %".into(),
            Some(share) => format!("{} %", tidy(100.0 * share, if share < 0.1 { 2 } else { 1 })),
        }
    }
}

impl Cell {
    /// Where its answer comes from: `measured`, with the prediction's error where there is one, or `predicted`.
    pub fn from_words(&self) -> String {
        match (&self.measured, self.error_db) {
            (None, _) => "predicted".into(),
            (Some(_), None) => "measured".into(),
            (Some(_), Some(error)) => format!("measured, the prediction {} dB off", tidy_signed(error, 2)),
        }
    }
}

impl KnownOutput {
    /// What is known, a line each: name and words.
    pub fn lines(&self) -> Vec<(&'static str, String)> {
        let mut lines = Vec::new();
        lines.push(match (&self.open_db, self.gain_by_load.as_slice()) {
            (_, loads @ [_, ..]) => {
                let each = loads.iter().map(|(ohm, db)| format!("{} on {} Ω", volts(db), tidy(*ohm, 0)));
                let each: Vec<String> = each.collect();
                ("full scale", format!("changes with the load: {} (open, RMS of a sine)", each.join(", ")))
            }
            (Some(db), _) => ("full scale", format!("{} open, RMS of a sine", volts(db))),
            (None, _) => ("full scale", "its volts are not known: `loudenough calibrate volts`, or type them".into()),
        });
        lines.push(("source impedance", ohms(self.source.as_ref(), "calibrate source")));
        lines.extend(self.limits.lines());
        lines.extend(self.from.iter().map(|from| ("from", from.clone())));
        lines
    }
}

impl KnownHeadphone {
    /// What is known, a line each: name and words.
    pub fn lines(&self) -> Vec<(&'static str, String)> {
        let loudness = match &self.loudness {
            Err(why) => format!("{NOT_DETERMINED}: {why}"),
            Ok(_) => self.per_volt_db().map_or(NOT_DETERMINED.into(), |e| {
                format!("{} dB SPL, pink noise of 1 V RMS at the plug", Figure::new(e, DB).words())
            }),
        };
        let mut lines = vec![("loudness", loudness), ("impedance", ohms(self.load.as_ref(), "calibrate load"))];
        if let Some((value, load)) = self.per_volt_db().zip(self.load.as_ref()) {
            let less = super::sensitivity::per_volt_less_per_milliwatt_db(load.magnitude.value);
            lines.push(("", format!("{} dB SPL for 1 mW at 1 kHz's impedance", tidy(value.value - less, 1))));
        }
        if matches!(self.loudness, Ok(Loudness::Pink { response_unknown: true, .. })) {
            lines.push(("", "its response is not known: ±4 dB are included for pink noise".into()));
        }
        if let Some(isolation) = &self.isolation_db {
            lines.push(("isolation", format!("{} dB, A-weighted", reading_words(isolation))));
        }
        lines.extend(self.from.iter().map(|from| ("from", from.clone())));
        lines
    }
}

impl Limits {
    /// The limits and what showed them, a line each.
    pub fn lines(&self) -> Vec<(&'static str, String)> {
        let mut lines = vec![
            ("limit in volts", limit(&self.volts_db(), "V peak of the open output", 1.0)),
            ("limit in current", limit(&self.amperes_db(), "mA peak", 1000.0)),
        ];
        if self.contradict() {
            lines.push(("", "its limits on different loads fit neither: an output that adapts its gain to the load, or one whose supply sags".into()));
        }
        let test = |t: &super::LimitTest| {
            let ohm = amplitude_from_db(t.z_db.value);
            ("shown by", format!("{}: {} on {} Ω in all", t.from, limit(&t.limit_db, "V peak", 1.0), tidy(ohm, 1)))
        };
        lines.extend(self.tests.iter().map(test));
        lines
    }
}

/// dB re 1 V or A as a number with its unit.
fn limit(reading: &Reading, unit: &str, scale: f64) -> String {
    Figure::significant(reading.rescaled(|db| scale * amplitude_from_db(db))).in_unit(unit)
}

fn volts(db: &Estimate) -> String {
    let value = amplitude_from_db(db.value);
    volts_words(&Estimate::symmetric(value, value * (amplitude_from_db(db.half_width()) - 1.0)))
}

fn ohms(known: Option<&Ohms>, how: &str) -> String {
    let over = |o: &Ohms| if o.curve.is_some() { ", known over frequency" } else { "" };
    known.map_or_else(
        || format!("not known: `loudenough {how}`, or type it"),
        |o| format!("{} at 1 kHz{}", ohms_words(&o.magnitude), over(o)),
    )
}
