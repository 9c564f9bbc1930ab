//! Differences of response: one-third octaves with a word each, and the 1/48-octave line between them.

use super::fit::{Part, Scatter};
use super::side::{Level, Place, Side, cell};
use super::words::{Item, together, words};
use super::{Difference, Told};
use crate::stats::{Estimate, NORMAL_95, t_quantile};
use serde::{Deserialize, Serialize};

/// One point of the fine difference.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FinePoint {
    /// Hz.
    pub frequency_hz: f64,
    /// Second session less first, dB, 95 %.
    pub difference_db: Estimate,
}

type At<'a, 'b> = (&'b Side<'a>, &'b Place<'a>);

/// Per one-third octave that both tell, and all together.
pub(super) fn bands(a: At, b: At, scatter: &Scatter, within_db: f64) -> (Vec<Difference>, Told) {
    let of = |x: i32| {
        let (one, other) = (a.0.band(a.1, x)?, b.0.band(b.1, x)?);
        Some((x, item(one, other, scatter.standard_db(Part::Band(x)))))
    };
    let (xs, items): (Vec<i32>, Vec<Item>) = crate::analysis::band::BANDS.filter_map(of).unzip();
    let told = words(&items, within_db, scatter.dof);
    let overall = together(told.iter().map(|(word, _)| *word));
    let difference = |((x, item), (told, smallest_db)): ((i32, &Item), (Told, f64))| Difference {
        x,
        difference_db: estimate(item, scatter),
        told,
        smallest_db,
    };
    (xs.into_iter().zip(&items).zip(told).map(difference).collect(), overall)
}

/// Per cell of the fine grid that both tell.
pub(super) fn fine(a: At, b: At, scatter: &Scatter) -> Vec<FinePoint> {
    let of = |point: &crate::analysis::ResponsePoint| {
        let cell = cell(point.frequency_hz);
        let (one, other) = (a.0.cell(a.1, cell)?, b.0.cell(b.1, cell)?);
        let item = item(one, other, scatter.standard_db(Part::Cell(cell)));
        Some(FinePoint { frequency_hz: point.frequency_hz, difference_db: estimate(&item, scatter) })
    };
    a.1.below.pink.response.iter().filter_map(of).collect()
}

fn item(one: Level, other: Level, scatter_db: f64) -> Item {
    Item::symmetric(other.0 - one.0, (one.1.hypot(other.1) / NORMAL_95).hypot(scatter_db))
}

/// With Student's interval of the seats where they count: wider than needed where the takes' own noise rules.
fn estimate(item: &Item, scatter: &Scatter) -> Estimate {
    Estimate::symmetric(item.value, t_quantile(0.975, scatter.dof) * item.above)
}
