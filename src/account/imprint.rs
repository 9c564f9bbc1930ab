//! Where a picture and a report come from, in words: were the devices simulated, when and on what coupler was it measured, and
//! by which program? A picture that is passed on alone still says it.

use super::picture::{Bench, Imprint};
use super::{capital, when};
use crate::calibration::{Coupler, Point};
use crate::session::program;
use crate::session::record::Record;
use crate::stock::Learnt;
use std::collections::BTreeSet;

/// What bars of levels are.
const EACH: &str = "Bars are 95 % intervals.";
/// What bars of a comparison are.
const TOGETHER: &str = "Bars are intervals that hold together with 95 %.";

/// True where it was made on the simulated bench.
pub fn simulated(record: &Record) -> bool {
    record.head.playback.simulates.is_some()
}

/// Of one session.
pub fn session(record: &Record) -> Imprint {
    Imprint { bench: Bench::of([simulated(record)]), words: measured(record), bars: EACH }
}

/// Of two sessions side by side.
pub fn comparison(first: &Record, second: &Record) -> Imprint {
    let bench = Bench::of([simulated(first), simulated(second)]);
    let (a, b) = (measured(first), measured(second));
    let words = if a == b { a } else { format!("First: {a} Second: {b}") };
    Imprint { bench, words, bars: TOGETHER }
}

/// Of many sessions, as the stock learnt them.
pub fn stock<'a>(sessions: impl Iterator<Item = &'a Learnt>) -> Imprint {
    let sessions: Vec<&Learnt> = sessions.collect();
    let bench = Bench::of(sessions.iter().map(|session| session.simulated));
    let first = sessions.iter().map(|session| session.started_at.as_str()).min();
    let last = sessions.iter().map(|session| session.started_at.as_str()).max();
    let days = first.zip(last).map(|(first, last)| (when::day(first), when::day(last)));
    let days = days.map_or("Nothing of it was measured.".into(), |(first, last)| match first == last {
        true => format!("Measured {first}."),
        false => format!("Measured {first} to {last}."),
    });
    let couplers: BTreeSet<String> =
        sessions.iter().map(|session| place(session.coupler, session.coupler.point())).collect();
    let words = std::iter::once(days).chain(couplers).chain([format!("Drawn by {}.", program::NAME)]);
    Imprint { bench, words: words.collect::<Vec<_>>().join(" "), bars: EACH }
}

/// When, on what, at which point, by which program.
fn measured(record: &Record) -> String {
    let head = &record.head;
    // The features and hosts that it was built with stand in the report.
    let program = head.program.split(" (").next().unwrap_or_default();
    let place = match head.chain.is_calibrated() {
        true => place(head.chain.coupler, head.chain.point()),
        false => format!("{}; not calibrated.", capital(head.chain.coupler.words())),
    };
    format!("Measured {} by {program}. {place}", when::words(&head.started_at))
}

fn place(coupler: Coupler, point: Point) -> String {
    format!("{}, levels at the {point}.", capital(coupler.words()))
}
