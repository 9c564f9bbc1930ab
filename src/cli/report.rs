//! `report`: what was found as a folder that people read and machines read back.

use super::args::Report;
use super::{Surroundings, judge, stock};
use crate::judgement;
use crate::report::stock::About;
use crate::report::{self, Added, Document, folder};
use crate::session::storage::Storage;
use crate::stock::{Stock, learn};
use anyhow::{Context, Result, anyhow, ensure};
use std::fs;
use std::path::{Path, PathBuf};

pub(super) fn report(wanted: &Report, surroundings: &mut Surroundings) -> Result<()> {
    let added = Added { now: (surroundings.now)(), text: wanted.text.as_deref().map(text).transpose()? };
    match wanted.reported.as_slice() {
        [session] => {
            ensure!(
                wanted.of_output.is_none() && wanted.of_headphone.is_none(),
                "--of-output and --of-headphone choose among many pairings; {} is one",
                session.display()
            );
            let document = of_session(session, wanted, &added)?;
            write(&document, wanted.to.as_deref(), session, surroundings)
        }
        sessions => {
            let document = of_many(sessions, wanted, &added, surroundings)?;
            write(&document, wanted.to.as_deref(), Path::new("."), surroundings)
        }
    }
}

/// Writes it and says what and where.
pub(super) fn write(
    document: &Document,
    to: Option<&Path>,
    otherwise_in: &Path,
    surroundings: &mut Surroundings,
) -> Result<()> {
    let to = to.map_or_else(|| folder::free_name(otherwise_in, "report"), Path::to_path_buf);
    let written = folder::write(document, &to)?;
    writeln!(surroundings.out, "{}", document.answer)?;
    writeln!(surroundings.out, "{}", written.words())?;
    Ok(())
}

fn text(path: &Path) -> Result<String> {
    fs::read_to_string(path).with_context(|| format!("cannot read {} as text (UTF-8)", path.display()))
}

fn of_session(session: &Path, wanted: &Report, added: &Added) -> Result<Document> {
    let (_, mut record) = Storage::open(session)?;
    judge::listens(&mut record, &wanted.listener)?;
    Ok(report::session::document(&record, &judgement::judge(&record), added))
}

fn of_many(sessions: &[PathBuf], wanted: &Report, added: &Added, surroundings: &mut Surroundings) -> Result<Document> {
    let stock = match sessions {
        [] => stock::load(&wanted.kept, surroundings.out)?,
        sessions => taught_by(sessions)?,
    };
    let about = match (&wanted.of_output, &wanted.of_headphone) {
        (Some(name), _) => About::Output(stock.find_output(name).map_err(|why| anyhow!(why))?),
        (None, Some(name)) => About::Headphone(stock.find_headphone(name).map_err(|why| anyhow!(why))?),
        (None, None) => About::of(&stock),
    };
    let listener = stock::listener(&wanted.listener, &stock)?;
    Ok(report::stock::document(&stock, &listener, &about, added))
}

/// What these sessions teach, and nothing else.
fn taught_by(sessions: &[PathBuf]) -> Result<Stock> {
    let mut stock = Stock::default();
    for folder in sessions {
        let (_, record) = Storage::open(folder)?;
        let learnt = learn(&record);
        stock.sessions.push(learnt.with_context(|| format!("{} has climbed nothing", folder.display()))?);
    }
    Ok(stock)
}
