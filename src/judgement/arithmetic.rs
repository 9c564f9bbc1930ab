//! A session is judged by this program, and its numbers may have been computed by another one.

use crate::analysis::Flaw;
use crate::session::program::ARITHMETIC;
use crate::session::record::{Record, StepResult};

/// A note where numbers of the session were computed by another version of the arithmetic than it is judged by.
pub(super) fn other(record: &Record) -> Option<Flaw> {
    let of = |step: &StepResult| step.arithmetic;
    let others = || record.steps.iter().map(of).filter(|version| *version != Some(ARITHMETIC));
    let latest = others().max()?;
    let (count, all) = (others().count(), record.steps.len());
    let which = if count == all { "The numbers".to_string() } else { format!("The numbers of {count} of {all} steps") };
    let by = match latest {
        Some(version) => format!("by version {version} of the arithmetic"),
        None => format!("by a program that did not keep the version of its arithmetic ({})", name(record)),
    };
    let remedy = match latest {
        Some(newer) if newer > ARITHMETIC => "Judge it with the program that measured it, or a newer one.".to_string(),
        _ => format!("`loudenough reanalyse {} --write` computes them again from the recordings.", record.head.id),
    };
    let text = format!("{which} were computed {by}, and are judged by version {ARITHMETIC}. {remedy}");
    Some(Flaw::note("other-arithmetic", text))
}

/// Name and version of the program that measured, without what it was built with.
fn name(record: &Record) -> &str {
    record.head.program.split(" (").next().unwrap_or_default()
}
