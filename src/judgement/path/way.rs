//! Rate, delay, noise and hum: what the way is, rather than what it does to a sound.

use super::{Heard, PathAnswer, PathFinding, PathQuestion, both, heard, tenth};
use crate::analysis::HumLine;
use crate::card::InputRole;
use crate::session::climb::{OVER_NOISE_DB, START_BELOW_LISTENING_DB, START_UNKNOWN};
use crate::session::record::Record;
use crate::session::step::Purpose;
use crate::stats::{Estimate, Reading};
use crate::units::Dbfs;

/// What is missing right above half of a usual rate, dB re what stands below it. The steepest fall of a headphone from 19
/// to 22 kHz that the seeded benches draw is −22 dB (a second-order corner at 14 kHz, bilinear at 48 kHz, computed).
pub(super) const ENDS_DB: f64 = -30.0;
/// Longest delay that lets one hear what one does, seconds (method: over it, steps above 100 dB SPL are refused).
const LONG_S: f64 = 0.5;
/// Hum stays this far under the quietest planned step, dB: then it moves its level by less than 1 dB.
const HUM_UNDER_DB: f64 = 6.0;

/// Did something on the path change the rate? The analysis shows a cliff in the noise and in the sound; here a shallower
/// end counts as well.
pub(super) fn rate(record: &Record) -> PathFinding {
    let what = PathQuestion::Rate;
    let flaws = record.steps.iter().flat_map(|step| step.flaws()).map(|(_, flaw)| flaw);
    if let Some(flaw) = flaws.into_iter().find(|f| f.code == "resampled") {
        let why = Reading::NotDetermined("seen as a cliff in the spectrum".into());
        return PathFinding::new(what, None, PathAnswer::Doubt, why, flaw.text.clone());
    }
    let ears: Vec<(usize, InputRole)> = record.head.chain.ears().collect();
    let ends = |input: usize| both(record, input).and_then(|h: Heard| h.middle.ends.clone());
    let all: Vec<_> = ears.iter().filter_map(|(input, _)| ends(*input)).flatten().collect();
    let upper = |reading: &Reading| match reading {
        Reading::Determined(e) | Reading::AtLeast(e) => e.interval.high,
        Reading::Below(high) => *high,
        Reading::NotDetermined(_) => f64::INFINITY,
    };
    if let Some(end) = all.iter().find(|end| upper(&end.fall_db) < ENDS_DB) {
        let text = format!(
            "The sound ends at {} kHz, as if something on the path ran at {} kHz: a server, a mixer or a wireless link. Set it to this rate, or open the card directly (its `hw:` entry, JACK, exclusive mode).",
            end.end_hz / 1000.0,
            2.0 * end.end_hz / 1000.0
        );
        return PathFinding::new(what, None, PathAnswer::Doubt, end.fall_db.clone(), text);
    }
    let can: Vec<String> = [&record.head.playback, &record.head.capture]
        .into_iter()
        .filter_map(|granted| granted.may_resample.as_ref().map(|why| format!("{} can resample ({why})", granted.id)))
        .collect();
    let stated = all.iter().find(|end| matches!(end.fall_db, Reading::Determined(_)));
    let reading = stated.map_or_else(
        || Reading::NotDetermined("the top of the band is not above the noise".into()),
        |e| e.fall_db.clone(),
    );
    if !can.is_empty() {
        let text = format!(
            "Nothing shows that the rate was changed on the path, but {}. A direct route of the card rules this out.",
            can.join(" and ")
        );
        return PathFinding::new(what, None, PathAnswer::Note, reading, text);
    }
    let straight = "Nothing shows that the rate was changed, and no card says that it can be.";
    PathFinding::new(what, None, PathAnswer::Straight, reading, straight)
}

/// How long is the way from the gain stage to the captured sample?
pub(super) fn delay(record: &Record) -> PathFinding {
    let what = PathQuestion::Delay;
    let ears: Vec<(usize, InputRole)> = record.head.chain.ears().collect();
    let Some(delay_s) = ears.iter().find_map(|(input, _)| both(record, *input)?.pink.common.window.delay_s) else {
        return PathFinding::not_determined(what, None, "the beginning of the sound is not seen");
    };
    let reading = Reading::Determined(Estimate::exact(delay_s));
    let ms = format!("{:.0} ms", 1000.0 * delay_s);
    if delay_s > LONG_S {
        let text = format!(
            "The path delays the sound by {ms}, and Stop takes effect that much later. Ask for smaller blocks (--block), or use a direct route, which a wireless link is not."
        );
        return PathFinding::new(what, None, PathAnswer::Doubt, reading, text);
    }
    PathFinding::new(
        what,
        None,
        PathAnswer::Straight,
        reading,
        format!("The path delays the sound by {ms}, one block of the card included."),
    )
}

/// The quietest step that a session would play: as asked (6 dB under the listening level, or −48 dBFS), and its level at
/// an input, dBFS.
struct Quietest {
    drive: Dbfs,
    level_dbfs: f64,
    /// Drive at which a sound stands [`OVER_NOISE_DB`] over the noise.
    telling: Dbfs,
}

fn quietest(record: &Record, role: InputRole, loudest: Heard) -> Option<Quietest> {
    let gain_db = loudest.pink.gain_db?.value;
    let over = loudest.pink.over_noise_db.unwrap_or(f64::INFINITY);
    let offset = record.head.chain.acoustic(role).map(|a| a.offset.value);
    let listening = record.head.plan.listening.zip(offset);
    let drive =
        listening.map_or(START_UNKNOWN.db(), |(l, offset)| l.level.db() - START_BELOW_LISTENING_DB - offset - gain_db);
    Some(Quietest {
        drive: Dbfs(drive),
        level_dbfs: drive + gain_db,
        telling: Dbfs(loudest.drive_db - over + OVER_NOISE_DB),
    })
}

/// A constant offset takes room from the peaks and comes from no sound.
pub(super) fn offset(record: &Record, (input, role): (usize, InputRole)) -> PathFinding {
    let results = record.steps.iter().flat_map(|step| &step.takes).filter_map(|take| take.inputs.get(input));
    let flaw = results.flat_map(|result| &result.finding.common().flaws).find(|flaw| flaw.code == "dc");
    let reading = Reading::NotDetermined("a constant is no level".into());
    match flaw {
        Some(flaw) => PathFinding::new(PathQuestion::Offset, Some(role), PathAnswer::Doubt, reading, flaw.text.clone()),
        None => {
            let text = "Under 0.1 % of full scale.";
            PathFinding::new(PathQuestion::Offset, Some(role), PathAnswer::Straight, reading, text)
        }
    }
}

/// The numbers, against the quietest planned step.
pub(super) fn noise_and_hum(record: &Record, (input, role): (usize, InputRole)) -> Vec<PathFinding> {
    let silence = record.last(Purpose::Silence).and_then(|s| s.silence(input));
    let Some(silence) = silence else {
        return [PathQuestion::Noise, PathQuestion::Hum]
            .map(|what| PathFinding::not_determined(what, Some(role), "no silence was recorded"))
            .into();
    };
    let offset = record.head.chain.acoustic(role).map(|a| a.offset.value);
    let level = |dbfs: f64| {
        let spl = offset.map_or(String::new(), |o| format!(" ({} dB SPL)", tenth(dbfs + o)));
        format!("{} dBFS{spl}", tenth(dbfs))
    };
    let loudest = both(record, input).or_else(|| heard(record, input).last());
    let quietest = loudest.and_then(|h| quietest(record, role, h));
    let noise = match silence.noise_z {
        None => PathFinding::new(
            PathQuestion::Noise,
            Some(role),
            PathAnswer::Straight,
            Reading::NotDetermined("digital zero".into()),
            "Silence is digital zero: a loop without a converter, or an input that is muted.",
        ),
        Some(noise) => self::noise(role, noise, quietest.as_ref(), &level),
    };
    let hum_dbfs = Dbfs::from_rms(HumLine::mean_square_of(&silence.common.hum).sqrt()).map(Dbfs::db);
    vec![noise, hum(role, hum_dbfs, silence.common.hum.first().map(|h| h.frequency_hz), quietest.as_ref(), &level)]
}

fn noise(role: InputRole, noise: Estimate, quietest: Option<&Quietest>, level: &dyn Fn(f64) -> String) -> PathFinding {
    let reading = Reading::Determined(noise);
    let floor = level(noise.value);
    let Some(q) = quietest else {
        let text = format!("The noise is {floor} (Z, 20 Hz to 20 kHz); nothing is above it.");
        return PathFinding::new(PathQuestion::Noise, Some(role), PathAnswer::NotDetermined, reading, text);
    };
    let under = q.level_dbfs - noise.value;
    let side = if under < 0.0 { "over" } else { "under" };
    let stated = format!(
        "The noise is {floor} (Z, 20 Hz to 20 kHz), {} dB {side} the quietest planned step ({})",
        tenth(under.abs()),
        q.drive
    );
    if q.drive.db() >= q.telling.db() {
        return PathFinding::new(PathQuestion::Noise, Some(role), PathAnswer::Straight, reading, format!("{stated}."));
    }
    let text = format!(
        "{stated}: steps under {} would show nothing, so a session begins there. A quieter room or less input noise lets it begin lower.",
        q.telling
    );
    PathFinding::new(PathQuestion::Noise, Some(role), PathAnswer::Note, reading, text)
}

fn hum(
    role: InputRole,
    hum_dbfs: Option<f64>,
    first_hz: Option<f64>,
    quietest: Option<&Quietest>,
    level: &dyn Fn(f64) -> String,
) -> PathFinding {
    let what = PathQuestion::Hum;
    let Some(hum) = hum_dbfs else {
        let why = Reading::NotDetermined("none is above the noise".into());
        return PathFinding::new(what, Some(role), PathAnswer::Straight, why, "No mains hum is above the noise.");
    };
    let reading = Reading::Determined(Estimate::exact(hum));
    let at = first_hz.map_or(String::new(), |hz| format!(" from {hz:.1} Hz up"));
    // A session does not begin under the noise.
    let under = quietest.map(|q| q.level_dbfs + (q.telling.db() - q.drive.db()).max(0.0) - hum);
    let stated = format!(
        "Mains hum of {}{at}, {}",
        level(hum),
        under.map_or("and nothing is above the noise".into(), |u| format!(
            "{} dB under the quietest step of a session",
            tenth(u)
        ))
    );
    if under.is_none_or(|u| u >= HUM_UNDER_DB) {
        return PathFinding::new(what, Some(role), PathAnswer::Straight, reading, format!("{stated}."));
    }
    let text = format!(
        "{stated}. Use one mains outlet for all devices, or batteries; a balanced cable; keep microphone cables off supplies."
    );
    PathFinding::new(what, Some(role), PathAnswer::Doubt, reading, text)
}
