//! Two stored sessions opened and held against each other: labels drawn where the names are hidden, recordings read where
//! takes are subtracted.

use crate::analysis::{MOST_TAPS, residue};
use crate::judgement::comparison::{Ask, Comparison, NotComparable, blue_is_first, compare, compare_hidden};
use crate::session::lines::lines;
use crate::session::record::Record;
use crate::session::runner::RunError;
use crate::session::storage::{Storage, StorageError};
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
    let (mut storage, mut second) = Storage::open(folders[1])?;
    let ask = &wanted.ask;
    if wanted.hide_labels {
        let blue = match blue_is_first(&first, &second) {
            Some(blue) => blue,
            None => {
                // Not before it is known that they can be compared: a key is drawn once.
                compare(&first, &second, ask)?;
                second.events.push(storage.draw_labels(&first.head.id, now)?);
                blue_is_first(&first, &second).unwrap_or(true)
            }
        };
        let comparison = compare_hidden(&first, &second, ask, blue)?;
        return Ok(SideBySide { first, second, comparison });
    }
    let mut comparison = compare(&first, &second, ask)?;
    if let (true, Some((a, b))) = (wanted.subtract, &comparison.played) {
        let both = lines(&recorded, &first, a.nearest)?.zip(lines(&storage, &second, b.nearest)?);
        comparison.residue = both.and_then(|(a, b)| residue(&a, &b, MOST_TAPS));
    }
    Ok(SideBySide { first, second, comparison })
}
