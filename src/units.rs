//! Levels and rates as types, so that a figure against full scale is never taken for a sound pressure level.
//!
//! Conventions: **0 dBFS is the RMS of a full-scale sine** (AES17, IEC 61606), so a full-scale square wave reads
//! +3.01 dBFS; a *peak* is given apart, in dB re full scale (a full-scale sine peaks at 0 dB). Sound level is re 20 µPa.
//! Inside formulas values are plain `f64` with a suffix (`_hz`, `_v`, `_pa`, `_ohm`, `_s`, `_db`).

use serde::{Deserialize, Serialize};
use std::fmt;

/// Reference sound pressure in air, pascal (ISO 1683).
pub const REFERENCE_PRESSURE_PA: f64 = 20e-6;

/// Reference of dBu, volts: 1 mW in 600 Ω.
const DBU_REFERENCE_V: f64 = 0.774_596_669_241_483_4;

/// dB re 1 V; `None` for none.
pub fn dbv(volts: f64) -> Option<f64> {
    db_from_amplitude(volts)
}

/// dB re √0.6 V; `None` for none.
pub fn dbu(volts: f64) -> Option<f64> {
    db_from_amplitude(volts / DBU_REFERENCE_V)
}

/// `10 lg x` of a power ratio; `None` unless `power` is positive and finite.
pub fn db_from_power(power: f64) -> Option<f64> {
    (power > 0.0 && power.is_finite()).then(|| 10.0 * power.log10())
}

/// `20 lg |x|` of an amplitude ratio; `None` unless it is non-zero and finite.
pub fn db_from_amplitude(amplitude: f64) -> Option<f64> {
    let a = amplitude.abs();
    (a > 0.0 && a.is_finite()).then(|| 20.0 * a.log10())
}

/// Power ratio of a level difference in dB.
pub fn power_from_db(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// Amplitude ratio of a level difference in dB.
pub fn amplitude_from_db(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// A number for people: fixed places, a true minus, never "−0.0".
pub fn tidy(value: f64, places: usize) -> String {
    let shown = format!("{value:.places$}");
    let zero = shown.trim_start_matches('-').chars().all(|c| c == '0' || c == '.');
    if zero { shown.trim_start_matches('-').into() } else { shown.replace('-', "−") }
}

/// The same with its sign.
pub fn tidy_signed(value: f64, places: usize) -> String {
    let shown = tidy(value, places);
    if value > 0.0 && shown.chars().any(|c| ('1'..='9').contains(&c)) { format!("+{shown}") } else { shown }
}

macro_rules! level {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The figure without its unit.
            pub fn db(self) -> f64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                let places = f.precision().unwrap_or(1);
                // "-0.0" is a rounding artefact, never a level.
                let shown = format!("{:.*}", places, self.0);
                let zero = shown.trim_start_matches('-').chars().all(|c| c == '0' || c == '.');
                let shown = if zero { shown.trim_start_matches('-').to_string() } else { shown.replace('-', "−") };
                write!(f, "{shown} {}", $unit)
            }
        }

        impl std::ops::Add<f64> for $name {
            type Output = $name;
            fn add(self, db: f64) -> $name {
                $name(self.0 + db)
            }
        }

        impl std::ops::Sub<f64> for $name {
            type Output = $name;
            fn sub(self, db: f64) -> $name {
                $name(self.0 - db)
            }
        }

        impl std::ops::Sub<$name> for $name {
            type Output = f64;
            fn sub(self, other: $name) -> f64 {
                self.0 - other.0
            }
        }
    };
}

level!(
    /// RMS level re the RMS of a full-scale sine.
    Dbfs,
    "dBFS"
);
level!(
    /// True (oversampled) peak in dB re full scale.
    PeakDb,
    "dB re full scale"
);
level!(
    /// Sound pressure level re 20 µPa; its weighting and point are stated where it is shown.
    DbSpl,
    "dB SPL"
);

impl Dbfs {
    /// Level of an RMS value in units of full scale (full-scale sine: 1/√2); `None` for silence.
    pub fn from_rms(rms: f64) -> Option<Dbfs> {
        db_from_amplitude(rms * std::f64::consts::SQRT_2).map(Dbfs)
    }

    /// RMS value in units of full scale.
    pub fn rms(self) -> f64 {
        amplitude_from_db(self.0) / std::f64::consts::SQRT_2
    }
}

impl PeakDb {
    /// Peak level of an amplitude in units of full scale; `None` for silence.
    pub fn from_amplitude(peak: f64) -> Option<PeakDb> {
        db_from_amplitude(peak).map(PeakDb)
    }

    /// Amplitude in units of full scale.
    pub fn amplitude(self) -> f64 {
        amplitude_from_db(self.0)
    }
}

impl DbSpl {
    /// Sound pressure level of an RMS pressure in pascal; `None` for silence.
    pub fn from_pa(pa: f64) -> Option<DbSpl> {
        db_from_amplitude(pa / REFERENCE_PRESSURE_PA).map(DbSpl)
    }

    /// RMS pressure in pascal.
    pub fn pa(self) -> f64 {
        REFERENCE_PRESSURE_PA * amplitude_from_db(self.0)
    }
}

/// Lowest and highest rate of a card, Hz.
pub const RATES_HZ: (f64, f64) = (8_000.0, 768_000.0);

/// Samples per second of one card, 8 000 to 768 000.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u32", into = "u32")]
pub struct SampleRate(u32);

/// A sample rate no sound card has.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("{0} Hz is not a sample rate of any sound card; give one between 8000 and 768000, for example 48000")]
pub struct BadSampleRate(pub u32);

impl SampleRate {
    /// The rate used where nothing else is asked for.
    pub const DEFAULT: SampleRate = SampleRate(48_000);

    /// Checks once, at the door.
    ///
    /// # Errors
    /// [`BadSampleRate`] outside 8 000 to 768 000 Hz.
    pub fn new(hz: u32) -> Result<SampleRate, BadSampleRate> {
        if (RATES_HZ.0..=RATES_HZ.1).contains(&f64::from(hz)) { Ok(SampleRate(hz)) } else { Err(BadSampleRate(hz)) }
    }

    /// Hertz.
    pub fn hz(self) -> f64 {
        f64::from(self.0)
    }

    /// Hertz, whole.
    pub fn get(self) -> u32 {
        self.0
    }

    /// Frames in `seconds`, rounded up.
    pub fn frames_in(self, seconds: f64) -> usize {
        (seconds.max(0.0) * self.hz()).ceil() as usize
    }
}

impl TryFrom<u32> for SampleRate {
    type Error = BadSampleRate;
    fn try_from(hz: u32) -> Result<Self, BadSampleRate> {
        SampleRate::new(hz)
    }
}

impl From<SampleRate> for u32 {
    fn from(rate: SampleRate) -> u32 {
        rate.0
    }
}

impl fmt::Display for SampleRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} Hz", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// AES17 convention, value computed from the definition.
    #[test]
    fn full_scale_sine_reads_zero_dbfs_and_full_scale_square_reads_three() {
        assert!(Dbfs::from_rms(1.0 / 2f64.sqrt()).unwrap().db().abs() < 1e-12);
        assert!((Dbfs::from_rms(1.0).unwrap().db() - 3.010_299_956_639_812).abs() < 1e-12);
    }

    /// ISO 1683 reference; 94 dB is 1.002374 Pa and 1 Pa is 93.979400 dB (computed from the definition).
    #[test]
    fn ninety_four_decibels_are_not_quite_one_pascal() {
        assert!((DbSpl(94.0).pa() - 1.002_374_467).abs() < 1e-8);
        assert!((DbSpl::from_pa(1.0).unwrap().db() - 93.979_400_087).abs() < 1e-8);
    }

    /// 0 dBu = −2.218487 dBV; 2 V, 0.15 V, 0.075 V and 4 V computed from the definitions.
    #[test]
    fn volts_in_decibels() {
        let near = |x: Option<f64>, y: f64| assert!((x.unwrap() - y).abs() < 5e-5, "{x:?} for {y}");
        near(dbv(0.774_596_669), -2.218_487);
        near(dbu(1.0), 2.218_487);
        for (volts, in_dbv, in_dbu) in [(2.0, 6.0206, 8.2391), (0.15, -16.4782, -14.2597), (4.0, 12.0412, 14.2597)] {
            near(dbv(volts), in_dbv);
            near(dbu(volts), in_dbu);
        }
        near(dbv(0.075), -22.4988);
        assert_eq!(dbv(0.0), None);
    }

    #[test]
    fn silence_has_no_level_and_zero_never_prints_as_minus_zero() {
        assert_eq!(Dbfs::from_rms(0.0), None);
        assert_eq!(DbSpl(-0.04).to_string(), "0.0 dB SPL");
        assert_eq!(Dbfs(-12.36).to_string(), "−12.4 dBFS");
    }
}
