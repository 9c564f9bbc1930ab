//! Differences of response: one-third octaves and the 1/48-octave line between them, with a word each, and what they come
//! to as one bound.

use super::fit::{Part, Scatter};
use super::heard::Heard;
use super::side::{Level, cell};
use super::words::{Family, Item, Share, together};
use super::{Difference, Outcome};
use crate::analysis::band::{BANDS, centre_hz};
use crate::stats::{Estimate, NORMAL_95};
use serde::{Deserialize, Serialize};

/// One point of the fine difference.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FinePoint {
    /// Hz.
    pub frequency_hz: f64,
    /// Second session less first, dB.
    pub difference_db: Estimate,
    /// What can be said of it.
    #[serde(rename = "told")]
    pub outcome: Outcome,
}

/// No difference of response is larger than this, over a range of one-third octaves without a gap.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bound {
    /// Largest end of any of their intervals, either side of zero, dB.
    pub largest_db: f64,
    /// First and last of them, 0 is 1 kHz.
    pub bands: (i32, i32),
}

/// The largest difference that was found, whether or not it is distinguished from none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Largest {
    /// Hz.
    pub frequency_hz: f64,
    /// True for a one-third octave, false for a point of the fine line.
    pub is_band: bool,
    /// Second session less first, dB.
    pub difference_db: Estimate,
    /// What can be said of it.
    #[serde(rename = "told")]
    pub outcome: Outcome,
}

/// All that is said of the response.
pub(super) struct Response {
    pub(super) bands: Vec<Difference>,
    pub(super) fine: Vec<FinePoint>,
    pub(super) overall: Outcome,
    pub(super) bound: Option<Bound>,
    pub(super) largest: Option<Largest>,
}

pub(super) fn response(a: &Heard, b: &Heard, scatter: &Scatter, within_db: f64) -> Response {
    let bands = bands(a, b, scatter, within_db);
    let fine = fine(a, b, scatter, within_db);
    let narrow = fine.iter().any(|point| point.outcome == Outcome::Differs);
    let overall = match together(bands.iter().map(|band| band.outcome)) {
        _ if narrow => Outcome::Differs,
        other => other,
    };
    Response { bound: bound(&bands, within_db), largest: largest(&bands, &fine), overall, bands, fine }
}

/// Per one-third octave that both show.
fn bands(a: &Heard, b: &Heard, scatter: &Scatter, within_db: f64) -> Vec<Difference> {
    let of = |x: i32| Some((x, item(a.band(x)?, b.band(x)?, scatter.standard_db(Part::Band(x)))));
    let items: Vec<(i32, Item)> = BANDS.filter_map(of).collect();
    let family = Family::of(Share::Response, items.len(), scatter.dof);
    let difference = |(x, item): &(i32, Item)| Difference {
        x: *x,
        difference_db: Estimate { value: item.value, interval: family.interval(item) },
        outcome: family.word(item, within_db),
        smallest_db: family.smallest_db(item, within_db),
    };
    items.iter().map(difference).collect()
}

/// Per cell of the fine grid that both show.
fn fine(a: &Heard, b: &Heard, scatter: &Scatter, within_db: f64) -> Vec<FinePoint> {
    let of = |point: &crate::analysis::ResponsePoint| {
        let cell = cell(point.frequency_hz);
        Some((point.frequency_hz, item(a.cell(cell)?, b.cell(cell)?, scatter.standard_db(Part::Cell(cell)))))
    };
    let items: Vec<(f64, Item)> = a.place().below.pink.response.iter().filter_map(of).collect();
    let family = Family::of(Share::Fine, items.len(), scatter.dof_of_a_cell());
    let point = |(frequency_hz, item): &(f64, Item)| FinePoint {
        frequency_hz: *frequency_hz,
        difference_db: Estimate { value: item.value, interval: family.interval(item) },
        outcome: family.word(item, within_db),
    };
    items.iter().map(point).collect()
}

fn item(one: Level, other: Level, scatter_db: f64) -> Item {
    let standard_db = (one.half.hypot(other.half) / NORMAL_95).hypot(scatter_db);
    Item { moved: one.moved + other.moved, ..Item::symmetric(other.value - one.value, standard_db) }
}

/// Farthest from zero that the interval reaches.
fn farthest_db(band: &Difference) -> f64 {
    band.difference_db.interval.high.abs().max(band.difference_db.interval.low.abs())
}

/// Over the longest range in which all are the same; over all bands where there is none.
fn bound(bands: &[Difference], within_db: f64) -> Option<Bound> {
    let same = |band: &Difference| farthest_db(band) <= within_db;
    let ranges = bands.chunk_by(|one, next| same(one) == same(next) && next.x == one.x + 1);
    let range = ranges.filter(|range| same(&range[0])).max_by_key(|range| range.len()).unwrap_or(bands);
    let (first, last) = (range.first()?, range.last()?);
    let largest_db = range.iter().map(farthest_db).fold(0.0, f64::max);
    Some(Bound { largest_db, bands: (first.x, last.x) })
}

/// Of what differs the largest; where nothing does, of the bands.
fn largest(bands: &[Difference], fine: &[FinePoint]) -> Option<Largest> {
    let of_band = |b: &Difference| Largest {
        frequency_hz: centre_hz(b.x),
        is_band: true,
        difference_db: b.difference_db,
        outcome: b.outcome,
    };
    let of_point = |p: &FinePoint| Largest {
        frequency_hz: p.frequency_hz,
        is_band: false,
        difference_db: p.difference_db,
        outcome: p.outcome,
    };
    let size = |l: &Largest| l.difference_db.value.abs();
    let larger = |a: &Largest, b: &Largest| size(a).total_cmp(&size(b));
    let differs = |l: &Largest| l.outcome == Outcome::Differs;
    let found = bands.iter().map(of_band).filter(differs).max_by(larger);
    let narrow = || fine.iter().map(of_point).filter(differs).max_by(larger);
    found.or_else(narrow).or_else(|| bands.iter().map(of_band).max_by(larger))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn band(x: i32, value: f64, half: f64) -> Difference {
        let difference_db = Estimate::symmetric(value, half);
        let inside = value.abs() + half <= 0.2;
        let outcome = if inside { Outcome::Same } else { Outcome::NotDetermined };
        Difference { x, difference_db, outcome, smallest_db: Some(0.2 + half) }
    }

    #[test]
    fn the_bound_is_that_of_the_longest_range_without_a_difference() {
        let bands: Vec<Difference> = (-4..8)
            .map(|x| match x {
                -2 => band(x, 0.5, 0.1),
                7 => band(x, 0.21, 0.05),
                _ => band(x, 0.04, 0.05),
            })
            .collect();
        let bound = bound(&bands, 0.2).unwrap();
        assert_eq!(bound.bands, (-1, 6));
        assert!((bound.largest_db - 0.09).abs() < 1e-12);
        let largest = largest(&bands, &[]).unwrap();
        assert!(largest.is_band && (largest.difference_db.value - 0.5).abs() < 1e-12);
    }

    #[test]
    fn without_any_such_range_it_is_that_of_all() {
        let bands: Vec<Difference> = (0..3).map(|x| band(x, 1.0, f64::from(x))).collect();
        let bound = bound(&bands, 0.2).unwrap();
        assert_eq!(bound.bands, (0, 2));
        assert!((bound.largest_db - 3.0).abs() < 1e-12);
    }
}
