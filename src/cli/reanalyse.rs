//! `reanalyse`: a stored session from its WAVs.

use super::{Surroundings, follow, show};
use crate::judgement::judge;
use crate::session::reanalyse::reanalyse as recompute;
use anyhow::Result;
use std::path::Path;

pub(super) fn reanalyse(session: &Path, write: bool, json: bool, surroundings: &mut Surroundings) -> Result<()> {
    let bar = follow::busy();
    bar.set_message(format!("recomputing {}", session.display()));
    let done = recompute(session, write)?;
    bar.finish_and_clear();
    let judgement = judge(&done.record);
    if json {
        let all = serde_json::json!({ "changed": done.changed, "judgement": judgement, "record": done.record });
        writeln!(surroundings.out, "{}", serde_json::to_string_pretty(&all)?)?;
        return Ok(());
    }
    show::steps(&done.record, surroundings.out)?;
    show::judgement(&done.record, &judgement, surroundings.out)?;
    match (done.changed.as_slice(), write) {
        ([], _) => writeln!(surroundings.out, "\nEvery number is the stored one.")?,
        (changed, true) => writeln!(surroundings.out, "\nSteps {changed:?} were rewritten: their numbers differed.")?,
        (changed, false) => {
            writeln!(surroundings.out, "\nSteps {changed:?} differ from what is stored; --write replaces them.")?
        }
    }
    Ok(())
}
