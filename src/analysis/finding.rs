//! What one input of one take says, in full-scale terms. Plain data, stored with the step.

use super::band;
pub use super::flaw::{About, Flaw, Weight};
use crate::stats::{Estimate, Reading};
use crate::units::{Dbfs, PeakDb};
use serde::{Deserialize, Serialize};

/// The finding of one input of one take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "of", rename_all = "kebab-case")]
pub enum Finding {
    /// Of periodic pink noise.
    Pink(Box<PinkFinding>),
    /// Of a sine.
    Sine(Box<SineFinding>),
    /// Of noise with a user's spectrum: everything that pink noise shows.
    Shaped(Box<PinkFinding>),
    /// Of two tones.
    TwoTones(Box<IntermodulationFinding>),
    /// Of a sweep.
    Sweep(Box<SweepFinding>),
    /// Of bursts.
    Burst(Box<BurstFinding>),
    /// Of stationary noise.
    Noise(Box<NoiseFinding>),
    /// Of silence.
    Silence(Box<SilenceFinding>),
}

impl Finding {
    /// What every finding has.
    pub fn common(&self) -> &Common {
        match self {
            Finding::Pink(f) | Finding::Shaped(f) => &f.common,
            Finding::Sine(f) => &f.common,
            Finding::TwoTones(f) => &f.common,
            Finding::Sweep(f) => &f.common,
            Finding::Burst(f) => &f.common,
            Finding::Noise(f) => &f.common,
            Finding::Silence(f) => &f.common,
        }
    }
}

/// What every finding has.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Common {
    /// Where in the take the numbers come from.
    pub window: Window,
    /// Capture clock against playback clock.
    pub clock: ClockFit,
    /// Largest true peak inside the window.
    pub peak: Option<PeakDb>,
    /// Mains hum found.
    pub hum: Vec<HumLine>,
    /// The input's own full scale.
    pub overload: Overload,
    /// What is wrong or limited.
    pub flaws: Vec<Flaw>,
}

/// The analysed part of a take.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Window {
    /// First captured sample used (between samples: after the clock correction).
    pub start_frame: f64,
    /// Periods used.
    pub periods: usize,
    /// Periods left out because a disturbance touched them.
    pub left_out: usize,
    /// Route delay from the opening of the gain to its sound in the capture, seconds, where the stimulus shows it.
    pub delay_s: Option<f64>,
}

/// How far the capture clock runs from the playback clock.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClockFit {
    /// This take's own fit, ppm (positive: the capture card takes more samples per second); `None` where the
    /// stimulus is not above the noise.
    pub own_ppm: Option<Estimate>,
    /// Rate used to resample, ppm: own, or pooled over the takes before and this one (where it has a fit).
    pub used_ppm: f64,
    /// True where other takes are in `used_ppm`.
    pub pooled: bool,
    /// Drift inside the take, ppm per second, where it is seen (over 0.01 ppm and four times its own uncertainty).
    pub drift_ppm_per_s: Option<f64>,
}

/// One mains harmonic.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HumLine {
    /// Frequency fitted, Hz.
    pub frequency_hz: f64,
    /// Level before it was subtracted.
    pub level: Dbfs,
    /// True where it lies on a line of the stimulus' period and cannot be distinguished from it.
    pub on_line: bool,
}

impl HumLine {
    /// Mean square before it was subtracted, in full scales squared.
    pub fn mean_square(&self) -> f64 {
        self.level.rms().powi(2)
    }

    /// Of several together.
    pub fn mean_square_of<'a>(lines: impl IntoIterator<Item = &'a HumLine>) -> f64 {
        lines.into_iter().map(HumLine::mean_square).sum()
    }
}

/// Signs that the capture card's own full scale was reached.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Overload {
    /// Samples at or next to the extreme code, in runs of two or more.
    pub samples_at_limit: usize,
    /// Room left to full scale, dB; 0 when overloaded.
    pub room_db: f64,
}

/// Finding of periodic pink noise.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PinkFinding {
    /// What every finding has.
    pub common: Common,
    /// Level of the stimulus lines, Z.
    pub level_z: Option<Estimate>,
    /// The same, A.
    pub level_a: Option<Estimate>,
    /// The same, C.
    pub level_c: Option<Estimate>,
    /// Level 100 Hz to 10 kHz only, Z.
    pub level_mid: Option<Estimate>,
    /// Level with noise and distortion included, Z, dBFS.
    pub level_total: Option<f64>,
    /// One-third octaves.
    pub bands: Vec<BandFinding>,
    /// Captured over played (full scale over full scale), 1/48 octave or line spacing.
    pub response: Vec<ResponsePoint>,
    /// Gain captured over played, dB, on stimulus lines over the noise.
    pub gain_db: Option<Estimate>,
    /// Noise between lines, 20 Hz to 20 kHz, dBFS.
    pub noise: Option<f64>,
    /// Stimulus over noise, dB.
    pub over_noise_db: Option<f64>,
    /// Even-order distortion at the ear, dB re the stimulus lines.
    pub even: Reading,
    /// Odd-order distortion at the ear, dB re the stimulus lines (from the 63 Hz band up).
    pub odd: Reading,
    /// Both referred to the output; `None` without a reference.
    pub even_output: Option<Reading>,
    /// Odd-order, referred to the output.
    pub odd_output: Option<Reading>,
    /// Clipping; `None` without a reference, and where too little is above the noise to show any.
    pub clip: Option<ClipFinding>,
    /// The middle of the band, where a headphone's own distortion is small; `None` in sessions of earlier programs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub middle: Option<MiddleFinding>,
}

impl PinkFinding {
    /// The one-third octave of this number (0 is 1 kHz).
    pub fn band(&self, x: i32) -> Option<&BandFinding> {
        self.bands.iter().find(|band| band.x == x)
    }
}

/// What the stimulus lines from 450 Hz to 9 kHz say (one-third octaves 500 Hz to 8 kHz).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MiddleFinding {
    /// Their level, dBFS; below, where they are not above the noise.
    pub level: Reading,
    /// Even- and odd-order distortion there, dB re their level.
    pub even: Reading,
    /// Odd-order likewise.
    pub odd: Reading,
    /// Gain of the last period used less that of the first, dB; `None` where they are not above the noise.
    pub drift_db: Option<Estimate>,
    /// How far the stimulus falls across half of each usual rate that lies inside it.
    pub ends: Option<Vec<EndFinding>>,
}

/// What is left of the stimulus right above half of a usual rate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EndFinding {
    /// Half of the rate, Hz.
    pub end_hz: f64,
    /// Gain right above it less gain at 80 to 88 % of it, dB.
    pub fall_db: Reading,
}

/// One one-third octave.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BandFinding {
    /// Number of the band, 0 is 1 kHz (IEC 61260-1).
    pub x: i32,
    /// Level of the stimulus lines, dBFS.
    pub level: Option<Estimate>,
    /// Noise in the band, dBFS.
    pub noise: Option<f64>,
    /// Even-order distortion in the band, dB re the band's stimulus lines.
    pub even: Reading,
    /// Odd-order distortion.
    pub odd: Reading,
}

/// One point of a frequency response.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResponsePoint {
    /// Hz.
    pub frequency_hz: f64,
    /// Captured over played, dB.
    pub gain_db: f64,
    /// Half width of its 95 % interval, dB.
    pub half_width_db: f64,
    /// Phase, radian, route delay taken off.
    pub phase_rad: f64,
    /// Coherence of periods with each other (contains noise only, not distortion).
    pub coherence: f64,
}

/// What acts as the limit: the samples (a digital limiter) or the waveform between them (an amplifier).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ActsOn {
    /// On samples.
    Samples,
    /// On the waveform between samples.
    Waveform,
    /// They cannot be distinguished.
    #[serde(rename = "not-told")]
    NotDetermined,
}

impl ActsOn {
    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            ActsOn::Samples => "acts on samples",
            ActsOn::Waveform => "acts on the waveform between samples",
            ActsOn::NotDetermined => "on samples or on the waveform, not determined",
        }
    }
}

/// Clipping seen through the headphone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClipFinding {
    /// Drop of weighted squares over the remaining mean square when the clipping residual is projected out.
    pub evidence: f64,
    /// Threshold the evidence is held against, for this number of periods.
    pub threshold: f64,
    /// Fitted limit; present only where there is evidence and the fit shows it.
    pub level: Option<ClipLevel>,
    /// Why there is evidence but no level, in words.
    #[serde(rename = "level_not_told")]
    pub level_not_determined: Option<String>,
    /// The output's input–output curve as averaged over the played samples.
    pub curve: Vec<CurvePoint>,
}

impl ClipFinding {
    /// True where clipping is evident.
    pub fn is_evident(&self) -> bool {
        self.evidence > self.threshold
    }
}

/// Where the output limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClipLevel {
    /// Positive limit, peak in dB re full scale of the *played* samples.
    pub positive: Reading,
    /// Negative limit, its magnitude likewise.
    pub negative: Reading,
    /// On samples or on the waveform.
    pub acts_on: ActsOn,
    /// True for a soft limit: the levels are those of the equivalent hard limit.
    pub soft: bool,
    /// Share of the residual's power that the fit leaves.
    pub unexplained: f64,
}

/// One point of the clipping curve, both axes in units of the played full scale.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Played sample.
    pub played: f64,
    /// Mean of what came back, the quiet reference's response taken out.
    pub came_back: f64,
    /// Its standard deviation.
    pub spread: f64,
    /// Number of samples averaged.
    pub count: u32,
}

/// Finding of a sine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SineFinding {
    /// What every finding has.
    pub common: Common,
    /// Frequency played, Hz.
    pub frequency_hz: f64,
    /// Level of the fundamental, dBFS.
    pub level: Option<Estimate>,
    /// Gain captured over played at the fundamental, dB.
    pub gain_db: Option<Estimate>,
    /// Harmonics 2 to 10 where they lie below 20 kHz, dB re the fundamental at the ear.
    pub harmonics: Vec<HarmonicFinding>,
    /// THD (F form) at the ear, dB; highest harmonic counted beside it.
    pub thd: Reading,
    /// The same in R form: harmonics over fundamental and harmonics together.
    #[serde(default = "not_kept")]
    pub thd_r: Reading,
    /// THD referred to the output; `None` without a reference.
    pub thd_output: Option<Reading>,
    /// Highest harmonic counted.
    pub highest_harmonic: u32,
    /// THD+N (20 Hz to 20 kHz, R form) without mains hum and other steady tones, dB.
    pub thd_n: Reading,
    /// The same with them, as a notch meter reads it (AES17); `None` where there are none.
    #[serde(default)]
    pub thd_n_with_hum: Option<Reading>,
    /// Noise 20 Hz to 20 kHz, dBFS.
    pub noise: Option<f64>,
}

/// A figure that sessions of earlier programs do not hold.
fn not_kept() -> Reading {
    Reading::NotDetermined("it was not stored with this session; reanalyse it".into())
}

/// One harmonic.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HarmonicFinding {
    /// 2 for the second.
    pub order: u32,
    /// dB re the fundamental at the ear.
    pub level: Reading,
    /// Phase re the fundamental (φn − n·φ1), radian, where the level is given.
    pub phase_rad: Option<f64>,
}

/// Finding of two tones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct IntermodulationFinding {
    /// What every finding has.
    pub common: Common,
    /// Tones played, Hz, the lower one first.
    pub tones_hz: [f64; 2],
    /// Level of both together, dBFS.
    pub level: Option<Estimate>,
    /// Second-order distortion at the ear, dB.
    pub second: Reading,
    /// Third-order distortion at the ear, dB.
    pub third: Reading,
    /// Both referred to the output; `None` without a reference.
    pub second_output: Option<Reading>,
    /// Third-order, referred to the output.
    pub third_output: Option<Reading>,
    /// What second and third order are, in words: definitions differ by up to 6 dB.
    pub definition: String,
    /// Each product, dB re the tones as in the definition.
    pub products: Vec<ProductFinding>,
}

/// One intermodulation product.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProductFinding {
    /// 2 or 3.
    pub order: u32,
    /// Hz.
    pub frequency_hz: f64,
    /// dB re the reference of the definition, at the ear.
    pub level: Reading,
}

/// Finding of a sweep.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepFinding {
    /// What every finding has.
    pub common: Common,
    /// Mean level over whole periods, quiet tail included, dBFS.
    pub level: Option<Estimate>,
    /// Linear response, captured over played.
    pub response: Vec<ResponsePoint>,
    /// Harmonics 2 and up against the frequency that made them.
    pub harmonics: Vec<HarmonicCurve>,
    /// Impulse response, captured over played: first sample `impulse_from_s` before the arrival.
    pub impulse: Vec<f64>,
    /// Seconds from the first sample of `impulse` to the arrival.
    pub impulse_from_s: f64,
}

impl SweepFinding {
    /// Level of a harmonic where the sweep passes the middle of one-third octave `x` (0 is 1 kHz), dB re the fundamental.
    pub fn harmonic(&self, order: u32, x: i32) -> Option<&Reading> {
        let curve = self.harmonics.iter().find(|curve| curve.order == order)?;
        let off = |p: &HarmonicPoint| (p.frequency_hz / band::centre_hz(x)).ln().abs();
        let near = curve.points.iter().filter(|p| band::band_of(p.frequency_hz) == x);
        Some(&near.min_by(|a, b| off(a).total_cmp(&off(b)))?.level)
    }
}

/// One harmonic against the frequency that made it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HarmonicCurve {
    /// 2 for the second.
    pub order: u32,
    /// Rising in frequency.
    pub points: Vec<HarmonicPoint>,
}

/// One point of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HarmonicPoint {
    /// Exciting frequency, Hz.
    pub frequency_hz: f64,
    /// dB re the fundamental at that frequency, at the ear.
    pub level: Reading,
}

/// Finding of bursts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BurstFinding {
    /// What every finding has.
    pub common: Common,
    /// RMS level over whole periods, dBFS.
    pub level: Option<Estimate>,
    /// Level of the loud part as if it went on, dBFS.
    pub loud: Option<Estimate>,
    /// Level of the quiet part, dBFS.
    pub quiet: Option<Estimate>,
    /// Loud less quiet, as played, dB.
    pub played_step_db: f64,
    /// How much less than that came back, dB (positive: the loud part is compressed).
    pub compression_db: Option<Estimate>,
    /// Largest excursion of the averaged loud part, dB re full scale.
    pub peak: Option<PeakDb>,
}

/// Finding of stationary noise.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoiseFinding {
    /// What every finding has.
    pub common: Common,
    /// Level of everything captured, 17.8 Hz to 22.4 kHz, dBFS: interval with the scatter of noise.
    pub level: Option<Estimate>,
    /// The same of what follows the played noise (coherent), with its interval.
    pub coherent: Option<Estimate>,
    /// Response H1 by cross-spectra.
    pub response: Vec<ResponsePoint>,
    /// Half-overlapped segments that the averages are worth (1/1.0556 of their number).
    pub averages: f64,
}

/// Finding of silence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SilenceFinding {
    /// What every finding has.
    pub common: Common,
    /// Noise 20 Hz to 20 kHz, Z, dBFS; `None` for digital zero.
    pub noise_z: Option<Estimate>,
    /// The same, A.
    pub noise_a: Option<Estimate>,
    /// One-third octaves (`level` is the noise).
    pub bands: Vec<BandFinding>,
    /// Steady tones that are no mains hum and repeat with the period of the stimulus: they would read as distortion.
    #[serde(default)]
    pub tones: Vec<HumLine>,
}

impl SilenceFinding {
    /// Mains hum and the other steady tones.
    pub fn steady(&self) -> Vec<HumLine> {
        self.common.hum.iter().chain(&self.tones).copied().collect()
    }

    /// Noise and mains hum together, 20 Hz to 20 kHz, Z, dBFS; `None` for digital zero.
    pub fn everything_dbfs(&self) -> Option<f64> {
        let hum = HumLine::mean_square_of(&self.common.hum);
        let noise = self.noise_z.map_or(0.0, |noise| Dbfs(noise.value).rms().powi(2));
        Dbfs::from_rms((noise + hum).sqrt()).map(Dbfs::db)
    }
}
