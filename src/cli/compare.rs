//! `compare`: two stored sessions side by side, at matched level.

use super::args::Compare;
use super::{Surroundings, show};
use crate::analysis::band;
use crate::judgement::comparison::{Ask, Comparison, MatchedOn, Told, compare};
use crate::report::{self, Added};
use crate::session::storage::Storage;
use anyhow::{Result, ensure};
use std::io::Write;

pub(super) fn side_by_side(wanted: &Compare, surroundings: &mut Surroundings) -> Result<()> {
    ensure!((0.01..=10.0).contains(&wanted.within), "--within {} dB is outside 0.01 to 10", wanted.within);
    let (_, first) = Storage::open(&wanted.first)?;
    let (_, second) = Storage::open(&wanted.second)?;
    let on = if wanted.at_1_khz { MatchedOn::OneKilohertz } else { MatchedOn::Pink };
    let ask = Ask { at: wanted.at, on, within_db: wanted.within, same_seat: wanted.same_seat };
    let comparison = compare(&first, &second, &ask)?;
    if wanted.json {
        writeln!(surroundings.out, "{}", serde_json::to_string_pretty(&comparison)?)?;
        return Ok(());
    }
    told(&comparison, surroundings.out)?;
    if let Some(to) = &wanted.report {
        let added = Added { now: (surroundings.now)(), text: None };
        let document = report::comparison::document(&comparison, Some([&first, &second]), &added);
        super::report::write(&document, Some(to), to, surroundings)?;
    }
    Ok(())
}

fn told(c: &Comparison, out: &mut dyn Write) -> std::io::Result<()> {
    let unit = if c.is_spl { "dB SPL" } else { "dBFS at the input" };
    let on = match c.on {
        MatchedOn::Pink => "pink noise",
        MatchedOn::OneKilohertz => "the one-third octave at 1 kHz",
    };
    let (first, second) = &c.outputs;
    writeln!(out, "{second} against {first}, {}, {}", c.headphone, c.role.in_words())?;
    writeln!(
        out,
        "matched on {on} at {} {unit}: drives {} and {} dBFS RMS",
        show::tidy(c.level_db, 1),
        show::tidy(c.drives.0, 2),
        show::tidy(c.drives.1, 2)
    )?;
    match c.seats {
        None => writeln!(out, "one seat for both: the fit is not in it")?,
        Some((a, b)) => writeln!(out, "means of {a} and {b} seats: what the fit changes is in every interval")?,
    }
    writeln!(out, "\n{:>9} {:>8} {:>6}   {:32} smallest told", "band", "dB", "±", "")?;
    for band in &c.bands {
        let d = &band.difference_db;
        let words = match band.told {
            Told::Same => format!("same within {} dB", c.within_db),
            Told::Differs => format!("differs by {} dB", show::tidy_signed(d.value, 2)),
            Told::NotTold => "not told".into(),
        };
        writeln!(
            out,
            "{:>9} {:>8} {:>6}   {words:32} {}",
            band::label(band.x),
            show::tidy_signed(d.value, 2),
            show::tidy(d.half_width(), 2),
            show::tidy(band.smallest_db, 2)
        )?;
    }
    let overall = match c.overall {
        Told::Same => format!("the response is the same within {} dB in every band", c.within_db),
        Told::Differs => "the response differs".into(),
        Told::NotTold => "whether the response differs is not told".into(),
    };
    writeln!(out, "\noverall    {overall} (one false word among all bands in a hundred comparisons)")?;
    let d = &c.distortions;
    writeln!(
        out,
        "distortion at the ear, steps {} and {} ({} and {} dB off the matched level):",
        d.steps.0,
        d.steps.1,
        show::tidy_signed(d.off_db.0, 1),
        show::tidy_signed(d.off_db.1, 1)
    )?;
    for (name, (a, b)) in [("even-order", &d.even), ("odd-order", &d.odd)] {
        writeln!(out, "  {name:10} {} and {} dB", show::reading(a), show::reading(b))?;
    }
    let noise = |n: Option<f64>| n.map_or("·".into(), |n| show::tidy(n, 1));
    writeln!(out, "  {:10} {} and {} dB", "noise", noise(d.noise_db.0), noise(d.noise_db.1))
}
