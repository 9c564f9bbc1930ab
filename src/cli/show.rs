//! How results look in a terminal.

use super::Printable;
use crate::account::chain::offset_words;
use crate::account::document::Section;
use crate::account::session;
use crate::account::when;
use crate::account::write::terminal;
use crate::analysis::Tone;
use crate::calibration::STEADY_S;
use crate::card::Granted;
use crate::judgement::Judgement;
use crate::session::record::Record;
use crate::units::{amplitude_from_db, tidy};
use serde::Serialize;
use std::io::{Result, Write};
use std::path::Path;

/// Said before any sound (common practice of the trade; local rules and licensed practice come first).
pub const CAUTION: &str = "Do not wear the headphones while this runs: over 100 dB SPL is normal here and harms hearing in minutes. \
Ctrl-C fades out at once.";

/// Session, cards and cautions.
pub fn began(record: &Record, folder: &Path, playback: &Granted, capture: &Granted, out: &mut dyn Write) -> Result<()> {
    let chain = &record.head.chain;
    write!(out, "{}", terminal::text(CAUTION))?;
    writeln!(out, "{} → {} on {} ({} point)", chain.output, chain.headphone, chain.coupler, chain.point())?;
    for (way, granted) in [("plays", playback), ("records", capture)] {
        let warn = granted.may_resample.as_ref().map_or(String::new(), |why| format!("; can resample: {why}"));
        writeln!(out, "{way:8} {} at {}, {}{warn}", granted.id, granted.rate, granted.format)?;
    }
    match chain.ears().next().and_then(|(_, role)| chain.acoustic(role)) {
        Some(a) => writeln!(out, "offset   {}, taken {}", offset_words(&a.offset), when::words(&a.taken_at))?,
        None => writeln!(out, "offset   none: levels are in dBFS until the chain is calibrated")?,
    }
    for aged in chain.aged(&record.head.started_at) {
        writeln!(out, "doubt    {}", aged.text)?;
    }
    writeln!(out, "kept in  {}", folder.display())
}

/// The step table, and what else was played.
pub fn steps(record: &Record, out: &mut dyn Write) -> Result<()> {
    sections(&session::played(record), out)
}

/// The answer alone.
pub fn brief(record: &Record, judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    writeln!(out)?;
    session::brief(record, judgement).iter().try_for_each(|words| write!(out, "{}", terminal::text(words)))
}

/// The answer, and what it stands on.
pub fn judgement(record: &Record, judgement: &Judgement, out: &mut dyn Write) -> Result<()> {
    write!(out, "\n{}", terminal::text(&judgement.sentence))?;
    sections(&session::answer(record, judgement), out)?;
    sections(&session::stands_on(judgement), out)
}

/// The one JSON document of a command.
pub fn json(value: &impl Serialize, out: &mut dyn Write) -> anyhow::Result<()> {
    writeln!(out, "{}", serde_json::to_string_pretty(value)?)?;
    Ok(())
}

/// Where words go that are no result: with JSON beside it, never into it.
pub fn aside<'a>(json: bool, out: &'a mut dyn Write) -> Box<dyn Write + 'a> {
    if json { Box::new(Printable::new(std::io::stderr())) } else { Box::new(out) }
}

/// Parts of an account.
pub fn sections(sections: &[Section], out: &mut dyn Write) -> Result<()> {
    write!(out, "{}", terminal::sections(sections))
}

/// What is heard of a sound calibrator, in a line.
pub fn listening(tone: Option<&Tone>, steady_s: f64, because: Option<&str>) -> String {
    let Some((tone, level)) = tone.and_then(|t| Some((t, t.level?))) else {
        return "no tone yet: fit the calibrator and switch it on".into();
    };
    let mut words = vec![format!("{:.2} Hz at {} dBFS", tone.frequency_hz, tidy(level.value, 2))];
    words.extend(tone.thd_db.map(|thd| format!("THD {:.2} %", 100.0 * amplitude_from_db(thd))));
    words.extend(tone.hum.map(|hum| format!("hum {:.0} dB", hum.level_db)));
    words.push(match because {
        Some(because) => because.into(),
        None => format!("steady for {steady_s:.1} of {STEADY_S:.0} s"),
    });
    words.join(" · ")
}
