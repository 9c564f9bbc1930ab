//! `judge`: a stored session for another listening level or by another rule.

use super::args::Listener;
use super::{Surroundings, request, show};
use crate::judgement;
use crate::session::record::Record;
use crate::session::storage::Storage;
use anyhow::Result;
use std::path::Path;

pub(super) fn judge(session: &Path, listener: &Listener, json: bool, surroundings: &mut Surroundings) -> Result<()> {
    let (_, mut record) = Storage::open(session)?;
    listens(&mut record, listener)?;
    let judgement = judgement::judge(&record);
    if json {
        writeln!(surroundings.out, "{}", serde_json::to_string_pretty(&judgement)?)?;
    } else {
        show::judgement(&record, &judgement, surroundings.out)?;
    }
    Ok(())
}

/// Puts this listener in the place of the one that the session was planned for.
pub(super) fn listens(record: &mut Record, listener: &Listener) -> Result<()> {
    let plan = &mut record.head.plan;
    plan.listening = request::listening(listener)?.or(plan.listening);
    plan.rule = request::rule(listener, plan.rule)?;
    Ok(())
}
