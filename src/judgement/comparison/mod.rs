//! Two outputs side by side: one headphone, two sessions, at matched level. What differs, by how much, and what this data
//! could have shown?
//!
//! ```text
//! session A ─► place of the matched level ─┐             whole interval inside ±x:  same within x
//!              (matched step, or between   ├─► B − A ──► whole interval outside ±x: differs by …
//! session B ─►  two clean steps)          ─┘             else:                      not determined
//! ```
//!
//! `side` finds the matched level in each session, `heard` puts the rounds of a swap together, `fit` says what the
//! headphone's seats change, `response`, `distortion` and `noise` take the differences, `words` says one of three words
//! about each.

mod audible;
mod distortion;
mod fit;
mod heard;
mod labels;
mod noise;
mod refused;
mod response;
mod sentence;
mod side;
mod swapped;
mod words;

pub use crate::session::matching::MatchedOn;
pub use audible::{Audible, Hears, Matter, gravest};
pub use distortion::{Distorted, Distortions, Product, Where};
pub use labels::{BLUE, WHITE, blue_is_first, compare_hidden, whose_labels};
pub use noise::Noise;
pub use refused::NotComparable;
pub use response::{Bound, FinePoint, Largest};
pub use sentence::{of_response, sentence};

use crate::analysis::{Flaw, Residue};
use crate::calibration::electrical::AtLoad;
use crate::card::InputRole;
use crate::session::chain::pink_spectrum;
use crate::session::matching::Target;
use crate::session::plan::Extent;
use crate::session::record::Record;
use crate::session::swap::Round;
use crate::stats::Estimate;
use crate::units::Dbfs;
use fit::Scatter;
use heard::Heard;
use response::Response;
use serde::{Deserialize, Serialize};
use side::{Place, Side};
use words::{Family, Share};

/// Differences within this are the same where nothing else is asked, dB.
pub const SAME_WITHIN_DB: f64 = 0.2;
/// The same for distortion, dB: second and third order follow the level by 1 and 2 dB per dB, so that levels matched
/// within 0.1 dB leave up to 0.2 dB of either sign, and between two steps the path is not quite straight.
pub const DISTORTION_WITHIN_DB: f64 = 1.0;

/// How two sessions are to be compared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ask {
    /// Level to match at, dB SPL (dBFS at the input where one is not calibrated); `None`: the highest clean level of the
    /// weaker output.
    pub at: Option<f64>,
    /// What is matched.
    pub on: MatchedOn,
    /// Differences of response within this are the same, dB.
    pub within_db: f64,
    /// Differences of distortion within this are the same, dB.
    pub distortion_within_db: f64,
    /// The headphone stayed on the coupler from the one session to the other.
    pub same_seat: bool,
    /// The listener's own limits of what they hear.
    pub hears: Hears,
}

impl Default for Ask {
    fn default() -> Ask {
        Ask {
            at: None,
            on: MatchedOn::Pink,
            within_db: SAME_WITHIN_DB,
            distortion_within_db: DISTORTION_WITHIN_DB,
            same_seat: false,
            hears: Hears::default(),
        }
    }
}

/// Same, different, or not determined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// The whole interval lies within the limit.
    Same,
    /// It lies outside.
    Differs,
    /// Neither.
    #[serde(rename = "not-told")]
    NotDetermined,
}

/// One one-third octave of both sessions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// One-third octave (0 is 1 kHz).
    pub x: i32,
    /// Second session less first, dB.
    pub difference_db: Estimate,
    /// What can be said of it.
    #[serde(rename = "told")]
    pub outcome: Outcome,
    /// Smallest difference that would have been seen, dB; `None` where it is so large that it says nothing.
    pub smallest_db: Option<f64>,
}

/// Two sessions at matched level. Pairs are first session, second session. All intervals hold together with 95 %.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Names of the outputs.
    pub outputs: (String, String),
    /// The headphone.
    pub headphone: String,
    /// Ear that is compared.
    pub role: InputRole,
    /// Matched level: dB SPL, or dBFS at the input where one of them is not calibrated.
    pub level_db: f64,
    /// True for dB SPL.
    pub is_spl: bool,
    /// What it is matched on.
    pub on: MatchedOn,
    /// Level of the second less that of the first as they were compared, dB: read between steps it is zero by itself.
    pub off_db: f64,
    /// What was played for it; `None` where the labels are hidden: drives would name the outputs.
    pub played: Option<(Played, Played)>,
    /// Limit within which responses are the same, dB.
    pub within_db: f64,
    /// Seats that stand behind it; `None`: one seat for both.
    pub seats: Option<(usize, usize)>,
    /// Rounds of a swap that stand behind it; `None`: two sessions on their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rounds: Option<usize>,
    /// Response, per one-third octave.
    pub bands: Vec<Difference>,
    /// Response at 1/48 octave (the spacing of the lines where that is coarser).
    pub fine: Vec<FinePoint>,
    /// All of it together: same where all bands are, different where one band or one point of the fine line is.
    pub overall: Outcome,
    /// No difference of response is larger than this.
    pub bound: Option<Bound>,
    /// The largest difference of response that was found.
    pub largest: Option<Largest>,
    /// Distortion of both.
    pub distortions: Distortions,
    /// Noise of both, all of it first; empty where it was not heard with either plugged in by turns.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub noise: Vec<Noise>,
    /// Whether it matters, quantity by quantity.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub matters: Vec<Matter>,
    /// What is wrong with the data or limits it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub flaws: Vec<Flaw>,
    /// What is left when a take of the first is subtracted from one of the second; `None` unless it was asked for: it takes
    /// the recordings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub residue: Option<Residue>,
}

/// What one output was given for the matched level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Played {
    /// How the numbers were come by.
    pub basis: Basis,
    /// The step nearest the level.
    pub nearest: usize,
    /// That step was played on the one seat that both sessions share.
    pub on_shared_seat: bool,
    /// Drive that gives the level, dBFS RMS.
    pub drive_dbfs: f64,
    /// The same at the load; `None` where the output's volts are not known.
    pub at_load: Option<AtLoad>,
}

impl Comparison {
    /// Nothing compared yet.
    #[cfg(test)]
    fn empty() -> Comparison {
        Comparison {
            outputs: ("first".into(), "second".into()),
            headphone: String::new(),
            role: InputRole::LeftEar,
            level_db: 74.0,
            is_spl: true,
            on: MatchedOn::Pink,
            off_db: 0.0,
            played: None,
            within_db: SAME_WITHIN_DB,
            seats: None,
            rounds: None,
            bands: Vec::new(),
            fine: Vec::new(),
            overall: Outcome::NotDetermined,
            bound: None,
            largest: None,
            distortions: Distortions {
                within_db: DISTORTION_WITHIN_DB,
                quantities: Vec::new(),
                overall: Outcome::NotDetermined,
            },
            noise: Vec::new(),
            matters: Vec::new(),
            residue: None,
            flaws: Vec::new(),
        }
    }

    /// What has to be said of the takes that were subtracted; `None` where they share a seat.
    pub fn fit_is_left(&self) -> Option<&'static str> {
        let (a, b) = self.played.as_ref()?;
        let shared = a.on_shared_seat && b.on_shared_seat;
        (!shared)
            .then_some("the takes were played on different seats, so the first figure includes the effect of refitting")
    }
}

/// How numbers at the matched level were come by.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "how", rename_all = "kebab-case")]
pub enum Basis {
    /// A step played on purpose at this level.
    MatchedStep {
        /// Its number.
        step: usize,
        /// Its level less the matched one, dB.
        off_db: f64,
    },
    /// Between two clean steps.
    Between {
        /// Their numbers.
        steps: (usize, usize),
    },
    /// Straight on from a clean step, because nothing clean lies on the other side.
    StraightOn {
        /// Its number.
        step: usize,
        /// Its level less the matched one, dB.
        off_db: f64,
    },
}

/// Compares the second session with the first: the two halves of a swap round by round, any others at the level where each
/// of them has it.
///
/// # Errors
/// [`NotComparable`], with what to do.
pub fn compare(first: &Record, second: &Record, ask: &Ask) -> Result<Comparison, NotComparable> {
    match (&first.head.plan.swap, &second.head.plan.swap) {
        (Some(one), Some(other)) if one.pair == other.pair => swapped::swapped(first, second, ask),
        (None, None) => stored(first, second, ask),
        _ => Err(NotComparable::HalfASwap),
    }
}

/// Two sessions on their own.
fn stored(first: &Record, second: &Record, ask: &Ask) -> Result<Comparison, NotComparable> {
    let (a, b) = sides(first, second, ask)?;
    let level_db = level(&a, &b, ask)?;
    let scatter = Scatter::between(&a.fits, &b.fits, ask.same_seat)?;
    let (at_a, at_b) = (a.place(level_db)?, b.place(level_db)?);
    Ok(held_against(&Heard::once(a, at_a), &Heard::once(b, at_b), &scatter, (level_db, ask), None))
}

fn held_against(
    a: &Heard,
    b: &Heard,
    scatter: &Scatter,
    (level_db, ask): (f64, &Ask),
    rounds: Option<(&[Round], &[Round])>,
) -> Comparison {
    let chains = (&a.side.record.head.chain, &b.side.record.head.chain);
    let Response { bands, fine, overall, bound, largest } = response::response(a, b, scatter, ask.within_db);
    let distorted = distortion::distortions(a, b, scatter);
    let noises = rounds.map_or(Vec::new(), |(of_a, of_b)| noise::noises((a, of_a), (b, of_b)));
    let count = distorted.iter().filter(|(_, item)| item.is_some()).count() + noises.len();
    let family = Family::of(Share::Others, count, scatter.dof);
    let within_db = ask.distortion_within_db;
    let quantities: Vec<Distorted> =
        distorted.into_iter().map(|(quantity, item)| quantity.judged(item.as_ref(), &family, within_db)).collect();
    let distortions = Distortions { within_db, overall: distortion::overall(&quantities), quantities };
    let comparison = Comparison {
        outputs: (chains.0.output.clone(), chains.1.output.clone()),
        headphone: chains.0.headphone.clone(),
        role: a.side.role,
        level_db,
        is_spl: a.side.is_spl,
        on: ask.on,
        off_db: b.off_db() - a.off_db(),
        played: Some((played(&a.side, a.place()), played(&b.side, b.place()))),
        within_db: ask.within_db,
        seats: scatter.seats,
        rounds: None,
        bands,
        fine,
        overall,
        bound,
        largest,
        distortions,
        noise: noises.iter().map(|noise| noise::judged(noise, &family, within_db)).collect(),
        matters: Vec::new(),
        residue: None,
        flaws: Vec::new(),
    };
    Comparison { matters: audible::matters(&comparison, &ask.hears), ..comparison }
}

/// What the second session's output is to play so that a step of it has the level of the first: at the asked level, or at
/// the lower of both highest clean levels. With `by_hand` its knob is turned first, until the same drive gives the level.
///
/// # Errors
/// [`NotComparable`], with what to do.
pub fn target(first: &Record, second: &Record, ask: &Ask, by_hand: bool) -> Result<Target, NotComparable> {
    let (a, b) = sides(first, second, ask)?;
    let level_db = level(&a, &b, ask)?;
    // The first session must have it; the second one is about to.
    let at_a = a.place(level_db)?;
    let turned_at_dbfs = by_hand.then_some(at_a.drive_db);
    Ok(Target { on: ask.on, level_dbfs: b.as_played_now(level_db), turned_at_dbfs })
}

fn level(a: &Side, b: &Side, ask: &Ask) -> Result<f64, NotComparable> {
    match ask.at {
        Some(level) => Ok(level),
        None => Ok(a.highest_clean()?.min(b.highest_clean()?)),
    }
}

/// Both sessions, comparable in principle.
fn sides<'a>(first: &'a Record, second: &'a Record, ask: &Ask) -> Result<(Side<'a>, Side<'a>), NotComparable> {
    for record in [first, second] {
        if record.head.plan.extent == Extent::PathCheck {
            return Err(NotComparable::PathCheck(record.head.id.clone()));
        }
        if record.can_go_on() && record.head.plan.extent != Extent::Swap {
            return Err(NotComparable::Unfinished(record.head.id.clone()));
        }
    }
    if (&first.head.id, &first.head.started_at) == (&second.head.id, &second.head.started_at) {
        return Err(NotComparable::OneSession(first.head.id.clone()));
    }
    let noises = [first, second].map(|r| (&r.head.plan.pink, r.head.chain.routing.playback_rate));
    if noises[0] != noises[1] {
        let [one, other] = noises.map(|(pink, rate)| format!("{pink} at {rate}"));
        return Err(NotComparable::Noises(one, other));
    }
    let chains = (&first.head.chain, &second.head.chain);
    if chains.0.headphone.trim() != chains.1.headphone.trim() {
        return Err(NotComparable::Headphones(chains.0.headphone.clone(), chains.1.headphone.clone()));
    }
    let ear = |record: &Record| record.head.chain.ears().next();
    let (Some((_, role)), Some((_, other))) = (ear(first), ear(second)) else { return Err(NotComparable::Ears) };
    if role != other {
        return Err(NotComparable::Ears);
    }
    let is_spl = chains.0.acoustic(role).is_some() && chains.1.acoustic(role).is_some();
    if !is_spl && chains.0.setting(role) != chains.1.setting(role) {
        let inputs = [chains.0, chains.1].map(|c| c.routing.capture.to_string()).join(", ");
        return Err(NotComparable::Inputs(inputs));
    }
    // What stayed on the coupler is the last seat of the earlier session and the first of the later one.
    let first_is_earlier = first.head.started_at <= second.head.started_at;
    let side = |record, is_earlier| Side::of(record, role, is_spl, ask, is_earlier);
    Ok((side(first, first_is_earlier), side(second, !first_is_earlier)))
}

fn played(side: &Side, place: &Place) -> Played {
    let at_load = side.record.head.chain.at_load(Dbfs(place.drive_db), &pink_spectrum());
    let nearest = place.nearest();
    Played {
        basis: place.basis(),
        nearest: nearest.step.number,
        on_shared_seat: side.fits.is_compared(nearest.seat),
        drive_dbfs: place.drive_db,
        at_load,
    }
}
