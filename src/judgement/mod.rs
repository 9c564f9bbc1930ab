//! Opinions on stored records: pure, recomputable at any time with another listening level or another rule.

mod arithmetic;
pub mod attribution;
mod budget;
mod clipping_threshold;
pub mod comparison;
mod drive_needed;
mod electrical;
mod exposure;
mod headroom;
mod highest_clean;
mod isolation;
pub mod music;
pub mod path;
mod sentence;
mod taper;

pub use budget::{Budget, Contribution, Distribution, FEW_SEATS, budget};
pub use clipping_threshold::{FoundThreshold, Threshold, Whose, clipping_threshold};
pub use drive_needed::{DriveNeeded, Needed};
pub use electrical::InVolts;
pub use exposure::{CAUTION as EXPOSURE_CAUTION, Exposed, Exposure};
pub use headroom::{Answer, Headroom, Verdict, listening_as_z, verdict};
pub use highest_clean::{HighestClean, highest_clean, loudest_clean};
pub use isolation::{Isolation, isolation};
pub use taper::{ListeningAt, Taper};

use crate::analysis::{About, ClipFinding, Flaw, Weight};
use crate::session::plan::{Extent, HeadroomRule, ListeningLevel};
use crate::session::record::{Record, StepResult};
use crate::session::seats::{Seats, left_less_right, seats};
use crate::stats::{Estimate, Reading};
use crate::units::{power_from_db, tidy};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// A take so much under the drive of its step was lowered, dB.
const LOWERED_DB: f64 = 0.05;

/// All answers about one session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// Where the output clips.
    pub threshold: Threshold,
    /// How loud it plays clean.
    pub highest_clean: HighestClean,
    /// Headroom over the listening level and the verdict.
    pub headroom: Headroom,
    /// Distortion at the ear: lowest level at which it passes the limit, dB SPL (dBFS where nothing is calibrated).
    pub ear_limit_from: Option<Estimate>,
    /// Flaws of the session that bear on it, each once, heaviest first.
    pub flaws: Vec<Flaw>,
    /// Where the interval of a level comes from; `None` without a calibration offset.
    #[serde(default)]
    pub budget: Option<Budget>,
    /// Every seat of the headphone, per ear; the deciding ear first.
    #[serde(default)]
    pub seats: Vec<Seats>,
    /// Left ear less right ear, dB; `None` without two calibrated ears.
    #[serde(default)]
    pub left_less_right: Option<Estimate>,
    /// What the headphone keeps out; `None` without an outside source at the open and the covered ear.
    #[serde(default)]
    pub isolation: Option<Isolation>,
    /// How long an ear may hear it; `None` where no level at an eardrum is known.
    #[serde(default)]
    pub exposure: Option<Exposure>,
    /// How much of the output the listener needs; `None` where no level is known or asked for.
    #[serde(default)]
    pub drive_needed: Option<DriveNeeded>,
    /// The answers in volts and milliwatts; `None` while the output's volts are not known.
    #[serde(default)]
    pub in_volts: Option<InVolts>,
    /// The output's own volume control, where its positions were heard.
    #[serde(default)]
    pub taper: Option<Taper>,
    /// What the listener's own music needs, piece by piece; empty without music.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub music: Vec<music::PieceJudged>,
    /// The answer as a sentence, every number of it stored above.
    pub sentence: String,
}

/// Judges by the session's own plan.
pub fn judge(record: &Record) -> Judgement {
    judge_for(record, record.head.plan.listening, record.head.plan.rule)
}

/// Judges for another listening level or by another rule.
pub fn judge_for(record: &Record, listening: Option<ListeningLevel>, rule: HeadroomRule) -> Judgement {
    match record.head.plan.extent {
        Extent::PathCheck => {
            let stated = path::path_report(record).sentence;
            let sentence = format!(
                "This is a path check: it shows whether the path to the ear is free of faults, not how loud the output plays. {stated}"
            );
            return without_climb(record, rule, "this is a path check; run a session for it", sentence);
        }
        Extent::Swap => {
            let sentence = "This is one output of a swap: compared with the other it shows what differs, not how loud it plays (`loudenough compare`).";
            return without_climb(record, rule, "this is one output of a swap; run a session for it", sentence.into());
        }
        Extent::Session | Extent::QuickLook => {}
    }
    let threshold = clipping_threshold(record);
    let seats = seats(record);
    let deciding = record.weaker_ear().and_then(|(_, role)| seats.iter().find(|s| s.role == role));
    let highest_clean = highest_clean(record, &threshold, &seats);
    let mut flaws = session_flaws(record, listening);
    let doubts = |flaws: &[Flaw]| flaws.iter().filter(|f| f.weight == Weight::Doubt).count();
    let headroom_by = |doubts| headroom::headroom(record, &highest_clean, listening, rule, doubts);
    if let Threshold::Determined(stated) = &threshold
        && let Some(advice) = stated.whose.advice()
    {
        // Where the capture chain clips, the output reaches higher: what is ample stays ample.
        let verdict = headroom_by(0).verdict;
        let stands = verdict.answer == Answer::NotDetermined || verdict.is_wholly(Answer::Ample);
        let (flaw, higher): (fn(&str, &str) -> Flaw, _) = match stands {
            true => (|code, text| Flaw::note(code, text), ""),
            false => (|code, text| Flaw::doubt(code, text), " If it is the capture chain, the output reaches higher."),
        };
        let text = format!("What clips was not determined: {}.{higher} {advice}", stated.whose.subject());
        flaws.push(flaw("limit-whose", &text));
    }
    let headroom = headroom_by(doubts(&flaws));
    let ear_limit_from = highest_clean::ear_limit_from(record);
    let mut sentence = sentence::sentence(record, &threshold, &highest_clean, &headroom, listening, deciding);
    sentence.extend(sentence::at_the_ear(record, ear_limit_from.as_ref(), &highest_clean, &headroom));
    let in_volts = electrical::in_volts(record, &threshold, &highest_clean);
    let budget = budget(record, deciding);
    flaws.extend(budget.as_ref().and_then(Budget::few_seats));
    let left_less_right = left_less_right(record);
    let isolation = isolation(record);
    let exposure = exposure::exposure(record, &highest_clean, &headroom);
    let drive_needed = drive_needed::drive_needed(record, &highest_clean, &headroom);
    let taper = taper::taper(record, &headroom, &seats);
    Judgement {
        threshold,
        highest_clean,
        headroom,
        ear_limit_from,
        flaws,
        budget,
        seats,
        left_less_right,
        isolation,
        in_volts,
        exposure,
        drive_needed,
        taper,
        music: Vec::new(),
        sentence,
    }
}

/// What has climbed nothing says so, and gives no headroom.
fn without_climb(record: &Record, rule: HeadroomRule, because: &str, sentence: String) -> Judgement {
    let because = because.to_string();
    let not_determined = || Reading::NotDetermined(because.clone());
    let verdict =
        Verdict { answer: Answer::NotDetermined, or: None, at_least: false, firm: false, because: because.clone() };
    Judgement {
        threshold: Threshold::NotDetermined { because: because.clone() },
        highest_clean: HighestClean {
            drive: not_determined(),
            level_dbfs: not_determined(),
            level_spl: not_determined(),
            mid_spl: not_determined(),
            decided_by: because.clone(),
            ear: None,
        },
        headroom: Headroom {
            listening_z: None,
            headroom_db: not_determined(),
            peak_headroom_db: not_determined(),
            rule,
            verdict,
        },
        ear_limit_from: None,
        // An ear that rightly hears nothing of the other channel alone has a muted input; that is no flaw here.
        flaws: session_flaws(record, None).into_iter().filter(|f| f.weight != Weight::Void).collect(),
        budget: None,
        left_less_right: None,
        seats: Vec::new(),
        isolation: None,
        in_volts: None,
        exposure: None,
        drive_needed: None,
        taper: None,
        music: Vec::new(),
        sentence,
    }
}

/// The session's flaws, doubts before notes, each once for each thing that it is about (two cards may resample, three levels
/// may not have been played, two ears may hear hum). Flaws of the probes and of void takes do not count: no number of theirs
/// is used.
fn session_flaws(record: &Record, listening: Option<ListeningLevel>) -> Vec<Flaw> {
    let mut flaws: Vec<Flaw> = vec![record.head.chain.coupler.note()];
    flaws.extend(crate::session::evaluate::chain_flaws(record));
    flaws.extend(changed(record));
    flaws.extend(arithmetic::other(record));
    flaws.extend(bend_at_the_ear_only(record));
    flaws.extend(electrical::witness_disagrees(record));
    flaws.extend(lowered(record));
    flaws.extend(coarse(record));
    flaws.extend(gross(record));
    flaws.extend(record.head.chain.ears().filter_map(|(input, role)| restless(record, input, role)));
    flaws.extend(related_to_a_field(record, listening));
    let steps = record.steps.iter().filter(|s| s.step.purpose.counts());
    let mut of_steps: Vec<Flaw> =
        steps.flat_map(StepResult::flaws).map(|(role, flaw)| flaw.clone().about(About::Input(role))).collect();
    let order =
        |a: &Flaw, b: &Flaw| b.weight.cmp(&a.weight).then(a.code.cmp(&b.code)).then_with(|| a.about.cmp(&b.about));
    of_steps.sort_by(order);
    let mut seen = BTreeSet::new();
    of_steps.retain(|flaw| seen.insert((flaw.code.clone(), flaw.about.clone())));
    flaws.extend(of_steps);
    flaws.sort_by(order);
    let mut all: Vec<Flaw> = Vec::new();
    for flaw in flaws {
        match all.iter_mut().find(|other| (&other.code, &other.text) == (&flaw.code, &flaw.text)) {
            // The same words of two things are about what holds both.
            Some(other) if other.about != flaw.about => other.about = About::Session,
            Some(_) => {}
            None => all.push(flaw),
        }
    }
    all
}

/// Numbers that somebody else than this program wrote.
fn changed(record: &Record) -> Option<Flaw> {
    (!record.changed.is_empty()).then(|| {
        Flaw::doubt(
            "changed-outside",
            format!(
                "Stored results were changed outside the program ({}), so its figures may not be what was measured. `loudenough reanalyse` computes them again from the recordings.",
                record.changed.join(", ")
            ),
        )
    })
}

/// What the table says of itself, where a listening level was related to a field by one.
fn related_to_a_field(record: &Record, listening: Option<ListeningLevel>) -> Option<Flaw> {
    let coupler = record.head.chain.coupler;
    let table = crate::session::listening::table(listening?.field?, coupler).ok()?;
    let note = table.fit(coupler).and_then(|fit| fit.note.clone()).unwrap_or_default();
    let text = format!("The listening level is related to the field by {}. {note}", table.source);
    Some(Flaw::note("field-related", text.trim_end()))
}

/// Further stimuli that would have passed the ceiling at the noise's drive.
fn lowered(record: &Record) -> Option<Flaw> {
    let takes = record.steps.iter().flat_map(|step| step.takes.iter().map(move |take| (step, take)));
    let words: Vec<String> = takes
        .filter_map(|(step, take)| {
            let (asked, played) = (step.step.drive?, take.head.drive.rms()?);
            let full = take.head.stimulus.period(take.head.played_rate).full_drive()?;
            let lower = asked.db().min(full.db()) - played.db();
            let is_other = take.head.stimulus != record.head.plan.pink && take.void.is_none();
            (is_other && lower > LOWERED_DB)
                .then(|| format!("{} of step {} ({lower:.1} dB)", take.head.stimulus, step.step.number))
        })
        .collect();
    (!words.is_empty()).then(|| {
        let text = format!(
            "Played at a lower drive than the noise, to stay under the ceiling at the ear: {}. Raise the ceiling to hear them louder.",
            words.join(", ")
        );
        Flaw::note("lowered", text)
    })
}

/// A residue that stays where it is whatever the drive: the resolution of the path, not distortion.
fn coarse(record: &Record) -> Option<Flaw> {
    let (input, _) = record.weaker_ear()?;
    let residue = crate::session::clean::resolution_dbfs(&record.steps, input)?;
    let text = format!(
        "What remains beside the stimulus stays near {} dBFS whatever the drive: it is the resolution of the path (a format of few bits without dither), not distortion that grows. Choose a format of more bits for card or server.",
        tidy(residue, 0)
    );
    Some(Flaw::note("resolution", text))
}

/// Distortion at every level that nothing in order has: it is no limit, and no headroom is to be trusted beside it.
fn gross(record: &Record) -> Option<Flaw> {
    let (input, _) = record.weaker_ear()?;
    let always_db = crate::session::clean::distorts_always_db(&record.steps, input).filter(|db| *db > GROSS_DB)?;
    let percent = 100.0 * power_from_db(always_db).sqrt();
    Some(Flaw::doubt(
        "gross-distortion",
        format!(
            "At every level at least {percent:.0} % of what arrives between 450 Hz and 9 kHz is distortion. No output and no headphone in order distorts so much: look for a damaged part, a bad plug, or an effect that is switched on."
        ),
    ))
}

/// A tenth in the middle of the band at every level (common practice, no source: what is in order stays far under it), dB.
const GROSS_DB: f64 = -20.0;

/// What does not repeat rises with the sound: a gain that moves by itself, or a route that makes another sound of it. Noise of a room
/// or a converter stays where it is.
pub(crate) fn restless(record: &Record, input: usize, role: crate::card::InputRole) -> Option<Flaw> {
    let read = |step: &StepResult| {
        let (pink, _) = step.pink(input)?;
        Some((step.step.drive?.db(), pink.noise?, pink.level_z?.value))
    };
    let by_drive = |a: &(f64, f64, f64), b: &(f64, f64, f64)| a.0.total_cmp(&b.0);
    let quiet = record.climbed().filter_map(read).min_by(by_drive)?;
    let loud = record.climbed().filter_map(read).max_by(by_drive)?;
    let (rise, over) = (loud.0 - quiet.0, loud.1 - loud.2);
    let follows = rise >= RESTLESS_RISE_DB && loud.1 - quiet.1 > RESTLESS_SHARE * rise && over > RESTLESS_FROM_DB;
    follows.then(|| {
        Flaw::doubt(
            "restless",
            format!(
                "At the {}, the part that does not repeat from period to period rises with the level and is {:.0} dB below it: an automatic gain, or a route that changes the sound. Switch off automatic gain, loudness and effects; `loudenough chain check` looks for what it is.",
                role.in_words(),
                -over
            ),
        )
    })
}

/// Levels this far apart show whether noise follows them, dB.
const RESTLESS_RISE_DB: f64 = 10.0;
/// It follows where it rises by this share of the drive's rise …
const RESTLESS_SHARE: f64 = 0.7;
/// … and matters from here on, dB re the sound (a clock that wanders leaves less).
const RESTLESS_FROM_DB: f64 = -50.0;

/// The ear bends where the witness does not: the headphone's doing, or the input's.
fn bend_at_the_ear_only(record: &Record) -> Option<Flaw> {
    let chain = &record.head.chain;
    let bends = |step: &StepResult, input: usize| {
        step.pink(input).and_then(|(pink, _)| pink.clip.as_ref()).is_some_and(ClipFinding::is_evident)
    };
    let step = record
        .steps
        .iter()
        .find(|s| chain.has_witness() && bends(s, chain.deciding_input()) && !bends(s, chain.limit_input()))?;
    Some(Flaw::note(
        "bend-at-ear",
        format!(
            "From step {} on the level at the ear no longer follows the drive although the output does: the headphone or the microphone's input limits.",
            step.step.number
        ),
    ))
}
