//! The calibration offset: dB SPL that 0 dBFS at an input stands for.
//!
//! A sound calibrator of known level gives a reading in dBFS; offset = level − reading (94.0 dB read as −26.0 dBFS
//! gives 120.0 dB). Several fits of the calibrator give a mean, and their spread enters the interval (Student t, GUM
//! G.3). Where no calibrator fits, the microphone's sensitivity and the input's volts give it, less surely:
//! 0 dBFS is V volts RMS, a pascal S volts, so that offset = 20 lg(V / (S · 20 µPa)). IEC 60942 is the calibrators' standard; its class limits are from memory, so the half width is
//! stated by the user, by default that of a class 1 calibrator in the 2003 edition, ±0.4 dB, uncertainty included.

use crate::analysis::Tone;
use crate::stats::{Estimate, mean_of};
use crate::units::{DbSpl, Dbfs, REFERENCE_PRESSURE_PA};
use serde::{Deserialize, Serialize};

/// A tone further than this from the stated frequency cannot be the calibrator's (class 2 allows 2 %, from memory).
const FREQUENCY_TOLERANCE: f64 = 0.02;
/// Calibrators distort by up to 4 % (class 2, from memory); more is clipping or none.
const LARGEST_DISTORTION_DB: f64 = -27.0;
/// A second tone this strong moves the level by up to 0.03 dB where it beats with the calibrator's, and comes from none.
const LARGEST_SECOND_DB: f64 = -40.0;
/// A calibrator's tone must stand this far over the noise, or the reading is not its level.
const LEAST_OVER_NOISE_DB: f64 = 20.0;
/// Largest deviation between segments of half a second, dB, from which a level counts as wandering.
const LARGEST_WOBBLE_DB: f64 = 0.1;
/// Half width of a class 1 calibrator's level, dB (IEC 60942:2003, uncertainty included, from memory).
pub const CLASS_1_HALF_WIDTH_DB: f64 = 0.4;

/// Half width where an offset comes from a sensitivity, dB: certificate (±0.5 dB), input volts (±0.3 dB) and what the
/// coupler makes of the microphone (±1.3 dB); common practice, no source.
pub const SENSITIVITY_HALF_WIDTH_DB: f64 = 1.5;

/// Lowest and highest offset, dB SPL of 0 dBFS.
pub const OFFSET_DB: (f64, f64) = (-60.0, 240.0);
/// The same of half its interval, dB.
pub const OFFSET_HALF_WIDTH_DB: (f64, f64) = (0.0, 20.0);
/// The same of a microphone's sensitivity, mV/Pa.
pub const MV_PER_PA: (f64, f64) = (1e-3, 1e4);
/// The same of the volts RMS of a full-scale sine at a microphone's input.
pub const MICROPHONE_INPUT_VOLTS: (f64, f64) = (1e-4, 1e3);

/// What the sound calibrator is stated to give.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Calibrator {
    /// Its level, dB SPL, with its interval.
    pub level: Estimate,
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// What is added to its level for the conditions at hand, dB: static pressure where a pistonphone needs it, the
    /// volume of an adapter or coupler.
    #[serde(default)]
    pub correction_db: f64,
}

impl Calibrator {
    /// A calibrator of `level_db` at 1 kHz, class 1.
    pub fn at_1_khz(level_db: f64) -> Calibrator {
        Calibrator {
            level: Estimate::symmetric(level_db, CLASS_1_HALF_WIDTH_DB),
            frequency_hz: 1000.0,
            correction_db: 0.0,
        }
    }
}

/// Where an offset came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "from", rename_all = "kebab-case")]
pub enum OffsetSource {
    /// Read from a sound calibrator.
    Calibrator {
        /// The calibrator as stated.
        calibrator: Calibrator,
        /// Reading of its tone.
        reading: Dbfs,
        /// Frequency found, Hz.
        found_hz: f64,
        /// Offsets of all fits that the mean was taken over, dB; empty for a single one.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        fits_db: Vec<f64>,
    },
    /// From the microphone's sensitivity and the input's volts.
    Sensitivity {
        /// Of the microphone, mV/Pa.
        mv_per_pa: f64,
        /// Volts RMS of a full-scale sine at the input.
        input_volts: f64,
    },
    /// Typed by the user, who also stated the interval.
    Typed,
}

/// Calibration offset of one input.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Acoustic {
    /// dB SPL that 0 dBFS stands for.
    pub offset: Estimate,
    /// Where it came from.
    pub source: OffsetSource,
    /// When it was taken (RFC 3339).
    pub taken_at: String,
}

/// Why a tone cannot be the calibrator's.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CalibrationRefused {
    /// No tone.
    #[error("no steady tone is above the noise; is the calibrator switched on and fitted to this input's microphone?")]
    NoTone,
    /// Wrong frequency.
    #[error(
        "the tone found is at {found_hz:.1} Hz, the calibrator should give {stated_hz:.0} Hz; check which calibrator is fitted"
    )]
    WrongFrequency {
        /// Found.
        found_hz: f64,
        /// Stated.
        stated_hz: f64,
    },
    /// Distorted or a second tone.
    #[error(
        "the tone carries {distortion_db:.1} dB of other components; the input clips, a second tone sounds or the seal leaks"
    )]
    Impure {
        /// Of everything else re the tone.
        distortion_db: f64,
    },
    /// A second tone.
    #[error(
        "a second tone sounds at {hz:.0} Hz, {level_db:.1} dB re the calibrator's; silence what makes it (another sound source, a whistle of the electronics)"
    )]
    SecondTone {
        /// Its frequency.
        hz: f64,
        /// Re the calibrator's tone.
        level_db: f64,
    },
    /// The level moves.
    #[error(
        "the level of the tone moves by {by_db:.2} dB, a calibrator's stays within 0.05 dB for 5 s; hold it still, wait after switching on, check its battery and the seal"
    )]
    Unsteady {
        /// Largest less smallest, dB.
        by_db: f64,
    },
    /// Clipped.
    #[error("the input is overloaded by the calibrator; lower its gain and note the new setting")]
    Overloaded,
    /// Not a number or far from any real chain.
    #[error("an offset of {0} dB is outside −60 to 240 dB; type the dB SPL that 0 dBFS stands for, for example 120")]
    NotAnOffset(f64),
    /// Not a sensitivity.
    #[error(
        "{mv_per_pa} mV/Pa with {input_volts} V at full scale is not plausible for a microphone; type the certificate's sensitivity (for example 12.5) and the RMS volts of a full-scale sine at the input"
    )]
    NotASensitivity {
        /// As typed.
        mv_per_pa: f64,
        /// As typed.
        input_volts: f64,
    },
    /// Two calibrations that are no repetition of each other.
    #[error("a further fitting must be of the same calibrator as the one before ({before}); start a new calibration")]
    AnotherCalibrator {
        /// What there is.
        before: String,
    },
}

impl CalibrationRefused {
    /// True where the cause is the same, whatever its size.
    pub(super) fn is_like(&self, other: &CalibrationRefused) -> bool {
        std::mem::discriminant(self) == std::mem::discriminant(other)
    }
}

impl Acoustic {
    /// From steady readings of the calibrator's tone.
    ///
    /// # Errors
    /// [`CalibrationRefused`] where one of them cannot be the calibrator's, or there is none.
    pub fn from_tones(calibrator: Calibrator, tones: &[Tone], taken_at: &str) -> Result<Acoustic, CalibrationRefused> {
        let mut levels = Vec::new();
        for tone in tones {
            levels.push(check(&calibrator, tone)?);
        }
        let Some(last) = tones.last() else { return Err(CalibrationRefused::NoTone) };
        let values: Vec<f64> = levels.iter().map(|l| l.value).collect();
        // What a single reading leaves open, all share; what moves between them averages out.
        let shared = levels.iter().map(Estimate::half_width).fold(0.0, f64::max);
        let reading = mean_of(&values).map_or(levels[0], |mean| mean.plus(&Estimate::symmetric(0.0, shared)));
        let negative = Estimate::symmetric(-reading.value, reading.half_width());
        Ok(Acoustic {
            offset: calibrator.level.plus(&negative).shifted(calibrator.correction_db),
            source: OffsetSource::Calibrator {
                calibrator,
                reading: Dbfs(reading.value),
                found_hz: last.frequency_hz,
                fits_db: Vec::new(),
            },
            taken_at: taken_at.into(),
        })
    }

    /// This fit and a further one of the same calibrator: the mean of all, with their spread in its interval.
    ///
    /// # Errors
    /// [`CalibrationRefused::AnotherCalibrator`].
    pub fn with_fit(&self, further: &Acoustic) -> Result<Acoustic, CalibrationRefused> {
        let (
            OffsetSource::Calibrator { calibrator, fits_db, .. },
            OffsetSource::Calibrator { calibrator: same, reading, found_hz, .. },
        ) = (&self.source, &further.source)
        else {
            return Err(CalibrationRefused::AnotherCalibrator { before: self.source.to_string() });
        };
        if calibrator != same {
            return Err(CalibrationRefused::AnotherCalibrator { before: self.source.to_string() });
        }
        let mut fits_db = fits_db.clone();
        if fits_db.is_empty() {
            fits_db.push(self.offset.value);
        }
        fits_db.push(further.offset.value);
        let mean = mean_of(&fits_db).unwrap_or(further.offset);
        Ok(Acoustic {
            offset: mean.plus(&Estimate::symmetric(0.0, further.offset.half_width())),
            source: OffsetSource::Calibrator {
                calibrator: *calibrator,
                reading: *reading,
                found_hz: *found_hz,
                fits_db,
            },
            taken_at: further.taken_at.clone(),
        })
    }

    /// From the microphone's sensitivity (mV/Pa, certificate) and the RMS volts of a full-scale sine at the input;
    /// `half_width_db` covers both and what the coupler adds.
    ///
    /// # Errors
    /// [`CalibrationRefused::NotASensitivity`], [`CalibrationRefused::NotAnOffset`].
    pub fn from_sensitivity(
        mv_per_pa: f64,
        input_volts: f64,
        half_width_db: f64,
        taken_at: &str,
    ) -> Result<Acoustic, CalibrationRefused> {
        if !lies(mv_per_pa, MV_PER_PA) || !lies(input_volts, MICROPHONE_INPUT_VOLTS) {
            return Err(CalibrationRefused::NotASensitivity { mv_per_pa, input_volts });
        }
        let offset_db = 20.0 * (input_volts / (mv_per_pa * 1e-3 * REFERENCE_PRESSURE_PA)).log10();
        let typed = Acoustic::typed(offset_db, half_width_db, taken_at)?;
        Ok(Acoustic { source: OffsetSource::Sensitivity { mv_per_pa, input_volts }, ..typed })
    }

    /// Typed by the user.
    ///
    /// # Errors
    /// [`CalibrationRefused::NotAnOffset`] for a value no chain has.
    pub fn typed(offset_db: f64, half_width_db: f64, taken_at: &str) -> Result<Acoustic, CalibrationRefused> {
        if !lies(offset_db, OFFSET_DB) {
            return Err(CalibrationRefused::NotAnOffset(offset_db));
        }
        if !lies(half_width_db, OFFSET_HALF_WIDTH_DB) {
            return Err(CalibrationRefused::NotAnOffset(half_width_db));
        }
        let offset = Estimate::symmetric(offset_db, half_width_db);
        Ok(Acoustic { offset, source: OffsetSource::Typed, taken_at: taken_at.into() })
    }

    /// True where a sound calibrator gave it.
    pub fn is_from_calibrator(&self) -> bool {
        matches!(self.source, OffsetSource::Calibrator { .. })
    }

    /// A captured level as sound pressure level. The offset's interval is left to the budget (`evaluate.rs`): levels of
    /// one session share it.
    pub fn spl(&self, level: Dbfs) -> DbSpl {
        DbSpl(level.db() + self.offset.value)
    }

    /// A captured level that stands for this sound pressure level.
    pub fn dbfs(&self, level: DbSpl) -> Dbfs {
        Dbfs(level.db() - self.offset.value)
    }
}

fn lies(value: f64, (low, high): (f64, f64)) -> bool {
    (low..=high).contains(&value)
}

/// The level of a tone that can be this calibrator's.
pub(super) fn check(calibrator: &Calibrator, tone: &Tone) -> Result<Estimate, CalibrationRefused> {
    let Some(level) = tone.level else { return Err(CalibrationRefused::NoTone) };
    if tone.overloaded {
        return Err(CalibrationRefused::Overloaded);
    }
    if let Some(second) = tone.second.filter(|s| s.level_db > LARGEST_SECOND_DB) {
        return Err(CalibrationRefused::SecondTone { hz: second.frequency_hz, level_db: second.level_db });
    }
    if tone.over_noise_db < LEAST_OVER_NOISE_DB {
        return Err(CalibrationRefused::NoTone);
    }
    if (tone.frequency_hz / calibrator.frequency_hz - 1.0).abs() > FREQUENCY_TOLERANCE {
        let (found_hz, stated_hz) = (tone.frequency_hz, calibrator.frequency_hz);
        return Err(CalibrationRefused::WrongFrequency { found_hz, stated_hz });
    }
    if tone.distortion_db > LARGEST_DISTORTION_DB {
        return Err(CalibrationRefused::Impure { distortion_db: tone.distortion_db });
    }
    if tone.instability_db > LARGEST_WOBBLE_DB {
        return Err(CalibrationRefused::Unsteady { by_db: tone.instability_db });
    }
    Ok(level)
}

impl std::fmt::Display for OffsetSource {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            OffsetSource::Calibrator { calibrator, fits_db, .. } => {
                write!(f, "sound calibrator {:.2} dB at {:.0} Hz", calibrator.level.value, calibrator.frequency_hz)?;
                if fits_db.is_empty() { Ok(()) } else { write!(f, ", {} fittings", fits_db.len()) }
            }
            OffsetSource::Sensitivity { mv_per_pa, input_volts } => {
                write!(f, "microphone {mv_per_pa} mV/Pa, {input_volts} V at full scale")
            }
            OffsetSource::Typed => f.write_str("typed"),
        }
    }
}
