//! `run`: a session on real cards.

use super::args::{Run, Shown};
use super::{Environment, Exit, Unfinished, follow, hold, request, series, show, stock};
use crate::judgement::judge;
use crate::session::chain::pink_spectrum;
use crate::session::chain_file;
use crate::session::protocol::{Command, SessionRequest};
use crate::session::record::{Record, StepResult};
use crate::session::step::StopReason;
use crate::session::storage;
use crate::stock::folder;
use anyhow::{Result, bail, ensure};
use std::io::Write;
use std::path::Path;

pub(super) fn run(wanted: &Run, env: &mut Environment) -> Result<()> {
    if wanted.series {
        return series::run(wanted, env);
    }
    let mut chain_file = None;
    let sessions = || wanted.keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir);
    let command = match (&wanted.carry_on, &wanted.again) {
        (_, Some(folder)) => {
            let head = storage::at_a_glance(folder)?.head;
            ensure!(
                head.plan.extent.climbs(),
                "{} is not a session with a climb; repeat it with `chain check` or `swap`",
                head.id
            );
            let plan = request::checked(head.plan, &head.chain, wanted.ask.ceilings.confirm_ceiling)?;
            let (chain, id) = (head.chain, wanted.keep.id.clone());
            Command::Run(Box::new(SessionRequest { plan, chain, sessions: sessions(), id }))
        }
        (Some(folder), None) => {
            Command::Continue { folder: folder.clone(), confirmed: wanted.ask.ceilings.confirm_ceiling }
        }
        (None, None) => {
            let (mut chain, path) = request::chain(&wanted.desk, &(env.now)())?;
            request::use_valid_offsets(&mut chain, &wanted.desk)?;
            request::use_valid_electrical(&mut chain, &wanted.desk)?;
            chain_file = Some(path);
            let settings = env.settings()?;
            let plan =
                request::plan(&wanted.ask, &chain, &settings, &mut show::aside(wanted.keep.shown.json, env.out))?;
            keep_listener(wanted, env)?;
            Command::Run(Box::new(SessionRequest { plan, chain, sessions: sessions(), id: wanted.keep.id.clone() }))
        }
    };
    let bench = env.bench();
    bench.commands.send(command)?;
    let (record, folder) = follow::session(&bench, &wanted.keep.shown, env.out)?;
    if let Some(path) = chain_file {
        chain_file::learn(&path, &record)?;
    }
    let record = hold::seats(&bench, record, &folder, &wanted.keep.shown, env.out)?;
    let record = match record.can_go_on() {
        true => record,
        false => hold::match_level(&bench, record, &folder, &wanted.level, &wanted.keep.shown, env.out)?,
    };
    env.exit = report(&record, &folder, &wanted.keep.shown, env.out)?;
    Ok(())
}

/// A listening level that was stated is the listener's from now on.
pub(super) fn keep_listener(wanted: &Run, env: &mut Environment) -> Result<()> {
    let Some(listening) = request::listening(&wanted.ask.listener) else { return Ok(()) };
    let (mut said, out) = (Vec::new(), &mut *env.out);
    // No session is given up for it.
    if let Err(error) = stock::keep_listener(&folder::default_folder(), listening, (env.now)(), &mut said) {
        said = format!("The listening level could not be kept as the listener's: {error}\n").into_bytes();
    }
    if !wanted.keep.shown.json {
        out.write_all(&said)?;
    }
    Ok(())
}

/// Step table and answers, or both as JSON; what the answer ends the program with.
pub(super) fn report(record: &Record, folder: &Path, keep: &Shown, out: &mut dyn Write) -> Result<Exit> {
    let judgement = judge(record);
    if keep.json {
        let chain = &record.head.chain;
        let at_load = |s: &StepResult| chain.at_load(s.step.drive?, &pink_spectrum());
        let at_load: Vec<_> = record.steps.iter().map(at_load).collect();
        let all = serde_json::json!({ "folder": folder, "judgement": judgement, "at_load": at_load, "record": record });
        show::json(&all, out)?;
    } else {
        if keep.details {
            show::steps(record, out)?;
            show::judgement(record, &judgement, out)?;
            writeln!(out)?;
        } else {
            show::brief(record, &judgement, out)?;
        }
        writeln!(out, "Everything is kept in {}", folder.display())?;
    }
    match record.stop() {
        Some(reason) if record.can_go_on() => bail!(Unfinished(format!(
            "the session did not finish: {reason}. Finished steps are kept in {}; go on with `loudenough run --continue \"{}\"`.",
            folder.display(),
            folder.display()
        ))),
        Some(reason @ (StopReason::NoSignal | StopReason::NotTheSound)) => {
            bail!("the session found nothing to measure: {reason}. What was recorded is kept in {}.", folder.display())
        }
        _ => Ok(Exit::of(record, &judgement)),
    }
}
