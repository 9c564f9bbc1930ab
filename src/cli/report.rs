//! `report`: what was found as a folder that people read and machines read back.

use super::args::Report;
use super::{Environment, judge, show, stock};
use crate::account::document::Section;
use crate::account::stock::About;
use crate::account::write::{folder, terminal};
use crate::account::{self, Added, Document};
use crate::judgement::Judgement;
use crate::judgement::attribution::attribution;
use crate::session::plain_file;
use crate::session::record::Record;
use crate::stock::folder::{self as stock_folder, default_folder};
use crate::stock::{Stock, learn};
use anyhow::{Context, Result, anyhow, ensure};
use std::path::{Path, PathBuf};

pub(super) fn report(wanted: &Report, env: &mut Environment) -> Result<()> {
    let text = wanted.text.as_deref().map(text).transpose()?;
    let added = Added { now: (env.now)(), text, further: Vec::new() };
    match wanted.reported.as_slice() {
        [session] => {
            ensure!(
                wanted.of_output.is_none() && wanted.of_headphone.is_none(),
                "--of-output and --of-headphone choose among many pairings; {} is one",
                session.display()
            );
            let document = of_session(session, wanted, &added)?;
            write(&document, wanted, session, env)
        }
        sessions => {
            let document = of_many(sessions, wanted, added, env)?;
            write(&document, wanted, Path::new("."), env)
        }
    }
}

/// Writes it and says what and where.
fn write(document: &Document, wanted: &Report, otherwise_in: &Path, env: &mut Environment) -> Result<()> {
    let to = wanted.to.as_deref().map_or_else(|| folder::free_name(otherwise_in, "report"), Path::to_path_buf);
    let written = folder::write(document, &to)?;
    if wanted.json {
        let all = serde_json::json!({
            "answer": document.answer,
            "folder": written.folder,
            "begin_with": written.folder.join("report.html"),
            "files": written.files,
            "size_bytes": written.bytes,
        });
        return show::json(&all, env.out);
    }
    write!(env.out, "{}", terminal::text(&document.answer))?;
    writeln!(env.out, "{}", written.words())?;
    Ok(())
}

fn text(path: &Path) -> Result<String> {
    plain_file::read_text(path).with_context(|| format!("cannot read {} as text (UTF-8)", path.display()))
}

fn of_session(session: &Path, wanted: &Report, added: &Added) -> Result<Document> {
    let judged = judge::judged(&[session.into()], &wanted.listener, &wanted.music)?;
    let (record, judgement) = judged.first().context("no session")?;
    Ok(account::session::document(record, judgement, added))
}

fn of_many(sessions: &[PathBuf], wanted: &Report, mut added: Added, env: &mut Environment) -> Result<Document> {
    let stock = match sessions {
        [] => {
            ensure!(wanted.music.is_empty(), "--music is judged on sessions: give their folders");
            stock::load(&wanted.kept, &mut show::aside(wanted.json, env.out))?
        }
        folders => {
            let judged = judge::judged(folders, &wanted.listener, &wanted.music)?;
            added.further = further(&judged);
            let typed = wanted.kept.stock.clone().unwrap_or_else(default_folder);
            Stock { listener: stock_folder::listener(&typed)?, ..taught_by(folders, &judged)? }
        }
    };
    let about = match (&wanted.of_output, &wanted.of_headphone) {
        (Some(name), _) => About::Output(stock.find_output(name).map_err(|why| anyhow!(why))?),
        (None, Some(name)) => About::Headphone(stock.find_headphone(name).map_err(|why| anyhow!(why))?),
        (None, None) => About::of(&stock),
    };
    let listener = stock::listener(&wanted.listener, &stock, &env.settings()?)?;
    Ok(account::stock::document(&stock, &listener, &about, &added))
}

/// What the same sessions tell of the listener's music and of whose the first one's distortion is.
fn further(judged: &[(Record, Judgement)]) -> Vec<Section> {
    let records: Vec<&Record> = judged.iter().map(|(record, _)| record).collect();
    let whose = attribution(&records).ok().map(|whose| account::attribution::section(&whose, &records));
    account::music::pairings(judged).into_iter().chain(whose).collect()
}

/// What these sessions teach, and nothing else.
fn taught_by(folders: &[PathBuf], judged: &[(Record, Judgement)]) -> Result<Stock> {
    let mut stock = Stock::default();
    for (folder, (record, _)) in folders.iter().zip(judged) {
        let learnt = learn(record);
        stock.sessions.push(learnt.with_context(|| {
            format!("{} is no session that climbed, so it has nothing to report beside others", folder.display())
        })?);
    }
    Ok(stock)
}
