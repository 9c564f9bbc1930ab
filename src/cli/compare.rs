//! `compare`: two stored sessions side by side, at matched level.

use super::args::Compare;
use super::{Environment, show};
use crate::account::write::{folder, terminal};
use crate::account::{self, Added};
use crate::judgement::comparison::{Ask, BLUE, MatchedOn, WHITE, sentence, whose_labels};
use crate::session::storage::Storage;
use crate::stock::side_by_side::{SideBySide, Wanted, side_by_side};
use anyhow::{Result, bail};
use std::io::Write;
use std::path::Path;

pub(super) fn compare(wanted: &Compare, env: &mut Environment) -> Result<()> {
    if wanted.reveal {
        return reveal(wanted, env.out);
    }
    let asked = Wanted { ask: ask(wanted), hide_labels: wanted.hide_labels, subtract: wanted.subtract };
    let stated = Details { all: wanted.all, json: wanted.json, report: wanted.report.as_deref() };
    stored([&wanted.first, &wanted.second], &asked, &stated, env)
}

/// How a comparison is printed.
pub(super) struct Details<'a> {
    /// With every band and the fine line.
    pub(super) all: bool,
    /// As JSON instead.
    pub(super) json: bool,
    /// A report too, into this folder.
    pub(super) report: Option<&'a Path>,
}

/// Two stored sessions, compared and reported.
pub(super) fn stored(folders: [&Path; 2], wanted: &Wanted, how: &Details, env: &mut Environment) -> Result<()> {
    let both = side_by_side(folders, wanted, (env.now)())?;
    if how.json {
        return show::json(&both.comparison, env.out);
    }
    stated(&both, how.all, env.out)?;
    if let Some(to) = how.report {
        let document = account::comparison::document(&both, &Added { now: (env.now)(), ..Added::default() });
        writeln!(env.out, "{}", folder::write(&document, to)?.words())?;
    }
    Ok(())
}

/// Whose labels they were.
fn reveal(wanted: &Compare, out: &mut dyn Write) -> Result<()> {
    let [(_, first), (_, second)] = [Storage::open(&wanted.first)?, Storage::open(&wanted.second)?];
    let Some([blue, white]) = whose_labels(&first, &second) else {
        bail!("no labels were drawn for these two sessions; compare them with `--hide-labels` first");
    };
    if wanted.json {
        return show::json(&serde_json::json!({ "blue": blue, "white": white }), out);
    }
    writeln!(out, "{BLUE}: {blue}\n{WHITE}: {white}")?;
    Ok(())
}

fn ask(wanted: &Compare) -> Ask {
    Ask {
        at: wanted.at,
        on: if wanted.at_1_khz { MatchedOn::OneKilohertz } else { MatchedOn::Pink },
        within_db: wanted.within,
        distortion_within_db: wanted.distortion_within,
        same_seat: wanted.same_seat,
        hears: wanted.hears.into(),
    }
}

fn stated(both: &SideBySide, all: bool, out: &mut dyn Write) -> std::io::Result<()> {
    write!(out, "{}", terminal::text(&sentence(&both.comparison)))?;
    show::sections(&account::comparison::sections(both, all), out)?;
    if all {
        write!(out, "\n{}", terminal::table(&account::comparison::fine(&both.comparison)))?;
    }
    Ok(())
}
