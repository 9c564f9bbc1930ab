//! The answer as people read it. Every number in it is one of the stored values, rounded to 0.1 dB.

use super::clipping_threshold::{Threshold, Whose};
use super::headroom::Headroom;
use super::highest_clean::HighestClean;
use super::music::{Needs, PieceJudged, Plays};
use crate::figure::Figure;
use crate::session::plan::ListeningLevel;
use crate::session::record::Record;
use crate::session::seats::Seats;
use crate::stats::{Estimate, Reading};
use crate::units::tidy;
use crate::words::capital;

/// One decimal, a true minus, never "−0.0".
fn db(value: f64) -> String {
    tidy(value, 1)
}

fn level(e: &Estimate, unit: &str, inside: &str) -> String {
    let interval = Figure::new(*e, 1).interval().map_or(String::new(), |interval| format!(", {interval}"));
    format!("{} {unit} ({inside}{interval})", db(e.value))
}

pub(super) fn sentence(
    record: &Record,
    threshold: &Threshold,
    highest: &HighestClean,
    headroom: &Headroom,
    listening: Option<ListeningLevel>,
    seats: Option<&Seats>,
) -> String {
    let chain = &record.head.chain;
    let who = who(record);
    let ears = chain.ears().count();
    let ear = highest.ear.filter(|_| ears > 1).map_or(String::new(), |ear| format!(", {}", ear.in_words()));
    let point = format!("pink noise, Z, {}{ear}", chain.point());
    let fit = match seats.filter(|seats| seats.level.is_some()) {
        Some(seats) => format!(", mean of {} seats", seats.tight()),
        None => ", one seat".into(),
    };
    let (e, at_least, unit, inside) = match (&highest.level_spl, &highest.level_dbfs) {
        (Reading::Determined(e), _) => (e, "", "dB SPL", format!("{point}{fit}")),
        (Reading::AtLeast(e), _) => (e, "at least ", "dB SPL", format!("{point}{fit}")),
        (_, Reading::Determined(e)) => (e, "", "dBFS at the input", "pink noise, not calibrated".into()),
        (_, Reading::AtLeast(e)) => (e, "at least ", "dBFS at the input", "pink noise, not calibrated".into()),
        (_, Reading::NotDetermined(why)) => {
            return format!("The highest clean level of {who} on {} is not determined: {why}.", chain.headphone);
        }
        (_, Reading::Below(_)) => {
            return format!("The highest clean level of {who} on {} is not determined.", chain.headphone);
        }
    };
    let end = match threshold {
        Threshold::Determined(stated) => {
            let what = match stated.whose {
                Whose::Output => "it clips".to_string(),
                whose => format!(
                    "the {} clips (which of them is not determined; the output itself may reach more)",
                    whose.subject()
                ),
            };
            let at =
                stated.at.filter(|_| ears > 1).map_or(String::new(), |at| format!(", seen at the {}", at.in_words()));
            format!(" before {what}{at}")
        }
        Threshold::NoneUpTo { full_scale: true, .. } => ", with no clipping up to full scale".to_string(),
        Threshold::NoneUpTo { .. } if record.stop().is_none() => " clean, so far".to_string(),
        Threshold::NoneUpTo { .. } => format!(" clean; the climb ended because {}", stop(record)),
        Threshold::NotDetermined { because } => format!(" clean; where it clips is not determined: {because}"),
    };
    let first = format!("{who} drives {} to {at_least}{}{end}.", chain.headphone, level(e, unit, &inside));
    let first = capital(&first);
    let Some(listening) = listening else {
        return format!("{first} No listening level was stated, so no headroom is given.");
    };
    // The field stands between commas.
    let listens = format!("{listening}{}", if listening.field.is_some() { "," } else { "" });
    match &headroom.headroom_db {
        Reading::Determined(h) => {
            format!("{first} For {listens} that leaves {} dB of headroom: {}.", db(h.value), headroom.verdict)
        }
        Reading::AtLeast(h) => {
            format!("{first} For {listens} that leaves at least {} dB of headroom: {}.", db(h.value), headroom.verdict)
        }
        Reading::NotDetermined(why) => format!("{first} Headroom over {listens} is not determined: {why}."),
        Reading::Below(_) => format!("{first} Headroom over {listens} is not determined."),
    }
}

/// Distortion that is over the listener's limit at the listening level already, or under the highest clean level, whoever makes it.
pub(super) fn at_the_ear(
    record: &Record,
    from: Option<&Estimate>,
    highest: &HighestClean,
    headroom: &Headroom,
) -> Option<String> {
    let from = from?;
    let percent = record.head.plan.distortion_limit_percent;
    let at = db(from.value);
    let unit = if record.head.chain.is_calibrated() { "dB SPL" } else { "dBFS" };
    let level = if record.head.chain.is_calibrated() { &highest.level_spl } else { &highest.level_dbfs };
    if headroom.listening_z.is_some_and(|listening| from.value <= listening.db()) {
        return Some(format!(
            " The distortion at the ear is over {percent} % from {at} {unit} on, so at the listening level already; output or headphone: not determined."
        ));
    }
    level.estimate().filter(|level| from.value < level.value).map(|_| {
        format!(
            " From {at} {unit} on the distortion at the ear is over {percent} %; output or headphone: not determined."
        )
    })
}

/// Said of every output of the simulated bench.
const SIMULATED: &str = "simulated";

/// The output with its volume positions.
fn who(record: &Record) -> String {
    let chain = &record.head.chain;
    let positions = chain.positions();
    let volume = if positions.is_empty() { String::new() } else { format!(" ({positions})") };
    let is_said = chain.output.contains(SIMULATED) || positions.contains(SIMULATED);
    let invented =
        if record.head.playback.simulates.is_some() && !is_said { format!(" ({SIMULATED})") } else { String::new() };
    format!("{}{volume}{invented}", chain.output)
}

/// What the listener's own music needs: of all pieces the most demanding one. `None` without any.
pub(super) fn of_music(record: &Record, pieces: &[PieceJudged], listening: Option<ListeningLevel>) -> Option<String> {
    let room = |piece: &PieceJudged| piece.room_db.estimate().map_or(f64::NEG_INFINITY, |room| room.value);
    let hardest = pieces.iter().min_by(|a, b| room(a).total_cmp(&room(b)))?;
    let (output, headphone) = (who(record), &record.head.chain.headphone);
    let at = listening.map_or("the listening level".into(), |l| l.to_string());
    let clean = pieces.iter().filter(|piece| piece.plays == Plays::Clean).count();
    let count = match pieces.len() {
        1 => String::new(),
        n => format!("Of {n} pieces {output} plays {clean} clean on {headphone} at {at}. "),
    };
    let (Needs::Determined(needed), Some(left)) = (&hardest.needs, hardest.room_db.estimate()) else {
        let because = &hardest.because;
        return Some(format!(
            "{count}Whether {output} plays {} clean on {headphone} at {at} is not determined: {because}.",
            hardest.file
        ));
    };
    let peak = needed.peak_db[0].value.max(needed.peak_db[1].value);
    let volts = needed.peak_v.map_or(String::new(), |v| format!(", {:.3} V", v[0].value.max(v[1].value)));
    let at_least = if matches!(hardest.room_db, Reading::AtLeast(_)) { "at least " } else { "" };
    let room = match left.value {
        room if room >= 0.0 => format!("that leaves {at_least}{} dB of headroom over its highest peak", db(room)),
        room => format!("its highest peak is {} dB short", db(-room)),
    };
    let doubt = if hardest.firm { "" } else { ", in doubt" };
    let which = match pieces.len() {
        1 => format!("{output} on {headphone} at {at}, "),
        _ => format!("{count}The most demanding is "),
    };
    Some(capital(&format!(
        "{which}{}: {}{doubt}. Its peaks need {} dB re full scale{volts}; {room} ({}).",
        hardest.file,
        hardest.plays,
        db(peak),
        hardest.because
    )))
}

fn stop(record: &Record) -> String {
    record.stop().map_or("the session is not finished".into(), ToString::to_string)
}
