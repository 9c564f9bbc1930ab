//! The simulated bench as it truly is: noise-free, one clock, one steady period, by closed forms.
//!
//! Shares nothing with `src/analysis` and does not run the streaming device: filters act in the frequency domain by
//! the response of their analogue prototypes (bilinear: `s = j·tan(π·f/rate)/tan(π·f0/rate)`), limits and
//! polynomials act per point on the circular period, a limit on the waveform on the zero-padded (ideal) interpolation.
#![allow(dead_code)]

use loudenough::audio::simulated::{ActsOn, BenchSpec, Knee, Shape};
use loudenough::card::InputRole;
use loudenough::signal::{FADE_S, LineKind, Period, raised_cosine};
use loudenough::take::{Input, Take, TakeHead};
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2};

/// Points per sample at which a limit on the waveform is computed.
const OVERSAMPLING: usize = 8;

/// One steady period as the left ear's input holds it.
pub struct Truth {
    /// Samples, 1 = digital full scale (peak). Not clamped to it and without latency.
    pub samples: Vec<f64>,
    /// Phasor of each line (peak amplitude, units of full scale), 0 = DC.
    pub lines: Vec<Complex<f64>>,
    /// Distance between lines.
    pub spacing_hz: f64,
    /// dB SPL that 0 dBFS stands for.
    pub offset_db: f64,
}

/// The steady period captured while `period` (played sample values) is repeated with this gain.
pub fn steady_period(spec: &BenchSpec, period: &[f64], gain: f64, rate_hz: f64) -> Truth {
    let frames = period.len();
    let spacing_hz = rate_hz / frames as f64;
    let asked: Vec<f64> = period.iter().map(|x| x * gain * spec.output.volts_per_fs).collect();
    let share = spec.headphone.load_ohm / (spec.headphone.load_ohm + spec.output.source_ohm);
    let volts: Vec<f64> = limited(spec, &asked).iter().map(|v| v * share).collect();

    let moved = distorted(spec, &volts, rate_hz);
    let mut lines = forward(&moved);
    let full_scale_pa = SQRT_2 * 20e-6 * 10f64.powf(spec.microphone.full_scale_db_spl / 20.0);
    let per_volt = gain_at_1k(spec, rate_hz) / full_scale_pa;
    for (k, line) in lines.iter_mut().enumerate() {
        *line *= coloured(spec, k as f64 * spacing_hz, rate_hz) * per_volt;
    }
    Truth { samples: inverse(&lines, frames), lines, spacing_hz, offset_db: spec.microphone.full_scale_db_spl }
}

/// A take of the noise-free period at the drive and with the numbers of `head`, on one clock: faded in and out around the
/// steady period, between stretches of digital zero.
pub fn noise_free_take(spec: &BenchSpec, period: &Period, head: &TakeHead) -> Take {
    let rate_hz = period.rate.hz();
    let steady = steady_period(spec, &period.samples, head.drive.gain(), rate_hz).samples;
    let open = |frame: f64| raised_cosine(frame / (FADE_S * rate_hz));
    let pre_roll = (0.3 * rate_hz) as usize;
    let samples = (0..pre_roll + head.played_frames + pre_roll).map(|n| {
        let Some(frame) = n.checked_sub(pre_roll).filter(|f| *f < head.played_frames) else { return 0.0 };
        let fade = open(frame as f64) * open((head.played_frames - frame) as f64);
        (fade * steady[frame % steady.len()]) as f32
    });
    Take {
        inputs: vec![Input { role: InputRole::LeftEar, samples: samples.collect() }],
        head: TakeHead { pre_roll, gaps: vec![], void: None, ..head.clone() },
    }
}

/// Linear response from volts across the headphone to pascals at the microphone's converter.
pub fn pascal_per_volt(spec: &BenchSpec, f_hz: f64, rate_hz: f64) -> Complex<f64> {
    coloured(spec, f_hz, rate_hz) * gain_at_1k(spec, rate_hz)
}

/// Sensitivity over what headphone and coupler alone have at 1 kHz.
fn gain_at_1k(spec: &BenchSpec, rate_hz: f64) -> f64 {
    let acoustic =
        product(&spec.headphone.response, 1_000.0, rate_hz) * product(&spec.coupler.response, 1_000.0, rate_hz);
    spec.headphone.sensitivity_pa_per_v / acoustic.norm()
}

fn coloured(spec: &BenchSpec, f_hz: f64, rate_hz: f64) -> Complex<f64> {
    [&spec.headphone.response, &spec.coupler.response, &spec.microphone.response]
        .into_iter()
        .map(|shapes| product(shapes, f_hz, rate_hz))
        .product()
}

/// Product of the shapes' responses.
pub fn product(shapes: &[Shape], f_hz: f64, rate_hz: f64) -> Complex<f64> {
    shapes.iter().map(|shape| response(shape, f_hz, rate_hz)).product()
}

/// Response of one shape.
pub fn response(shape: &Shape, f_hz: f64, rate_hz: f64) -> Complex<f64> {
    let one = Complex::new(1.0, 0.0);
    let s = |f0: f64| Complex::new(0.0, (PI * f_hz / rate_hz).tan() / (PI * f0 / rate_hz).tan());
    match *shape {
        Shape::FirstOrderHighPass { corner_hz } => s(corner_hz) / (s(corner_hz) + one),
        Shape::FirstOrderLowPass { corner_hz } => one / (s(corner_hz) + one),
        Shape::HighPass { corner_hz, q } => {
            let s = s(corner_hz);
            s * s / (s * s + s / q + one)
        }
        Shape::LowPass { corner_hz, q } => {
            let s = s(corner_hz);
            one / (s * s + s / q + one)
        }
        Shape::Peak { frequency_hz, q, gain_db } => {
            let (s, a) = (s(frequency_hz), 10f64.powf(gain_db / 40.0));
            (s * s + s * (a / q) + one) / (s * s + s / (a * q) + one)
        }
    }
}

/// Open-circuit volts at which the limit of each polarity stands (magnitudes).
pub fn limits_v(spec: &BenchSpec) -> (Option<f64>, Option<f64>) {
    let current = spec.output.current_limit_a.map(|a| a * (spec.output.source_ohm + spec.headphone.load_ohm));
    let lower = |v: Option<f64>| match (v, current) {
        (Some(v), Some(i)) => Some(v.min(i)),
        (v, i) => v.or(i),
    };
    (lower(spec.output.positive_limit_v), lower(spec.output.negative_limit_v))
}

/// Played peak that reaches the limit of each polarity, dB re full scale; above 0: out of reach; `None`: no limit.
/// For a soft knee this is the level it ends at, not the equivalent hard limit.
pub fn true_clip_peak(spec: &BenchSpec) -> (Option<f64>, Option<f64>) {
    let db = |v: Option<f64>| v.map(|v| 20.0 * (v / spec.output.volts_per_fs).log10());
    let (positive, negative) = limits_v(spec);
    (db(positive), db(negative))
}

/// Highest gain (at most 1) at which this period's waveform, or its samples, touch no limit (the soft knee's start).
pub fn highest_clean_gain(spec: &BenchSpec, period: &Period) -> f64 {
    let straight = match spec.output.knee {
        Knee::Hard => 1.0,
        Knee::Soft { width } => 1.0 - width,
    };
    let (high, low) = match spec.output.acts_on {
        ActsOn::Waveform => (period.peaks.positive, period.peaks.negative),
        ActsOn::Samples => {
            let extreme = |sign: f64| period.samples.iter().fold(0.0f64, |m, x| m.max(sign * x));
            (extreme(1.0), extreme(-1.0))
        }
    };
    let (positive, negative) = limits_v(spec);
    let gain = |limit: Option<f64>, peak: f64| limit.map_or(1.0, |v| straight * v / (spec.output.volts_per_fs * peak));
    gain(positive, high).min(gain(negative, low)).min(1.0)
}

impl Truth {
    /// Power of some lines, RMS², units of full scale.
    pub fn power_on(&self, lines: impl IntoIterator<Item = usize>) -> f64 {
        lines.into_iter().map(|k| 0.5 * self.lines[k].norm_sqr()).sum()
    }

    /// Level of everything but DC, dBFS (a full-scale sine reads 0).
    pub fn level_dbfs(&self) -> f64 {
        10.0 * (2.0 * self.power_on(1..self.lines.len() - 1)).log10()
    }

    /// Level of the excited lines, dBFS.
    pub fn stimulus_dbfs(&self, period: &Period) -> f64 {
        10.0 * (2.0 * self.power_on(period.lines.of(LineKind::Excited))).log10()
    }

    /// Level of everything but DC at the microphone.
    pub fn level_db_spl(&self) -> f64 {
        self.level_dbfs() + self.offset_db
    }

    /// Excited power of each one-third octave from 20 Hz to 20 kHz (IEC 61260-1, base ten), dBFS; `None`: no line.
    pub fn third_octaves_dbfs(&self, period: &Period) -> [Option<f64>; 31] {
        let mut power = [0.0; 31];
        for k in period.lines.of(LineKind::Excited) {
            let x = (10.0 * (k as f64 * self.spacing_hz / 1000.0).log10()).round() + 17.0;
            if (0.0..31.0).contains(&x) {
                power[x as usize] += 0.5 * self.lines[k].norm_sqr();
            }
        }
        power.map(|p| (p > 0.0).then(|| 10.0 * (2.0 * p).log10()))
    }

    /// Power on even lines over excited power, dB.
    pub fn even_order_db(&self, period: &Period) -> f64 {
        self.over_excited_db(period, self.power_on(period.lines.of(LineKind::Even)))
    }

    /// Odd-order power from the detection lines, scaled per one-third octave from 63 Hz up by odd lines over
    /// detection lines, over excited power, dB.
    pub fn odd_order_db(&self, period: &Period) -> f64 {
        let mut bands = [(0.0, 0.0, 0.0); 31];
        for (kind, detects) in [(LineKind::Excited, false), (LineKind::Detection, true)] {
            for k in period.lines.of(kind) {
                let x = (10.0 * (k as f64 * self.spacing_hz / 1000.0).log10()).round() + 17.0;
                if !(5.0..31.0).contains(&x) {
                    continue;
                }
                let band = &mut bands[x as usize];
                band.0 += 1.0;
                if detects {
                    band.1 += 1.0;
                    band.2 += 0.5 * self.lines[k].norm_sqr();
                }
            }
        }
        let scaled = bands.iter().filter(|b| b.1 > 0.0).map(|(odd, detection, power)| power * odd / detection).sum();
        self.over_excited_db(period, scaled)
    }

    fn over_excited_db(&self, period: &Period, power: f64) -> f64 {
        10.0 * (power / self.power_on(period.lines.of(LineKind::Excited))).log10()
    }
}

/// Level of the loudest clean pink noise at the left ear (Z, full range), dB SPL, and its gain.
pub fn highest_clean_level(spec: &BenchSpec, period: &Period) -> (f64, f64) {
    let gain = highest_clean_gain(spec, period);
    (steady_period(spec, &period.samples, gain, period.rate.hz()).level_db_spl(), gain)
}

fn limited(spec: &BenchSpec, asked: &[f64]) -> Vec<f64> {
    let (positive, negative) = limits_v(spec);
    let bend = |v: f64, limit: Option<f64>| match (limit, spec.output.knee) {
        (None, _) => v,
        (Some(limit), Knee::Hard) => v.min(limit),
        (Some(limit), Knee::Soft { width }) => {
            let (start, room) = ((1.0 - width) * limit, width * limit);
            if v < start { v } else { start + room * ((v - start) / room).tanh() }
        }
    };
    let limit = |v: &f64| if *v < 0.0 { -bend(-v, negative) } else { bend(*v, positive) };
    match spec.output.acts_on {
        ActsOn::Samples => asked.iter().map(limit).collect(),
        ActsOn::Waveform => {
            let frames = asked.len();
            let fine = inverse(&padded(forward(asked), frames * OVERSAMPLING), frames * OVERSAMPLING);
            let fine: Vec<f64> = fine.iter().map(limit).collect();
            let mut lines = forward(&fine);
            lines.truncate(frames / 2 + 1);
            inverse(&lines, frames)
        }
    }
}

fn distorted(spec: &BenchSpec, volts: &[f64], rate_hz: f64) -> Vec<f64> {
    let stated = &spec.headphone.distortion;
    let peak = SQRT_2 * stated.at_v_rms;
    // A sine A·cos: x² gives A²/2 of second, x³ gives A³/4 of third harmonic.
    let a2 = stated.even_db.map_or(0.0, |db| 10f64.powf(db / 20.0) * peak / (peak * peak / 2.0));
    let a3 = stated.odd_db.map_or(0.0, |db| 10f64.powf(db / 20.0) * peak / (peak * peak * peak / 4.0));
    let low_pass = Shape::LowPass { corner_hz: stated.below_hz, q: FRAC_1_SQRT_2 };
    let mut lines = forward(volts);
    let spacing_hz = rate_hz / volts.len() as f64;
    for (k, line) in lines.iter_mut().enumerate() {
        *line *= response(&low_pass, k as f64 * spacing_hz, rate_hz);
    }
    let low = inverse(&lines, volts.len());
    volts.iter().zip(low).map(|(v, l)| v + a2 * l.powi(2) + a3 * l.powi(3)).collect()
}

fn padded(mut lines: Vec<Complex<f64>>, frames: usize) -> Vec<Complex<f64>> {
    lines.resize(frames / 2 + 1, Complex::new(0.0, 0.0));
    lines
}

/// Phasors (peak amplitude) of the lines of a period.
pub fn forward(samples: &[f64]) -> Vec<Complex<f64>> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(samples.len());
    let mut lines = plan.make_output_vec();
    plan.process(&mut samples.to_vec(), &mut lines).unwrap();
    let scale = 2.0 / samples.len() as f64;
    lines.iter_mut().for_each(|line| *line *= scale);
    lines
}

/// Samples of a period from its phasors.
pub fn inverse(lines: &[Complex<f64>], frames: usize) -> Vec<f64> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_inverse(frames);
    let mut input: Vec<_> = lines.iter().map(|line| line * 0.5).collect();
    input[0].im = 0.0;
    input[frames / 2].im = 0.0;
    let mut samples = plan.make_output_vec();
    plan.process(&mut input, &mut samples).unwrap();
    samples
}
