//! The taper of the output's own volume control: levels per position, and where on it this listener's level lies.
//!
//! Positions are counted from the quietest, as if the control had been turned in equal steps from there. The listening
//! level's place is that of pink noise played as loud as it can be (its peaks at full scale).

use super::headroom::Headroom;
use super::highest_clean::{seat_shift, straight_line};
use crate::session::positions::{Position, positions};
use crate::session::record::Record;
use crate::session::seats::Seats;
use serde::{Deserialize, Serialize};
use std::fmt;

/// A volume control as it was turned.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Taper {
    /// The quietest first.
    pub positions: Vec<Position>,
    /// From the quietest to the loudest, dB.
    pub range_db: f64,
    /// Where the listening level lies.
    pub listening: ListeningAt,
}

/// Where on a control the listening level lies.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ListeningAt {
    /// Between its ends: percent of its range, 0 the quietest position, 100 the loudest.
    Percent(f64),
    /// Under the quietest position.
    UnderTheRange,
    /// Over the loudest position.
    OverTheRange,
    /// No listening level, or no calibration.
    #[serde(rename = "not-told")]
    NotDetermined,
}

impl fmt::Display for ListeningAt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ListeningAt::Percent(percent) => write!(f, "at {percent:.0} % of its range"),
            ListeningAt::UnderTheRange => f.write_str("below its quietest position"),
            ListeningAt::OverTheRange => f.write_str("above its loudest position"),
            ListeningAt::NotDetermined => f.write_str("not determined (no listening level or no calibration)"),
        }
    }
}

/// `None` before two positions were heard.
pub(super) fn taper(record: &Record, headroom: &Headroom, seats: &[Seats]) -> Option<Taper> {
    let positions = positions(record);
    let (first, last) = (positions.first()?, positions.last()?);
    if positions.len() < 2 {
        return None;
    }
    let range_db = last.change_db.value - first.change_db.value;
    let changes: Vec<f64> = positions.iter().map(|p| p.change_db.value).collect();
    let wanted = wanted_change(record, headroom, seats);
    let listening = wanted.map_or(ListeningAt::NotDetermined, |wanted| place(&changes, wanted));
    Some(Taper { positions, range_db, listening })
}

/// Level less that of the session's own position at which the loudest noise has the listening level, dB.
fn wanted_change(record: &Record, headroom: &Headroom, seats: &[Seats]) -> Option<f64> {
    let spl_per_db = straight_line(record)?.spl?.plus(&seat_shift(record, seats)).value;
    let full = record.head.plan.pink.period(record.head.playback.rate).full_drive()?;
    Some(headroom.listening_z?.db() - (spl_per_db + full.db()))
}

/// Straight between positions.
fn place(changes: &[f64], wanted: f64) -> ListeningAt {
    let after = changes.partition_point(|change| *change < wanted);
    let place = match after {
        0 if changes.first().is_some_and(|first| *first > wanted) => return ListeningAt::UnderTheRange,
        0 => 0.0,
        n if n == changes.len() => return ListeningAt::OverTheRange,
        n => (n - 1) as f64 + (wanted - changes[n - 1]) / (changes[n] - changes[n - 1]),
    };
    ListeningAt::Percent(100.0 * place / (changes.len() - 1) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_place_lies_straight_between_positions() {
        let changes = [-40.0, -20.0, -10.0, -5.0, 0.0];
        assert_eq!(place(&changes, -15.0), ListeningAt::Percent(37.5));
        assert_eq!(place(&changes, -40.0), ListeningAt::Percent(0.0));
        assert_eq!(place(&changes, 0.0), ListeningAt::Percent(100.0));
        assert_eq!(place(&changes, -41.0), ListeningAt::UnderTheRange);
        assert_eq!(place(&changes, 0.1), ListeningAt::OverTheRange);
    }
}
