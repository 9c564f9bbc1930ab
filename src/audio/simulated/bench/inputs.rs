//! What the desk is heard with: the microphones with their room, and the electrical inputs.

use super::{Bend, Shape};
use serde::{Deserialize, Serialize};

/// Microphone and its capture card.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MicrophoneSpec {
    /// The sound level that reads 0 dBFS (a sine at full scale): the true calibration offset.
    pub full_scale_db_spl: f64,
    /// Response re 1 kHz, alternating-current coupling included; bilinear at the capture rate, **not** normalised.
    pub response: Vec<Shape>,
    /// Own noise and that of the room, RMS within 20 Hz to 20 kHz; `None`: silent.
    pub noise_db_spl: Option<f64>,
    /// Its spectrum.
    pub noise_spectrum: NoiseSpectrum,
    /// Sines that are always there.
    pub hum: Vec<Hum>,
    /// Things that happen once.
    pub disturbances: Vec<Disturbance>,
    /// Bits of the converter (dithered, TPDF); `None`: floating point without quantisation.
    pub bits: Option<u32>,
    /// A bend of the input in front of the converter.
    pub bend: Option<Bend>,
}

impl Default for MicrophoneSpec {
    fn default() -> MicrophoneSpec {
        MicrophoneSpec {
            full_scale_db_spl: 130.0,
            response: vec![Shape::FirstOrderHighPass { corner_hz: 1.5 }],
            noise_db_spl: Some(32.0),
            noise_spectrum: NoiseSpectrum::Pink,
            hum: Vec::new(),
            disturbances: Vec::new(),
            bits: Some(24),
            bend: None,
        }
    }
}

/// Spectrum of a noise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoiseSpectrum {
    /// Equal power per hertz.
    White,
    /// Power falling as 1/f within ±0.5 dB from 10 Hz to 20 kHz.
    Pink,
}

/// A steady sine in the air at both microphones.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hum {
    /// Frequency in true hertz.
    pub frequency_hz: f64,
    /// Level.
    pub level_db_spl: f64,
}

/// A slammed door: a burst of noise under 200 Hz that dies away.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Disturbance {
    /// When it begins, seconds of bench time (true time since the bench was made).
    pub start_s: f64,
    /// RMS level at its onset.
    pub level_db_spl: f64,
    /// Time in which the sound falls to 1/e.
    pub decay_s: f64,
}

/// Electrical inputs of the capture card.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LinesInSpec {
    /// Volts (peak) across the left headphone that stand at digital full scale of the witness.
    pub witness_full_scale_v: f64,
    /// The same before the series resistor, of the source side: a little different, as two inputs are.
    pub source_side_full_scale_v: f64,
    /// Corner of the source side's own alternating-current coupling; `None`: direct, as the other lines are.
    pub source_side_corner_hz: Option<f64>,
    /// Resistance of either input, in parallel with what it sees; `None`: infinite.
    pub input_ohm: Option<f64>,
    /// Gain of the loopback, dB (0: played full scale is captured full scale).
    pub loopback_gain_db: f64,
    /// White noise of either line, RMS over half the capture rate, dBFS; `None`: silent.
    pub noise_dbfs: Option<f64>,
}

impl Default for LinesInSpec {
    fn default() -> LinesInSpec {
        LinesInSpec {
            witness_full_scale_v: 20.0,
            source_side_full_scale_v: 19.7,
            source_side_corner_hz: None,
            input_ohm: None,
            loopback_gain_db: 0.0,
            noise_dbfs: Some(-112.0),
        }
    }
}
