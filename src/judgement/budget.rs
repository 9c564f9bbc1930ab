//! Where does the interval of a level come from? The uncertainty budget (GUM, JCGM 100:2008): every contribution with the
//! distribution that its data or its stated limit has, and what all of them make together.
//!
//! ```text
//! calibrator ±0.40 dB, a limit ──┐
//! its fits, Student t ───────────┤
//! drift since, a limit ──────────┼── Monte Carlo (JCGM 101:2008) ──► ±0.42 dB
//! noise of the step, normal ─────┘
//! ```
//!
//! Half widths of one kind add in quadrature, and so the levels' intervals are made (`evaluate`); a limit is not normal,
//! so that the whole is drawn here. What no data and no statement covers is named as left out, never guessed.

use crate::analysis::Flaw;
use crate::calibration::{Acoustic, CLASS_1_HALF_WIDTH_DB, OffsetSource};
use crate::session::record::{Record, StepResult};
use crate::session::seats::Seats;
use crate::stats::{Draws, NORMAL_95, mean_of, student_t_95};
use crate::units::tidy;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Draws of the Monte Carlo: its half width is good to about 1 % (JCGM 101, 7.2.1 asks for 10⁶ where two digits are
/// determined; one is given here).
const DRAWS: usize = 20_000;
/// Refitting, as the budget names it.
const SEATS: &str = "seats of the headphone";
/// Seats of which the next one narrows the interval a lot: Student's t falls from 12.7 to 4.3.
const FEW: u32 = 2;
/// Code of the note that says so.
pub const FEW_SEATS: &str = "few-seats";
/// A contribution under this changes nothing that is given, dB.
const NOTHING_DB: f64 = 5e-4;

/// How a contribution scatters.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Distribution {
    /// Normal; the half width is that of 95 %.
    Normal,
    /// Student's t of the mean of so many readings less one; the half width is that of 95 %.
    Student {
        /// Degrees of freedom.
        dof: u32,
    },
    /// Equally likely everywhere within the half width, which is a limit.
    Rectangular,
}

/// One line of the budget.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// What contributes.
    pub what: String,
    /// Half width, dB: 95 % or the limit.
    pub half_width_db: f64,
    /// How it scatters.
    pub distribution: Distribution,
    /// Standard uncertainty, dB.
    pub standard_db: f64,
    /// True where it comes from data of this session, false where it is stated.
    pub measured: bool,
}

/// The budget of the deciding ear's level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// Largest first.
    pub contributions: Vec<Contribution>,
    /// 95 % half width of all together, dB.
    pub half_width_db: f64,
    /// What is not in it.
    pub left_out: Vec<String>,
}

/// Budget of the level of the loudest step of pink noise, on the mean of these seats; `None` without a calibration offset or such a step.
pub fn budget(record: &Record, seats: Option<&Seats>) -> Option<Budget> {
    let chain = &record.head.chain;
    let (input, role) = record.weaker_ear()?;
    let mut contributions = Vec::new();
    let mut left_out = Vec::new();
    offset(chain.acoustic(role)?, &mut contributions, &mut left_out);
    match record.calibration_drift_db(role) {
        Some(drift) => {
            contributions.push(Contribution::limit("drift of the calibration, checked after", drift.abs(), true))
        }
        None => left_out.push("drift of the calibration: fit the calibrator again after the session".into()),
    }
    match chain.curve_half_width_db(role) {
        Some(half_width) => contributions.push(Contribution::normal("correction curve, as stated", half_width, false)),
        None if chain.curves.contains_key(&role) => {
            left_out.push("the microphone's correction curve: its uncertainty is not stated".into())
        }
        None => left_out.push("the microphone's own response: no correction curve is loaded".into()),
    }
    left_out.push("the coupler's own tolerance: see its certificate".into());
    left_out.push("a wearer's ear against this coupler: ears differ, the coupler is one of them".into());
    let drive = |s: &StepResult| s.step.drive.map_or(f64::MIN, |d| d.db());
    let loudest = record
        .climbed()
        .filter(|s| s.step.purpose.counts() && s.pink(input).is_some())
        .max_by(|a, b| drive(a).total_cmp(&drive(b)))?;
    let reading = loudest.pink(input)?.0.level_z?;
    contributions.push(Contribution::normal("noise and clock of the loudest step", reading.half_width(), true));
    let seats = seats.and_then(|seats| Some((seats.level?.half_width(), seats.tight())));
    match seats {
        Some((half_width, n)) => contributions.push(Contribution::student(SEATS, half_width, n as u32 - 1)),
        None => left_out.push("refitting of the headphone: only one seat".into()),
    }
    contributions.retain(|c| c.half_width_db > NOTHING_DB);
    contributions.sort_by(|a, b| b.standard_db.total_cmp(&a.standard_db));
    let half_width_db = together(&contributions);
    Some(Budget { contributions, half_width_db, left_out })
}

impl Budget {
    /// Says so where most of the interval is what few seats differ by: one seat has a narrow interval that leaves refitting
    /// out, two have a wide one, and the reader must know why.
    pub fn few_seats(&self) -> Option<Flaw> {
        let refits = self.contributions.iter().find(|c| c.what == SEATS)?;
        let Distribution::Student { dof } = refits.distribution else { return None };
        // By half widths: t of two seats is wide though they may scatter little.
        let all: f64 = self.contributions.iter().map(|c| c.half_width_95_db().powi(2)).sum();
        let (seats, leads) = (dof + 1, refits.half_width_95_db().powi(2) > 0.5 * all);
        (leads && seats <= FEW).then(|| {
            Flaw::note(
                FEW_SEATS,
                format!(
                    "Most of the ±{} dB is what {seats} seats differ by. So few say little of how much the headphone moves when it is refitted; a further seat usually narrows the interval.",
                    tidy(self.half_width_db, 1)
                ),
            )
        })
    }
}

/// What the offset stands on.
fn offset(acoustic: &Acoustic, into: &mut Vec<Contribution>, left_out: &mut Vec<String>) {
    let whole = acoustic.offset.half_width();
    match &acoustic.source {
        OffsetSource::Calibrator { calibrator, fits_db, .. } => {
            let stated = calibrator.level.half_width();
            // A class is a limit, a certificate an expanded uncertainty.
            let is_class = (stated - CLASS_1_HALF_WIDTH_DB).abs() < 1e-9;
            into.push(match is_class {
                true => Contribution::limit("sound calibrator, limit of its class", stated, false),
                false => Contribution::normal("sound calibrator, as stated", stated, false),
            });
            let fits = mean_of(fits_db).map_or(0.0, |mean| mean.half_width());
            match fits_db.len() {
                0 | 1 => left_out.push("fitting of the calibrator: only one".into()),
                n => into.push(Contribution::student("fittings of the calibrator", fits, n as u32 - 1)),
            }
            let reading = (whole * whole - stated * stated - fits * fits).max(0.0).sqrt();
            into.push(Contribution::normal("reading of its tone", reading, true));
        }
        OffsetSource::Sensitivity { .. } => {
            into.push(Contribution::normal("sensitivity of the microphone and volts of the input", whole, false));
        }
        OffsetSource::Typed => into.push(Contribution::normal("calibration offset, as typed", whole, false)),
    }
}

impl Contribution {
    fn normal(what: &str, half_width_db: f64, measured: bool) -> Contribution {
        let standard_db = half_width_db / NORMAL_95;
        Contribution { what: what.into(), half_width_db, distribution: Distribution::Normal, standard_db, measured }
    }

    fn student(what: &str, half_width_db: f64, dof: u32) -> Contribution {
        let distribution = Distribution::Student { dof };
        let standard_db = half_width_db / student_t_95(f64::from(dof));
        Contribution { what: what.into(), half_width_db, distribution, standard_db, measured: true }
    }

    fn limit(what: &str, half_width_db: f64, measured: bool) -> Contribution {
        let standard_db = half_width_db / 3f64.sqrt();
        Contribution {
            what: what.into(),
            half_width_db,
            distribution: Distribution::Rectangular,
            standard_db,
            measured,
        }
    }

    /// Half of the interval that holds 95 % of it, dB.
    fn half_width_95_db(&self) -> f64 {
        match self.distribution {
            Distribution::Normal | Distribution::Student { .. } => self.half_width_db,
            Distribution::Rectangular => 0.95 * self.half_width_db,
        }
    }

    fn draw(&self, random: &mut Draws) -> f64 {
        self.standard_db
            * match self.distribution {
                Distribution::Normal => random.normal(),
                Distribution::Student { dof } => {
                    let square = (0..dof).map(|_| random.normal().powi(2)).sum::<f64>() / f64::from(dof);
                    random.normal() / square.sqrt()
                }
                Distribution::Rectangular => random.within(3f64.sqrt()),
            }
    }
}

/// 95 % half width of the sum, by drawing it. The same contributions give the same half width.
fn together(contributions: &[Contribution]) -> f64 {
    let mut random = Draws::new(1);
    let mut sums: Vec<f64> = (0..DRAWS).map(|_| contributions.iter().map(|c| c.draw(&mut random)).sum()).collect();
    sums.sort_by(f64::total_cmp);
    let at = |share: f64| sums[((share * DRAWS as f64) as usize).min(DRAWS - 1)];
    // The sum of independent contributions is no narrower than the widest of them, whatever the draws say.
    let widest = contributions.iter().map(Contribution::half_width_95_db).fold(0.0, f64::max);
    (0.5 * (at(0.975) - at(0.025))).max(widest)
}

impl fmt::Display for Distribution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Distribution::Normal => f.write_str("normal"),
            Distribution::Student { dof: 1 } => f.write_str("Student, 1 degree of freedom"),
            Distribution::Student { dof } => write!(f, "Student, {dof} degrees of freedom"),
            Distribution::Rectangular => f.write_str("limit, rectangular"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of the quantiles of 20 000 draws.
    const DRAWN: f64 = 0.02;

    fn near(half: f64, expected: f64) {
        assert!((half / expected - 1.0).abs() < DRAWN, "{half} for {expected}");
    }

    /// Closed forms: a rectangle holds 95 % within 0.95 of its limit; the sum of two equal ones is a triangle, 95 %
    /// within 2a·(1 − √0.05) = 1.5528 a; normal ones add in quadrature; t(4) is 2.7764 (JCGM 100, table G.2).
    #[test]
    fn limits_and_scatter_combine_as_their_closed_forms() {
        let limit = Contribution::limit("", 0.4, false);
        near(together(std::slice::from_ref(&limit)), 0.38);
        near(together(&[limit.clone(), limit]), 1.5528 * 0.4);
        near(together(&[Contribution::normal("", 0.3, true), Contribution::normal("", 0.4, true)]), 0.5);
        let student = Contribution::student("", 0.718_665, 4);
        assert!((student.standard_db - 0.258_844).abs() < 1e-5);
        near(together(&[student]), 0.718_665);
    }

    /// JCGM 101:2008, 9.2.4: four rectangular contributions of unit standard deviation hold 95 % within ±3.88.
    #[test]
    fn four_rectangles_give_the_interval_of_the_supplements_example() {
        let one = Contribution::limit("", 3f64.sqrt(), false);
        near(together(&[one.clone(), one.clone(), one.clone(), one]), 3.88);
    }

    /// ±0.4 with one seat, ±3.3 with two: why is said. Not where the calibrator leads, or where many seats scatter so.
    #[test]
    fn an_interval_that_few_seats_make_says_so() {
        let of = |half_width_db: f64, dof: u32| {
            let contributions =
                vec![Contribution::limit("", 0.4, false), Contribution::student(SEATS, half_width_db, dof)];
            let half_width_db = together(&contributions);
            Budget { contributions, half_width_db, left_out: Vec::new() }.few_seats()
        };
        let said = of(3.3, 1).expect("it is said");
        assert!(said.text.contains("2 seats") && said.text.contains("±3."), "{}", said.text);
        assert!(of(1.0, 1).is_some());
        assert!(of(0.2, 1).is_none() && of(1.0, 2).is_none());
    }

    /// Two seats: one degree of freedom, whose quantile no number of draws gives well.
    #[test]
    fn the_whole_is_no_narrower_than_its_widest_part() {
        for seats in [0.3, 3.272, 9.0] {
            let parts = [Contribution::limit("", 0.4, false), Contribution::student("", seats, 1)];
            assert!(together(&parts) >= seats, "{} for {seats}", together(&parts));
        }
    }

    #[test]
    fn nothing_contributes_nothing() {
        assert!(together(&[]).abs() < 1e-300);
    }
}
