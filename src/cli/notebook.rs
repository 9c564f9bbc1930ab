//! `notebook`: the sessions listed, and what the user writes into them.

use super::args::{NotebookArguments, NotebookCommand, Sort};
use super::{Environment, show};
use crate::account;
use crate::account::write::terminal;
use crate::session::notebook as writes;
use crate::session::record::{Happening, Named, Record};
use crate::session::storage::default_sessions_dir;
use crate::stock::notebook::{Entry, SortBy, Trend, read_telling, sort};
use anyhow::{Context, Result};
use indicatif::ProgressBar;
use std::io::Write;
use std::path::Path;
use std::sync::Mutex;
use std::sync::PoisonError;

/// As many are listed where not all are asked for.
const LISTED: usize = 40;

pub(super) fn notebook(wanted: &NotebookArguments, env: &mut Environment) -> Result<()> {
    let at = (env.now)();
    let out = &mut *env.out;
    let Some(what) = &wanted.what else { return list(wanted, out) };
    match what {
        NotebookCommand::Note { session, text } => {
            let record = writes::note(session, &text.join(" "), &at)?;
            writeln!(out, "Noted in {}.", record.head.id)?;
        }
        NotebookCommand::Rename { session, output, headphone, volume, spelling } => {
            let names = [(Named::Output, output), (Named::Headphone, headphone), (Named::Volume, volume)];
            for (what, name) in names {
                if let Some(name) = name {
                    renamed(&writes::rename(session, what, name, *spelling, &at)?, what, out)?;
                }
            }
        }
        NotebookCommand::SetAside { session, because } => {
            let record = writes::set_aside(session, &because.join(" "), &at)?;
            let id = &record.head.id;
            writeln!(
                out,
                "{id} is set aside: it no longer counts, and everything of it is kept. `loudenough notebook take-back {id}` takes it back."
            )?;
        }
        NotebookCommand::TakeBack { session } => {
            let record = writes::take_back(session, &at)?;
            writeln!(out, "{} counts.", record.head.id)?;
        }
        NotebookCommand::Undo { session } => {
            let (record, undone) = writes::undo(session, &at)?;
            writeln!(out, "{} in {}.", undone_words(&undone), record.head.id)?;
        }
        NotebookCommand::Trend { session, json } => trend(wanted, session, *json, out)?,
    }
    Ok(())
}

fn list(wanted: &NotebookArguments, out: &mut dyn Write) -> Result<()> {
    let mut entries = entries(wanted);
    let all = entries.len();
    entries.retain(|entry| entry.matches(&wanted.words));
    sort(&mut entries, by(wanted.sort));
    if wanted.json {
        writeln!(out, "{}", serde_json::to_string_pretty(&entries)?)?;
        return Ok(());
    }
    if wanted.names {
        return Ok(entries.iter().try_for_each(|entry| writeln!(out, "{}", entry.name))?);
    }
    let found = entries.len();
    if !wanted.all {
        entries.truncate(LISTED);
    }
    if !entries.is_empty() {
        write!(out, "{}", terminal::table(&account::notebook::table(&entries)))?;
    }
    write!(out, "{}", terminal::text(&account::notebook::counted(entries.len(), found, all, &wanted.words)))?;
    Ok(())
}

/// Every session; a bar shows how far it is where many must be read anew.
fn entries(wanted: &NotebookArguments) -> Vec<Entry> {
    let sessions = wanted.sessions.clone().unwrap_or_else(default_sessions_dir);
    let bar: Mutex<Option<ProgressBar>> = Mutex::new(None);
    let entries = read_telling(&sessions, |done, of| {
        let mut bar = bar.lock().unwrap_or_else(PoisonError::into_inner);
        bar.get_or_insert_with(|| ProgressBar::new(of as u64)).set_position(done as u64);
    });
    if let Some(bar) = bar.into_inner().unwrap_or_else(PoisonError::into_inner) {
        bar.finish_and_clear();
    }
    entries
}

fn trend(wanted: &NotebookArguments, session: &Path, json: bool, out: &mut dyn Write) -> Result<()> {
    let entries = entries(wanted);
    let same = |entry: &&Entry| entry.folder == session || entry.folder.file_name() == session.file_name();
    let like = entries.iter().find(same);
    let like = like.with_context(|| format!("{} is not in the folder of sessions", session.display()))?;
    let trend = Trend::of(&entries, like)
        .with_context(|| format!("{} cannot be read: {}", like.name, like.session.as_ref().err().map_or("", |e| e)))?;
    if json {
        writeln!(out, "{}", serde_json::to_string_pretty(&trend)?)?;
    } else {
        show::sections(&[account::notebook::trend(&trend)], out)?;
    }
    Ok(())
}

fn renamed(record: &Record, what: Named, out: &mut dyn Write) -> Result<()> {
    let (id, word, name) = (&record.head.id, what.word(), what.of(&record.head.chain));
    Ok(writeln!(out, "The {word} of {id} is {}.", if name.is_empty() { "without a note" } else { name })?)
}

fn undone_words(undone: &Happening) -> String {
    match undone {
        Happening::Noted { text } => format!("The note `{text}` is removed"),
        Happening::Renamed { what, was, .. } => format!("The {} is {was} again", what.word()),
        Happening::SetAside { .. } => "It is no longer set aside, and counts again".into(),
        _ => "It is set aside again".into(),
    }
}

fn by(typed: Sort) -> SortBy {
    match typed {
        Sort::Date => SortBy::Date,
        Sort::Output => SortBy::Output,
        Sort::Headphone => SortBy::Headphone,
        Sort::Headroom => SortBy::Headroom,
        Sort::Verdict => SortBy::Verdict,
        Sort::Doubts => SortBy::Doubts,
    }
}
