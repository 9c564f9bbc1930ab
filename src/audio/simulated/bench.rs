//! Everything that can be set about the simulated desk, as data.
//!
//! ```text
//! played ─► route ─► output ─► hook-up ─► headphone ─► coupler ─► microphone ─► route ─► captured: left ear, right ear
//!    │          (limit, 1 of two clocks)                          (the other clock)
//!    │                      └── dividers ──────────────────────────────► witness, source side
//!    └─────────────────────────────────────────────────────────────────► loopback
//! ```
//!
//! Volts are peak volts unless the name says `rms`; sound levels are re 20 µPa. Every value is invented.

mod inputs;

pub use inputs::{Disturbance, Hum, LinesInSpec, MicrophoneSpec, NoiseSpectrum};

use super::filters::{Cascade, Shape};
use super::route::RouteSpec;
use crate::units::{SampleRate, amplitude_from_db};
use serde::{Deserialize, Serialize};

/// The whole desk. The default is an ordinary, quiet one: an output that clips 6 dB under full scale, a closed
/// headphone with a little low-frequency distortion, two cards with two clocks, no hum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BenchSpec {
    /// Output and headphone in words, stored with every session.
    pub name: String,
    /// Seed of every noise on the desk.
    pub seed: u64,
    /// How much faster than nominal the playback card runs, parts per million.
    pub playback_clock_ppm: f64,
    /// The same of the capture card.
    pub capture_clock_ppm: f64,
    /// How much the capture clock's interval grows against the playback clock's per second of bench time, ppm/s.
    pub clock_drift_ppm_per_s: f64,
    /// From a played frame to the captured frame that holds it, seconds of true time. Raised to the converters' own
    /// look-ahead where it is shorter (4 ms at 48 kHz, 15 ms at 44.1 kHz): see `Device::latency_s`.
    pub latency_s: f64,
    /// What happens to the sound on the path, although nobody asked for it.
    pub route: RouteSpec,
    /// The output under test.
    pub output: OutputSpec,
    /// The headphone on the coupler.
    pub headphone: HeadphoneSpec,
    /// The coupler and what sounds in it.
    pub coupler: CouplerSpec,
    /// Microphones and the capture card behind them.
    pub microphone: MicrophoneSpec,
    /// Electrical inputs of the capture card.
    pub lines_in: LinesInSpec,
    /// What the second, third … seat of the headphone changes; drawn from the seed where absent.
    pub seats: Vec<SeatSpec>,
    /// What is plugged into the output.
    #[serde(default)]
    pub hookup: HookupSpec,
}

impl Default for BenchSpec {
    fn default() -> BenchSpec {
        BenchSpec {
            name: "an output with a headphone of no name".into(),
            seed: 1,
            playback_clock_ppm: 4.1,
            capture_clock_ppm: -8.2,
            clock_drift_ppm_per_s: 0.0,
            latency_s: 0.02,
            route: RouteSpec::default(),
            output: OutputSpec::default(),
            headphone: HeadphoneSpec::default(),
            coupler: CouplerSpec::default(),
            microphone: MicrophoneSpec::default(),
            lines_in: LinesInSpec::default(),
            seats: Vec::new(),
            hookup: HookupSpec::default(),
        }
    }
}

/// What is plugged into the output, on both channels, and what lies between. The ears hear nothing but a headphone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct HookupSpec {
    /// What is plugged in.
    pub load: PluggedIn,
    /// True value of the series resistor between the source side and the witness; 0: none, both see the same.
    pub series_ohm: f64,
    /// Cable and contacts between the witness and the plug of the load.
    pub cable_ohm: f64,
}

/// What is plugged in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PluggedIn {
    /// The headphone.
    #[default]
    Headphone,
    /// Nothing.
    Nothing,
    /// A resistor.
    Resistor {
        /// Its true value.
        ohm: f64,
    },
}

/// An output: gain, limits, source impedance, noise.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct OutputSpec {
    /// Open-circuit volts (peak) at digital full scale, were there no limit.
    pub volts_per_fs: f64,
    /// Resistance of the source.
    pub source_ohm: f64,
    /// Coupling capacitor in series with it, farad, if any.
    pub coupling_f: Option<f64>,
    /// Highest open-circuit voltage, if any.
    pub positive_limit_v: Option<f64>,
    /// Magnitude of the lowest open-circuit voltage, if any.
    pub negative_limit_v: Option<f64>,
    /// Highest current into the load, either polarity. Into pure resistances it is a limit of the open-circuit voltage
    /// with the same knee; with anything else in the circuit it acts hard, on the samples.
    pub current_limit_a: Option<f64>,
    /// How abruptly the limit sets in.
    pub knee: Knee,
    /// On what the limit acts.
    pub acts_on: ActsOn,
    /// White noise at the output, open circuit, RMS over half the playback rate.
    pub noise_v_rms: f64,
    /// How somebody turns its volume control, in time; before the first the gain is 0 dB.
    pub turns: Vec<Turn>,
    /// A bend of its own, before the limit.
    pub bend: Option<Bend>,
}

/// A turn of a volume control: it takes effect at once.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Turn {
    /// When, seconds of playback since the cards were opened.
    pub at_s: f64,
    /// Gain from there on.
    pub gain_db: f64,
}

/// `y = x + a2·lp(x)² + a3·lp(x)³`, `lp` a second-order Butterworth low-pass: as [`DriverDistortion`], in the unit of
/// whatever bends.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bend {
    /// Second harmonic of a sine of the stated size, dB re fundamental; `None`: none.
    pub even_db: Option<f64>,
    /// Third harmonic.
    pub odd_db: Option<f64>,
    /// The stated size, RMS: volts of an open output, or units of digital full scale (peak) of an input.
    pub at_rms: f64,
    /// Corner of the low-pass.
    pub below_hz: f64,
}

impl Bend {
    pub(super) fn distortion(&self) -> DriverDistortion {
        let Bend { even_db, odd_db, at_rms, below_hz } = *self;
        DriverDistortion { even_db, odd_db, at_v_rms: at_rms, below_hz }
    }
}

impl Default for OutputSpec {
    fn default() -> OutputSpec {
        OutputSpec {
            volts_per_fs: 2.0,
            source_ohm: 68.0,
            coupling_f: None,
            positive_limit_v: Some(1.0),
            negative_limit_v: Some(1.0),
            current_limit_a: None,
            knee: Knee::Hard,
            acts_on: ActsOn::Waveform,
            noise_v_rms: 5e-6,
            turns: Vec::new(),
            bend: None,
        }
    }
}

/// How a limit sets in.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Knee {
    /// Straight up to the limit, flat from there.
    Hard,
    /// Straight up to `(1 − width)` of the limit, from there towards it as a hyperbolic tangent of equal slope.
    Soft {
        /// Share of the limit taken by the bend, 0 to 1.
        width: f64,
    },
}

/// On what a limit acts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ActsOn {
    /// On the played samples (a limiter in the digital domain).
    Samples,
    /// On the waveform between them (an amplifier); computed on at least four points per sample.
    Waveform,
}

/// A headphone: load, sensitivity, response, distortion at low frequencies.
///
/// `Z(f) = load_ohm + j2πf·inductance_h + Σ peak_ohm / (1 + jq(f/f0 − f0/f))` (one mechanical resonance each).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct HeadphoneSpec {
    /// Resistance of the coil.
    pub load_ohm: f64,
    /// Inductance of the coil, henry.
    pub inductance_h: f64,
    /// What mechanical resonances add to the impedance.
    pub resonances: Vec<Resonance>,
    /// Pascal at the microphone per volt across the headphone at 1 kHz, coupler included, left side.
    pub sensitivity_pa_per_v: f64,
    /// Response, its value at 1 kHz taken out; bilinear at the playback rate.
    pub response: Vec<Shape>,
    /// Distortion of the driver.
    pub distortion: DriverDistortion,
    /// How much louder the right side is, dB.
    pub right_louder_db: f64,
    /// What comes through it from outside; bilinear at the capture rate, not normalised.
    pub isolation: Vec<Shape>,
}

impl Default for HeadphoneSpec {
    fn default() -> HeadphoneSpec {
        HeadphoneSpec {
            load_ohm: 80.0,
            inductance_h: 0.0,
            resonances: Vec::new(),
            sensitivity_pa_per_v: 7.5,
            response: vec![
                Shape::HighPass { corner_hz: 18.0, q: 0.7 },
                Shape::Peak { frequency_hz: 110.0, q: 0.8, gain_db: 2.5 },
                Shape::Peak { frequency_hz: 5_600.0, q: 3.0, gain_db: -4.0 },
                Shape::LowPass { corner_hz: 17_000.0, q: 0.8 },
            ],
            distortion: DriverDistortion::default(),
            right_louder_db: 0.4,
            isolation: vec![Shape::Peak { frequency_hz: 2_000.0, q: 0.35, gain_db: -24.0 }],
        }
    }
}

/// A mechanical resonance as the impedance shows it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Resonance {
    /// Where.
    pub frequency_hz: f64,
    /// Quality factor.
    pub q: f64,
    /// What it adds at its frequency.
    pub peak_ohm: f64,
}

/// `y = x + a2·lp(x)² + a3·lp(x)³` of the volts across the headphone, `lp` a second-order Butterworth low-pass.
///
/// A sine of `at_v_rms` far below `below_hz` then has harmonics of the stated ratio to its fundamental:
/// `a2 = 2·h2/A`, `a3 = 4·h3/A²` with `A = √2·at_v_rms` (the compression of the fundamental by a3 not counted).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DriverDistortion {
    /// Second harmonic at the stated drive, dB re fundamental; `None`: no even-order distortion.
    pub even_db: Option<f64>,
    /// Third harmonic at the stated drive; `None`: no odd-order distortion.
    pub odd_db: Option<f64>,
    /// The stated drive, volts RMS across the headphone.
    pub at_v_rms: f64,
    /// Corner of the low-pass.
    pub below_hz: f64,
}

impl Default for DriverDistortion {
    fn default() -> DriverDistortion {
        DriverDistortion { even_db: Some(-44.0), odd_db: Some(-50.0), at_v_rms: 1.0, below_hz: 200.0 }
    }
}

impl DriverDistortion {
    /// None at all.
    pub fn none() -> DriverDistortion {
        DriverDistortion { even_db: None, odd_db: None, ..DriverDistortion::default() }
    }

    /// `a2` (1/V) and `a3` (1/V²).
    pub fn coefficients(&self) -> (f64, f64) {
        let peak_v = std::f64::consts::SQRT_2 * self.at_v_rms;
        let a2 = self.even_db.map_or(0.0, |db| 2.0 * amplitude_from_db(db) / peak_v);
        let a3 = self.odd_db.map_or(0.0, |db| 4.0 * amplitude_from_db(db) / (peak_v * peak_v));
        (a2, a3)
    }
}

/// How a seat of the headphone differs from the first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SeatSpec {
    /// All of it louder, dB.
    pub louder_db: f64,
    /// Gain of a peak at 8 kHz (Q 2), dB.
    pub treble_db: f64,
    /// Corner of a leak, a first-order high-pass; `None`: tight.
    pub leak_hz: Option<f64>,
}

/// The coupler.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CouplerSpec {
    /// Its gain (an ear's resonance near 3 kHz), the value at 1 kHz taken out; bilinear at the playback rate.
    pub response: Vec<Shape>,
    /// What sounds in it.
    pub source: SoundSource,
}

impl Default for CouplerSpec {
    fn default() -> CouplerSpec {
        CouplerSpec {
            response: vec![Shape::Peak { frequency_hz: 2_900.0, q: 1.4, gain_db: 10.0 }],
            source: SoundSource::Headphone,
        }
    }
}

/// What sounds in the coupler.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SoundSource {
    /// The headphone.
    Headphone,
    /// A sound calibrator on both microphones, for as long as the bench stands.
    SoundCalibrator {
        /// Its level at the microphone.
        level_db_spl: f64,
        /// Its frequency.
        frequency_hz: f64,
    },
    /// Pink noise from outside; what the headphone keeps out of it where it is on.
    Outside {
        /// Its level at the open ear, 20 Hz to 20 kHz.
        level_db_spl: f64,
        /// The headphone is on.
        covered: bool,
    },
}

impl BenchSpec {
    /// True where nothing between the open-circuit voltage and the lines in has a memory.
    pub(super) fn is_resistive(&self) -> bool {
        let headphone = &self.headphone;
        let coil = headphone.inductance_h <= 0.0 && headphone.resonances.is_empty();
        self.output.coupling_f.is_none() && (coil || self.hookup.load != PluggedIn::Headphone)
    }

    /// Resistance of the load, cable included; `None`: nothing is plugged in.
    pub(super) fn load_resistance(&self) -> Option<f64> {
        match self.hookup.load {
            PluggedIn::Headphone => Some(self.headphone.load_ohm + self.hookup.cable_ohm),
            PluggedIn::Resistor { ohm } => Some(ohm + self.hookup.cable_ohm),
            PluggedIn::Nothing => None,
        }
    }

    /// The same bench with the headphone taken off and put on again `seat − 1` times.
    pub fn seated(mut self, seat: u32) -> BenchSpec {
        let Some(again) = seat.checked_sub(2) else { return self };
        let change = self.seats.get(again as usize).copied().unwrap_or_else(|| SeatSpec::drawn(self.seed, seat));
        let headphone = &mut self.headphone;
        headphone.sensitivity_pa_per_v *= amplitude_from_db(change.louder_db);
        headphone.response.push(Shape::Peak { frequency_hz: 8_000.0, q: 2.0, gain_db: change.treble_db });
        headphone.response.extend(change.leak_hz.map(|corner_hz| Shape::FirstOrderHighPass { corner_hz }));
        self
    }

    /// The same bench without any noise, hum, disturbance, clock difference or quantisation.
    pub fn ideal(mut self) -> BenchSpec {
        self.playback_clock_ppm = 0.0;
        self.capture_clock_ppm = 0.0;
        self.clock_drift_ppm_per_s = 0.0;
        self.output.noise_v_rms = 0.0;
        self.microphone.noise_db_spl = None;
        self.microphone.hum.clear();
        self.microphone.disturbances.clear();
        self.microphone.bits = None;
        self.lines_in.noise_dbfs = None;
        self
    }

    /// The same bench with a sound calibrator of this level on the microphones, 1 kHz.
    pub fn with_calibrator(mut self, level_db_spl: f64) -> BenchSpec {
        self.coupler.source = SoundSource::SoundCalibrator { level_db_spl, frequency_hz: 1_000.0 };
        self
    }

    /// Headphone and coupler in one cascade at this rate, with 0 dB at 1 kHz.
    pub(super) fn acoustic_response(&self, rate: SampleRate) -> Cascade {
        Cascade::new(self.headphone.response.iter().chain(&self.coupler.response), rate.hz()).unity_at(1_000.0)
    }
}
