//! `compare`: two stored sessions side by side, at matched level.

use super::args::Compare;
use super::{Surroundings, show};
use crate::analysis::band;
use crate::judgement::comparison::{
    Ask, BLUE, Comparison, Distorted, MatchedOn, Told, WHITE, Where, sentence, whose_labels,
};
use crate::report::{self, Added};
use crate::session::storage::Storage;
use crate::stats::Reading;
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
        let document = report::comparison::document(&comparison, records, &added);
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
    writeln!(out, "{}\n", sentence(c))?;
    matched(c, out)?;
    bands(c, out)?;
    if all {
        fine(c, out)?;
    }
    distortions(c, all, out)?;
    subtracted(c, out)
}

/// What the response does and what distortion does, as two numbers.
fn subtracted(c: &Comparison, out: &mut dyn Write) -> std::io::Result<()> {
    let (Some(left), Some((a, b))) = (&c.residue, &c.played) else { return Ok(()) };
    let gain = show::tidy_signed(left.gain_db, 2);
    let polarity = if left.inverted { ", polarity turned" } else { "" };
    writeln!(
        out,
        "\nsubtracted: step {} of the first from step {} of the second, dB re the second",
        a.nearest, b.nearest
    )?;
    writeln!(out, "  left after clock, delay and gain ({gain} dB{polarity}): {}", show::reading(&left.plain))?;
    writeln!(out, "  left after the best linear filter of {} taps too: {}", left.taps, show::reading(&left.filtered))?;
    c.fit_is_left().map_or(Ok(()), |words| writeln!(out, "  {words}"))
}

/// Level, drives and seats.
fn matched(c: &Comparison, out: &mut dyn Write) -> std::io::Result<()> {
    let unit = if c.is_spl { "dB SPL" } else { "dBFS at the input" };
    writeln!(out, "{}, {}", c.headphone, c.role.in_words())?;
    writeln!(out, "matched on {} at {} {unit}", c.on.in_words(), show::tidy(c.level_db, 1))?;
    for (output, played) in c.played.iter().flat_map(|(a, b)| [(&c.outputs.0, a), (&c.outputs.1, b)]) {
        let volts = played.at_load.as_ref().map_or(String::new(), |at| format!(" = {at}"));
        let drive = show::tidy(played.drive_dbfs, 2);
        writeln!(out, "  {output}: drive {drive} dBFS RMS{volts} ({})", played.basis)?;
    }
    match c.seats {
        None => writeln!(out, "one seat for both: the fit is not in it"),
        Some((a, b)) => writeln!(out, "means of {a} and {b} seats: what the fit changes is in every interval"),
    }
}

fn bands(c: &Comparison, out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "\n{:>9} {:>8} {:>6}   {:32} smallest told", "response", "dB", "±", "")?;
    for band in &c.bands {
        let d = &band.difference_db;
        writeln!(
            out,
            "{:>9} {:>8} {:>6}   {:32} {}",
            band::label(band.x),
            show::tidy_signed(d.value, 2),
            show::tidy(d.half_width(), 2),
            band.told.in_words(c.within_db, &Reading::Told(*d)),
            show::tidy(band.smallest_db, 2)
        )?;
    }
    Ok(())
}

fn fine(c: &Comparison, out: &mut dyn Write) -> std::io::Result<()> {
    writeln!(out, "\n{:>9} {:>8} {:>6}   response at 1/48 octave", "Hz", "dB", "±")?;
    for point in &c.fine {
        let d = &point.difference_db;
        let db = (show::tidy_signed(d.value, 2), show::tidy(d.half_width(), 2));
        writeln!(out, "{:>9.1} {:>8} {:>6}", point.frequency_hz, db.0, db.1)?;
    }
    Ok(())
}

/// Overall and sines; bands and sweeps where all is asked or where they differ.
fn distortions(c: &Comparison, all: bool, out: &mut dyn Write) -> std::io::Result<()> {
    let d = &c.distortions;
    let whole = |q: &Distorted| matches!(q.place, Where::Overall | Where::Sine { .. });
    writeln!(
        out,
        "\n{:22} {:>20} {:>20} {:>8} {:>8}   ",
        "distortion at the ear", "first, dB", "second, dB", "noise", "noise"
    )?;
    for q in d.quantities.iter().filter(|q| all || whole(q) || q.told == Told::Differs) {
        let noise = |n: Option<f64>| n.map_or("·".into(), |n| show::tidy(n, 1));
        writeln!(
            out,
            "{:22} {:>20} {:>20} {:>8} {:>8}   {}",
            q.name(),
            show::reading(&q.of.0),
            show::reading(&q.of.1),
            noise(q.noise_db.0),
            noise(q.noise_db.1),
            q.told.in_words(d.within_db, &q.difference_db)
        )?;
    }
    Ok(())
}
