//! The output under test: gain, limits, noise, source impedance.
//!
//! `v = limit(volts_per_fs · u) + noise`, then through the circuit (`circuit`). A current limit into a resistive load is a
//! limit of the open-circuit voltage at `current · (source + load)`; otherwise the circuit holds it.
//! On the waveform: the played samples are interpolated to several points each, the *excess* `limit(w) − w` is
//! brought back to the sample rate and added; what never touches the limit passes untouched.

use super::bench::{ActsOn, BenchSpec, Knee};
use super::circuit::{Circuit, Volts};
use super::clock::{Kernel, dot};
use super::headphone::Polynomial;
use super::noise::{Gaussian, Stream};
use crate::units::amplitude_from_db;

/// Points per sample where the limit acts on the waveform; above this rate the lower factor does.
const OVERSAMPLING: (usize, usize) = (8, 4);
const LOWER_FACTOR_FROM_HZ: f64 = 64_000.0;

/// The memoryless limit of the open-circuit voltage.
#[derive(Clone, Copy, Debug)]
struct Limit {
    positive_v: f64,
    negative_v: f64,
    width: f64,
}

impl Limit {
    fn of(spec: &BenchSpec) -> Limit {
        let output = &spec.output;
        let loop_ohm = spec.load_resistance().map(|load| output.source_ohm + load + spec.hookup.series_ohm);
        let held_here = loop_ohm.filter(|_| spec.is_resistive()).zip(output.current_limit_a);
        let by_current = held_here.map_or(f64::INFINITY, |(ohm, a)| a * ohm);
        let width = match output.knee {
            Knee::Hard => 0.0,
            Knee::Soft { width } => width.clamp(0.0, 1.0),
        };
        Limit {
            positive_v: output.positive_limit_v.unwrap_or(f64::INFINITY).min(by_current),
            negative_v: output.negative_limit_v.unwrap_or(f64::INFINITY).min(by_current),
            width,
        }
    }

    /// Magnitude up to which nothing at all happens.
    fn straight_up_to(&self) -> f64 {
        (1.0 - self.width) * self.positive_v.min(self.negative_v)
    }

    #[inline]
    fn apply(&self, v: f64) -> f64 {
        if v >= 0.0 { self.bend(v, self.positive_v) } else { -self.bend(-v, self.negative_v) }
    }

    #[inline]
    fn bend(&self, v: f64, limit: f64) -> f64 {
        let start = (1.0 - self.width) * limit;
        if v <= start {
            v
        } else if self.width > 0.0 {
            let room = self.width * limit;
            start + room * ((v - start) / room).tanh()
        } else {
            limit
        }
    }
}

/// One channel of the output; gives the volts behind it.
#[derive(Clone, Debug)]
pub(super) struct OutputStage {
    volts_per_fs: f64,
    /// Frames at which the volume control is turned, and the gain from there on, the last first.
    turns: Vec<(u64, f64)>,
    volume: f64,
    frame: u64,
    bend: Option<Polynomial>,
    limit: Limit,
    waveform: Option<WaveformLimit>,
    noise: Option<(Gaussian, f64)>,
    circuit: Circuit,
}

impl OutputStage {
    pub fn new(spec: &BenchSpec, rate_hz: f64, stream: Stream) -> OutputStage {
        let limit = Limit::of(spec);
        let on_waveform = spec.output.acts_on == ActsOn::Waveform && limit.straight_up_to().is_finite();
        let sigma = spec.output.noise_v_rms;
        let mut turns: Vec<(u64, f64)> =
            spec.output.turns.iter().map(|t| ((t.at_s * rate_hz) as u64, amplitude_from_db(t.gain_db))).collect();
        turns.sort_by_key(|(frame, _)| std::cmp::Reverse(*frame));
        OutputStage {
            volts_per_fs: spec.output.volts_per_fs,
            turns,
            volume: 1.0,
            frame: 0,
            bend: spec.output.bend.map(|bend| Polynomial::new(&bend.distortion(), rate_hz)),
            limit,
            waveform: on_waveform.then(|| WaveformLimit::new(limit, rate_hz)),
            noise: (sigma > 0.0).then(|| (Gaussian::new(spec.seed, stream), sigma)),
            circuit: Circuit::new(spec, rate_hz),
        }
    }

    /// Samples by which what comes out lags what went in.
    pub fn delay(&self) -> usize {
        self.waveform.as_ref().map_or(0, WaveformLimit::delay) + self.circuit.delay()
    }

    #[inline]
    pub fn push(&mut self, u: f64) -> Volts {
        while let Some((_, volume)) = self.turns.pop_if(|(frame, _)| *frame <= self.frame) {
            self.volume = volume;
        }
        self.frame += 1;
        let asked = self.volts_per_fs * self.volume * u;
        let asked = self.bend.as_mut().map_or(asked, |bend| bend.push(asked));
        let limited = match &mut self.waveform {
            Some(waveform) => waveform.push(asked),
            None => self.limit.apply(asked),
        };
        let noise = self.noise.as_mut().map_or(0.0, |(gaussian, sigma)| *sigma * gaussian.next());
        self.circuit.push(limited + noise)
    }
}

/// A limit on the waveform between samples.
#[derive(Clone, Debug)]
struct WaveformLimit {
    limit: Limit,
    /// Interpolation weights of each point within a sample; the same bring the excess back.
    phases: Vec<Vec<f64>>,
    taps: usize,
    /// Samples as they came and the excess gathered for them, from `at` on `taps` of each are in use.
    samples: Vec<f64>,
    excess: Vec<f64>,
    at: usize,
    /// No point of the waveform can pass the limit while all samples stay below this.
    quiet_v: f64,
    quiet_for: usize,
}

/// Length of the buffers in which the window moves before it is copied back to the front.
const RUN: usize = 8_192;

impl WaveformLimit {
    fn new(limit: Limit, rate_hz: f64) -> WaveformLimit {
        let factor = if rate_hz < LOWER_FACTOR_FROM_HZ { OVERSAMPLING.0 } else { OVERSAMPLING.1 };
        let kernel = Kernel::new(rate_hz, rate_hz);
        let phases: Vec<Vec<f64>> = (0..factor).map(|p| kernel.weights(p as f64 / factor as f64)).collect();
        let largest_gain = phases.iter().map(|w| w.iter().map(|x| x.abs()).sum::<f64>()).fold(1.0, f64::max);
        let taps = kernel.taps();
        WaveformLimit {
            limit,
            phases,
            taps,
            samples: vec![0.0; taps + RUN],
            excess: vec![0.0; taps + RUN],
            at: 0,
            quiet_v: limit.straight_up_to() / largest_gain,
            quiet_for: taps,
        }
    }

    fn delay(&self) -> usize {
        self.taps - 1
    }

    fn push(&mut self, v: f64) -> f64 {
        self.advance(v);
        if self.quiet_for < self.taps {
            self.gather_excess();
        }
        self.samples[self.at] + self.excess[self.at]
    }

    fn advance(&mut self, v: f64) {
        self.at += 1;
        if self.at + self.taps > self.samples.len() {
            self.samples.copy_within(self.at.., 0);
            self.excess.copy_within(self.at.., 0);
            self.at = 0;
        }
        let last = self.at + self.taps - 1;
        self.samples[last] = v;
        self.excess[last] = 0.0;
        self.quiet_for = if v.abs() > self.quiet_v { 0 } else { self.quiet_for.saturating_add(1) };
    }

    fn gather_excess(&mut self) {
        let window = self.at..self.at + self.taps;
        let per_point = 1.0 / self.phases.len() as f64;
        for weights in &self.phases {
            let w = dot(&self.samples[window.clone()], weights);
            let excess = self.limit.apply(w) - w;
            if excess.abs() > 0.0 {
                for (sum, weight) in self.excess[window.clone()].iter_mut().zip(weights) {
                    *sum += per_point * excess * weight;
                }
            }
        }
    }
}
