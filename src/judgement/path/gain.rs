//! Is it one gain, always? Automatic gain shows as steps that are not equal and as a gain that moves inside a take; a
//! gate or suppression as a gain that falls where it is quiet, or as a silence that is quieter than the noise under a
//! sound. Only 500 Hz to 8 kHz count: there a headphone's own distortion is small, and what a gain stage does it does to
//! all bands. Clipping also lowers the gain, but not without distortion: see [`is_distortion`].

use super::{Heard, PathAnswer, PathFinding, PathQuestion, both, db, heard, own_and_other};
use crate::analysis::band::lines_in;
use crate::analysis::{PinkFinding, SilenceFinding};
use crate::card::InputRole;
use crate::session::climb::{OVER_NOISE_DB, over_noise_db};
use crate::session::record::Record;
use crate::session::step::Purpose;
use crate::stats::{Estimate, NORMAL_95, Reading};
use crate::units::{amplitude_from_db, power_from_db};

/// Steps that differ by more than this, twice their interval taken off (the worst of some thousands on clean benches stood
/// 1.8 intervals off), are not equal, dB.
pub(super) const STEP_DB: f64 = 0.06;
/// And by at least this as they stand, dB.
pub(super) const STEP_VALUE_DB: f64 = 0.12;
/// A step known worse than this shows nothing, dB half width.
const STEP_UNKNOWN_DB: f64 = 0.15;
/// Less difference of drive is no step, dB.
const LEAST_STEP_DB: f64 = 3.0;
/// A gain that moves by more than this inside a take, twice its interval taken off (the worst of ten is looked at), dB.
pub(super) const DRIFT_DB: f64 = 0.03;
/// A drift known worse than this shows nothing, dB half width.
const DRIFT_UNKNOWN_DB: f64 = 0.05;
/// Silence that is quieter than the noise under a sound by more than this, its interval taken off, dB.
pub(super) const SUPPRESSED_DB: f64 = 0.2;
/// A noise known worse than this shows nothing, dB half width.
const NOISE_UNKNOWN_DB: f64 = 0.3;
/// Louder sounds than this over the noise do not show the noise: what wanders between periods is then their own, dB.
const TELLS_NOISE_DB: f64 = 40.0;
/// The bands that count: 500 Hz to 8 kHz.
const MIDDLE: std::ops::RangeInclusive<i32> = -3..=9;
/// Share of the missing amplitude's power that clipping leaves at least as distortion between the lines. (It takes the
/// peaks off, and a pulse train's energy lies mostly where the played lines are not.)
const CLIPPING_SHARE: f64 = 0.3;

/// What to do about a gain that moves.
pub(super) const SWITCH_OFF: &str = "Switch off automatic gain, loudness and noise suppression in the system's sound settings, in the card's own mixer and in the driver's \"enhancements\", for output and input; or open the card directly (its `hw:` entry, JACK, exclusive mode).";

/// Steps and drift at one ear.
pub(super) fn findings(record: &Record, (input, role): (usize, InputRole)) -> Vec<PathFinding> {
    let Some(both) = both(record, input) else {
        let why = "the stimulus is not above the noise";
        return [PathQuestion::Steps, PathQuestion::Drift]
            .map(|what| PathFinding::not_determined(what, Some(role), why))
            .into();
    };
    vec![steps(record, input, role, both), drift(record, input, role)]
}

/// One step: how much more gain a quieter take has than the loudest, dB, and what was allowed for.
pub(super) struct Step<'a> {
    pub quieter: Heard<'a>,
    pub more_db: Estimate,
}

/// All steps of an input against its loudest take of both channels.
pub(super) fn all_steps<'a>(record: &'a Record, input: usize, loudest: Heard<'a>) -> Vec<Step<'a>> {
    let Some(top) = loudest.middle.level.determined() else { return Vec::new() };
    // The other channel leaks into what both give, in whatever phase: that is no step.
    let leak_db = own_and_other(record, input).map_or(0.0, |(own, other)| {
        let other_db = match &other.middle.level {
            Reading::Determined(e) | Reading::AtLeast(e) => e.value,
            Reading::Below(_) | Reading::NotDetermined(_) => return 0.0,
        };
        let own_db = own.middle.level.determined().map_or(0.0, |e| e.value);
        20.0 * (1.0 + amplitude_from_db((other_db - own_db).min(0.0))).log10()
    });
    let own = own_and_other(record, input).map(|(own, _)| own.purpose);
    heard(record, input)
        .filter(|h| h.purpose != Purpose::Reference && (!h.is_alone() || Some(h.purpose) == own))
        .filter(|h| loudest.drive_db - h.drive_db >= LEAST_STEP_DB && is_placed(h.pink))
        .filter_map(|quieter| {
            let level = quieter.middle.level.determined()?;
            let more = (level.value - quieter.drive_db) - (top.value - loudest.drive_db);
            let allowed = if quieter.is_alone() { leak_db } else { 0.0 };
            let half = level.half_width().hypot(top.half_width()) + allowed;
            Some(Step { quieter, more_db: Estimate::symmetric(more, half) })
        })
        .collect()
}

/// True where the take shows its gain: its beginning is seen or known, and it does not stand under the noise. (Elsewhere
/// some silence may be in the window.)
fn is_placed(pink: &PinkFinding) -> bool {
    over_noise_db(pink) >= 0.0 && pink.common.flaws.iter().all(|f| f.code != "onset-not-seen")
}

/// What is left of a difference when twice its interval is taken off, dB.
fn surely(difference_db: &Estimate) -> f64 {
    difference_db.value.abs() - 2.0 * difference_db.half_width()
}

fn steps(record: &Record, input: usize, role: InputRole, loudest: Heard) -> PathFinding {
    let what = PathQuestion::Steps;
    let steps = all_steps(record, input, loudest);
    let known: Vec<&Step> = steps.iter().filter(|s| s.more_db.half_width() <= STEP_UNKNOWN_DB).collect();
    let Some(worst) = steps.iter().max_by(|a, b| surely(&a.more_db).total_cmp(&surely(&b.more_db))) else {
        return PathFinding::not_determined(what, Some(role), "only one level is above the noise");
    };
    let (more, half) = (worst.more_db.value, worst.more_db.half_width());
    let reading = Reading::Determined(worst.more_db);
    let step_db = loudest.drive_db - worst.quieter.drive_db;
    let stated = format!("{step_db:.0} dB less drive gave {} dB less gain (±{half:.2})", db(-more));
    if surely(&worst.more_db) <= STEP_DB || more.abs() < STEP_VALUE_DB {
        if known.is_empty() {
            return PathFinding::not_determined(
                what,
                Some(role),
                "the noise makes the steps too uncertain; repeat in a quieter room",
            );
        }
        let lowest = known.iter().map(|s| s.quieter.drive_db).fold(loudest.drive_db, f64::min);
        let text = format!(
            "Equal steps within {:.2} dB (±{half:.2}) over {:.0} dB of drive.",
            more.abs(),
            loudest.drive_db - lowest
        );
        return PathFinding::new(what, Some(role), PathAnswer::Straight, reading, text);
    }
    if more > 0.0 && is_distortion(&loudest, more) {
        let text = format!(
            "{stated}, with distortion: output, headphone or input already bends at {}, which is no fault of the path. Use less gain after the card.",
            super::tenth(loudest.drive_db)
        );
        return PathFinding::new(what, Some(role), PathAnswer::Note, reading, text);
    }
    let seen = if more > 0.0 {
        "The louder a sound, the less gain: automatic gain or a limiter"
    } else {
        "The quieter a sound, the less gain: a gate, noise suppression or an expander"
    };
    let text = format!("{seen}. {stated}. {SWITCH_OFF}");
    PathFinding::new(what, Some(role), PathAnswer::Doubt, reading, text)
}

/// True where the gain that is missing at the loudest take can be clipping: it then leaves distortion of about the
/// missing power between the lines; a gain control leaves none.
fn is_distortion(loudest: &Heard, missing_db: f64) -> bool {
    let missing = (1.0 - amplitude_from_db(-missing_db)).powi(2);
    let readings = [&loudest.middle.even, &loudest.middle.odd];
    let found: f64 = readings.into_iter().filter_map(Reading::determined).map(|e| power_from_db(e.value)).sum();
    found > CLIPPING_SHARE * missing
}

fn drift(record: &Record, input: usize, role: InputRole) -> PathFinding {
    let what = PathQuestion::Drift;
    let known = |e: &Estimate| e.half_width() <= DRIFT_UNKNOWN_DB;
    let drifts = heard(record, input).filter(|h| is_placed(h.pink)).filter_map(|h| h.middle.drift_db).filter(known);
    let Some(worst) = drifts.max_by(|a, b| surely(a).total_cmp(&surely(b))) else {
        return PathFinding::not_determined(what, Some(role), "no take is above the noise");
    };
    let stated = format!("{} dB from the first to the last period (±{:.2})", db(worst.value), worst.half_width());
    let reading = Reading::Determined(worst);
    if surely(&worst) <= DRIFT_DB {
        return PathFinding::new(
            what,
            Some(role),
            PathAnswer::Straight,
            reading,
            format!("The gain is steady: {stated}."),
        );
    }
    let text = format!("The gain moves inside a take: {stated}. That is automatic gain. {SWITCH_OFF}");
    PathFinding::new(what, Some(role), PathAnswer::Doubt, reading, text)
}

/// Noise under a sound less that in silence, dB: the least of all takes that show it, so that one noise in the room is
/// not taken for suppression. `None` where none shows it.
pub(super) fn noise_change(record: &Record, input: usize) -> Option<Estimate> {
    let silence = record.last(Purpose::Silence)?.silence(input)?;
    let rate = record.head.chain.routing.playback_rate;
    let spacing_hz = rate.hz() / record.head.plan.pink.period_frames(rate) as f64;
    // Where a gate is shut under the sound as well, the steps show it: both look at the same takes.
    let tells = |h: &Heard| is_placed(h.pink) && (OVER_NOISE_DB..TELLS_NOISE_DB).contains(&over_noise_db(h.pink));
    let changes = heard(record, input).filter(tells).filter_map(|h| against(silence, &h, spacing_hz));
    changes.min_by(|a, b| a.value.total_cmp(&b.value))
}

/// Mean of the bands' ratios, each weighted by its lines: `ln` of a band's mean over L lines has a variance of 1/L.
fn against(silence: &SilenceFinding, take: &Heard, spacing_hz: f64) -> Option<Estimate> {
    let (mut sum, mut weights) = (0.0, 0.0);
    for x in MIDDLE {
        let quiet = silence.bands.iter().find(|b| b.x == x)?.noise?;
        let under = take.pink.band(x)?.noise?;
        let lines = lines_in(x, spacing_hz).len() as f64;
        // Periods of silence all show the noise; of a sound one less than there are.
        let both = 1.0 / silence.common.window.periods.max(1) as f64
            + 1.0 / take.pink.common.window.periods.saturating_sub(1).max(1) as f64;
        let weight = lines / both;
        sum += weight * (under - quiet);
        weights += weight;
    }
    let half = NORMAL_95 * 10.0 / std::f64::consts::LN_10 / weights.sqrt();
    (weights > 0.0).then(|| Estimate::symmetric(sum / weights, half))
}

/// Is the silence quieter than the noise under a sound?
pub(super) fn suppression(record: &Record, (input, role): (usize, InputRole)) -> PathFinding {
    let what = PathQuestion::Suppression;
    let Some(change) = noise_change(record, input) else {
        return PathFinding::not_determined(what, Some(role), "no take shows the noise beneath a sound");
    };
    if change.half_width() > NOISE_UNKNOWN_DB {
        return PathFinding::not_determined(what, Some(role), "the noise is too uncertain");
    }
    let stated = format!(
        "the noise beneath a sound differs by {} dB from that in silence (±{:.2})",
        db(change.value),
        change.half_width()
    );
    let reading = Reading::Determined(change);
    if change.value - change.half_width() <= SUPPRESSED_DB {
        return PathFinding::new(what, Some(role), PathAnswer::Straight, reading, format!("None seen: {stated}."));
    }
    let text = format!(
        "Silence is quieter than it should be: {stated}. A gate or noise suppression in the input, or the room got louder; repeat in quiet. {SWITCH_OFF}"
    );
    PathFinding::new(what, Some(role), PathAnswer::Doubt, reading, text)
}
