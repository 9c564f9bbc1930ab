//! How long may an ear hear this? The field-related A level of pink noise at the listening level and at the highest clean
//! one, and the time that two published rules allow for it. Information, not advice.
//!
//! NIOSH 98-126: `T = 480 min / 2^((L − 85)/3)`. WHO–ITU H.870: 1.6 Pa²h in a week, that is 40 h at 80 dB(A) (adults) or
//! 0.51 Pa²h, 40 h at 75 dB(A) (children and sensitive listeners), of equal energy.

use super::headroom::Headroom;
use super::highest_clean::HighestClean;
use crate::calibration::SoundField;
use crate::session::listening;
use crate::session::plan::{ListeningLevel, Weighting};
use crate::session::record::Record;
use crate::stats::{Estimate, Interval, Reading};
use crate::units::DbSpl;
use serde::{Deserialize, Serialize};

/// How far a conforming head may lie off the table between eardrum and diffuse field in the octaves that carry the A-weighted
/// level, 500 Hz to 4 kHz, dB (ITU-T P.58: −2.5 to +2 at 1 kHz): a factor of 1.6 in time.
const FIELD_TOLERANCE_DB: f64 = 2.0;

/// Said wherever these figures are.
pub const CAUTION: &str = "Exposure figures are information for steady pink noise, not medical or occupational advice: \
local law and licensed audiologists or hygienists decide.";

/// Exposure of the listener, diffuse-field related.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Exposure {
    /// At the listening level.
    pub listening: Option<Exposed>,
    /// At the highest clean level; of a lower bound, at least this loud.
    pub highest_clean: Option<Exposed>,
}

/// One level and how long it may last.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Exposed {
    /// A-weighted, diffuse-field related, dB.
    pub level: Estimate,
    /// A day by NIOSH 98-126, hours; its interval from the level's.
    pub niosh_h: Estimate,
    /// A week by H.870, adults, hours.
    pub week_h: Estimate,
    /// A week by H.870, children and sensitive listeners, hours.
    pub sensitive_week_h: Estimate,
}

impl Exposed {
    /// From a field-related level; the table's own tolerance is added to its interval.
    fn to(level: Estimate) -> Exposed {
        let table = Estimate::symmetric(0.0, FIELD_TOLERANCE_DB);
        let level = level.plus(&table);
        Exposed {
            level,
            niosh_h: falling(level, niosh_h),
            week_h: falling(level, |db| week_h(db, 80.0)),
            sensitive_week_h: falling(level, |db| week_h(db, 75.0)),
        }
    }
}

impl Exposed {
    /// The times as people say them: `NIOSH 6.8 h a day; H.870 10.8 h a week, sensitive listeners 3.4 h a week`.
    pub fn times(&self) -> String {
        format!(
            "NIOSH {}; H.870 {}, sensitive listeners {}",
            a_day(self.niosh_h.value),
            a_week(self.week_h.value),
            a_week(self.sensitive_week_h.value)
        )
    }
}

/// Hours a day, NIOSH 98-126: half as long for each 3 dB.
fn niosh_h(level_db: f64) -> f64 {
    8.0 / 2f64.powf((level_db - 85.0) / 3.0)
}

/// Hours a week, H.870: 40 h at `at_db`, equal energy.
fn week_h(level_db: f64, at_db: f64) -> f64 {
    40.0 * 10f64.powf((at_db - level_db) / 10.0)
}

fn falling(level: Estimate, time: impl Fn(f64) -> f64) -> Estimate {
    let interval = Interval { low: time(level.interval.high), high: time(level.interval.low) };
    Estimate { value: time(level.value), interval }
}

/// Hours a day as people say them: `6.8 h a day`, `all day`.
fn a_day(hours: f64) -> String {
    if hours >= 24.0 { "all day".into() } else { format!("{} a day", in_words(hours)) }
}

/// Hours a week as people say them: `10.8 h a week`, `all week`.
fn a_week(hours: f64) -> String {
    if hours >= 168.0 { "all week".into() } else { format!("{} a week", in_words(hours)) }
}

/// Hours in the unit that people say.
fn in_words(hours: f64) -> String {
    match hours {
        h if h >= 1.0 => format!("{h:.1} h"),
        h if h * 60.0 >= 1.0 => format!("{:.1} min", h * 60.0),
        h => format!("{:.1} s", h * 3600.0),
    }
}

/// `None` where no level is known at an eardrum or the spectrum is not determined.
pub(super) fn exposure(record: &Record, highest: &HighestClean, headroom: &Headroom) -> Option<Exposure> {
    let chain = &record.head.chain;
    let input = record.deciding_input();
    let stated = ListeningLevel { level: DbSpl(0.0), weighting: Weighting::A, field: Some(SoundField::Diffuse) };
    let spectra = record.climbed().rev().filter_map(|step| Some(step.pink(input)?.0));
    let z_less_field = listening::z_less_stated_by(spectra, &stated, chain.coupler).ok()?;
    let at_listening = headroom.listening_z.map(|l| Exposed::to(Estimate::exact(l.db() - z_less_field)));
    let at_highest = match &highest.level_spl {
        Reading::Determined(level) | Reading::AtLeast(level) => Some(Exposed::to(level.shifted(-z_less_field))),
        Reading::Below(_) | Reading::NotDetermined(_) => None,
    };
    (at_listening.is_some() || at_highest.is_some())
        .then_some(Exposure { listening: at_listening, highest_clean: at_highest })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIOSH 98-126's printed table: 80 dB(A) 25 h 24 min, 82 16 h, 85 8 h, 88 4 h, 95 47 min 37 s, 100 15 min,
    /// 110 1 min 29 s, 115 28 s, 120 9 s.
    #[test]
    fn niosh_times_are_those_printed() {
        for (db, seconds, half_a_digit) in [
            (80.0, 91_440.0, 30.0),
            (82.0, 57_600.0, 30.0),
            (85.0, 28_800.0, 30.0),
            (88.0, 14_400.0, 30.0),
            (95.0, 2_857.0, 0.5),
            (100.0, 900.0, 0.5),
            (110.0, 89.0, 0.5),
            (115.0, 28.0, 0.5),
            (120.0, 9.0, 0.5),
        ] {
            let stated = 3600.0 * niosh_h(db);
            assert!((stated - seconds).abs() <= half_a_digit, "{db} dB(A): {stated} s for {seconds}");
        }
    }

    /// Equal energy from 1.6 Pa²h a week (ITU-T H.870; computed): 85 dB(A) 12.64911 h, 100 0.4 h, 110 0.04 h; at 75 dB:
    /// 85 dB(A) 4 h.
    #[test]
    fn a_week_is_that_of_h870() {
        for (db, adults, sensitive) in [(80.0, 40.0, 12.64911), (85.0, 12.64911, 4.0), (100.0, 0.4, 0.12649)] {
            assert!((week_h(db, 80.0) - adults).abs() < 1e-4 && (week_h(db, 75.0) - sensitive).abs() < 1e-4);
        }
        let pa2h = 40.0 * (20e-6f64 * 10f64.powf(80.0 / 20.0)).powi(2);
        assert!((pa2h - 1.6).abs() < 1e-9);
    }

    #[test]
    fn times_are_said_in_the_unit_that_people_use() {
        assert_eq!((a_day(25.0), a_day(6.75)), ("all day".to_string(), "6.8 h a day".to_string()));
        assert_eq!((a_day(0.5), a_day(0.01)), ("30.0 min a day".to_string(), "36.0 s a day".to_string()));
        assert_eq!((a_week(200.0), a_week(10.8)), ("all week".to_string(), "10.8 h a week".to_string()));
    }

    #[test]
    fn a_louder_end_of_the_interval_is_a_shorter_time() {
        // √(√5² + 2²) dB is 3 dB, which halves the time (NIOSH 98-126).
        let exposed = Exposed::to(Estimate::symmetric(88.0, 5f64.sqrt()));
        assert!(
            (exposed.niosh_h.interval.low - 2.0).abs() < 1e-9 && (exposed.niosh_h.interval.high - 8.0).abs() < 1e-9
        );
        // Of a level that is exact the table is what is not known: 1.6 times as long or as short.
        let exact = Exposed::to(Estimate::exact(88.0));
        assert!((exact.niosh_h.interval.high / 4.0 - 1.587).abs() < 1e-3, "{exact:?}");
    }
}
