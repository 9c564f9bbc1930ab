//! Two outputs side by side: one headphone, two sessions, at matched level. What differs, by how much, and what this data
//! could have shown?
//!
//! ```text
//! session A ─► place of the matched level ─┐             whole interval inside ±x:  same within x
//!              (matched step, or between   ├─► B − A ──► whole interval outside ±x: differs by …
//! session B ─►  two clean steps)          ─┘             else:                      not told
//! ```
//!
//! `side` finds the matched level in each session, `fit` says what the headphone's seats change, `response` and
//! `distortion` take the differences, [`words`] says one of three words about each.

mod distortion;
mod fit;
mod labels;
mod response;
mod sentence;
mod side;
pub mod words;

pub use crate::session::matching::MatchedOn;
pub use distortion::{Distorted, Distortions, Product, Where};
pub use labels::{BLUE, WHITE, blue_is_first, compare_hidden, whose_labels};
pub use response::FinePoint;
pub use sentence::sentence;

use crate::analysis::Residue;
use crate::calibration::electrical::AtLoad;
use crate::card::InputRole;
use crate::session::chain::pink_spectrum;
use crate::session::matching::Target;
use crate::session::plan::Extent;
use crate::session::record::Record;
use crate::stats::Estimate;
use crate::units::Dbfs;
use fit::Scatter;
use serde::{Deserialize, Serialize};
use side::{Place, Side};

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
}

impl Default for Ask {
    fn default() -> Ask {
        Ask {
            at: None,
            on: MatchedOn::Pink,
            within_db: SAME_WITHIN_DB,
            distortion_within_db: DISTORTION_WITHIN_DB,
            same_seat: false,
        }
    }
}

/// Same, different, or not told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Told {
    /// The whole interval lies within the limit.
    Same,
    /// It lies outside.
    Differs,
    /// Neither.
    NotTold,
}

/// One one-third octave of both sessions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// One-third octave (0 is 1 kHz).
    pub x: i32,
    /// Second session less first, dB, 95 %.
    pub difference_db: Estimate,
    /// What can be said of it.
    pub told: Told,
    /// Smallest difference that would have been told, dB.
    pub smallest_db: f64,
}

/// Two sessions at matched level. Pairs are first session, second session.
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
    /// What was played for it; `None` where the labels are hidden: drives would name the outputs.
    pub played: Option<(Played, Played)>,
    /// Limit within which responses are the same, dB.
    pub within_db: f64,
    /// Seats that stand behind it; `None`: one seat for both.
    pub seats: Option<(usize, usize)>,
    /// Response, per one-third octave.
    pub bands: Vec<Difference>,
    /// Response at 1/48 octave (the spacing of the lines where that is coarser).
    pub fine: Vec<FinePoint>,
    /// All bands together: same where all are, different where one is.
    pub overall: Told,
    /// Distortion of both.
    pub distortions: Distortions,
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
    /// What has to be said of the takes that were subtracted; `None` where they share a seat.
    pub fn fit_is_left(&self) -> Option<&'static str> {
        let (a, b) = self.played.as_ref()?;
        let shared = a.on_shared_seat && b.on_shared_seat;
        (!shared).then_some("the takes were played on different seats: the first figure has what the fit changes in it")
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

/// Why two sessions cannot be compared.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NotComparable {
    /// One and the same.
    #[error("both are the same session ({0}); choose another one for the second output")]
    OneSession(String),
    /// A path check.
    #[error("{0} is a path check, which climbs nothing; run a session of this output (`loudenough run`)")]
    PathCheck(String),
    /// Not finished.
    #[error("the session {0} is not finished; go on with it first (`loudenough run --continue`)")]
    Unfinished(String),
    /// Two noises.
    #[error(
        "the sessions played different noise ({0} and {1}), and other lines tell another response; run one of them again with the noise of the other"
    )]
    Noises(String, String),
    /// Two headphones.
    #[error("the sessions have different headphones, {0} and {1}; a comparison of outputs needs one")]
    Headphones(String, String),
    /// Different ears or none.
    #[error("the sessions do not listen to the same ear; run one of them again on the ear of the other")]
    Ears,
    /// Two inputs without calibration.
    #[error("a session is not calibrated and the inputs differ ({0}); calibrate both, or use one input for both")]
    Inputs(String),
    /// No level both have.
    #[error(
        "the level {level:.1} {unit} lies outside what {who} was measured at ({low:.1} to {high:.1}); state a level both have"
    )]
    Outside {
        /// Asked.
        level: f64,
        /// Its unit.
        unit: &'static str,
        /// Which output.
        who: String,
        /// Quietest step.
        low: f64,
        /// Loudest step.
        high: f64,
    },
    /// Between steps of which one is not clean.
    #[error(
        "{who} is not clean at {level:.1} {unit}, and between a clean step and one that is not nothing can be said; state a lower level, or play a step at this one (`loudenough run --match`)"
    )]
    NotClean {
        /// Asked.
        level: f64,
        /// Its unit.
        unit: &'static str,
        /// Which output.
        who: String,
    },
    /// No highest clean level to start from.
    #[error("the highest clean level of {0} is not determined; state the level to match at")]
    NoLevel(String),
    /// Seats.
    #[error(
        "the headphone was put on anew between the sessions, and neither has two seats to tell what that changes; add seats (`loudenough hold`), or, where it stayed on the coupler, say so (`--same-seat`)"
    )]
    SeatsUnknown,
}

/// Compares the second session with the first.
///
/// # Errors
/// [`NotComparable`], with what to do.
pub fn compare(first: &Record, second: &Record, ask: &Ask) -> Result<Comparison, NotComparable> {
    let (a, b) = sides(first, second, ask)?;
    let level_db = level(&a, &b, ask)?;
    let (at_a, at_b) = (a.place(level_db)?, b.place(level_db)?);
    let scatter = Scatter::between(&a.fits, &b.fits, ask.same_seat)?;
    let (bands, overall) = response::bands((&a, &at_a), (&b, &at_b), &scatter, ask.within_db);
    let chains = (&first.head.chain, &second.head.chain);
    Ok(Comparison {
        outputs: (chains.0.output.clone(), chains.1.output.clone()),
        headphone: chains.0.headphone.clone(),
        role: a.role,
        level_db,
        is_spl: a.is_spl,
        on: ask.on,
        played: Some((played(&a, &at_a), played(&b, &at_b))),
        within_db: ask.within_db,
        seats: scatter.seats,
        bands,
        fine: response::fine((&a, &at_a), (&b, &at_b), &scatter),
        overall,
        residue: None,
        distortions: distortion::distortions((&a, &at_a), (&b, &at_b), &scatter, ask.distortion_within_db),
    })
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
        if record.can_go_on() {
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
