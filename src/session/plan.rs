//! What is asked of a session. A plan is checked once; a plan that exists is bounded in level and time.

use crate::calibration::Field;
use crate::signal::Stimulus;
use crate::units::{DbSpl, Dbfs, SampleRate, tidy};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Longest take, seconds.
pub const LONGEST_TAKE_S: f64 = 120.0;
/// Ceiling at the calibrated point where nothing else is asked.
pub const DEFAULT_CEILING: DbSpl = DbSpl(115.0);
/// Ceiling on the drive while no level is calibrated.
pub const UNCALIBRATED_CEILING: Dbfs = Dbfs(-20.0);
/// Settling before the first analysed period, seconds (method 3).
pub const SETTLE_S: f64 = 0.25;
/// Seats of the headphone where nothing else is asked (method 7; five where a standard asks for it).
pub const DEFAULT_SEATS: u32 = 3;
/// Attempts at a take before a named reason is given.
pub const ATTEMPTS: usize = 3;
/// The same where the cards or the machine lost samples, which says nothing of what is measured.
pub const ATTEMPTS_AFTER_LOSSES: usize = 8;

/// Quick look or whole session.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Extent {
    /// Silence, probe, reference, one middle step, one at listening level plus wanted headroom.
    QuickLook,
    /// The whole climb.
    Session,
    /// Is the way to the ear straight? No climb, no headroom (`path.rs`).
    PathCheck,
}

/// Weighting that a stated level has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Weighting {
    /// None.
    #[default]
    Z,
    /// A (IEC 61672-1).
    A,
    /// C (IEC 61672-1).
    C,
}

/// How loud this person listens: pink-noise level at the calibrated point.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ListeningLevel {
    /// dB SPL.
    pub level: DbSpl,
    /// Its weighting.
    #[serde(default)]
    pub weighting: Weighting,
    /// The field it is related to; `None`: as it is at the calibrated point.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub field: Option<Field>,
}

/// `70.0 dB`, `66.0 dB A, diffuse-field related`.
impl fmt::Display for ListeningLevel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let weighting = match self.weighting {
            Weighting::Z => "",
            Weighting::A => " A",
            Weighting::C => " C",
        };
        let field = match self.field {
            None => "",
            Some(Field::Diffuse) => ", diffuse-field related",
            Some(Field::Free) => ", free-field related",
        };
        write!(f, "{} dB{weighting}{field}", tidy(self.level.db(), 1))
    }
}

/// When headroom is called what (common practice, no source).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HeadroomRule {
    /// At least this: ample, dB.
    pub ample_db: f64,
    /// At least this: borderline, dB; below it short.
    pub borderline_db: f64,
}

impl Default for HeadroomRule {
    fn default() -> Self {
        HeadroomRule { ample_db: 20.0, borderline_db: 15.0 }
    }
}

/// A level asked for, of pink noise: the sounds beside it are played at the same RMS drive.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AskedLevel {
    /// At the calibrated point, predicted from the quiet reference.
    Spl(DbSpl),
    /// RMS drive.
    Drive(Dbfs),
}

/// What must not be exceeded. Volts and milliwatts act once the output's volts (and source and load impedance) are known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ceilings {
    /// At the calibrated point.
    pub spl: DbSpl,
    /// RMS drive.
    #[serde(default)]
    pub drive: Option<Dbfs>,
    /// Volts RMS at the load, or of the open output while source or load impedance is not known.
    #[serde(default)]
    pub volts: Option<f64>,
    /// Milliwatts in the load.
    #[serde(default)]
    pub milliwatts: Option<f64>,
}

impl Ceilings {
    /// A ceiling that was raised over its default and so is typed a second time; `None` where none was.
    pub fn raised(&self, calibrated: bool) -> Option<f64> {
        let spl = Some(self.spl.db()).filter(|spl| *spl > DEFAULT_CEILING.db());
        let drive = self.drive.map(Dbfs::db).filter(|drive| !calibrated && *drive > UNCALIBRATED_CEILING.db());
        spl.or(drive)
    }
}

impl Default for Ceilings {
    fn default() -> Self {
        Ceilings { spl: DEFAULT_CEILING, drive: None, volts: None, milliwatts: None }
    }
}

/// What is asked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Quick look or session.
    pub extent: Extent,
    /// The noise that is stepped.
    pub pink: Stimulus,
    /// Sines played beside it at every step, Hz.
    #[serde(default)]
    pub sines_hz: Vec<f64>,
    /// Other sounds played beside it: two tones, a sweep, bursts, other noise.
    #[serde(default)]
    pub beside: Vec<Stimulus>,
    /// Levels at which sines and other sounds are played, before the climb; without any they are played at every step
    /// of the climb.
    #[serde(default)]
    pub asked: Vec<AskedLevel>,
    /// How loud the person listens; the bench assumes none.
    pub listening: Option<ListeningLevel>,
    /// Headroom wanted over it, dB.
    pub wanted_headroom_db: f64,
    /// The rule the verdict follows.
    pub rule: HeadroomRule,
    /// What must not be exceeded.
    pub ceilings: Ceilings,
    /// Distance between steps, dB.
    pub step_db: f64,
    /// Distortion limit, percent.
    pub distortion_limit_percent: f64,
    /// Stop also where the distortion *at the ear* passes the limit, whoever makes it.
    #[serde(default)]
    pub stop_at_ear: bool,
    /// Seats of the headphone, the climb's among them: each further one costs one take after the climb.
    #[serde(default = "one")]
    pub seats: u32,
    /// Periods of probe and climb.
    pub climb_periods: usize,
    /// Periods of silence, reference, threshold and bisection.
    pub careful_periods: usize,
}

/// A plan that must not run.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// A value out of its range.
    #[error("{what} is {value}; it must lie between {low} and {high}")]
    OutOfRange {
        /// Which value.
        what: &'static str,
        /// As given.
        value: f64,
        /// Lowest allowed.
        low: f64,
        /// Highest allowed.
        high: f64,
    },
    /// The ceiling on the drive lies above full scale.
    #[error("a drive ceiling of {asked} is above full scale: this noise reaches full scale at {full}")]
    CeilingAboveFullScale {
        /// As given.
        asked: Dbfs,
        /// Highest drive.
        full: Dbfs,
    },
    /// The headroom rule is upside down.
    #[error(
        "the rule calls headroom ample from {ample_db} dB and borderline from {borderline_db} dB; the first must be larger"
    )]
    RuleUpsideDown {
        /// Given.
        ample_db: f64,
        /// Given.
        borderline_db: f64,
    },
    /// Silence or the stepped noise itself.
    #[error("{0} cannot be played beside the noise that is stepped")]
    NotBeside(String),
    /// Levels without a sound.
    #[error("levels are asked for, but no sound to play at them; name one")]
    NothingAsked,
    /// Not pink noise.
    #[error("only pink noise can be stepped")]
    NotPink,
}

/// Sessions of the first version had one seat.
fn one() -> u32 {
    1
}

fn within(what: &'static str, value: f64, low: f64, high: f64) -> Result<(), PlanError> {
    if (low..=high).contains(&value) { Ok(()) } else { Err(PlanError::OutOfRange { what, value, low, high }) }
}

impl Plan {
    /// A default session at `rate`.
    pub fn session(rate: SampleRate) -> Plan {
        Plan {
            extent: Extent::Session,
            pink: Stimulus::pink(rate),
            sines_hz: Vec::new(),
            beside: Vec::new(),
            asked: Vec::new(),
            listening: None,
            wanted_headroom_db: 20.0,
            rule: HeadroomRule::default(),
            ceilings: Ceilings::default(),
            step_db: 3.0,
            distortion_limit_percent: 1.0,
            stop_at_ear: false,
            seats: DEFAULT_SEATS,
            climb_periods: 2,
            careful_periods: 4,
        }
    }

    /// A quick look at `rate`: two periods each.
    pub fn quick_look(rate: SampleRate) -> Plan {
        Plan { extent: Extent::QuickLook, seats: 1, careful_periods: 2, ..Plan::session(rate) }
    }

    /// A path check at `rate`: two periods each, under 20 s of sound.
    pub fn path_check(rate: SampleRate) -> Plan {
        Plan { extent: Extent::PathCheck, ..Plan::quick_look(rate) }
    }

    /// Checks every value, once, at the door.
    ///
    /// # Errors
    /// [`PlanError`] names the first value that cannot be.
    pub fn check(&self, rate: SampleRate) -> Result<(), PlanError> {
        if !matches!(self.pink, Stimulus::Pink(_)) {
            return Err(PlanError::NotPink);
        }
        if let Some(listening) = self.listening {
            within("the listening level in dB SPL", listening.level.db(), 20.0, 120.0)?;
        }
        within("the wanted headroom in dB", self.wanted_headroom_db, 0.0, 60.0)?;
        within("the rule's ample limit in dB", self.rule.ample_db, 0.0, 60.0)?;
        within("the rule's borderline limit in dB", self.rule.borderline_db, 0.0, 60.0)?;
        if self.rule.ample_db <= self.rule.borderline_db {
            let HeadroomRule { ample_db, borderline_db } = self.rule;
            return Err(PlanError::RuleUpsideDown { ample_db, borderline_db });
        }
        within("the ceiling in dB SPL", self.ceilings.spl.db(), 40.0, 140.0)?;
        within("the step in dB", self.step_db, 0.25, 10.0)?;
        within("the distortion limit in percent", self.distortion_limit_percent, 0.001, 50.0)?;
        within("the seats", f64::from(self.seats), 1.0, 20.0)?;
        within("the periods of a climbing step", self.climb_periods as f64, 2.0, 32.0)?;
        within("the periods of a careful step", self.careful_periods as f64, 2.0, 32.0)?;
        for f in &self.sines_hz {
            within("a sine's frequency in Hz", *f, 20.0, 0.45 * rate.hz())?;
        }
        if let Some(other) = self.beside.iter().find(|s| s.is_silent() || **s == self.pink) {
            return Err(PlanError::NotBeside(other.to_string()));
        }
        for (what, limit) in
            [("the ceiling in volts", self.ceilings.volts), ("the ceiling in milliwatts", self.ceilings.milliwatts)]
        {
            if let Some(limit) = limit {
                within(what, limit, 1e-6, 1e6)?;
            }
        }
        for level in &self.asked {
            match level {
                AskedLevel::Spl(spl) => within("an asked level in dB SPL", spl.db(), 20.0, self.ceilings.spl.db())?,
                AskedLevel::Drive(drive) => within("an asked drive in dBFS", drive.db(), -120.0, 0.0)?,
            }
        }
        if !self.asked.is_empty() && self.sines_hz.is_empty() && self.beside.is_empty() {
            return Err(PlanError::NothingAsked);
        }
        if let Some(asked) = self.ceilings.drive {
            within("the drive ceiling in dBFS", asked.db(), -120.0, f64::MAX)?;
            if let Some(full) = self.pink.period(rate).full_drive()
                && asked.db() > full.db() + 0.005
            {
                return Err(PlanError::CeilingAboveFullScale { asked, full });
            }
        }
        Ok(())
    }
}
