//! How much of the room does the headphone keep out? The same outside source twice: at the open ear, and with the
//! headphone on; per one-third octave the difference of the two levels.
//!
//! What the bench itself hears without the source (the session's silence) bounds it: a band in which the covered ear
//! does not stand clear of it is known as *at least* so much, one in which the open ear does not is not determined.

use crate::analysis::SilenceFinding;
use crate::session::record::Record;
use crate::session::step::Purpose;
use crate::stats::{Estimate, Interval, Reading};
use crate::units::{db_from_power, power_from_db};
use serde::{Deserialize, Serialize};

/// A band that stands so far over the session's silence is given with the silence's power taken off, dB.
const CLEAR_DB: f64 = 3.0;
/// The source stands at least so far over the silence at the open ear, dB.
const LOUD_ENOUGH_DB: f64 = 10.0;

/// Isolation at the deciding ear, of the outside source that was played.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Isolation {
    /// Per one-third octave (number, 0 is 1 kHz), dB.
    pub bands: Vec<(i32, Reading)>,
    /// Difference of the A-weighted levels, dB: it holds for this source's spectrum.
    pub a_weighted: Reading,
}

/// From the last pair of takes; `None` where one is missing.
pub fn isolation(record: &Record) -> Option<Isolation> {
    let input = record.head.chain.deciding_input();
    let heard = |purpose| record.last(purpose).and_then(|step| step.silence(input));
    let (open, covered) = (heard(Purpose::OpenEar)?, heard(Purpose::CoveredEar)?);
    let quiet = heard(Purpose::Silence);
    let band = |of: Option<&SilenceFinding>, x: i32| of?.bands.iter().find(|band| band.x == x)?.level;
    let bands =
        open.bands.iter().map(|at| (at.x, between(at.level, band(Some(covered), at.x), band(quiet, at.x)))).collect();
    let a_weighted = between(open.noise_a, covered.noise_a, quiet.and_then(|quiet| quiet.noise_a));
    Some(Isolation { bands, a_weighted })
}

/// Open less covered, dB, the silence's power taken off both.
fn between(open: Option<Estimate>, covered: Option<Estimate>, quiet: Option<Estimate>) -> Reading {
    let not_determined =
        || Reading::NotDetermined("the outside source is less than 10 dB above the noise here; play it louder".into());
    let Some(open) = open else { return not_determined() };
    let floor = quiet.map_or(f64::NEG_INFINITY, |quiet| quiet.value);
    if open.value - floor < LOUD_ENOUGH_DB {
        return not_determined();
    }
    let without = |level: Estimate| {
        let corrected = db_from_power(power_from_db(level.value) - power_from_db(floor));
        corrected.map(|db| {
            // What is taken off makes the same scatter of power a larger one in decibels; the floor's own scatter adds.
            let share = power_from_db(level.value - db);
            let floor_part = quiet.map_or(0.0, |quiet| quiet.half_width() * power_from_db(floor - db));
            Estimate::symmetric(db, (share * level.half_width()).hypot(floor_part))
        })
    };
    let Some(open) = without(open) else { return not_determined() };
    match covered {
        Some(covered) if covered.value - floor >= CLEAR_DB => match without(covered) {
            Some(covered) => Reading::Determined(open.plus(&covered.negative())),
            None => not_determined(),
        },
        covered => {
            // No more than all that is heard came through.
            let most = covered.map_or(floor, |covered| covered.interval.high.max(floor));
            let least = open.interval.low - most;
            Reading::AtLeast(Estimate { value: least, interval: Interval { low: least, high: least } })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(db: f64) -> Option<Estimate> {
        Some(Estimate::symmetric(db, 0.2))
    }

    /// Background correction −10 lg(1 − 10^(−Δ/10)): 3 dB over it costs 3.0206, 10 dB 0.4576 dB (check values, level
    /// arithmetic; computed).
    #[test]
    fn the_silence_is_taken_off_both_levels() {
        let stated = between(level(60.0), level(30.0), level(20.0));
        assert!((stated.determined().unwrap().value - 30.0 - 0.4576 + 0.0004).abs() < 1e-3, "{stated:?}");
        let edge = between(level(60.0), level(23.0), level(20.0));
        assert!((edge.determined().unwrap().value - 37.0 - 3.0206).abs() < 1e-3, "{edge:?}");
        assert!(edge.determined().unwrap().half_width() > stated.determined().unwrap().half_width());
    }

    #[test]
    fn what_is_lost_in_the_silence_is_a_lower_bound_and_a_quiet_source_tells_nothing() {
        let bound = between(level(60.0), level(22.0), level(20.0));
        assert!(matches!(&bound, Reading::AtLeast(e) if (e.value - 37.6).abs() < 0.05), "{bound:?}");
        assert!(matches!(between(level(29.0), level(20.0), level(20.0)), Reading::NotDetermined(_)));
        assert!(matches!(between(None, None, None), Reading::NotDetermined(_)));
    }
}
