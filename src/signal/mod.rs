//! Which sound is played? A stimulus is a value; its samples follow from it, bit for bit, for a given rate.
//!
//! Every stimulus is periodic: it is played as whole repetitions of one [`Period`] held at **unit true peak** (the
//! oversampled peak of the period stands exactly at full scale). How loud it is played is a [`Drive`], which exists
//! only behind the ceilings; the callback multiplies the period by the drive's gain and by nothing else.
//!
//! A new stimulus is one file here, its arms of [`Stimulus`] and a line of [`KINDS`].

pub mod burst;
mod drive;
mod envelope;
mod kaiser;
mod kinds;
mod lines;
mod moving;
mod noise;
mod pink;
mod shaped;
mod sine;
mod sweep;
mod synthesis;
mod two_tones;

pub use burst::Burst;
pub use drive::{Drive, DriveCeiling, DriveRefused};
pub use envelope::{FADE_S, raised_cosine};
pub use kaiser::kaiser;
pub use kinds::{KINDS, Kind};
pub use lines::{LineKind, Lines};
pub use moving::Moving;
pub use noise::Noise;
pub use pink::Pink;
pub use shaped::{BadTable, Per, Shaped, TableRow};
pub use sine::Sine;
pub use sweep::{Sweep, SweepShape};
pub use two_tones::TwoTones;

use crate::units::{Dbfs, SampleRate};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

/// What is played. Same value and rate: same samples.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Stimulus {
    /// Periodic pink noise with silent detection lines: the main one.
    Pink(Pink),
    /// One sine on an odd line of the analysis period.
    Sine(Sine),
    /// Two sines at once: intermodulation.
    TwoTones(TwoTones),
    /// Synchronised exponential sweep: response and harmonics against frequency.
    Sweep(Sweep),
    /// 1 kHz bursts: short-term peak capability.
    Burst(Burst),
    /// Gaussian pink noise that never repeats within a take.
    Noise(Noise),
    /// Periodic noise with a user's spectrum.
    Shaped(Shaped),
    /// Digital zero for as many periods: noise floor and hum.
    Silence {
        /// Use the doubled period of [`Pink::doubled`], to match a session that does.
        doubled: bool,
    },
}

/// Periods kept: a plan has a handful of stimuli.
const PERIODS_KEPT: usize = 8;

/// One repetition of a stimulus at one rate.
#[derive(Clone, Debug)]
pub struct Period {
    /// Samples at unit true peak (all zero for silence), length [`period_frames`].
    pub samples: Vec<f64>,
    /// Which lines of the period's spectrum are excited and which listen.
    pub lines: Lines,
    /// RMS of `samples` (0 for silence).
    pub rms: f64,
    /// Peaks of the waveform between samples (oversampled), per polarity, both positive numbers; the larger is 1.
    pub peaks: Peaks,
    /// Rate of the samples.
    pub rate: SampleRate,
}

/// Largest excursions of a period, per polarity, as magnitudes in units of full scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peaks {
    /// Above zero.
    pub positive: f64,
    /// Below zero.
    pub negative: f64,
}

impl Peaks {
    /// Of samples as they stand.
    pub fn of(samples: &[f64]) -> Peaks {
        let (low, high) = samples.iter().fold((0.0f64, 0.0f64), |(low, high), x| (low.min(*x), high.max(*x)));
        Peaks { positive: high, negative: -low }
    }

    /// The larger of the two.
    pub fn largest(&self) -> f64 {
        self.positive.max(self.negative)
    }
}

impl Period {
    /// True peak over RMS, a plain ratio in dB; `None` for silence.
    pub fn true_peak_factor_db(&self) -> Option<f64> {
        (self.rms > 0.0).then(|| -20.0 * self.rms.log10())
    }

    /// Level of the period at unit true peak: the highest drive there is. `None` for silence.
    pub fn full_drive(&self) -> Option<Dbfs> {
        Dbfs::from_rms(self.rms)
    }

    /// Seconds of one repetition.
    pub fn seconds(&self) -> f64 {
        self.samples.len() as f64 / self.rate.hz()
    }

    /// Distance between lines, Hz.
    pub fn line_spacing_hz(&self) -> f64 {
        self.rate.hz() / self.samples.len() as f64
    }
}

/// Frames of one period: 65 536 at 48 kHz and 61 440 at 44.1 kHz (both FFT-friendly and about 1.4 s), their multiples
/// at multiples of these rates, so that line spacing stays the same.
pub fn period_frames(rate: SampleRate, doubled: bool) -> usize {
    let hz = rate.get();
    let base = if hz.is_multiple_of(11_025) { (61_440.0, 44_100.0) } else { (65_536.0, 48_000.0) };
    let whole = (f64::from(hz) / base.1).log2().round();
    let frames = (base.0 * 2f64.powf(whole)) as usize;
    if doubled { 2 * frames } else { frames }
}

impl Stimulus {
    /// The main stimulus at this rate with its default seed.
    pub fn pink(rate: SampleRate) -> Stimulus {
        Stimulus::Pink(Pink::standard(rate))
    }

    /// A sine near `frequency_hz`.
    pub fn sine(frequency_hz: f64) -> Stimulus {
        Stimulus::Sine(Sine { frequency_hz, doubled: false })
    }

    /// Silence of ordinary periods.
    pub fn silence() -> Stimulus {
        Stimulus::Silence { doubled: false }
    }

    /// True where nothing sounds.
    pub fn is_silent(&self) -> bool {
        matches!(self, Stimulus::Silence { .. })
    }

    /// Frames of one period at this rate.
    pub fn period_frames(&self, rate: SampleRate) -> usize {
        let one = |doubled| period_frames(rate, doubled);
        match self {
            Stimulus::Pink(p) => one(p.doubled),
            Stimulus::Sine(s) => one(s.doubled),
            Stimulus::Silence { doubled } => one(*doubled),
            Stimulus::TwoTones(_) | Stimulus::Shaped(_) => one(false),
            Stimulus::Sweep(sweep) => sweep.spans * one(false),
            Stimulus::Noise(noise) => noise.spans * one(false),
            Stimulus::Burst(_) => burst::frames(rate),
        }
    }

    /// Periods played where a step asks for `asked` of the stepped noise: stationary noise is one long period, a sweep is
    /// long enough for two, bursts are short.
    pub fn periods_for(&self, asked: usize) -> usize {
        match self {
            Stimulus::Noise(_) => 1,
            Stimulus::Sweep(_) => 2,
            Stimulus::Burst(_) => 3 * asked,
            _ => asked,
        }
    }

    /// The period. A session asks for the same few again and again, so the last ones are kept: computing pink noise
    /// takes some tens of milliseconds and, for its true peak, eight times the memory.
    pub fn period(&self, rate: SampleRate) -> Arc<Period> {
        static RECENT: Mutex<Vec<(Stimulus, SampleRate, Arc<Period>)>> = Mutex::new(Vec::new());
        let recent = || RECENT.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((.., kept)) = recent().iter().find(|(s, r, _)| s == self && *r == rate) {
            return Arc::clone(kept);
        }
        let period = Arc::new(self.compute(rate));
        let mut recent = recent();
        // Another thread may have been quicker: one period, one place in memory.
        if let Some((.., kept)) = recent.iter().find(|(s, r, _)| s == self && *r == rate) {
            return Arc::clone(kept);
        }
        if recent.len() == PERIODS_KEPT {
            recent.remove(0);
        }
        recent.push((self.clone(), rate, Arc::clone(&period)));
        period
    }

    fn compute(&self, rate: SampleRate) -> Period {
        let frames = self.period_frames(rate);
        match self {
            Stimulus::Pink(pink) => pink.period(rate, frames),
            Stimulus::Sine(sine) => sine.period(rate, frames),
            Stimulus::TwoTones(pair) => pair.period(rate, frames),
            Stimulus::Sweep(sweep) => sweep.period(rate, frames),
            Stimulus::Burst(_) => Burst::period(rate, frames),
            Stimulus::Noise(noise) => noise.period(rate, frames),
            Stimulus::Shaped(shaped) => shaped.period(rate, frames),
            Stimulus::Silence { .. } => Period {
                samples: vec![0.0; frames],
                lines: Lines::none(frames),
                rms: 0.0,
                peaks: Peaks { positive: 0.0, negative: 0.0 },
                rate,
            },
        }
    }

    /// Short name for files and tables.
    pub fn short_name(&self) -> &'static str {
        match self {
            Stimulus::Pink(_) => "pink",
            Stimulus::Sine(_) => "sine",
            Stimulus::TwoTones(TwoTones::Modulation) => "modulation",
            Stimulus::TwoTones(TwoTones::DifferenceFrequency) => "difference",
            Stimulus::Sweep(_) => "sweep",
            Stimulus::Burst(_) => "burst",
            Stimulus::Noise(_) => "noise",
            Stimulus::Shaped(_) => "shaped",
            Stimulus::Silence { .. } => "silence",
        }
    }
}

impl fmt::Display for Stimulus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Stimulus::Pink(_) => write!(f, "pink noise"),
            Stimulus::Sine(sine) => write!(f, "sine {:.0} Hz", sine.frequency_hz),
            Stimulus::TwoTones(pair) => write!(f, "{}", pair.words()),
            Stimulus::Sweep(_) => write!(f, "sweep"),
            Stimulus::Burst(_) => write!(f, "1 kHz bursts"),
            Stimulus::Noise(_) => write!(f, "stationary pink noise"),
            Stimulus::Shaped(_) => write!(f, "shaped noise"),
            Stimulus::Silence { .. } => write!(f, "silence"),
        }
    }
}

#[cfg(test)]
mod conformance;
