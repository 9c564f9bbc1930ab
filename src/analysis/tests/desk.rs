//! An independent desk for tests: what comes back is the played period sent through a polynomial and a response, read
//! at the capture clock's instants by eight-point Lagrange interpolation of a sixteenfold oversampled period (error far
//! under −140 dB). Shares no resampling with the analysis.

use crate::analysis::fft;
use crate::card::InputRole;
use crate::signal::{Drive, DriveCeiling, FADE_S, Period, Stimulus, raised_cosine};
use crate::take::{Input, Take, TakeHead};
use crate::units::{Dbfs, SampleRate};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use realfft::num_complex::Complex;
use std::f64::consts::TAU;
use std::sync::Arc;

const OVERSAMPLING: usize = 16;

#[derive(Clone, Debug)]
pub struct Desk {
    pub stimulus: Stimulus,
    pub drive_db: f64,
    pub played_rate: SampleRate,
    pub captured_rate: SampleRate,
    pub ppm: f64,
    pub drift_ppm_per_s: f64,
    /// Route delay, played frames.
    pub delay: f64,
    pub periods: usize,
    pub settle_s: f64,
    /// y = u + square·u² + cube·u³ on the samples sent (units of full scale).
    pub square: f64,
    pub cube: f64,
    /// Gain after the polynomial.
    pub gain: f64,
    /// Ear-like resonance of this many dB near 3 kHz and a fall under 50 Hz.
    pub resonance_db: f64,
    /// Noise, RMS over all frequencies …
    pub noise: f64,
    /// … white, or falling by 3 dB per octave from 20 Hz up.
    pub pink_noise: bool,
    /// (frequency in Hz of the played clock, RMS) of hum.
    pub hum: Vec<(f64, f64)>,
    /// Captured sample at which so many samples are lost.
    pub loss: Option<(usize, usize)>,
    /// Captured sample, length and RMS of a bang.
    pub bang: Option<(usize, usize, f64)>,
    pub seed: u64,
}

impl Desk {
    pub fn pink() -> Desk {
        Desk {
            stimulus: Stimulus::pink(SampleRate::DEFAULT),
            drive_db: -20.0,
            played_rate: SampleRate::DEFAULT,
            captured_rate: SampleRate::DEFAULT,
            ppm: 0.0,
            drift_ppm_per_s: 0.0,
            delay: 4321.0,
            periods: 4,
            settle_s: 0.25,
            square: 0.0,
            cube: 0.0,
            gain: 0.5,
            resonance_db: 0.0,
            noise: 0.0,
            pink_noise: false,
            hum: vec![],
            loss: None,
            bang: None,
            seed: 1,
        }
    }

    pub fn period(&self) -> Arc<Period> {
        crate::analysis::played::played(&self.stimulus, self.played_rate).period
    }

    pub fn drive(&self) -> Drive {
        if self.stimulus.is_silent() {
            return Drive::SILENT;
        }
        let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
        Drive::grant(Dbfs(self.drive_db), &self.period(), &ceiling).unwrap()
    }

    /// Lines of the noise-free period that comes back, on the played clock.
    pub fn true_lines(&self) -> Vec<Complex<f64>> {
        let gain = self.drive().gain();
        let bent: Vec<f64> = self
            .period()
            .samples
            .iter()
            .map(|p| {
                let u = gain * p;
                self.gain * (u + self.square * u * u + self.cube * u * u * u)
            })
            .collect();
        let spacing = self.period().line_spacing_hz();
        let mut lines = fft::lines_of(&bent);
        for (k, line) in lines.iter_mut().enumerate() {
            *line *= self.response(k as f64 * spacing);
        }
        lines
    }

    pub fn response(&self, f_hz: f64) -> Complex<f64> {
        if self.resonance_db == 0.0 {
            return Complex::new(1.0, 0.0);
        }
        let size = 10f64.powf(self.resonance_db / 20.0) - 1.0;
        let s = Complex::new(0.0, f_hz / 3000.0);
        let resonance = 1.0 + size * (s * 0.4) / (1.0 + s * 0.4 + s * s);
        let low = Complex::new(0.0, f_hz) / Complex::new(30.0, f_hz);
        resonance * low
    }

    /// Power of true lines of one kind between two frequencies.
    pub fn true_power(&self, lines: impl Iterator<Item = usize>) -> f64 {
        let have = self.true_lines();
        lines.map(|k| have[k].norm_sqr()).sum()
    }

    /// The take, noise and faults included.
    pub fn take(&self) -> Take {
        self.noisy(&self.make_clean(), self.seed)
    }

    /// The take without noise, bang and loss.
    pub fn make_clean(&self) -> Take {
        Desk { noise: 0.0, bang: None, loss: None, ..self.clone() }.make()
    }

    /// A clean take with this desk's noise of another seed and its faults added.
    pub fn noisy(&self, clean: &Take, seed: u64) -> Take {
        let mut take = clean.clone();
        let mut random = Pcg64::seed_from_u64(seed);
        let mut samples: Vec<f64> = take.inputs[0].samples.iter().map(|x| f64::from(*x)).collect();
        if self.noise > 0.0 {
            let noise = self.noise_samples(samples.len(), &mut random);
            samples.iter_mut().zip(noise).for_each(|(x, n)| *x += n);
        }
        if let Some((at, length, rms)) = self.bang {
            samples[at..at + length].iter_mut().for_each(|x| *x += rms * normal(&mut random));
        }
        if let Some((at, lost)) = self.loss {
            // The card goes on recording: what was lost is followed by more of the silence at the end.
            samples.drain(at..at + lost);
            let noise = self.noise;
            samples.extend((0..lost).map(|_| noise * normal(&mut random)));
        }
        take.inputs[0].samples = samples.iter().map(|x| *x as f32).collect();
        take
    }

    fn noise_samples(&self, count: usize, random: &mut Pcg64) -> Vec<f64> {
        if !self.pink_noise {
            return (0..count).map(|_| self.noise * normal(random)).collect();
        }
        // Shaped as a whole, in the frequency domain; a little longer than needed, a power of two.
        let whole = count.next_power_of_two();
        let spacing = self.captured_rate.hz() / whole as f64;
        let shape = |f: f64| (20.0 / f.max(20.0)).sqrt();
        let power: f64 = (1..whole / 2).map(|k| shape(k as f64 * spacing).powi(2)).sum();
        let lines: Vec<Complex<f64>> = (0..=whole / 2)
            .map(|k| {
                let size = if k == 0 || k == whole / 2 { 0.0 } else { shape(k as f64 * spacing) };
                Complex::new(normal(random), normal(random)) * (size * self.noise * (0.5 / power).sqrt())
            })
            .collect();
        let mut samples = fft::samples_of(&lines, whole);
        samples.truncate(count);
        samples
    }

    /// Share of the noise power that lies on these lines of the period.
    pub fn noise_share(&self, lines: std::ops::RangeInclusive<usize>) -> f64 {
        let spacing = self.period().line_spacing_hz();
        let power = |k: usize| if self.pink_noise { 20.0 / (k as f64 * spacing).max(20.0) } else { 1.0 };
        lines.map(power).sum::<f64>() / (1..self.period().samples.len() / 2).map(power).sum::<f64>()
    }

    fn make(&self) -> Take {
        let frames = self.period().samples.len();
        let played_hz = self.played_rate.hz();
        let settle = self.played_rate.frames_in(self.settle_s);
        let played_frames = settle + self.periods * frames + self.played_rate.frames_in(0.15);
        let pre_roll = self.captured_rate.frames_in(0.3);
        let ratio = self.captured_rate.hz() / played_hz;
        let captured = pre_roll + ((played_frames as f64 + self.delay + 0.2 * played_hz) * ratio * 1.0003) as usize;
        let fine = fft::samples_of(&self.true_lines(), frames * OVERSAMPLING);
        let samples: Vec<f64> = (0..captured)
            .map(|n| {
                let local = n as f64 / ratio;
                let true_time = local / (1.0 + self.ppm * 1e-6 + 0.5 * self.drift_ppm_per_s * 1e-6 * local / played_hz);
                let frame = true_time - pre_roll as f64 / ratio - self.delay;
                let open = raised_cosine(frame / (FADE_S * played_hz));
                let close = raised_cosine((played_frames as f64 - frame) / (FADE_S * played_hz));
                let sound =
                    if open * close > 0.0 { open * close * lagrange(&fine, frame * OVERSAMPLING as f64) } else { 0.0 };
                let hum: f64 = self
                    .hum
                    .iter()
                    .enumerate()
                    .map(|(i, (f, rms))| rms * 2f64.sqrt() * (TAU * f * true_time / played_hz + i as f64).sin())
                    .sum();
                sound + hum
            })
            .collect();
        Take {
            head: TakeHead {
                stimulus: self.stimulus.clone(),
                drive: self.drive(),
                played_rate: self.played_rate,
                captured_rate: self.captured_rate,
                driven: vec![0],
                pre_roll,
                settle,
                periods: self.periods,
                played_frames,
                gaps: vec![],
                void: None,
            },
            inputs: vec![Input { role: InputRole::LeftEar, samples: samples.iter().map(|x| *x as f32).collect() }],
        }
    }

    /// RMS of the noise-free stimulus lines that come back.
    pub fn signal_rms(&self) -> f64 {
        let period = self.period();
        self.true_power(period.lines.of(crate::signal::LineKind::Excited)).sqrt()
    }
}

/// Eight-point Lagrange interpolation of a periodic sequence.
fn lagrange(fine: &[f64], position: f64) -> f64 {
    let whole = position.floor();
    let t = position - whole;
    let n = fine.len() as isize;
    let first = whole as isize - 3;
    // 1/Π(i − j) over the other seven points.
    const SCALE: [f64; 8] =
        [-1.0 / 5040.0, 1.0 / 720.0, -1.0 / 240.0, 1.0 / 144.0, -1.0 / 144.0, 1.0 / 240.0, -1.0 / 720.0, 1.0 / 5040.0];
    let away: [f64; 8] = std::array::from_fn(|j| t + 3.0 - j as f64);
    let mut after = [1.0; 9];
    for i in (0..8).rev() {
        after[i] = after[i + 1] * away[i];
    }
    let (mut before, mut sum) = (1.0, 0.0);
    for i in 0..8 {
        sum += before * after[i + 1] * SCALE[i] * fine[(first + i as isize).rem_euclid(n) as usize];
        before *= away[i];
    }
    sum
}

/// Uniform between 0 and 1.
pub fn uniform(random: &mut Pcg64) -> f64 {
    ((random.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
}

/// Normal deviate (Box–Muller).
pub fn normal(random: &mut Pcg64) -> f64 {
    let (a, b) = (uniform(random), uniform(random));
    (-2.0 * a.ln()).sqrt() * (TAU * b).cos()
}
