//! What a system, a server or a cable may do to the sound on its way although nobody asked for it, each a fault that the
//! path check must find. By default it does nothing: every sample then passes bit for bit.
//!
//! ```text
//! played ─► swap ─► polarity ─► crosstalk ─► processing ─► output under test …
//! … microphone, converter ─► processing ─► captured
//!
//! processing: gain control ─► suppression ─► look-ahead ─► slew limit ─► another rate ─► bits
//! ```

use crate::signal::kaiser;
use crate::units::{SampleRate, amplitude_from_db};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::f64::consts::PI;

/// A resampler passes this share of half its rate, and nothing from half its rate on (usual of good servers).
const PASSES_SHARE: f64 = 0.91;
/// What it leaves above, dB.
const STOP_DB: f64 = 100.0;

/// The way on both sides of the desk.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RouteSpec {
    /// The left channel sounds on the right and the right one on the left.
    pub swapped: bool,
    /// The right channel's polarity is turned.
    pub right_inverted: bool,
    /// How much of each channel leaks into the other, dB; `None`: nothing.
    pub crosstalk_db: Option<f64>,
    /// Processing between the program and the playback converter, each channel by itself.
    pub playback: Processing,
    /// Processing between the capture converter and the program, each channel by itself.
    pub capture: Processing,
}

/// What "enhancements" do to one direction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Processing {
    /// A gain that falls where it is loud.
    pub gain_control: Option<GainControl>,
    /// A gain that falls where it is quiet: gate, noise suppression.
    pub suppression: Option<Suppression>,
    /// A limiter that sees peaks coming.
    pub look_ahead: Option<LookAhead>,
    /// Steepest slope that passes, full scales a second.
    pub slew_per_s: Option<f64>,
    /// Bits of a format on the path, rounded without dither.
    pub bits: Option<u32>,
    /// The rate of a server on the path, Hz: what lies above half of it is lost. Costs a few milliseconds of delay.
    pub passes_hz: Option<f64>,
}

/// A limiter that lowers the gain before a peak arrives, so that no top is flat.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LookAhead {
    /// Peak that is not passed, full scales.
    pub above: f64,
    /// How far it sees, seconds; its delay.
    pub ahead_s: f64,
    /// Time constant with which the gain comes back, seconds.
    pub release_s: f64,
}

/// Automatic gain: what stands over a level is lowered, decibel for decibel, down to a limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GainControl {
    /// Level from which the gain falls, dBFS RMS.
    pub above_dbfs: f64,
    /// How far it falls at most, dB.
    pub most_db: f64,
    /// Time constant of the level that it follows, seconds.
    pub time_s: f64,
}

/// Gate or noise suppression: what stays under a level is lowered.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Suppression {
    /// Level under which it acts, dBFS RMS.
    pub below_dbfs: f64,
    /// How much it takes off, dB.
    pub by_db: f64,
    /// Time constant of the level that it follows and of its gain, seconds.
    pub time_s: f64,
}

/// The playback side at work: both channels.
#[derive(Clone, Debug)]
pub(super) struct PlaybackRoute {
    swapped: bool,
    right: f64,
    leak: f64,
    channels: [Processor; 2],
}

impl PlaybackRoute {
    pub fn new(spec: &RouteSpec, rate: SampleRate) -> PlaybackRoute {
        PlaybackRoute {
            swapped: spec.swapped,
            right: if spec.right_inverted { -1.0 } else { 1.0 },
            leak: spec.crosstalk_db.map_or(0.0, amplitude_from_db),
            channels: [Processor::new(&spec.playback, rate.hz()), Processor::new(&spec.playback, rate.hz())],
        }
    }

    #[inline]
    pub fn pass(&mut self, frame: [f32; 2]) -> [f64; 2] {
        let [left, right] = frame.map(f64::from);
        let [left, right] = if self.swapped { [right, left] } else { [left, right] };
        let right = self.right * right;
        let mixed = [left + self.leak * right, right + self.leak * left];
        [self.channels[0].pass(mixed[0]), self.channels[1].pass(mixed[1])]
    }
}

/// One channel of one direction.
#[derive(Clone, Debug)]
pub(super) struct Processor {
    gain_control: Option<(GainControl, Follower)>,
    suppression: Option<(Suppression, Follower, f64)>,
    look_ahead: Option<LookAheadLimiter>,
    /// Steepest step from frame to frame, and the last frame.
    slew: Option<(f64, f64)>,
    /// Steps of the format from zero to full scale.
    steps: Option<f64>,
    low_pass: Option<LowPass>,
}

impl Processor {
    pub fn new(spec: &Processing, rate_hz: f64) -> Processor {
        Processor {
            gain_control: spec.gain_control.map(|g| (g, Follower::new(g.time_s, rate_hz))),
            suppression: spec.suppression.map(|s| (s, Follower::new(s.time_s, rate_hz), -s.by_db)),
            look_ahead: spec.look_ahead.map(|spec| LookAheadLimiter::new(spec, rate_hz)),
            slew: spec.slew_per_s.map(|slope| (slope / rate_hz, 0.0)),
            steps: spec.bits.map(|bits| f64::from(bits - 1).exp2()),
            low_pass: spec.passes_hz.map(|hz| LowPass::new(0.5 * hz / rate_hz)),
        }
    }

    #[inline]
    pub fn pass(&mut self, mut x: f64) -> f64 {
        if let Some((spec, follower)) = &mut self.gain_control {
            let over_db = follower.level_dbfs(x) - spec.above_dbfs;
            x *= amplitude_from_db(-over_db.clamp(0.0, spec.most_db));
        }
        if let Some((spec, follower, gain_db)) = &mut self.suppression {
            let wanted_db = if follower.level_dbfs(x) < spec.below_dbfs { -spec.by_db } else { 0.0 };
            *gain_db += follower.share * (wanted_db - *gain_db);
            x *= amplitude_from_db(*gain_db);
        }
        if let Some(limiter) = &mut self.look_ahead {
            x = limiter.pass(x);
        }
        if let Some((steepest, last)) = &mut self.slew {
            *last += (x - *last).clamp(-*steepest, *steepest);
            x = *last;
        }
        if let Some(low_pass) = &mut self.low_pass {
            x = low_pass.pass(x);
        }
        self.steps.map_or(x, |steps| (x * steps).round() / steps)
    }
}

/// The gain is the lowest that any frame in sight needs, and comes back slowly.
#[derive(Clone, Debug)]
struct LookAheadLimiter {
    above: f64,
    back: f64,
    gain: f64,
    coming: VecDeque<f64>,
}

impl LookAheadLimiter {
    fn new(spec: LookAhead, rate_hz: f64) -> LookAheadLimiter {
        let ahead = (spec.ahead_s * rate_hz).round() as usize;
        LookAheadLimiter {
            above: spec.above,
            back: 1.0 - (-1.0 / (spec.release_s * rate_hz)).exp(),
            gain: 1.0,
            coming: std::iter::repeat_n(0.0, ahead).collect(),
        }
    }

    fn pass(&mut self, x: f64) -> f64 {
        self.coming.push_back(x);
        let peak = self.coming.iter().fold(0.0f64, |peak, x| peak.max(x.abs()));
        self.gain += self.back * (1.0 - self.gain);
        self.gain = self.gain.min(self.above / peak.max(self.above));
        self.gain * self.coming.pop_front().unwrap_or(x)
    }
}

/// Mean square through one pole.
#[derive(Clone, Copy, Debug)]
struct Follower {
    share: f64,
    mean_square: f64,
}

impl Follower {
    fn new(time_s: f64, rate_hz: f64) -> Follower {
        Follower { share: 1.0 - (-1.0 / (time_s * rate_hz)).exp(), mean_square: 0.0 }
    }

    /// dBFS: mean square re ½ (AES17).
    fn level_dbfs(&mut self, x: f64) -> f64 {
        self.mean_square += self.share * (x * x - self.mean_square);
        10.0 * (2.0 * self.mean_square).max(1e-30).log10()
    }
}

/// Windowed sinc whose stop band begins at `end` of the rate (Kaiser & Schafer 1980, as in `clock.rs`).
#[derive(Clone, Debug)]
struct LowPass {
    taps: Vec<f64>,
    past: VecDeque<f64>,
}

impl LowPass {
    fn new(end: f64) -> LowPass {
        let transition = (1.0 - PASSES_SHARE) * end;
        let half = (0.5 * (STOP_DB - 7.95) / (14.36 * transition)).ceil();
        let (cutoff, beta) = (end - 0.5 * transition, 0.1102 * (STOP_DB - 8.7));
        let at = |t: f64| {
            let phase = 2.0 * PI * cutoff * t;
            let sinc = if phase.abs() < 1e-12 { 1.0 } else { phase.sin() / phase };
            2.0 * cutoff * sinc * kaiser(t / (half + 1.0), beta)
        };
        let taps: Vec<f64> = (0..=2 * half as usize).map(|i| at(i as f64 - half)).collect();
        LowPass { past: taps.iter().map(|_| 0.0).collect(), taps }
    }

    fn pass(&mut self, x: f64) -> f64 {
        self.past.pop_front();
        self.past.push_back(x);
        self.past.iter().zip(&self.taps).map(|(x, tap)| x * tap).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 48_000.0;

    /// Level of a sine of this frequency and level after a second of it, dBFS.
    fn after(processing: Processing, frequency_hz: f64, dbfs: f64) -> f64 {
        let mut processor = Processor::new(&processing, RATE_HZ);
        let sine = |n: usize| amplitude_from_db(dbfs) * (TAU * frequency_hz * n as f64 / RATE_HZ).sin();
        let out: Vec<f64> = (0..96_000).map(|n| processor.pass(sine(n))).collect();
        let mean_square = out[48_000..].iter().map(|x| x * x).sum::<f64>() / 48_000.0;
        10.0 * (2.0 * mean_square).log10()
    }

    #[test]
    fn a_gain_control_lowers_what_is_loud_by_no_more_than_its_most() {
        let control = GainControl { above_dbfs: -40.0, most_db: 0.2, time_s: 0.1 };
        let with = Processing { gain_control: Some(control), ..Processing::default() };
        assert!((after(with, 1000.0, -50.0) + 50.0).abs() < 1e-3);
        assert!((after(with, 1000.0, -20.0) + 20.2).abs() < 1e-3);
    }

    #[test]
    fn a_suppression_lowers_what_is_quiet() {
        let suppression = Suppression { below_dbfs: -40.0, by_db: 0.5, time_s: 0.05 };
        let with = Processing { suppression: Some(suppression), ..Processing::default() };
        assert!((after(with, 1000.0, -50.0) + 50.5).abs() < 1e-3);
        assert!((after(with, 1000.0, -20.0) + 20.0).abs() < 1e-3);
    }

    /// Closed forms: no sample over the limit and no slope over its own, and what is under them untouched; rounding to n bits leaves
    /// steps of 2^(1−n).
    #[test]
    fn limiters_hold_peak_and_slope_and_bits_are_steps() {
        let spec = LookAhead { above: 0.25, ahead_s: 0.001, release_s: 0.05 };
        let with = Processing { look_ahead: Some(spec), ..Processing::default() };
        let mut limiter = Processor::new(&with, RATE_HZ);
        let loud: Vec<f64> = (0..9_600).map(|n| limiter.pass((TAU * 0.013 * n as f64).sin())).collect();
        assert!(loud.iter().all(|x| x.abs() <= 0.25 + 1e-12) && loud.iter().any(|x| x.abs() > 0.24));
        assert!((after(with, 1000.0, -20.0) + 20.0).abs() < 1e-3);
        let slew = Processing { slew_per_s: Some(400.0), ..Processing::default() };
        let mut slow = Processor::new(&slew, RATE_HZ);
        let ramps: Vec<f64> = (0..9_600).map(|n| slow.pass((TAU * n as f64 / 48.0).sin())).collect();
        let steepest = ramps.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max);
        assert!((steepest - 400.0 / RATE_HZ).abs() < 1e-12, "{steepest}");
        assert!((after(slew, 20.0, -20.0) + 20.0).abs() < 1e-3, "its slope is 12.6 a second");
        let mut eight = Processor::new(&Processing { bits: Some(8), ..Processing::default() }, RATE_HZ);
        assert!((eight.pass(0.3) - 38.0 / 128.0).abs() < 1e-12);
    }

    #[test]
    fn another_rate_passes_what_lies_below_half_of_it_and_nothing_above() {
        let with = Processing { passes_hz: Some(44_100.0), ..Processing::default() };
        assert!((after(with, 19_000.0, -20.0) + 20.0).abs() < 1e-3);
        assert!(after(with, 22_060.0, -20.0) < -110.0);
    }

    #[test]
    fn channels_are_swapped_turned_and_leak_as_asked_and_pass_untouched_by_default() {
        let pass = |spec: RouteSpec| PlaybackRoute::new(&spec, SampleRate::DEFAULT).pass([0.5, 0.25]);
        let gives =
            |spec: RouteSpec, wanted: [f64; 2]| assert_eq!(pass(spec).map(f64::to_bits), wanted.map(f64::to_bits));
        gives(RouteSpec::default(), [0.5, 0.25]);
        gives(RouteSpec { swapped: true, ..RouteSpec::default() }, [0.25, 0.5]);
        gives(RouteSpec { right_inverted: true, ..RouteSpec::default() }, [0.5, -0.25]);
        let leaks = pass(RouteSpec { crosstalk_db: Some(-40.0), ..RouteSpec::default() });
        assert!((leaks[0] - 0.5025).abs() < 1e-12 && (leaks[1] - 0.255).abs() < 1e-12);
    }
}
