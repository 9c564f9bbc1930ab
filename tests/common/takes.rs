//! Takes around samples that a test made itself, and what the analysis says of them.
#![allow(dead_code)]

use loudenough::analysis::{
    AnalysisError, Context, Correction, Finding, PinkFinding, SilenceFinding, SineFinding, measure,
};
use loudenough::card::InputRole;
use loudenough::signal::{Drive, DriveCeiling, Stimulus};
use loudenough::take::{Input, Take, TakeHead};
use loudenough::units::{Dbfs, SampleRate};

/// Captured frames before the sound begins.
pub const PRE_ROLL: usize = 4_800;
/// Frames of settling before the first whole period.
const SETTLE: usize = 14_000;
/// Frames of sound after the last whole period.
const AFTER: usize = 20_000;

/// Seeded uniform noise in ±0.5 (a linear congruential generator: Knuth's MMIX constants).
pub struct Uniform(pub u64);

impl Uniform {
    /// The next value.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f64 / (1u64 << 24) as f64 - 0.5
    }

    /// Nearly Gaussian, standard deviation 1 (sum of twelve).
    pub fn gaussian(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum()
    }
}

/// Head of a take of `stimulus` at full drive whose sound starts after the pre-roll. `played_frames`: frames of sound.
pub fn head(stimulus: &Stimulus, periods: usize, played_frames: usize) -> TakeHead {
    let rate = SampleRate::DEFAULT;
    let period = stimulus.period(rate);
    let drive = match period.full_drive() {
        Some(full) => {
            let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
            Drive::grant(full, &period, &ceiling).unwrap()
        }
        None => Drive::SILENT,
    };
    TakeHead {
        stimulus: stimulus.clone(),
        drive,
        played_rate: rate,
        captured_rate: rate,
        driven: vec![0],
        pre_roll: PRE_ROLL,
        settle: SETTLE,
        periods,
        played_frames,
        gaps: Vec::new(),
        void: None,
    }
}

/// Frames of sound that a take of so many periods needs.
pub fn played_frames(stimulus: &Stimulus, periods: usize) -> usize {
    SETTLE + periods * stimulus.period_frames(SampleRate::DEFAULT) + AFTER
}

/// A take in which `wave(n)` answers frame `n` of the sound; before and after it there is only what `noise` makes.
pub fn take(
    stimulus: &Stimulus,
    periods: usize,
    wave: impl Fn(usize) -> f64,
    mut noise: impl FnMut(usize) -> f64,
) -> Take {
    let frames = played_frames(stimulus, periods);
    let samples = (0..PRE_ROLL + frames + PRE_ROLL)
        .map(|n| {
            let sounding = (PRE_ROLL..PRE_ROLL + frames).contains(&n);
            ((if sounding { wave(n - PRE_ROLL) } else { 0.0 }) + noise(n)) as f32
        })
        .collect();
    Take { head: head(stimulus, periods, frames), inputs: vec![Input { role: InputRole::LeftEar, samples }] }
}

/// A take of the stimulus at full drive through a device without memory, in uniform noise of ±`noise`/2.
pub fn through(stimulus: &Stimulus, periods: usize, device: impl Fn(f64) -> f64, noise: f64) -> Take {
    let period = stimulus.period(SampleRate::DEFAULT);
    let mut random = Uniform(1);
    take(stimulus, periods, |n| device(period.samples[n % period.samples.len()]), |_| noise * random.next())
}

/// What the analysis says of the first input, on its own.
pub fn finding(take: &Take) -> Result<Finding, AnalysisError> {
    let none = Correction::none();
    let context = Context::alone(&none);
    measure(take, 0, &context).map(|measured| measured.finding)
}

/// Finding of a sine.
pub fn sine(take: &Take) -> SineFinding {
    match finding(take).unwrap() {
        Finding::Sine(f) => *f,
        other => panic!("{other:?}"),
    }
}

/// Finding of pink noise.
pub fn pink(take: &Take) -> PinkFinding {
    match finding(take).unwrap() {
        Finding::Pink(f) => *f,
        other => panic!("{other:?}"),
    }
}

/// Finding of silence.
pub fn silence(take: &Take) -> SilenceFinding {
    match finding(take).unwrap() {
        Finding::Silence(f) => *f,
        other => panic!("{other:?}"),
    }
}
