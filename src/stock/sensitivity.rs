//! A headphone's sensitivity from one statement to another: dB SPL per milliwatt, dB SPL per volt, the voltage for a level.
//!
//! `S_V = S_mW + 10 lg(1000/Z)`: one volt across `Z` ohm is `1000/Z` milliwatts. IEC 60268-7 states both at 500 Hz; makers
//! often state them at 1 kHz.

use crate::units::amplitude_from_db;
use serde::{Deserialize, Serialize};

/// Level of the characteristic voltage, dB SPL (IEC 60268-7).
pub const CHARACTERISTIC_DB_SPL: f64 = 94.0;
/// Half width of a maker's sensitivity where none is stated, dB (common practice, no source).
pub const MAKERS_HALF_WIDTH_DB: f64 = 3.0;
/// What pink noise through an unknown response may differ from one frequency's sensitivity, dB (common practice, no source).
pub const UNKNOWN_RESPONSE_DB: f64 = 4.0;

/// What a sensitivity is stated for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Per {
    /// One milliwatt in the headphone.
    #[serde(rename = "mW")]
    Milliwatt,
    /// One volt RMS across it.
    #[serde(rename = "V")]
    Volt,
}

impl Per {
    /// `dB/mW`, `dB/V`.
    pub fn unit(self) -> &'static str {
        match self {
            Per::Milliwatt => "dB/mW",
            Per::Volt => "dB/V",
        }
    }
}

/// dB to add to a sensitivity in dB/mW for that in dB/V, at an impedance of `ohm`.
pub fn per_volt_less_per_milliwatt_db(ohm: f64) -> f64 {
    10.0 * (1000.0 / ohm).log10()
}

/// Volts RMS for a level, at a sensitivity in dB/V.
pub fn volts_for(level_db_spl: f64, per_volt_db: f64) -> f64 {
    amplitude_from_db(level_db_spl - per_volt_db)
}

/// Milliwatts that `volts` RMS make in `ohm`.
pub fn milliwatts(volts: f64, ohm: f64) -> f64 {
    1000.0 * volts * volts / ohm
}
