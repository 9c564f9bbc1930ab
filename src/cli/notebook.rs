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
    let (json, record, words) = match what {
        NotebookCommand::Note { session, text, json } => {
            let record = writes::note(session, &text.join(" "), &at)?;
            let words = format!("Noted in {}.", record.head.id);
            (*json, record, words)
        }
        NotebookCommand::Rename { session, output, headphone, volume, spelling, json } => {
            let names = [(Named::Output, output), (Named::Headphone, headphone), (Named::Volume, volume)];
            let (mut last, mut words) = (None, Vec::new());
            for (what, name) in names {
                if let Some(name) = name {
                    let record = writes::rename(session, what, name, *spelling, &at)?;
                    words.push(renamed(&record, what));
                    last = Some(record);
                }
            }
            (*json, last.context("name what is renamed: --output, --headphone or --volume")?, words.join("\n"))
        }
        NotebookCommand::SetAside { session, because, json } => {
            let record = writes::set_aside(session, &because.join(" "), &at)?;
            let id = &record.head.id;
            let words = format!(
                "{id} is set aside: it no longer counts, and everything of it is kept. `loudenough notebook take-back {id}` takes it back."
            );
            (*json, record, words)
        }
        NotebookCommand::TakeBack { session, json } => {
            let record = writes::take_back(session, &at)?;
            let words = format!("{} counts.", record.head.id);
            (*json, record, words)
        }
        NotebookCommand::Undo { session, json } => {
            let (record, undone) = writes::undo(session, &at)?;
            let words = format!("{} in {}.", undone_words(&undone), record.head.id);
            (*json, record, words)
        }
        NotebookCommand::Trend { session, json } => return trend(wanted, session, *json, out),
    };
    if json {
        return show::json(&written(&record), out);
    }
    writeln!(out, "{words}")?;
    Ok(())
}

/// What stands in the session by the user's hand, after this.
fn written(record: &Record) -> serde_json::Value {
    let chain = &record.head.chain;
    serde_json::json!({
        "session": record.head.id,
        "output": chain.output,
        "volume": chain.volume,
        "headphone": chain.headphone,
        "set_aside": record.set_aside(),
        "written": record.written(),
    })
}

fn list(wanted: &NotebookArguments, out: &mut dyn Write) -> Result<()> {
    let mut entries = entries(wanted);
    let all = entries.len();
    entries.retain(|entry| entry.matches(&wanted.words));
    sort(&mut entries, by(wanted.sort));
    if wanted.json {
        return show::json(&entries, out);
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
        show::json(&trend, out)?;
    } else {
        show::sections(&[account::notebook::trend(&trend)], out)?;
    }
    Ok(())
}

fn renamed(record: &Record, what: Named) -> String {
    let (id, word, name) = (&record.head.id, what.word(), what.of(&record.head.chain));
    format!("The {word} of {id} is {}.", if name.is_empty() { "without a note" } else { name })
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
