//! What a system, a server or a cable may do to the sound on its way although nobody asked for it, each a fault that the
//! path check must find. By default it does nothing: every sample then passes bit for bit.
//!
//! ```text
//! played ─► swap ─► polarity ─► crosstalk ─► gain control ─► suppression ─► another rate ─► output under test …
//! … microphone, converter ─► gain control ─► suppression ─► another rate ─► captured
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
    /// The rate of a server on the way, Hz: what lies above half of it is lost. Costs a few milliseconds of delay.
    pub passes_hz: Option<f64>,
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
    low_pass: Option<LowPass>,
}

impl Processor {
    pub fn new(spec: &Processing, rate_hz: f64) -> Processor {
        Processor {
            gain_control: spec.gain_control.map(|g| (g, Follower::new(g.time_s, rate_hz))),
            suppression: spec.suppression.map(|s| (s, Follower::new(s.time_s, rate_hz), -s.by_db)),
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
        match &mut self.low_pass {
            Some(low_pass) => low_pass.pass(x),
            None => x,
        }
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
