//! `reanalyse`: a stored session from its WAVs.

use super::{Environment, Exit, follow, show};
use crate::account::write::terminal;
use crate::judgement::judge;
use crate::session::reanalyse::{Kept, reanalyse as recompute};
use anyhow::Result;
use std::path::Path;

pub(super) fn reanalyse(session: &Path, write: bool, json: bool, env: &mut Environment) -> Result<()> {
    let bar = follow::busy();
    bar.set_message(format!("recomputing {}", session.display()));
    let done = recompute(session, write)?;
    bar.finish_and_clear();
    let judgement = judge(&done.record);
    if !done.kept.is_empty() {
        env.exit = Exit::NotDetermined;
    }
    if json {
        let all = serde_json::json!({ "changed": done.changed, "kept": done.kept, "judgement": judgement, "record": done.record });
        return show::json(&all, env.out);
    }
    show::steps(&done.record, env.out)?;
    show::judgement(&done.record, &judgement, env.out)?;
    match (done.changed.as_slice(), write) {
        ([], _) if !done.kept.is_empty() => {
            writeln!(env.out, "\nEvery number that was recomputed is the stored one.")?;
        }
        ([], _) => writeln!(env.out, "\nEvery number is the stored one.")?,
        (changed, true) => writeln!(env.out, "\nSteps {changed:?} were rewritten: their numbers differed.")?,
        (changed, false) => {
            writeln!(env.out, "\nSteps {changed:?} differ from what is stored; --write replaces them.")?
        }
    }
    if !done.kept.is_empty() {
        writeln!(env.out, "\nThese takes could not be recomputed and keep their stored numbers:")?;
        for Kept { step, file, why } in &done.kept {
            write!(env.out, "{}", terminal::text(&format!("- step {step}, {file}: {why}")))?;
        }
    }
    Ok(())
}
