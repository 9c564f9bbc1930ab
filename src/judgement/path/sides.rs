//! Does each channel sound at its own ear, alone, and the same way round? Each ear hears both channels one after the other
//! at one drive, so that its own sensitivity does not count, and one ear is enough for all but the polarity.

use super::{Heard, PathAnswer, PathFinding, PathQuestion, heard, own_and_other, tenth};
use crate::card::InputRole;
use crate::session::record::Record;
use crate::session::step::Purpose;
use crate::stats::{Estimate, Interval, Reading};

/// Crosstalk from here on is a doubt, dB: 3 dB under what must be found.
pub(super) const CROSSTALK_DB: f64 = -43.0;
/// A crosstalk is believed where the lower end of its interval lies less than this under it, dB: five standard deviations.
const CERTAIN_DB: f64 = 2.2;
/// Channels closer than this at one ear are not two channels, dB.
const SAME_DB: f64 = 10.0;
/// Where polarity is read: below 100 Hz ears leak differently, above 1 kHz so do their seats, Hz.
const POLARITY_HZ: (f64, f64) = (100.0, 1_000.0);
/// Mean cosine of the phase from which it is determined: 45° on average.
const STATED_COSINE: f64 = 0.7;
/// Points of a response with a wider interval are not read, dB.
const POINT_DB: f64 = 1.0;
/// Fewest points that show a polarity.
const LEAST_POINTS: usize = 20;

fn level_db(heard: &Heard) -> Option<Estimate> {
    heard.middle.level.determined().copied()
}

/// Side and crosstalk at one ear.
pub(super) fn findings(record: &Record, (input, role): (usize, InputRole)) -> Vec<PathFinding> {
    let both = [PathQuestion::Sides, PathQuestion::Crosstalk];
    if record.head.chain.routing.playback_channels.len() < 2 {
        return both.map(|what| PathFinding::not_determined(what, Some(role), "only one channel is driven")).into();
    }
    let Some((best, other)) = own_and_other(record, input) else {
        let why = "neither channel alone is above the noise";
        return both.map(|what| PathFinding::not_determined(what, Some(role), why)).into();
    };
    vec![sides(role, best, other), crosstalk(role, best, other)]
}

fn sides(role: InputRole, best: Heard, other: Heard) -> PathFinding {
    let what = PathQuestion::Sides;
    let Some(ratio) = ratio(best, other) else {
        return PathFinding::not_determined(what, Some(role), "the other channel alone was not recorded");
    };
    let (own_purpose, own, foreign) = match role {
        InputRole::RightEar => (Purpose::RightAlone, "right", "left"),
        _ => (Purpose::LeftAlone, "left", "right"),
    };
    let least = match &ratio {
        Reading::Determined(e) | Reading::AtLeast(e) => -e.value,
        Reading::Below(db) => -db,
        Reading::NotDetermined(_) => 0.0,
    };
    let answer = |answer, text: String| PathFinding::new(what, Some(role), answer, ratio.clone(), text);
    if least < SAME_DB {
        return answer(
            PathAnswer::Doubt,
            format!(
                "Both channels are heard equally well at the {} (within {} dB): a mono setting, a mixer or a plug that joins them. Switch mono, \"surround\" and crossfeed off and use a stereo cable.",
                role.in_words(),
                tenth(least)
            ),
        );
    }
    if best.purpose == own_purpose {
        return answer(PathAnswer::Straight, format!("The {own} channel sounds at the {}.", role.in_words()));
    }
    answer(
        PathAnswer::Doubt,
        format!(
            "The {foreign} channel sounds at the {}: left and right are swapped. Turn the headphone round, swap the cables or the channels of the chain, or the balance of the system's mixer.",
            role.in_words()
        ),
    )
}

/// The channel heard less over the one heard best, dB.
fn ratio(best: Heard, other: Heard) -> Option<Reading> {
    let own = level_db(&best)?;
    Some(match &other.middle.level {
        Reading::Determined(e) => {
            let half = own.half_width();
            let low = e.interval.low - own.value - half;
            Reading::Determined(Estimate {
                value: e.value - own.value,
                interval: Interval { low, high: e.interval.high - own.value + half },
            })
        }
        Reading::Below(high) => Reading::Below(high - own.value),
        Reading::AtLeast(_) | Reading::NotDetermined(_) => return None,
    })
}

fn crosstalk(role: InputRole, best: Heard, other: Heard) -> PathFinding {
    let what = PathQuestion::Crosstalk;
    let Some(ratio) = ratio(best, other) else {
        return PathFinding::not_determined(what, Some(role), "the other channel alone was not recorded");
    };
    let words = role.in_words();
    match ratio {
        Reading::Determined(e) if e.value > CROSSTALK_DB && e.value - e.interval.low < CERTAIN_DB => PathFinding::new(
            what,
            Some(role),
            PathAnswer::Doubt,
            ratio.clone(),
            format!(
                "At the {words} the other channel is {} dB below its own (±{:.1}). A common return wire, a worn plug or crossfeed does that; an open headphone alone reaches −40 dB too. Switch crossfeed off or try another cable; on two separate couplers it should vanish.",
                tenth(-e.value),
                e.half_width()
            ),
        ),
        Reading::Determined(e) if e.value <= CROSSTALK_DB => PathFinding::new(
            what,
            Some(role),
            PathAnswer::Straight,
            ratio.clone(),
            format!("At the {words} the other channel is {} dB below its own.", tenth(-e.value)),
        ),
        Reading::Below(high) if high <= CROSSTALK_DB => PathFinding::new(
            what,
            Some(role),
            PathAnswer::Straight,
            ratio,
            format!("At the {words} the other channel is at least {} dB below its own.", tenth(-high)),
        ),
        Reading::Below(high) => PathFinding::new(
            what,
            Some(role),
            PathAnswer::NotDetermined,
            ratio,
            format!(
                "At the {words} the other channel is at least {} dB below its own; anything lower is hidden by the noise. A quieter room would show it.",
                tenth(-high)
            ),
        ),
        _ => PathFinding::not_determined(what, Some(role), "what is heard of the other channel is too uncertain"),
    }
}

/// Cosine of the phase between two responses (or of one against the sound sent), averaged where both are known.
fn cosine(one: Heard, other: Option<Heard>) -> Option<f64> {
    let known = |h: Heard| -> Vec<(f64, f64)> {
        let inside = |hz: f64| (POLARITY_HZ.0..=POLARITY_HZ.1).contains(&hz);
        let points = h.pink.response.iter().filter(|p| inside(p.frequency_hz) && p.half_width_db <= POINT_DB);
        points.map(|p| (p.frequency_hz, p.phase_rad)).collect()
    };
    let (ours, theirs) = (known(one), other.map(known));
    let cosines: Vec<f64> = ours
        .iter()
        .filter_map(|(hz, phase)| match &theirs {
            None => Some(phase.cos()),
            // Both responses stand on one grid.
            Some(theirs) => {
                let (_, other) = theirs.iter().find(|(other_hz, _)| (other_hz / hz - 1.0).abs() < 1e-3)?;
                Some((phase - other).cos())
            }
        })
        .collect();
    (cosines.len() >= LEAST_POINTS).then(|| cosines.iter().sum::<f64>() / cosines.len() as f64)
}

/// The ears against each other, and each line that is recorded by itself.
pub(super) fn polarity(record: &Record) -> Vec<PathFinding> {
    let what = PathQuestion::Polarity;
    let both = |input: usize| heard(record, input).filter(|h| h.purpose == Purpose::Reference).last();
    let ears: Vec<(usize, InputRole)> = record.head.chain.ears().collect();
    let mut findings = vec![match ears.as_slice() {
        [(first, _), (second, _)] => match both(*first).zip(both(*second)).and_then(|(a, b)| cosine(a, Some(b))) {
            Some(cosine) => ears_against_each_other(cosine),
            None => PathFinding::not_determined(what, None, "100 Hz to 1 kHz are not above the noise at both ears"),
        },
        _ => PathFinding::not_determined(
            what,
            None,
            "one ear cannot be compared with another, and a microphone's own polarity is not known; record both ears",
        ),
    }];
    let lines = record.head.chain.routing.capture_channels.iter().enumerate();
    let lines = lines.filter(|(_, c)| matches!(c.role, InputRole::Witness | InputRole::Loopback));
    findings.extend(lines.map(|(input, channel)| match both(input).and_then(|h| cosine(h, None)) {
        Some(cosine) => line(channel.role, cosine),
        None => PathFinding::not_determined(what, Some(channel.role), "100 Hz to 1 kHz are not above the noise"),
    }));
    findings
}

fn ears_against_each_other(cosine: f64) -> PathFinding {
    let reading = Reading::Determined(Estimate::exact(cosine));
    let (answer, text) = if cosine > STATED_COSINE {
        (
            PathAnswer::Straight,
            "Both ears have the same polarity; which one is not known, because the microphone's own polarity is not.",
        )
    } else if cosine < -STATED_COSINE {
        (
            PathAnswer::Doubt,
            "The ears have opposite polarity: one side is inverted. Look for swapped wires of one side, an adapter from balanced to single-ended, or an \"invert\" switch.",
        )
    } else {
        (PathAnswer::NotDetermined, "The ears' phases differ too much to compare; refit the headphone and try again.")
    };
    PathFinding::new(PathQuestion::Polarity, None, answer, reading, text)
}

fn line(role: InputRole, cosine: f64) -> PathFinding {
    let reading = Reading::Determined(Estimate::exact(cosine));
    let words = role.in_words();
    let (answer, text) = if cosine > STATED_COSINE {
        (PathAnswer::Straight, format!("The {words} has the polarity of what is played."))
    } else if cosine < -STATED_COSINE {
        (
            PathAnswer::Doubt,
            format!(
                "The {words} has inverted polarity: its wires are swapped, or the output inverts. Swap them, or allow for it: positive and negative limits change places."
            ),
        )
    } else {
        (PathAnswer::NotDetermined, format!("The {words} turns the phase too much to show its polarity."))
    };
    PathFinding::new(PathQuestion::Polarity, Some(role), answer, reading, text)
}
