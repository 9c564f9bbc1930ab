//! `hold`: a steady quiet signal to seat a headphone by, and the seat measured when it sits. `listen`: the capture side
//! alone, while something else sounds.

use super::args::{Match, OutsideEar, Shown};
use super::{Environment, follow, run, show};
use crate::judgement::comparison::{self, MatchedOn};
use crate::session::protocol::Command;
use crate::session::record::Record;
use crate::session::runner::Bench;
use crate::session::storage::Storage;
use anyhow::{Context, Result, ensure};
use std::io::{IsTerminal, Write};
use std::path::Path;

pub(super) fn hold(session: &Path, at_once: bool, level: &Match, shown: &Shown, env: &mut Environment) -> Result<()> {
    let bench = env.bench();
    let (_, before) = Storage::open(session)?;
    if level.first.is_some() {
        let record = match_level(&bench, before, session, level, shown, env.out)?;
        return run::report(&record, session, shown, env.out).map(|_| ());
    }
    let record = follow::seat(&bench, &before, session, !at_once && !needs_nobody(&before), shown, env.out)?;
    run::report(&record, session, shown, env.out).map(|_| ())
}

/// Every position of the output's own volume control.
pub(super) fn taper(session: &Path, shown: &Shown, env: &mut Environment) -> Result<()> {
    let bench = env.bench();
    let (_, before) = Storage::open(session)?;
    let record = follow::positions(&bench, session, !needs_nobody(&before), shown, env.out)?;
    run::report(&record, session, shown, env.out).map(|_| ())
}

/// An outside source, heard at one of the two.
pub(super) fn listen(session: &Path, ear: OutsideEar, shown: &Shown, env: &mut Environment) -> Result<()> {
    let bench = env.bench();
    bench.commands.send(Command::Listen { folder: session.to_path_buf(), covered: ear == OutsideEar::Covered })?;
    let (record, folder) = follow::session(&bench, shown, env.out)?;
    run::report(&record, &folder, shown, env.out).map(|_| ())
}

/// The seats that the plan asks for beyond the climb's, one by one, where somebody (or a simulated bench) can take them.
pub(super) fn seats(
    bench: &Bench,
    mut record: Record,
    folder: &Path,
    shown: &Shown,
    out: &mut dyn Write,
) -> Result<Record> {
    let wanted = record.head.plan.seats;
    let climbed = record.stop().is_some() && !record.can_go_on() && record.judgeable();
    let somebody = needs_nobody(&record) || (std::io::stdin().is_terminal() && !shown.json);
    while climbed && somebody && record.seat() < wanted {
        let before = record.seat();
        record = follow::seat(bench, &record, folder, !needs_nobody(&record), shown, out)?;
        if record.seat() == before {
            break;
        }
    }
    if climbed && record.seat() < wanted && !shown.json {
        writeln!(
            out,
            "Seat {} of {wanted}: take the headphone off, put it on again, and add the next one with `loudenough hold \"{}\"`.",
            record.seat(),
            folder.display()
        )?;
    }
    Ok(record)
}

/// Plays the level of another session, where one is named.
pub(super) fn match_level(
    bench: &Bench,
    record: Record,
    folder: &Path,
    level: &Match,
    shown: &Shown,
    out: &mut dyn Write,
) -> Result<Record> {
    let Some(first) = &level.first else { return Ok(record) };
    let kept =
        || format!("the session itself is kept in {}; match it with `loudenough hold --match`", folder.display());
    let (_, first) = Storage::open(first).with_context(kept)?;
    let ask = comparison::Ask {
        at: level.match_at,
        on: if level.match_at_1_khz { MatchedOn::OneKilohertz } else { MatchedOn::Pink },
        same_seat: level.match_same_seat,
        ..comparison::Ask::default()
    };
    let target = comparison::target(&first, &record, &ask, level.turn).with_context(kept)?;
    if level.turn {
        ensure!(!needs_nobody(&record), "a simulated output has no knob to turn; leave `--turn` out");
        writeln!(
            show::aside(shown.json, out),
            "Quiet noise plays. Turn the output's knob until 0.0 dB is shown and press Enter. Ctrl-C skips it."
        )?;
        follow::ready_on_enter(bench);
    }
    bench.commands.send(Command::Match { folder: folder.to_path_buf(), target })?;
    follow::session(bench, shown, out).map(|(record, _)| record)
}

/// A simulated headphone is put on again by the bench itself.
fn needs_nobody(record: &Record) -> bool {
    record.head.playback.simulates.is_some()
}
