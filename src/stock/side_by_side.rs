//! Two stored sessions opened and held against each other: labels drawn where the names are hidden, recordings read where
//! takes are subtracted, and beside the difference what each output does for its listener.

use super::evidence::{best_first, leading};
use super::folder::{StockError, beside, listener};
use super::learnt::{Learnt, OutputName, learn, ohms_of};
use super::ohms::response_change;
use crate::analysis::band::{BANDS, centre_hz};
use crate::analysis::{MOST_TAPS, residue};
use crate::judgement::comparison::{Ask, Comparison, Hears, NotComparable, blue_is_first, compare, compare_hidden};
use crate::session::chain::Chain;
use crate::session::lines::lines;
use crate::session::record::Record;
use crate::session::runner::RunError;
use crate::session::storage::{Storage, StorageError, finished};
use std::path::Path;

/// What is wanted beside the comparison itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// How it is compared.
    pub ask: Ask,
    /// Nobody is to know which is which.
    pub hide_labels: bool,
    /// A take of the first is subtracted from one of the second; needs their names.
    pub subtract: bool,
}

/// Two sessions and what stands between them.
#[derive(Clone, Debug)]
pub struct SideBySide {
    /// The first session.
    pub first: Record,
    /// The second session.
    pub second: Record,
    /// What differs.
    pub comparison: Comparison,
    /// What each output does for its listener; `None` where no session of it climbed with this headphone.
    pub answers: [Option<Learnt>; 2],
    /// What the source impedances alone make of the response, second less first, per one-third octave (number and dB), the level
    /// at 1 kHz held; empty where source and load impedance are not known of both.
    pub by_impedance: Vec<(i32, f64)>,
    /// Nobody is to know which is which.
    pub hidden: bool,
}

/// Why there is no comparison.
#[derive(Debug, thiserror::Error)]
pub enum SideBySideError {
    /// A folder.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// The sessions.
    #[error(transparent)]
    NotComparable(#[from] NotComparable),
    /// The listener's own file.
    #[error(transparent)]
    Listener(#[from] StockError),
    /// A recording that was to be subtracted.
    #[error(transparent)]
    Recording(#[from] RunError),
}

/// Opens both and compares them; `now` (RFC 3339) is when labels were drawn.
///
/// # Errors
/// [`SideBySideError`], with what to do.
pub fn side_by_side(folders: [&Path; 2], wanted: &Wanted, now: String) -> Result<SideBySide, SideBySideError> {
    let (recorded, first) = Storage::open(folders[0])?;
    let (storage, mut second) = Storage::open(folders[1])?;
    let ask = &Ask { hears: wanted.ask.hears.or(kept_limits(folders[0])?), ..wanted.ask };
    if wanted.hide_labels {
        let blue = match blue_is_first(&first, &second) {
            Some(blue) => blue,
            None => {
                // Not before it is known that they can be compared: a key is drawn once.
                compare(&first, &second, ask)?;
                second.events = Storage::draw_labels(folders[1], &first.head.id, &now)?;
                blue_is_first(&first, &second).unwrap_or(true)
            }
        };
        let comparison = compare_hidden(&first, &second, ask, blue)?;
        return Ok(SideBySide { hidden: true, ..SideBySide::of(first, second, comparison) });
    }
    let mut comparison = compare(&first, &second, ask)?;
    if let (true, Some((a, b))) = (wanted.subtract, &comparison.played) {
        let both = lines(&recorded, &first, a.nearest)?.zip(lines(&storage, &second, b.nearest)?);
        comparison.residue = both.and_then(|(a, b)| residue(&a, &b, MOST_TAPS));
    }
    let [one, other] = folders;
    let answers = [answer(one, &first), answer(other, &second)];
    let by_impedance = by_impedance(&first, &second).unwrap_or_default();
    Ok(SideBySide { answers, by_impedance, ..SideBySide::of(first, second, comparison) })
}

/// What the listener beside these sessions states that they hear.
fn kept_limits(session: &Path) -> Result<Hears, StockError> {
    let kept = session.parent().map(|sessions| listener(&beside(sessions))).transpose()?.flatten();
    Ok(kept.map_or(Hears::default(), |kept| kept.hears))
}

impl SideBySide {
    /// The comparison alone.
    pub fn of(first: Record, second: Record, comparison: Comparison) -> SideBySide {
        SideBySide { first, second, comparison, answers: [None, None], by_impedance: Vec::new(), hidden: false }
    }
}

/// What the session itself shows; of one half of a swap, what the best other session of this output and headphone does.
fn answer(folder: &Path, record: &Record) -> Option<Learnt> {
    if record.head.plan.extent.climbs() {
        return learn(record);
    }
    let chain = &record.head.chain;
    let same = |other: &Chain| {
        OutputName::of(other) == OutputName::of(chain) && other.headphone.trim() == chain.headphone.trim()
    };
    let beside = finished(folder.parent()?).into_iter().filter(|glance| same(&glance.head.chain));
    let sessions: Vec<Learnt> = beside.filter_map(|glance| learn(&Storage::open(&glance.folder).ok()?.1)).collect();
    leading(&best_first(&sessions)).cloned()
}

fn by_impedance(first: &Record, second: &Record) -> Option<Vec<(i32, f64)>> {
    let [(one, load), (other, other_load)] = [first, second].map(|record| ohms_of(&record.head.chain));
    let (one, other, load) = (one?, other?, load.or(other_load)?);
    let at: Vec<f64> = BANDS.map(centre_hz).collect();
    let changes = [&one, &other].map(|source| response_change(source, &load, &at));
    let difference = |(a, b): (&(f64, f64), &(f64, f64))| b.1 - a.1;
    Some(BANDS.zip(changes[0].iter().zip(&changes[1]).map(difference)).collect())
}
