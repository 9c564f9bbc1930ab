//! Two outputs without their names: a blue and a white label, in an order that the bench draws once for each pair of
//! sessions and keeps with the second, so that everybody who looks can judge before knowing.

use super::{Ask, Comparison, NotComparable, compare};
use crate::session::record::{Happening, Record};

/// What is called first.
pub const BLUE: &str = "blue label";
/// What is called second.
pub const WHITE: &str = "white label";

/// True where the first session's output wears the blue label; `None` before the order was drawn.
pub fn blue_is_first(first: &Record, second: &Record) -> Option<bool> {
    let key = |of: &Record, against: &Record| {
        of.events.iter().find_map(|event| match &event.what {
            Happening::LabelsDrawn { other, blue } if *other == against.head.id => Some(*blue),
            _ => None,
        })
    };
    key(first, second).or_else(|| key(second, first).map(|blue| !blue))
}

/// The outputs that wear the blue and the white label; `None` before the order was drawn.
pub fn whose_labels<'a>(first: &'a Record, second: &'a Record) -> Option<[&'a str; 2]> {
    let [one, other] = [first, second].map(|record| record.head.chain.output.as_str());
    blue_is_first(first, second).map(|blue| if blue { [one, other] } else { [other, one] })
}

/// Compares white with blue and names neither: what would distinguish them by itself (drives, volts) is left out.
///
/// # Errors
/// [`NotComparable`], with what to do.
pub fn compare_hidden(
    first: &Record,
    second: &Record,
    ask: &Ask,
    blue_is_first: bool,
) -> Result<Comparison, NotComparable> {
    let (blue, white) = if blue_is_first { (first, second) } else { (second, first) };
    let compared = compare(blue, white, ask)?;
    Ok(Comparison { outputs: (BLUE.into(), WHITE.into()), played: None, ..compared })
}
