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
mod response;
mod sentence;
mod side;
mod words;

pub use crate::session::matching::MatchedOn;
pub use audible::{Audible, Matter, gravest};
pub use distortion::{Distorted, Distortions, Product, Where};
pub use labels::{BLUE, WHITE, blue_is_first, compare_hidden, whose_labels};
pub use noise::Noise;
pub use response::{Bound, FinePoint, Largest};
pub use sentence::sentence;

use crate::analysis::{Flaw, Residue};
use crate::calibration::electrical::AtLoad;
use crate::card::InputRole;
use crate::session::chain::pink_spectrum;
use crate::session::matching::Target;
use crate::session::plan::{Extent, Order};
use crate::session::record::Record;
use crate::session::swap::{DEFAULT_ROUNDS, Round, Sounds, rounds, sounds};
use crate::stats::{Estimate, Reading};
use crate::units::{Dbfs, tidy_signed};
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
    /// Second session less first, dB.
    pub difference_db: Estimate,
    /// What can be said of it.
    pub told: Told,
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
    pub overall: Told,
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
            overall: Told::NotTold,
            bound: None,
            largest: None,
            distortions: Distortions {
                within_db: DISTORTION_WITHIN_DB,
                quantities: Vec::new(),
                overall: Told::NotTold,
            },
            noise: Vec::new(),
            matters: Vec::new(),
            residue: None,
            flaws: Vec::new(),
        }
    }

    /// The first output against the second.
    fn turned(self) -> Comparison {
        let swap = |(a, b): (String, String)| (b, a);
        let negative = |e: Estimate| e.negative();
        let reading = |reading: Reading| match reading {
            Reading::Told(e) => Reading::Told(e.negative()),
            Reading::AtLeast(e) => Reading::Below(-e.value),
            Reading::Below(at) => Reading::AtLeast(Estimate::exact(-at)),
            other => other,
        };
        let distorted = |q: Distorted| Distorted {
            of: (q.of.1, q.of.0),
            noise_db: (q.noise_db.1, q.noise_db.0),
            difference_db: reading(q.difference_db),
            ..q
        };
        let distortions = Distortions {
            quantities: self.distortions.quantities.into_iter().map(distorted).collect(),
            ..self.distortions
        };
        let turned = Comparison {
            outputs: swap(self.outputs),
            played: self.played.map(|(a, b)| (b, a)),
            off_db: -self.off_db,
            bands: self
                .bands
                .into_iter()
                .map(|d| Difference { difference_db: negative(d.difference_db), ..d })
                .collect(),
            fine: self.fine.into_iter().map(|p| FinePoint { difference_db: negative(p.difference_db), ..p }).collect(),
            largest: self.largest.map(|l| Largest { difference_db: negative(l.difference_db), ..l }),
            noise: self
                .noise
                .into_iter()
                .map(|n| Noise {
                    level_db: (n.level_db.1, n.level_db.0),
                    difference_db: negative(n.difference_db),
                    ..n
                })
                .collect(),
            distortions,
            ..self
        };
        Comparison { matters: audible::matters(&turned), ..turned }
    }

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
    /// One half of a swap against something else.
    #[error("one output of a swap is compared with the other output of the same swap; name both folders")]
    HalfASwap,
    /// A swap that was left off.
    #[error(
        "only {played} of {wanted} rounds were played: the first output again shows what seat, gain and room have drifted; go on with `loudenough swap --continue`"
    )]
    RoundsMissing {
        /// So many.
        played: usize,
        /// At least so many.
        wanted: usize,
    },
    /// Two noises.
    #[error(
        "the sessions played different noise ({0} and {1}), so their responses are read at different frequencies; run one of them again with the noise of the other"
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
        "the headphone was put on anew between the sessions, and neither has two seats to show what that changes; add seats (`loudenough hold`), or, where it stayed on the coupler, say so (`--same-seat`)"
    )]
    SeatsUnknown,
}

/// Compares the second session with the first: the two halves of a swap round by round, any others at the level where each
/// of them has it.
///
/// # Errors
/// [`NotComparable`], with what to do.
pub fn compare(first: &Record, second: &Record, ask: &Ask) -> Result<Comparison, NotComparable> {
    match (&first.head.plan.swap, &second.head.plan.swap) {
        (Some(one), Some(other)) if one.pair == other.pair => swapped(first, second, ask),
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

/// Both halves of a swap.
fn swapped(first: &Record, second: &Record, ask: &Ask) -> Result<Comparison, NotComparable> {
    let is_first = |record: &Record| record.head.plan.swap.as_ref().is_some_and(|swap| swap.order == Order::First);
    if is_first(second) {
        return Ok(swapped(second, first, ask)?.turned());
    }
    let on = first.head.plan.swap.as_ref().map_or(ask.on, |swap| swap.on);
    let ask = &Ask { on, same_seat: true, ..*ask };
    let (a, b) = sides(first, second, ask)?;
    let (mut of_a, mut of_b) = (rounds(first), rounds(second));
    // Rounds alternate: of a swap that was left off in between, those that do.
    of_a.truncate(of_b.len() + 1);
    of_b.truncate(of_a.len());
    let played = of_a.len() + of_b.len();
    if played < DEFAULT_ROUNDS {
        return Err(NotComparable::RoundsMissing { played, wanted: DEFAULT_ROUNDS });
    }
    let missing = NotComparable::RoundsMissing { played: 0, wanted: DEFAULT_ROUNDS };
    let level_db = a.level_in(&of_a[0]).ok_or(missing)?;
    let flaws = what_moved((&a, &of_a), (&b, &of_b));
    let (at_a, at_b) = (a.in_rounds(&of_a, level_db), b.in_rounds(&of_b, level_db));
    let a = Heard::in_rounds(a, at_a, Order::First, played);
    let b = Heard::in_rounds(b, at_b, Order::Second, played);
    let scatter = Scatter::between(&a.side.fits, &b.side.fits, true)?;
    let comparison = held_against(&a, &b, &scatter, (level_db, ask), Some((&of_a, &of_b)));
    Ok(Comparison { rounds: Some(played), flaws, ..comparison })
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
    Comparison { matters: audible::matters(&comparison), ..comparison }
}

/// An output whose volume moved between its rounds, and two outputs that sound alike in every way.
fn what_moved(a: (&Side, &[Round]), b: (&Side, &[Round])) -> Vec<Flaw> {
    let moved = |(side, of): (&Side, &[Round])| {
        let by_db = of.iter().skip(1).find_map(|round| {
            match sounds(round.reference, Some(of[0].reference), None, side.input) {
                Sounds::Louder { by_db } => Some(by_db),
                _ => None,
            }
        })?;
        let text = format!(
            "One output's level was {} dB off in a later round: its volume, the gain or the seat has moved. What that changes is in every interval; play the rounds again and touch nothing but the plug.",
            tidy_signed(by_db, 1)
        );
        Some(Flaw::doubt("volume-moved", &text))
    };
    let alike = matches!(sounds(b.1[0].reference, None, Some(a.1[0].reference), b.0.input), Sounds::Alike);
    let alike = alike.then(|| {
        Flaw::note(
            "sound-alike",
            "Both outputs gave the same level in every one-third octave at the same drive. Where their volumes were not set alike on purpose, look whether the plug was moved.",
        )
    });
    [moved(a), moved(b), alike].into_iter().flatten().collect()
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
