//! `chain check`: the path check, played, kept like a session, and reported finding by finding.

use super::args::{CheckChain, Keep};
use super::{Environment, Unfinished, follow, request, show};
use crate::account;
use crate::judgement::path::path_report;
use crate::session::plan::Plan;
use crate::session::protocol::{Command, SessionRequest};
use crate::session::record::Record;
use crate::session::step::StopReason;
use crate::session::storage;
use anyhow::{Result, bail};
use std::io::Write;
use std::path::Path;

pub(super) fn check(wanted: &CheckChain, env: &mut Environment) -> Result<()> {
    let (mut chain, _) = request::chain(&wanted.desk, &(env.now)())?;
    request::use_valid_offsets(&mut chain, &wanted.desk)?;
    let settings = env.settings()?;
    let base = settings.under(Plan::path_check(chain.routing.playback_rate));
    let plan = Plan { listening: request::listening(&wanted.listener).or(base.listening), ..base };
    let plan = request::checked(plan, &chain, settings.confirm_ceiling)?;
    let sessions = wanted.keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir);
    let bench = env.bench();
    let request = SessionRequest { plan, chain, sessions, id: wanted.keep.id.clone() };
    bench.commands.send(Command::Run(Box::new(request)))?;
    let (record, folder) = follow::session(&bench, &wanted.keep.shown, env.out)?;
    tell(&record, &folder, &wanted.keep, env.out)
}

/// Tells the findings; fails where one of them is a doubt, or where the check did not come to its end.
fn tell(record: &Record, folder: &Path, keep: &Keep, out: &mut dyn Write) -> Result<()> {
    let report = path_report(record);
    if keep.shown.json {
        let all = serde_json::json!({ "folder": folder, "report": report, "record": record });
        show::json(&all, out)?;
    } else {
        show::sections(&[account::path::of(&report)], out)?;
        writeln!(out, "\nEverything is kept in {}", folder.display())?;
    }
    let doubts = report.doubts().count();
    match record.stop() {
        _ if doubts > 0 => bail!("the path check found {doubts} that need attention"),
        Some(StopReason::PathChecked) => Ok(()),
        Some(reason) => bail!(Unfinished(format!("the path check did not finish: {reason}"))),
        None => bail!("the path check did not finish"),
    }
}
