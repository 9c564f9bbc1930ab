//! Two outputs side by side: one headphone, two sessions, at matched level. What differs, by how much, and what this data
//! could have shown?
//!
//! ```text
//! session A ─► bands at the matched level ─┐                      whole interval inside ±x:  same within x
//!                                          ├─► B − A, interval ─► whole interval outside ±x: differs by …
//! session B ─► bands at the matched level ─┘                      else:                      not told
//! ```
//!
//! Between two steps levels are interpolated along the drive. Within one seat the takes' own intervals count; between
//! seats the scatter of both sessions' seats, pooled over bands, because two seats alone tell nothing per band. All bands
//! are judged together: Holm's procedure (Holm 1979) keeps the chance of one false word among all of them at 1 %.

use super::highest_clean::highest_clean;
use super::{HighestClean, clipping_threshold};
use crate::analysis::PinkFinding;
use crate::card::InputRole;
use crate::session::climb::Purpose;
use crate::session::record::{InputResult, Record, StepResult};
use crate::session::seats::{Seats, seats};
use crate::stats::{Estimate, NORMAL_95, Reading, t_cdf, t_quantile};
use serde::{Deserialize, Serialize};

/// Differences within this are the same where nothing else is asked, dB.
pub const SAME_WITHIN_DB: f64 = 0.2;
/// Chance of one false word among all bands.
const FAMILY: f64 = 0.01;
/// Degrees of freedom that stand for a normal distribution.
const NORMAL_DOF: f64 = 1e6;

/// What the levels are matched on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MatchedOn {
    /// Pink noise, all of it.
    Pink,
    /// The one-third octave at 1 kHz.
    OneKilohertz,
}

/// How two sessions are to be compared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ask {
    /// Level to match at, dB SPL (dBFS at the input where one is not calibrated); `None`: the highest clean level of the
    /// weaker output.
    pub at: Option<f64>,
    /// What is matched.
    pub on: MatchedOn,
    /// Differences within this are the same, dB.
    pub within_db: f64,
    /// The headphone stayed on the coupler from the one session to the other.
    pub same_seat: bool,
}

impl Default for Ask {
    fn default() -> Ask {
        Ask { at: None, on: MatchedOn::Pink, within_db: SAME_WITHIN_DB, same_seat: false }
    }
}

/// Same, different, or not told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Told {
    /// The whole interval lies within the limit.
    Same,
    /// It lies outside.
    Differs,
    /// Neither.
    NotTold,
}

/// One quantity of both sessions.
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

/// Distortion of both at the step nearest the matched level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Distortions {
    /// Step of the first session and of the second.
    pub steps: (usize, usize),
    /// Their levels less the matched level, dB.
    pub off_db: (f64, f64),
    /// Even-order at the ear, dB.
    pub even: (Reading, Reading),
    /// Odd-order at the ear, dB.
    pub odd: (Reading, Reading),
    /// Noise re the stimulus, dB.
    pub noise_db: (Option<f64>, Option<f64>),
}

/// Two sessions at matched level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Output of the first session and of the second.
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
    /// Drives that give it, dBFS RMS.
    pub drives: (f64, f64),
    /// Limit within which they are the same, dB.
    pub within_db: f64,
    /// Seats that stand behind it: of the first and of the second; `None`: one seat for both.
    pub seats: Option<(usize, usize)>,
    /// Response, per one-third octave.
    pub bands: Vec<Difference>,
    /// All bands together: same where all are, different where one is.
    pub overall: Told,
    /// Distortion of both.
    pub distortions: Distortions,
}

/// Why two sessions cannot be compared.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NotComparable {
    /// Two headphones.
    #[error("the sessions have different headphones, {0} and {1}; a comparison of outputs needs one")]
    Headphones(String, String),
    /// Different ears or none.
    #[error("the sessions do not listen to the same ear")]
    Ears,
    /// Two inputs without calibration.
    #[error("a session is not calibrated and the inputs differ ({0}); calibrate both, or use one input for both")]
    Inputs(String),
    /// No level both have.
    #[error("the level {level:.1} {unit} lies outside what {who} was measured at ({low:.1} to {high:.1})")]
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
    /// No highest clean level to start from.
    #[error("the highest clean level of {0} is not told; state the level to match at")]
    NoLevel(String),
    /// Seats.
    #[error(
        "the headphone was put on anew between the sessions, and neither has two seats to tell what that changes; add seats (`loudenough hold`), or, where it stayed on the coupler, say so (`--same-seat`)"
    )]
    SeatsUnknown,
}

/// One session's steps as a function of drive.
struct Side<'a> {
    record: &'a Record,
    /// Number dBFS at the input are to be raised by.
    offset: f64,
    /// Rising in drive.
    steps: Vec<(f64, &'a StepResult, &'a PinkFinding)>,
    seats: Option<Seats>,
}

/// The matched level reached: between two steps, so far on the way from the first to the second.
struct Place<'a> {
    below: (f64, &'a StepResult, &'a PinkFinding),
    above: (f64, &'a StepResult, &'a PinkFinding),
    share: f64,
}

/// Compares the second session with the first.
///
/// # Errors
/// [`NotComparable`], with what to do.
pub fn compare(first: &Record, second: &Record, ask: &Ask) -> Result<Comparison, NotComparable> {
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
    let (a, b) = (Side::of(first, role, is_spl), Side::of(second, role, is_spl));
    let level_db = match ask.at {
        Some(level) => level,
        None => a.highest(is_spl)?.min(b.highest(is_spl)?),
    };
    let unit = if is_spl { "dB SPL" } else { "dBFS" };
    let (at_a, at_b) = (a.place(level_db, ask.on, unit)?, b.place(level_db, ask.on, unit)?);
    let scatter = Scatter::between(&a, &b, ask.same_seat)?;
    let mut bands = differences(&a, &at_a, &b, &at_b, &scatter);
    judge(&mut bands, ask.within_db, scatter.dof);
    let nearest = (at_a.nearest(), at_b.nearest());
    let level =
        |side: &Side, at: &(f64, &StepResult, &PinkFinding)| side.level(at.2, ask.on).map_or(0.0, |l| l - level_db);
    Ok(Comparison {
        outputs: (chains.0.output.clone(), chains.1.output.clone()),
        headphone: chains.0.headphone.clone(),
        role,
        level_db,
        is_spl,
        on: ask.on,
        drives: (at_a.drive(), at_b.drive()),
        within_db: ask.within_db,
        seats: scatter.seats,
        overall: together(&bands),
        distortions: Distortions {
            steps: (nearest.0.1.step.number, nearest.1.1.step.number),
            off_db: (level(&a, nearest.0), level(&b, nearest.1)),
            even: (nearest.0.2.even.clone(), nearest.1.2.even.clone()),
            odd: (nearest.0.2.odd.clone(), nearest.1.2.odd.clone()),
            noise_db: (nearest.0.2.over_noise_db.map(|o| -o), nearest.1.2.over_noise_db.map(|o| -o)),
        },
        bands: bands.into_iter().map(|band| band.difference).collect(),
    })
}

impl<'a> Side<'a> {
    fn of(record: &'a Record, role: InputRole, is_spl: bool) -> Side<'a> {
        let chain = &record.head.chain;
        let input = chain.deciding_input();
        let told = |step: &'a StepResult| {
            let played = !matches!(step.step.purpose, Purpose::Probe | Purpose::ReferenceAgain);
            let (pink, _): (&PinkFinding, &InputResult) = step.pink(input)?;
            pink.level_z?;
            Some((step.step.drive?.db(), step, pink)).filter(|_| played)
        };
        let mut steps: Vec<_> = record.climbed().filter_map(told).collect();
        steps.sort_by(|a, b| a.0.total_cmp(&b.0));
        let offset = chain.acoustic(role).filter(|_| is_spl).map_or(0.0, |a| a.offset.value);
        let seats = seats(record).into_iter().find(|s| s.role == role && s.level.is_some());
        Side { record, offset, steps, seats }
    }

    /// The highest clean level of the first seat.
    fn highest(&self, is_spl: bool) -> Result<f64, NotComparable> {
        let threshold = clipping_threshold(self.record);
        let HighestClean { level_spl, level_dbfs, .. } = highest_clean(self.record, &threshold, None);
        let level = if is_spl { level_spl } else { level_dbfs };
        let output = || NotComparable::NoLevel(self.record.head.chain.output.clone());
        level.estimate().map(|l| l.value).ok_or_else(output)
    }

    /// Level of a step, in the unit of the comparison; at the first seat.
    fn level(&self, pink: &PinkFinding, on: MatchedOn) -> Option<f64> {
        let dbfs = match on {
            MatchedOn::Pink => pink.level_z?.value,
            MatchedOn::OneKilohertz => pink.bands.iter().find(|band| band.x == 0)?.level?.value,
        };
        Some(dbfs + self.offset)
    }

    fn place(&self, level_db: f64, on: MatchedOn, unit: &'static str) -> Result<Place<'a>, NotComparable> {
        let levels: Vec<f64> = self.steps.iter().map(|s| self.level(s.2, on).unwrap_or(f64::NAN)).collect();
        let pair = (1..levels.len()).find(|i| levels[i - 1] <= level_db && level_db <= levels[*i]);
        let Some(i) = pair else {
            let ends = levels.iter().copied().filter(|l| l.is_finite());
            let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
            let who = self.record.head.chain.output.clone();
            return Err(NotComparable::Outside { level: level_db, unit, who, low, high });
        };
        let rise = levels[i] - levels[i - 1];
        let share = if rise > 0.0 { (level_db - levels[i - 1]) / rise } else { 0.0 };
        Ok(Place { below: self.steps[i - 1], above: self.steps[i], share })
    }

    /// Mean of the seats less the first, and how many stand behind it.
    fn fit(&self, x: i32) -> f64 {
        let of = |seats: &Seats| seats.bands.iter().find(|(band, ..)| *band == x).map(|(_, mean, _)| *mean);
        self.seats.as_ref().and_then(of).unwrap_or(0.0)
    }
}

impl<'a> Place<'a> {
    fn nearest(&self) -> &(f64, &'a StepResult, &'a PinkFinding) {
        if self.share < 0.5 { &self.below } else { &self.above }
    }

    fn drive(&self) -> f64 {
        self.below.0 + self.share * (self.above.0 - self.below.0)
    }

    /// Level of a band, dBFS, and its half width: between the two steps the wider one's counts.
    fn band(&self, x: i32) -> Option<(f64, f64)> {
        let of = |pink: &PinkFinding| pink.bands.iter().find(|band| band.x == x).and_then(|band| band.level);
        let (low, high) = (of(self.below.2)?, of(self.above.2)?);
        let value = low.value + self.share * (high.value - low.value);
        let half = match self.share {
            s if s <= 0.0 => low.half_width(),
            s if s >= 1.0 => high.half_width(),
            _ => low.half_width().max(high.half_width()),
        };
        Some((value, half))
    }
}

/// What the fit of the headphone adds.
struct Scatter {
    /// Standard uncertainty of a band's difference from the fit, dB.
    standard_db: f64,
    dof: f64,
    seats: Option<(usize, usize)>,
}

impl Scatter {
    fn between(a: &Side, b: &Side, same_seat: bool) -> Result<Scatter, NotComparable> {
        if same_seat {
            return Ok(Scatter { standard_db: 0.0, dof: NORMAL_DOF, seats: None });
        }
        let count = |side: &Side| side.seats.as_ref().map_or(1, Seats::tight);
        let (n_a, n_b) = (count(a) as f64, count(b) as f64);
        let dof = n_a + n_b - 2.0;
        if dof < 1.0 {
            return Err(NotComparable::SeatsUnknown);
        }
        // Pooled over bands and both sessions, each weighted by what stands behind it.
        let squares = |side: &Side, n: f64| {
            let bands = side.seats.as_ref().map_or(&[][..], |seats| &seats.bands);
            let mean = bands.iter().map(|(_, _, sd)| sd * sd).sum::<f64>() / (bands.len() as f64).max(1.0);
            (n - 1.0) * mean
        };
        let variance = (squares(a, n_a) + squares(b, n_b)) / dof;
        let standard_db = (variance * (1.0 / n_a + 1.0 / n_b)).sqrt();
        Ok(Scatter { standard_db, dof, seats: Some((n_a as usize, n_b as usize)) })
    }
}

struct Band {
    difference: Difference,
    standard_db: f64,
}

fn differences(a: &Side, at_a: &Place, b: &Side, at_b: &Place, scatter: &Scatter) -> Vec<Band> {
    let mut bands = Vec::new();
    for x in crate::analysis::band::BANDS {
        let (Some((of_a, half_a)), Some((of_b, half_b))) = (at_a.band(x), at_b.band(x)) else { continue };
        let fit = if scatter.seats.is_some() { b.fit(x) - a.fit(x) } else { 0.0 };
        let value = of_b + b.offset - of_a - a.offset + fit;
        let standard_db = (half_a.hypot(half_b) / NORMAL_95).hypot(scatter.standard_db);
        let difference_db = Estimate::symmetric(value, t_quantile(0.975, scatter.dof) * standard_db);
        let difference = Difference { x, difference_db, told: Told::NotTold, smallest_db: f64::INFINITY };
        bands.push(Band { difference, standard_db });
    }
    bands
}

/// One of three words for each band, Holm's procedure over both questions.
fn judge(bands: &mut [Band], within_db: f64, dof: f64) {
    let tail = |over: f64, band: &Band| match band.standard_db {
        s if s > 0.0 => 1.0 - t_cdf(over / s, dof),
        _ if over > 0.0 => 0.0,
        _ => 1.0,
    };
    let differs: Vec<f64> = bands.iter().map(|b| tail(b.difference.difference_db.value.abs() - within_db, b)).collect();
    let same: Vec<f64> = bands.iter().map(|b| tail(within_db - b.difference.difference_db.value.abs(), b)).collect();
    let (differs, same) = (holm(&differs, FAMILY), holm(&same, FAMILY));
    let strictest = t_quantile(1.0 - FAMILY / bands.len().max(1) as f64, dof);
    for (i, band) in bands.iter_mut().enumerate() {
        band.difference.told = match (differs[i], same[i]) {
            (true, _) => Told::Differs,
            (false, true) => Told::Same,
            (false, false) => Told::NotTold,
        };
        band.difference.smallest_db = within_db + strictest * band.standard_db;
    }
}

/// Which of these hypotheses are rejected with one false rejection in `1/family` at most (Holm 1979): the k-th smallest
/// p is held against `family/(m − k + 1)`, up to the first that passes it.
pub fn holm(p: &[f64], family: f64) -> Vec<bool> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut rejected = vec![false; p.len()];
    for (k, i) in order.into_iter().enumerate() {
        if p[i] > family / (p.len() - k) as f64 {
            break;
        }
        rejected[i] = true;
    }
    rejected
}

fn together(bands: &[Band]) -> Told {
    let any = |told| bands.iter().any(|b| b.difference.told == told);
    if any(Told::Differs) {
        Told::Differs
    } else if bands.is_empty() || any(Told::NotTold) {
        Told::NotTold
    } else {
        Told::Same
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: p = 0.001, 0.004, 0.03, 0.2 at 5 %: held against 0.0125, 0.0167, 0.025, 0.05: the first two fall, the third
    /// (0.03 > 0.025) ends it.
    #[test]
    fn holm_steps_down_as_by_hand() {
        assert_eq!(holm(&[0.03, 0.001, 0.2, 0.004], 0.05), [false, true, false, true]);
        assert_eq!(holm(&[0.02, 0.03], 0.05), [true, true]);
        assert_eq!(holm(&[0.03, 0.03], 0.05), [false, false]);
    }

    fn band(value: f64, standard_db: f64) -> Band {
        let difference_db = Estimate::symmetric(value, NORMAL_95 * standard_db);
        let difference = Difference { x: 0, difference_db, told: Told::NotTold, smallest_db: 0.0 };
        Band { difference, standard_db }
    }

    #[test]
    fn one_of_three_words_is_said_of_each_band() {
        let mut bands = vec![band(0.02, 0.01), band(0.9, 0.05), band(0.22, 0.05), band(0.1, 0.2)];
        judge(&mut bands, 0.2, NORMAL_DOF);
        let told: Vec<Told> = bands.iter().map(|b| b.difference.told).collect();
        assert_eq!(told, [Told::Same, Told::Differs, Told::NotTold, Told::NotTold]);
        // 1 % over four bands: z = 2.807 one-sided at 0.25 % (normal table).
        assert!((bands[1].difference.smallest_db - (0.2 + 2.807 * 0.05)).abs() < 1e-3);
    }
}
