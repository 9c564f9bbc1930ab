//! `report`: a stored session as a folder that people read and machines read back.

use super::args::Report;
use super::{Surroundings, judge};
use crate::judgement;
use crate::report::{Added, folder, session};
use crate::session::storage::Storage;
use anyhow::{Context, Result};
use std::fs;

pub(super) fn report(wanted: &Report, surroundings: &mut Surroundings) -> Result<()> {
    let text = wanted.text.as_ref().map(|path| {
        fs::read_to_string(path).with_context(|| format!("cannot read {} as text (UTF-8)", path.display()))
    });
    let added = Added { now: (surroundings.now)(), text: text.transpose()? };
    let (_, mut record) = Storage::open(&wanted.session)?;
    judge::listens(&mut record, &wanted.listener)?;
    let document = session::document(&record, &judgement::judge(&record), &added);
    let to = wanted.to.clone().unwrap_or_else(|| folder::free_name(&wanted.session, "report"));
    let written = folder::write(&document, &to)?;
    writeln!(surroundings.out, "{}", document.answer)?;
    writeln!(
        surroundings.out,
        "{} files, {} kB, written to {}; begin with report.html",
        written.files,
        written.bytes.div_ceil(1000),
        written.folder.display()
    )?;
    Ok(())
}
