//! A bench for the tests of this folder, in plain sums: limit → response and headphone distortion → noise, one clock
//! with a small residue. It shares no transform or model with the code under test but the FFT itself.

use crate::analysis::{Reference, Spectra};
use crate::signal::{LineKind, Period, Stimulus};
use crate::units::SampleRate;
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use std::f64::consts::{PI, SQRT_2, TAU};
use std::sync::{Arc, OnceLock};

type Line = Complex<f64>;

/// Waveform points per sample: twice the analysis' own.
const OVERSAMPLING: usize = 16;

/// The default pink period at 48 kHz.
pub(crate) fn period() -> Arc<Period> {
    static PERIOD: OnceLock<Arc<Period>> = OnceLock::new();
    PERIOD.get_or_init(|| Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT)).clone()
}

/// A take through nothing: captured equals played, no noise.
pub(crate) fn clean(period: &Arc<Period>, gain: f64) -> Spectra {
    let sent: Vec<f64> = period.samples.iter().map(|x| gain * x).collect();
    let played = lines(&sent, sent.len());
    Spectra {
        period: period.clone(),
        gain,
        mean: played.clone(),
        variance: vec![0.0; played.len()],
        scatter: vec![0.0; played.len()],
        dof: vec![1e9; played.len()],
        usable: vec![true; played.len()],
        played,
        hum: Default::default(),
        periods: 4,
    }
}

/// What limits the output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Limit {
    None,
    /// Hard, on samples: limits above and below zero.
    Samples(f64, f64),
    /// Hard, on the waveform.
    Waveform(f64, f64),
    /// On samples, a tanh-shaped knee from (1 − the second figure) of the limit (the first) on.
    SoftSamples(f64, f64),
    /// The same on the waveform.
    SoftWaveform(f64, f64),
    /// Hard on samples behind a first-order high-pass (Hz) whose work is undone afterwards.
    Memory(f64, f64),
}

/// The whole bench.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Trial {
    pub seed: u64,
    pub limit: Limit,
    /// Even- and odd-order distortion of the headphone at full drive, dB re the stimulus.
    pub headphone_db: Option<(f64, f64)>,
    /// Corner of the low-pass before its distortion, Hz.
    pub headphone_hz: f64,
    /// Smooth distortion of the whole band, even and odd order, dB re the stimulus at full drive: of the output before its
    /// limit, and of the capture chain.
    pub smooth_db: [Option<(f64, f64)>; 2],
    /// True where the smooth distortion acts on the waveform between the samples, as an analogue stage does.
    pub analogue: bool,
    /// Stimulus at full drive over noise, dB.
    pub over_noise_db: f64,
    pub periods: usize,
    /// Clock residue that the correction left, ppm.
    pub residue_ppm: f64,
    pub resonant: bool,
}

impl Trial {
    pub(crate) fn new(seed: u64) -> Trial {
        Trial {
            seed,
            limit: Limit::None,
            headphone_db: Some((-50.0, -50.0)),
            headphone_hz: 150.0,
            smooth_db: [None; 2],
            analogue: true,
            over_noise_db: 40.0,
            periods: 4,
            residue_ppm: 0.003,
            resonant: true,
        }
    }

    /// Peak of the drive from which a limit at `c` acts, above and below zero, where the output bends smoothly before it.
    pub(crate) fn reached_at(&self, c: f64) -> [f64; 2] {
        let Some(level) = self.smooth_db[0] else { return [c; 2] };
        let (a2, a3) = factors(&period().samples, &period().samples, level);
        [1.0, -1.0].map(|sign| {
            let mut u = c;
            for _ in 0..50 {
                u -= (u + sign * a2 * u * u + a3 * u.powi(3) - c) / (1.0 + 2.0 * sign * a2 * u + 3.0 * a3 * u * u);
            }
            u
        })
    }

    /// A step at `gain`.
    pub(crate) fn step(&self, gain: f64) -> Spectra {
        self.take(gain, self.periods, 2 * self.seed, self.residue_ppm)
    }

    /// The quiet reference, four periods.
    pub(crate) fn reference(&self, gain: f64) -> Reference {
        let quiet = Trial { limit: Limit::None, ..*self };
        reference_of(&quiet.take(gain, 4, 2 * self.seed + 1, self.residue_ppm))
    }

    fn take(&self, gain: f64, periods: usize, seed: u64, residue_ppm: f64) -> Spectra {
        let period = period();
        let frames = period.samples.len();
        let mut out = clean(&period, gain);
        let noiseless = self.arrives(&period, gain, residue_ppm);
        let full = self.full_level(&period);
        let sigma2 = if self.over_noise_db.is_finite() {
            full * 10f64.powf(-self.over_noise_db / 10.0) / (frames / 2) as f64
        } else {
            0.0
        };
        let mut random = Gauss::new(seed);
        let p = periods as f64;
        let mut own = vec![0.0; noiseless.len()];
        for (k, y) in noiseless.iter().enumerate() {
            let draws: Vec<Line> =
                (0..periods).map(|_| Line::new(random.next(), random.next()) * (0.5 * sigma2).sqrt()).collect();
            let mean = draws.iter().sum::<Line>() / p;
            own[k] = draws.iter().map(|d| (d - mean).norm_sqr()).sum::<f64>() / (p - 1.0);
            out.mean[k] = y + mean;
        }
        let reach = if periods <= 2 { 2 } else { 1 };
        for k in 0..own.len() {
            let near = &own[k.saturating_sub(reach)..(k + reach + 1).min(own.len())];
            out.variance[k] = near.iter().sum::<f64>() / near.len() as f64;
            out.dof[k] = 2.0 * (p - 1.0) * near.len() as f64;
        }
        out.periods = periods;
        out
    }

    /// Mean square of the undistorted stimulus at full drive as captured.
    fn full_level(&self, period: &Period) -> f64 {
        let frames = period.samples.len();
        let played = lines(&period.samples, frames);
        played.iter().enumerate().map(|(k, u)| (u * self.response(k, frames)).norm_sqr()).sum()
    }

    /// Noise-free lines as captured.
    fn arrives(&self, period: &Arc<Period>, gain: f64, residue_ppm: f64) -> Vec<Line> {
        let frames = period.samples.len();
        let sent: Vec<f64> = period.samples.iter().map(|x| gain * x).collect();
        let limited = self.limited(&self.smooth(&sent, &period.samples, self.smooth_db[0]));
        let mut captured = match self.headphone_db {
            Some(level) => distorted(&limited, &period.samples, level, self.headphone_hz),
            None => limited,
        };
        filter(&mut captured, |k| self.response(k, frames));
        let mut loud = period.samples.clone();
        filter(&mut loud, |k| self.response(k, frames));
        let mut captured = self.smooth(&captured, &loud, self.smooth_db[1]);
        if residue_ppm > 0.0 {
            drift(&mut captured, residue_ppm * 1e-6);
        }
        lines(&captured, frames)
    }

    /// A stage whose smooth distortion has these levels where `loud` passes.
    fn smooth(&self, v: &[f64], loud: &[f64], level: Option<(f64, f64)>) -> Vec<f64> {
        match level {
            None => v.to_vec(),
            Some(level) if !self.analogue => distorted(v, loud, level, f64::INFINITY),
            Some(level) => {
                // Powers up to the third of a band of half the rate: four times the rate folds none of them back.
                let fine = |x: &[f64]| samples_of(&lines(x, x.len()), 4 * x.len());
                samples_of(&lines(&distorted(&fine(v), &fine(loud), level, f64::INFINITY), v.len()), v.len())
            }
        }
    }

    fn limited(&self, sent: &[f64]) -> Vec<f64> {
        let hard = |u: f64, up: f64, down: f64| u.clamp(-down, up);
        match self.limit {
            Limit::None => sent.to_vec(),
            Limit::Samples(up, down) => sent.iter().map(|u| hard(*u, up, down)).collect(),
            Limit::SoftSamples(c, width) => sent.iter().map(|u| soft(*u, c, width)).collect(),
            Limit::Waveform(up, down) => on_waveform(sent, |u| hard(u, up, down)),
            Limit::SoftWaveform(c, width) => on_waveform(sent, |u| soft(u, c, width)),
            Limit::Memory(c, corner_hz) => {
                let frames = sent.len();
                let pass = |k: usize| {
                    let x = Line::new(0.0, k.max(1) as f64 * 48_000.0 / frames as f64 / corner_hz);
                    x / (x + 1.0)
                };
                let mut inside = sent.to_vec();
                filter(&mut inside, pass);
                let mut out: Vec<f64> = inside.iter().map(|u| hard(*u, c, c)).collect();
                filter(&mut out, |k| 1.0 / pass(k));
                out
            }
        }
    }

    /// Leaky in the bass, a broad ear resonance at 2.8 kHz, two sharp ones, falling at the top.
    fn response(&self, k: usize, frames: usize) -> Line {
        let f = k as f64 * 48_000.0 / frames as f64;
        let delay = Line::from_polar(0.5, -TAU * f * 2.3e-4);
        if !self.resonant {
            return delay;
        }
        let leak = Line::new(0.0, f / 60.0) / Line::new(1.0, f / 60.0);
        leak * delay * peak(f, 2800.0, 1.5, 4.0) * peak(f, 6300.0, 12.0, 3.0) * peak(f, 8700.0, 6.0, 0.25)
            / Line::new(1.0, f / 14_000.0)
    }
}

/// Reference of a take, the response interpolated straight between excited lines.
pub(crate) fn reference_of(take: &Spectra) -> Reference {
    let excited: Vec<usize> = take.period.lines.of(LineKind::Excited).collect();
    let p = take.periods as f64;
    let mut response = vec![Line::new(0.0, 0.0); take.mean.len()];
    let mut response_variance = vec![f64::INFINITY; take.mean.len()];
    let mut over_noise_db = vec![f64::NEG_INFINITY; take.mean.len()];
    let at = |k: usize| {
        let u2 = take.played[k].norm_sqr();
        (
            take.mean[k] / take.played[k],
            take.variance[k] / p / u2,
            take.mean[k].norm_sqr() / take.variance[k].max(1e-300),
        )
    };
    for pair in excited.windows(2) {
        let ((h0, v0, s0), (h1, v1, s1)) = (at(pair[0]), at(pair[1]));
        for k in pair[0]..=pair[1] {
            let x = (k - pair[0]) as f64 / (pair[1] - pair[0]) as f64;
            response[k] = h0 * (1.0 - x) + h1 * x;
            response_variance[k] = v0 * (1.0 - x) + v1 * x;
            over_noise_db[k] = 10.0 * (s0 * (1.0 - x) + s1 * x).log10();
        }
    }
    let level_ms = excited.iter().map(|&k| take.mean[k].norm_sqr()).sum::<f64>();
    let sent_ms = excited.iter().map(|&k| take.played[k].norm_sqr()).sum::<f64>();
    Reference {
        response,
        response_variance,
        over_noise_db,
        gain_db: 10.0 * (level_ms / sent_ms).log10(),
        drive_rms: sent_ms.sqrt(),
        level_ms,
    }
}

/// One resonance: unity far away, `height` at `f0`.
fn peak(f: f64, f0: f64, q: f64, height: f64) -> Line {
    let x = f / f0;
    let reactive = 1.0 - x * x;
    Line::new(reactive, height * x / q) / Line::new(reactive, x / q)
}

fn soft(u: f64, c: f64, width: f64) -> f64 {
    let knee = (1.0 - width) * c;
    let beyond = u.abs() - knee;
    if beyond <= 0.0 { u } else { u.signum() * (knee + (c - knee) * (beyond / (c - knee)).tanh()) }
}

/// v + a₂·lp(v)² + a₃·lp(v)³ with a second-order low-pass; factors set so that each order has its level at
/// full drive.
fn distorted(v: &[f64], full: &[f64], (even_db, odd_db): (f64, f64), corner_hz: f64) -> Vec<f64> {
    let low_passed = |x: &[f64]| {
        let mut low = x.to_vec();
        let frames = x.len();
        filter(&mut low, |k| {
            let pole = Line::new(1.0, k as f64 * 48_000.0 / frames as f64 / corner_hz);
            1.0 / (pole * pole)
        });
        low
    };
    let (a2, a3) = factors(full, &low_passed(full), (even_db, odd_db));
    let low = low_passed(v);
    v.iter().zip(low).map(|(v, l)| v + a2 * l * l + a3 * l * l * l).collect()
}

/// Factors of square and cube with which each order has its level, re `full`, where `loud` passes.
fn factors(full: &[f64], loud: &[f64], (even_db, odd_db): (f64, f64)) -> (f64, f64) {
    let rms = |x: &[f64]| (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
    let squares: Vec<f64> = loud.iter().map(|x| x * x).collect();
    let mean = squares.iter().sum::<f64>() / squares.len() as f64;
    let square_rms = rms(&squares.iter().map(|s| s - mean).collect::<Vec<f64>>());
    // Of a cube, what lies off the linear part: about √6 σ³ for a Gaussian.
    let cube = 6f64.sqrt() * rms(loud).powi(3);
    let a2 = 10f64.powf(even_db / 20.0) * rms(full) / square_rms;
    (a2, 10f64.powf(odd_db / 20.0) * rms(full) / cube)
}

/// x(t) on a clock that is off by `rate`, averaged over periods around their middle: x + rate·(t − T/2)·x′.
fn drift(x: &mut [f64], rate: f64) {
    let frames = x.len();
    let mut slope = x.to_vec();
    filter(&mut slope, |k| {
        if k < frames / 2 { Line::new(0.0, TAU * k as f64 / frames as f64) } else { Line::new(0.0, 0.0) }
    });
    for (n, (x, s)) in x.iter_mut().zip(slope).enumerate() {
        *x += rate * (n as f64 - 0.5 * frames as f64) * s;
    }
}

fn on_waveform(sent: &[f64], limit: impl Fn(f64) -> f64) -> Vec<f64> {
    let frames = sent.len();
    let fine: Vec<f64> = samples_of(&lines(sent, frames), frames * OVERSAMPLING).into_iter().map(limit).collect();
    samples_of(&lines(&fine, frames), frames)
}

/// RMS-phasor lines under half of `frames` (DC kept as it is: it goes through no response).
pub(crate) fn lines(x: &[f64], frames: usize) -> Vec<Line> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(x.len());
    let mut spectrum = plan.make_output_vec();
    plan.process(&mut x.to_vec(), &mut spectrum).unwrap();
    spectrum[..=frames / 2].iter().map(|s| s * (SQRT_2 / x.len() as f64)).collect()
}

fn samples_of(lines: &[Line], points: usize) -> Vec<f64> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_inverse(points);
    let mut input = plan.make_input_vec();
    for (to, line) in input.iter_mut().zip(lines).skip(1) {
        *to = line / SQRT_2;
    }
    let last = input.len() - 1;
    input[last].im = 0.0;
    if lines.len() == input.len() {
        input[last] = Line::new(0.0, 0.0);
    }
    input[0] = Line::new(lines[0].re / SQRT_2, 0.0);
    let mut out = plan.make_output_vec();
    plan.process(&mut input, &mut out).unwrap();
    out
}

fn filter(x: &mut Vec<f64>, response: impl Fn(usize) -> Line) {
    let frames = x.len();
    let mut spectrum = lines(x, frames);
    let dc = spectrum[0];
    spectrum.iter_mut().enumerate().for_each(|(k, s)| *s *= response(k));
    spectrum[0] = Line::new(dc.re * response(0).re, 0.0);
    *x = samples_of(&spectrum, frames);
}

/// Standard normal numbers (Box–Muller).
pub(crate) struct Gauss {
    random: Pcg64,
    spare: Option<f64>,
}

impl Gauss {
    pub(crate) fn new(seed: u64) -> Gauss {
        Gauss { random: Pcg64::seed_from_u64(seed), spare: None }
    }

    /// Uniform in (0, 1].
    pub(crate) fn uniform(&mut self) -> f64 {
        ((self.random.next_u64() >> 11) + 1) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn next(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let (radius, turn) = ((-2.0 * self.uniform().ln()).sqrt(), 2.0 * PI * self.uniform());
        self.spare = Some(radius * turn.sin());
        radius * turn.cos()
    }
}
