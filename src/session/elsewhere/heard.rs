//! What was noticed on the way of a sound that was played elsewhere, as data stored with the session, and what it means.

use super::layout::GAP_STEP_S;
use crate::analysis::{About, Flaw};
use crate::card::InputRole;
use crate::session::record::{Happening, Record, StepResult};
use crate::session::step::Purpose;
use crate::units::{Dbfs, tidy, tidy_signed};
use serde::{Deserialize, Serialize};

/// A mark's gain is that of the reference's mark within this, dB, and so many times its own scatter: a knob moved by half
/// a decibel is found.
const SAME_GAIN_DB: f64 = 0.25;
const SCATTERS: f64 = 4.0;
/// Of one channel alone an ear hears its own as loud as both together within this, dB …
const OWN_CHANNEL_DB: f64 = 2.0;
/// … and the other one at least this much lower.
const OTHER_CHANNEL_DB: f64 = -10.0;

/// Gaps of two plans differ by whole steps within this, seconds, and by so many steps at most.
const SAME_STEP_S: f64 = 0.004;
const MOST_STEPS: f64 = 15.0;
/// Steps so far apart show whether noise follows the sound, dB …
const FOLLOWS_OVER_DB: f64 = 10.0;
/// … which it does where its distance from it stays within this, dB …
const FOLLOWS_WITHIN_DB: f64 = 6.0;
/// … and matters from here on, dB re the sound (a clock that wanders leaves less).
const FOLLOWS_FROM_DB: f64 = -50.0;

/// Where the sound was heard.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "from", rename_all = "kebab-case")]
pub enum HeardFrom {
    /// The capture card of the chain, while it was played.
    Live,
    /// A recording.
    Recording {
        /// Name of the file, without its folder.
        file: String,
        /// Fingerprint of its bytes.
        hash: String,
        /// What it holds, in words.
        format: String,
    },
}

/// A mark as it was heard.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MarkHeard {
    /// Its number.
    pub slot: usize,
    /// What the step after it is for.
    pub purpose: Option<Purpose>,
    /// Drive of the step after it.
    pub drive: Option<Dbfs>,
    /// When it began, seconds from the start of the capture.
    pub at_s: f64,
    /// How much later it came than the marks before it predicted, seconds (negative: earlier); `None` where it was in time.
    pub late_s: Option<f64>,
    /// Normalised height of its correlation, 0 to 1.
    pub height: f64,
    /// Captured over played, per input, dB.
    pub gains_db: Vec<Option<f64>>,
    /// Standard uncertainty of the gains, dB.
    pub scatter_db: f64,
}

/// What an input hears of either channel alone, dB re both together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelHeard {
    /// Which input.
    pub role: InputRole,
    /// Of the left one.
    pub left_db: Option<f64>,
    /// Of the right one.
    pub right_db: Option<f64>,
}

/// What was heard of a sound plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HeardElsewhere {
    /// Where.
    #[serde(flatten)]
    pub from: HeardFrom,
    /// Fingerprint of the plan file.
    pub plan_hash: String,
    /// Fingerprint of the sound file.
    pub sound_hash: String,
    /// Every mark heard, in order.
    pub marks: Vec<MarkHeard>,
    /// Left and right alone; empty where the file or the recording does not tell.
    pub channels: Vec<ChannelHeard>,
    /// Drives of the steps that were not heard, or not to their end; `None` for silence.
    pub missed: Vec<Option<Dbfs>>,
    /// The sound was started again.
    pub again: bool,
    /// Captured frames that the program could not take in time.
    pub dropped: usize,
}

impl MarkHeard {
    /// How far its gain at one input is from that of another mark, where that is more than chance, dB.
    pub fn moved_db(&self, base: &MarkHeard, input: usize) -> Option<f64> {
        let gain = |mark: &MarkHeard| mark.gains_db.get(input).copied().flatten();
        let moved = gain(self)? - gain(base)?;
        let allowed = SAME_GAIN_DB.max(SCATTERS * self.scatter_db.hypot(base.scatter_db));
        (moved.abs() > allowed).then_some(moved)
    }

    fn step_in_words(&self) -> String {
        match (self.purpose, self.drive) {
            (Some(Purpose::Climb), Some(drive)) => format!("the step at {drive}"),
            (Some(purpose), _) => format!("the {purpose}"),
            (None, _) => "the end".into(),
        }
    }
}

impl HeardElsewhere {
    /// The mark that all gains are held against: the quiet reference's.
    pub fn base(&self) -> Option<&MarkHeard> {
        self.marks.iter().find(|mark| mark.purpose == Some(Purpose::Reference))
    }

    /// Of a record; `None` for what this computer played itself.
    pub fn of(record: &Record) -> Option<&HeardElsewhere> {
        record.events.iter().rev().find_map(|event| match &event.what {
            Happening::HeardElsewhere(heard) => Some(heard.as_ref()),
            _ => None,
        })
    }

    /// The gaps between the steps are those of one plan alone: two that differ by whole steps are another plan's.
    pub fn is_of_another_plan(&self) -> bool {
        let by_steps = |late_s: f64| {
            let steps = (late_s / GAP_STEP_S).round();
            (1.0..=MOST_STEPS).contains(&steps.abs()) && (late_s - steps * GAP_STEP_S).abs() < SAME_STEP_S
        };
        self.marks.iter().filter_map(|mark| mark.late_s).filter(|late_s| by_steps(*late_s)).count() > 1
    }

    fn moved(&self, input: usize) -> impl Iterator<Item = (&MarkHeard, f64)> {
        let base = self.base();
        self.marks.iter().filter_map(move |mark| Some((mark, mark.moved_db(base?, input)?)))
    }
}

/// What is wrong or limited about a session because it was played elsewhere.
pub fn flaws(record: &Record) -> Vec<Flaw> {
    let Some(heard) = HeardElsewhere::of(record) else { return Vec::new() };
    let mut flaws = vec![Flaw::note(
        "played-elsewhere",
        "The sound was played elsewhere. The bench could not stop it, so ceilings were stated, not kept; and an equaliser of the player that stays the same is part of what was measured.",
    )];
    flaws.extend(volume(record, heard));
    flaws.extend(moved_in_time(heard));
    flaws.extend(missed(heard));
    flaws.extend(channels(heard));
    flaws.extend(lossy(record, heard));
    if heard.again {
        flaws.push(Flaw::note(
            "started-again",
            "The sound was started a second time. What was heard first counts; for the other one record it by itself.",
        ));
    }
    if heard.dropped > 0 {
        let text = format!(
            "The program could not take {} captured frames in time. Takes that they touch are void; close other programs.",
            heard.dropped
        );
        flaws.push(Flaw::note("capture-dropped", text));
    }
    flaws
}

/// Why neither distortion nor clipping is determined: what is in the path alters the sound.
pub fn not_determined(record: &Record) -> Option<String> {
    let heard = HeardElsewhere::of(record)?;
    lossy(record, heard)?;
    Some("a lossy encoder, or another effect that alters the sound, is in the path and hides it".into())
}

/// What does not repeat rises with the sound although the marks keep their gain: an encoder's own noise.
fn lossy(record: &Record, heard: &HeardElsewhere) -> Option<Flaw> {
    let (input, role) = record.weaker_ear()?;
    if heard.moved(input).next().is_some() {
        return None;
    }
    let read = |step: &StepResult| {
        let (pink, _) = step.pink(input)?;
        let level = pink.level_z?.value;
        Some((step.step.drive?.db(), pink.noise? - level, pink.level_total? - level))
    };
    let mut steps: Vec<(f64, f64, f64)> = record.climbed().filter_map(read).collect();
    steps.sort_by(|a, b| a.0.total_cmp(&b.0));
    // A limit that acts at another rate leaves such noise as well, but at the loud steps alone; an encoder at all of them.
    let over = || steps.iter().map(|step| step.1);
    let (least, most) = (over().reduce(f64::min)?, over().reduce(f64::max)?);
    let apart = steps.last()?.0 - steps.first()?.0;
    if apart < FOLLOWS_OVER_DB || least < FOLLOWS_FROM_DB || most - least > FOLLOWS_WITHIN_DB {
        return None;
    }
    let middle = steps[steps.len() / 2];
    let text = format!(
        "At the {}, the part that does not repeat rises with the sound and is {:.0} dB below it, while the marks keep their gain: a lossy encoder (MP3, AAC, Opus, a wireless link) or an effect alters the sound. Distortion and clipping are not determined. Levels are those of what repeats; all that sounds is {} dB louder. Play the plan as WAV or FLAC, over a wire.",
        role.in_words(),
        -middle.1,
        tidy(middle.2, 2)
    );
    Some(Flaw::doubt("lossy", text).about(About::Input(role)))
}

/// The marks are all played at one level, so what moves them is the gain.
fn volume(record: &Record, heard: &HeardElsewhere) -> Option<Flaw> {
    let (input, role) = record.head.chain.ears().find(|(input, _)| heard.moved(*input).next().is_some())?;
    let moved: Vec<(&MarkHeard, f64)> = heard.moved(input).collect();
    let (first, by) = moved.first()?;
    let (low, high) = moved.iter().fold((0.0f64, 0.0f64), |(low, high), (_, db)| (low.min(*db), high.max(*db)));
    let last = heard.marks.last().is_some_and(|mark| moved.iter().any(|(moved, _)| moved.slot == mark.slot));
    let span = |a: f64, b: f64| (a - b).abs() < 2.0 * SAME_GAIN_DB;
    let text = if last && moved.iter().all(|(_, db)| span(*db, *by)) {
        format!(
            "From {} on the gain is {} dB, seen by the marks between the steps: somebody or something changed the volume there. Steps after it are not used; leave the volume alone and play it again.",
            first.step_in_words(),
            tidy_signed(*by, 1)
        )
    } else {
        format!(
            "The gain moves between {} and {} dB, seen by the marks between the steps: automatic gain, loudness processing, or a hand at the volume. Steps with another gain than the quiet reference are not used; switch such processing off and play it again.",
            tidy_signed(low, 1),
            tidy_signed(high, 1)
        )
    };
    Some(Flaw::doubt("volume-changed", text).about(About::Input(role)))
}

fn moved_in_time(heard: &HeardElsewhere) -> Vec<Flaw> {
    let moved = heard.marks.iter().enumerate().filter_map(|(place, mark)| Some((place, mark, mark.late_s?)));
    let flaw = |(place, mark, late_s): (usize, &MarkHeard, f64)| {
        let before = place.checked_sub(1).and_then(|at| heard.marks.get(at));
        let before = before.map_or("the beginning".into(), MarkHeard::step_in_words);
        let (now, seconds) = (mark.step_in_words(), tidy(late_s.abs(), 2));
        let what = if late_s > 0.0 {
            format!("the sound came {seconds} s late (a pause, a notification or a call)")
        } else {
            format!("{seconds} s are missing (left out by the player, the network or the recorder)")
        };
        let text = format!(
            "Between {before} and {now} {what}. A take that this touches is void; every other one was cut out by its own mark and holds."
        );
        Flaw::note("moved-in-time", text).about(About::Level(now))
    };
    moved.map(flaw).collect()
}

fn missed(heard: &HeardElsewhere) -> Option<Flaw> {
    let drives: Vec<String> =
        heard.missed.iter().map(|drive| drive.map_or("silence".into(), |drive| drive.to_string())).collect();
    (!drives.is_empty()).then(|| {
        let text = format!(
            "Not heard, or not to the end: {}. Nothing is known of these steps; record from before the sound begins until it has ended.",
            drives.join(", ")
        );
        Flaw::note("steps-missing", text)
    })
}

/// Mono fold-down and swapped channels show at each ear alone.
fn channels(heard: &HeardElsewhere) -> Vec<Flaw> {
    let one = |heard: &ChannelHeard| {
        let own_first = heard.role == InputRole::LeftEar;
        let (own, other) = if own_first { (heard.left_db, heard.right_db) } else { (heard.right_db, heard.left_db) };
        // Silence is as low as anything is.
        let (own, other) = (own.unwrap_or(f64::NEG_INFINITY), other.unwrap_or(f64::NEG_INFINITY));
        let ear = heard.role.in_words();
        let (own_word, other_word) = if own_first { ("left", "right") } else { ("right", "left") };
        let (code, text) = if own.abs() < OWN_CHANNEL_DB && other < OTHER_CHANNEL_DB {
            return None;
        } else if other.abs() < OWN_CHANNEL_DB && own < OTHER_CHANNEL_DB {
            (
                "channels-swapped",
                format!(
                    "The {ear} hears the {other_word} channel: left and right are swapped in the player, at the plug or on the coupler. The figures hold for what was heard; name the ears the other way round, or turn the headphone."
                ),
            )
        } else if own.max(other) < OTHER_CHANNEL_DB {
            (
                "channels-unclear",
                format!(
                    "The {ear} hears neither channel where each is played alone, so it was not determined which one it hears."
                ),
            )
        } else {
            (
                "channels-mixed",
                format!(
                    "The {ear} hears both channels: the {own_word} one alone {} dB and the {other_word} one {} dB re both together. The player mixes to mono, a plug is not all the way in, or an effect widens or narrows the sound. With both channels alike, as here, levels hold for mono sound only.",
                    tidy(own.max(-99.0), 1),
                    tidy(other.max(-99.0), 1)
                ),
            )
        };
        Some(Flaw::doubt(code, text).about(About::Input(heard.role)))
    };
    heard.channels.iter().filter(|c| c.role.is_ear()).filter_map(one).collect()
}
