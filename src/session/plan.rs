//! What is asked of a session. A plan is checked once; a plan that exists is bounded in level and time.

pub use crate::analysis::weighting::Weighting;

use super::matching::MatchedOn;
use crate::calibration::SoundField;
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
/// Settling before the first analysed period, seconds.
pub const SETTLE_S: f64 = 0.25;
/// Route delay allowed for before it is measured, seconds.
pub const DELAY_UNKNOWN_S: f64 = 1.0;
/// Seats of the headphone where nothing else is asked (five where a standard asks for it).
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
    /// One output of two that are swapped on one seat of the headphone. No climb, no headroom (`swap.rs`).
    Swap,
}

impl Extent {
    /// True where levels are climbed, so that headroom can be judged.
    pub fn climbs(self) -> bool {
        match self {
            Extent::QuickLook | Extent::Session => true,
            Extent::PathCheck | Extent::Swap => false,
        }
    }
}

/// Which of two outputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// The one that is heard first, and that the other is held against.
    First,
    /// The other one.
    Second,
}

impl Order {
    /// As part of a folder's name, and in words.
    pub fn word(self) -> &'static str {
        match self {
            Order::First => "first",
            Order::Second => "second",
        }
    }
}

/// One output's part in a comparison of two that are swapped.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Swap {
    /// The same in both sessions; their folders are named after it.
    pub pair: String,
    /// Which of the two.
    pub order: Order,
    /// Level that both are held against each other at; `None`: the listening level.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<AskedLevel>,
    /// What is matched.
    pub on: MatchedOn,
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
    pub field: Option<SoundField>,
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
            Some(SoundField::Diffuse) => ", diffuse-field related",
            Some(SoundField::Free) => ", free-field related",
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
    /// Levels at which a step is played before the climb, with the sines and other sounds if there are any; those are then not
    /// played at every step of the climb.
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
    /// Which output of a swap it is; only there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub swap: Option<Swap>,
    /// What of it was not typed but came from the person's settings, in words; the values themselves stand above.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub from_settings: Vec<String>,
}

/// A plan that must not run.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// A value out of its range.
    #[error("the {what} is {value}; it must lie between {low} and {high}")]
    OutOfRange {
        /// Which value.
        what: PlanValue,
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
    #[error("{0} cannot be a further stimulus beside the stepped noise")]
    NotBeside(String),
    /// Not pink noise.
    #[error("only pink noise can be stepped")]
    NotPink,
}

/// Sessions of the first version had one seat.
fn one() -> u32 {
    1
}

/// Values, their words, and the lowest and highest of each.
macro_rules! values {
    ($($value:ident: $words:literal, $low:expr, $high:expr;)*) => {
        /// A value of a plan that has limits.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum PlanValue {
            $(#[doc = $words] $value,)*
        }

        impl PlanValue {
            /// Lowest and highest allowed.
            pub const fn limits(self) -> (f64, f64) {
                match self {
                    $(PlanValue::$value => ($low, $high),)*
                }
            }
        }

        impl fmt::Display for PlanValue {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(match self {
                    $(PlanValue::$value => $words,)*
                })
            }
        }
    };
}

values! {
    Listening: "listening level in dB SPL", 20.0, 120.0;
    Wanted: "wanted headroom in dB", 0.0, 60.0;
    Ample: "rule's ample limit in dB", 0.0, 60.0;
    Borderline: "rule's borderline limit in dB", 0.0, 60.0;
    CeilingSpl: "ceiling in dB SPL", 40.0, 140.0;
    CeilingDrive: "drive ceiling in dBFS", -120.0, 0.0;
    CeilingVolts: "ceiling in volts", 1e-6, 1000.0;
    CeilingMilliwatts: "ceiling in milliwatts", 1e-6, 1e6;
    Step: "step in dB", 0.25, 10.0;
    DistortionLimit: "distortion limit in percent", 0.001, 50.0;
    Seats: "number of seats", 1.0, 20.0;
    Periods: "number of a step's periods", 2.0, 32.0;
    // At most 0.45 of the rate.
    Sine: "frequency of a sine in Hz", 20.0, 0.45 * crate::units::RATES_HZ.1;
    // At most the ceiling.
    AskedSpl: "level asked for in dB SPL", 20.0, 140.0;
    AskedDrive: "drive asked for in dBFS", -120.0, 0.0;
}

impl PlanValue {
    fn check(self, value: f64) -> Result<(), PlanError> {
        self.check_up_to(self.limits().1, value)
    }

    fn check_up_to(self, high: f64, value: f64) -> Result<(), PlanError> {
        let (low, _) = self.limits();
        let out = PlanError::OutOfRange { what: self, value, low, high };
        if (low..=high).contains(&value) { Ok(()) } else { Err(out) }
    }
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
            swap: None,
            from_settings: Vec::new(),
        }
    }

    /// One output of two that are swapped, at `rate`.
    pub fn swap(rate: SampleRate, swap: Swap) -> Plan {
        Plan { extent: Extent::Swap, seats: 1, swap: Some(swap), ..Plan::session(rate) }
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
            PlanValue::Listening.check(listening.level.db())?;
        }
        PlanValue::Wanted.check(self.wanted_headroom_db)?;
        let HeadroomRule { ample_db, borderline_db } = self.rule;
        PlanValue::Ample.check(ample_db)?;
        PlanValue::Borderline.check(borderline_db)?;
        if ample_db <= borderline_db {
            return Err(PlanError::RuleUpsideDown { ample_db, borderline_db });
        }
        PlanValue::CeilingSpl.check(self.ceilings.spl.db())?;
        PlanValue::Step.check(self.step_db)?;
        PlanValue::DistortionLimit.check(self.distortion_limit_percent)?;
        PlanValue::Seats.check(f64::from(self.seats))?;
        PlanValue::Periods.check(self.climb_periods as f64)?;
        PlanValue::Periods.check(self.careful_periods as f64)?;
        for f in &self.sines_hz {
            PlanValue::Sine.check_up_to(0.45 * rate.hz(), *f)?;
        }
        if let Some(other) = self.beside.iter().find(|s| s.is_silent() || **s == self.pink) {
            return Err(PlanError::NotBeside(other.to_string()));
        }
        self.ceilings.volts.map_or(Ok(()), |volts| PlanValue::CeilingVolts.check(volts))?;
        self.ceilings.milliwatts.map_or(Ok(()), |power| PlanValue::CeilingMilliwatts.check(power))?;
        let swapped_at = self.swap.as_ref().and_then(|swap| swap.at);
        for level in self.asked.iter().chain(&swapped_at) {
            match level {
                AskedLevel::Spl(spl) => PlanValue::AskedSpl.check_up_to(self.ceilings.spl.db(), spl.db())?,
                AskedLevel::Drive(drive) => PlanValue::AskedDrive.check(drive.db())?,
            }
        }
        if let Some(asked) = self.ceilings.drive {
            PlanValue::CeilingDrive.check(asked.db())?;
            if let Some(full) = self.pink.period(rate).full_drive()
                && asked.db() > full.db() + 0.005
            {
                return Err(PlanError::CeilingAboveFullScale { asked, full });
            }
        }
        Ok(())
    }
}
