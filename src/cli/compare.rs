//! `compare`: two stored sessions side by side, at matched level.

use super::args::Compare;
use super::{Surroundings, show};
use crate::account::write::terminal;
use crate::account::{self, Added};
use crate::judgement::comparison::{Ask, BLUE, Comparison, MatchedOn, WHITE, sentence, whose_labels};
use crate::session::storage::Storage;
use crate::stock::side_by_side::{SideBySide, Wanted, side_by_side};
use anyhow::{Result, bail};
use std::io::Write;

pub(super) fn compare(wanted: &Compare, surroundings: &mut Surroundings) -> Result<()> {
    if wanted.reveal {
        return reveal(wanted, surroundings.out);
    }
    let asked = Wanted { ask: ask(wanted), hide_labels: wanted.hide_labels, subtract: wanted.subtract };
    let SideBySide { first, second, comparison } =
        side_by_side([&wanted.first, &wanted.second], &asked, (surroundings.now)())?;
    if wanted.json {
        writeln!(surroundings.out, "{}", serde_json::to_string_pretty(&comparison)?)?;
        return Ok(());
    }
    told(&comparison, wanted.all, surroundings.out)?;
    if let Some(to) = &wanted.report {
        let added = Added { now: (surroundings.now)(), ..Added::default() };
        let records = (!wanted.hide_labels).then_some([&first, &second]);
        let document = account::comparison::document(&comparison, records, &added);
        super::report::write(&document, Some(to), to, surroundings)?;
    }
    Ok(())
}

/// Whose labels they were.
fn reveal(wanted: &Compare, out: &mut dyn Write) -> Result<()> {
    let [(_, first), (_, second)] = [Storage::open(&wanted.first)?, Storage::open(&wanted.second)?];
    let Some([blue, white]) = whose_labels(&first, &second) else {
        bail!("no labels were drawn for these two sessions; compare them with `--hide-labels` first");
    };
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
    }
}

fn told(c: &Comparison, all: bool, out: &mut dyn Write) -> std::io::Result<()> {
    write!(out, "{}", terminal::text(&sentence(c)))?;
    show::sections(&account::comparison::sections(c, all), out)?;
    if all {
        write!(out, "\n{}", terminal::table(&account::comparison::fine(c)))?;
    }
    Ok(())
}
