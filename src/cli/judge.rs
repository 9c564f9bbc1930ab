//! `judge`: a stored session for another listening level or by another rule.

use super::args::Listener;
use super::{Surroundings, request, show};
use crate::judgement::judge_for;
use crate::session::storage::Storage;
use anyhow::Result;
use std::path::Path;

pub(super) fn judge(session: &Path, listener: &Listener, json: bool, surroundings: &mut Surroundings) -> Result<()> {
    let (_, record) = Storage::open(session)?;
    let listening = request::listening(listener)?.or(record.head.plan.listening);
    let rule = request::rule(listener, record.head.plan.rule)?;
    let judgement = judge_for(&record, listening, rule);
    if json {
        writeln!(surroundings.out, "{}", serde_json::to_string_pretty(&judgement)?)?;
    } else {
        show::judgement(&record, &judgement, surroundings.out)?;
    }
    Ok(())
}
