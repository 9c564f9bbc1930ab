//! Microphones and the inputs of the capture card, on the capture clock.

use super::bench::{BenchSpec, Disturbance, NoiseSpectrum, SoundSource};
use super::filters::{Cascade, Shape};
use super::headphone::Polynomial;
use super::noise::{Converter, Gaussian, Noise, Stream};
use crate::units::{DbSpl, Dbfs, SampleRate};
use std::f64::consts::{SQRT_2, TAU};

/// A sine that is computed afresh this often and turned in between.
const ANCHOR_FRAMES: u64 = 512;
/// Upper end of a slammed door's noise.
const DOOR_BELOW_HZ: f64 = 200.0;
/// A disturbance is over after this many decay times (−139 dB).
const DECAYS: f64 = 16.0;

/// A steady sine in pascal, by bench time.
#[derive(Clone, Copy, Debug)]
struct Tone {
    peak_pa: f64,
    turns_per_frame: f64,
    start_turns: f64,
    now: (f64, f64),
    step: (f64, f64),
}

impl Tone {
    fn new(frequency_hz: f64, level_db_spl: f64, start_turns: f64, capture_hz: f64) -> Tone {
        let turns_per_frame = frequency_hz / capture_hz;
        Tone {
            peak_pa: SQRT_2 * DbSpl(level_db_spl).pa(),
            turns_per_frame,
            start_turns,
            now: (0.0, 1.0),
            step: (TAU * turns_per_frame).sin_cos(),
        }
    }

    /// Value at frame `m`; frames are asked for one after the other.
    #[inline]
    fn at(&mut self, m: u64) -> f64 {
        let (s, c) = self.now;
        self.now = if m.is_multiple_of(ANCHOR_FRAMES) {
            (TAU * (self.start_turns + m as f64 * self.turns_per_frame).fract()).sin_cos()
        } else {
            (s * self.step.1 + c * self.step.0, c * self.step.1 - s * self.step.0)
        };
        self.peak_pa * self.now.0
    }
}

/// What is in the air at both microphones besides the headphone.
#[derive(Clone, Debug)]
pub(super) struct Air {
    tones: Vec<Tone>,
    disturbances: Vec<Disturbance>,
    last_end_s: f64,
    rumble: Gaussian,
    rumble_filter: Cascade,
    /// An outside source, and what it passes on its way.
    outside: Option<(Noise, Cascade)>,
    capture_hz: f64,
}

impl Air {
    /// `capture_hz` is the true rate: hum keeps its true frequency whatever the card's clock does.
    pub fn new(spec: &BenchSpec, capture_hz: f64) -> Air {
        let hum = spec.microphone.hum.iter().enumerate();
        // Any phase will do; the golden ratio keeps them apart.
        let mut tones: Vec<Tone> = hum
            .map(|(i, h)| Tone::new(h.frequency_hz, h.level_db_spl, (0.618_034 * i as f64).fract(), capture_hz))
            .collect();
        if let SoundSource::SoundCalibrator { level_db_spl, frequency_hz } = spec.coupler.source {
            tones.push(Tone::new(frequency_hz, level_db_spl, 0.0, capture_hz));
        }
        let outside = match spec.coupler.source {
            SoundSource::Outside { level_db_spl, covered } => {
                let rms = DbSpl(level_db_spl).pa();
                let way: &[Shape] = if covered { &spec.headphone.isolation } else { &[] };
                let noise = Noise::new(rms, NoiseSpectrum::Pink, capture_hz, spec.seed, Stream::Outside);
                Some((noise, Cascade::new(way, capture_hz)))
            }
            _ => None,
        };
        let door = Cascade::new([&Shape::FirstOrderLowPass { corner_hz: DOOR_BELOW_HZ }], capture_hz);
        let share = door.band_power(1e-3, 0.5 * capture_hz);
        let disturbances = spec.microphone.disturbances.clone();
        let last_end_s = disturbances.iter().map(|d| d.start_s + DECAYS * d.decay_s).fold(0.0, f64::max);
        Air {
            tones,
            disturbances,
            last_end_s,
            rumble: Gaussian::new(spec.seed, Stream::Disturbance),
            rumble_filter: door.scaled(1.0 / share.sqrt()),
            outside,
            capture_hz,
        }
    }

    /// Pascals at captured frame `m`.
    #[inline]
    pub fn at(&mut self, m: u64) -> f64 {
        let steady: f64 = self.tones.iter_mut().map(|t| t.at(m)).sum();
        let outside = self.outside.as_mut().map_or(0.0, |(noise, way)| way.push(noise.next()));
        steady + outside + self.disturbance(m as f64 / self.capture_hz)
    }

    fn disturbance(&mut self, now_s: f64) -> f64 {
        if now_s >= self.last_end_s {
            return 0.0;
        }
        let rumble = self.rumble_filter.push(self.rumble.next());
        let envelope: f64 = self
            .disturbances
            .iter()
            .filter(|d| now_s >= d.start_s)
            .map(|d| DbSpl(d.level_db_spl).pa() * (-(now_s - d.start_s) / d.decay_s).exp())
            .sum();
        rumble * envelope
    }
}

/// One microphone with its input.
#[derive(Clone, Debug)]
pub(super) struct Microphone {
    response: Cascade,
    noise: Option<Noise>,
    per_pa: f64,
    bend: Option<Polynomial>,
    converter: Converter,
}

impl Microphone {
    pub fn new(spec: &BenchSpec, rate: SampleRate, noise: Stream, dither: Stream) -> Microphone {
        let mic = &spec.microphone;
        let noise =
            mic.noise_db_spl.map(|db| Noise::new(DbSpl(db).pa(), mic.noise_spectrum, rate.hz(), spec.seed, noise));
        Microphone {
            response: Cascade::new(&mic.response, rate.hz()),
            noise,
            per_pa: 1.0 / (SQRT_2 * DbSpl(mic.full_scale_db_spl).pa()),
            bend: mic.bend.map(|bend| Polynomial::new(&bend.distortion(), rate.hz())),
            converter: Converter::new(mic.bits, spec.seed, dither),
        }
    }

    #[inline]
    pub fn push(&mut self, pa: f64) -> f32 {
        let noise = self.noise.as_mut().map_or(0.0, Noise::next);
        let heard = self.response.push(pa) + noise;
        let heard = heard * self.per_pa;
        self.converter.convert(self.bend.as_mut().map_or(heard, |bend| bend.push(heard)))
    }
}

/// An electrical input.
#[derive(Clone, Debug)]
pub(super) struct LineIn {
    gain: f64,
    noise: Option<(Gaussian, f64)>,
    converter: Converter,
}

impl LineIn {
    pub fn new(spec: &BenchSpec, gain: f64, noise: Stream, dither: Stream) -> LineIn {
        LineIn {
            gain,
            noise: spec.lines_in.noise_dbfs.map(|db| (Gaussian::new(spec.seed, noise), Dbfs(db).rms())),
            converter: Converter::new(spec.microphone.bits, spec.seed, dither),
        }
    }

    #[inline]
    pub fn push(&mut self, x: f64) -> f32 {
        let noise = self.noise.as_mut().map_or(0.0, |(gaussian, sigma)| *sigma * gaussian.next());
        self.converter.convert(self.gain * x + noise)
    }
}
