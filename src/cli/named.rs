//! Sessions as they are typed, by name, `last` or path, become folders: in this one place, for every command.

use super::Environment;
use super::args::{Calibrate, Command, NotebookCommand};
use crate::session::names;
use crate::session::storage::{all_sessions, default_sessions_dir};
use anyhow::Result;
use std::path::{Path, PathBuf};

/// Puts the folder that is meant in the place of every session of a command.
pub(super) fn resolve(command: &mut Command) -> Result<()> {
    let (sessions, typed) = typed(command);
    let sessions = sessions.map_or_else(default_sessions_dir, Path::to_path_buf);
    for one in typed {
        *one = names::resolve(&sessions, one)?;
    }
    Ok(())
}

/// What can be typed for a session, a name a line, for shells that complete it.
pub(super) fn list(env: &mut Environment) -> Result<()> {
    let names: Vec<String> = all_sessions(&default_sessions_dir())
        .iter()
        .filter_map(|folder| Some(folder.file_name()?.to_string_lossy().into_owned()))
        .collect();
    let last = (!names.is_empty()).then(|| names::LAST.to_string());
    names.iter().chain(&last).try_for_each(|name| writeln!(env.out, "{name}"))?;
    Ok(())
}

/// Where a command looks for its sessions, and the sessions that were typed for it.
fn typed(command: &mut Command) -> (Option<&Path>, Vec<&mut PathBuf>) {
    match command {
        Command::Run(run) => {
            let sessions = run.carry_on.iter_mut().chain(&mut run.again).chain(&mut run.level.first);
            (run.keep.sessions.as_deref(), sessions.collect())
        }
        Command::Hold { session, level, .. } => (None, std::iter::once(session).chain(&mut level.first).collect()),
        Command::Listen(listen) => (listen.keep.sessions.as_deref(), listen.session.iter_mut().collect()),
        Command::Calibrate { what: Calibrate::Check { session, .. } } => (None, vec![session]),
        Command::Swap(swap) => (swap.keep.sessions.as_deref(), swap.carry_on.iter_mut().collect()),
        Command::Judge(judge) => (None, judge.sessions.iter_mut().collect()),
        Command::Compare(compare) => (None, vec![&mut compare.first, &mut compare.second]),
        Command::Report(report) => (report.kept.sessions.as_deref(), report.reported.iter_mut().collect()),
        Command::Reanalyse { session, .. } => (None, vec![session]),
        Command::Notebook(notebook) => {
            let session = notebook.what.as_mut().map(NotebookCommand::session);
            (notebook.sessions.as_deref(), session.into_iter().collect())
        }
        _ => (None, Vec::new()),
    }
}
