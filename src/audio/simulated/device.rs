//! The desk at work: played frames in, captured frames out, each on its own clock.
//!
//! Streaming and deterministic: the captured frames depend on the spec and on the played frames only, not on how
//! either are cut into blocks. The converters look a few milliseconds ahead; the latency hides it.

use super::bench::{BenchSpec, PluggedIn, SoundSource};
use super::clock::{Clocks, History, Interpolator, Kernel, dot};
use super::filters::{Cascade, Shape};
use super::headphone::{Driver, Side};
use super::microphone::{Air, LineIn, Microphone};
use super::noise::Stream;
use super::output::OutputStage;
use super::route::{PlaybackRoute, Processor};
use crate::card::InputRole;
use crate::units::{SampleRate, amplitude_from_db};

/// Channels of the capture card.
pub const CAPTURE_CHANNELS: usize = INPUTS.len();

/// What each of them is connected to.
pub const INPUTS: [InputRole; 5] =
    [InputRole::LeftEar, InputRole::RightEar, InputRole::Witness, InputRole::Loopback, InputRole::SourceSide];

/// The simulated desk.
#[derive(Clone, Debug)]
pub struct Device {
    wanted: [bool; CAPTURE_CHANNELS],
    ears_hear_headphone: bool,
    route: PlaybackRoute,
    outputs: [OutputStage; 2],
    drivers: [Driver; 2],
    /// Pascals of both ears, volts across the left load, the played left channel, volts before the series resistor.
    signals: [History; CAPTURE_CHANNELS],
    played: u64,

    clocks: Clocks,
    latency_frames: f64,
    interpolator: Interpolator,
    half: usize,
    taps: usize,
    captured: u64,
    air: Air,
    microphones: [Microphone; 2],
    witness: LineIn,
    loopback: LineIn,
    capture_route: [Processor; CAPTURE_CHANNELS],
    source_side: LineIn,
    source_side_coupling: Cascade,
}

impl Device {
    /// The desk of this description between two cards of these nominal rates, all four channels computed.
    pub fn new(spec: &BenchSpec, playback_rate: SampleRate, capture_rate: SampleRate) -> Device {
        let clocks = Clocks::new(
            playback_rate,
            capture_rate,
            spec.playback_clock_ppm,
            spec.capture_clock_ppm,
            spec.clock_drift_ppm_per_s,
        );
        let kernel = Kernel::new(playback_rate.hz(), capture_rate.hz());
        let output = |stream| OutputStage::new(spec, playback_rate.hz(), stream);
        let outputs = [output(Stream::OutputLeft), output(Stream::OutputRight)];
        let delay = outputs[0].delay();
        let latency_frames = (spec.latency_s * clocks.playback_hz).max((delay + kernel.half + 1) as f64);
        let past = latency_frames.ceil() as usize + kernel.taps() + delay;
        let history = |lag: usize| History::new(-(lag as i64), past);
        Device {
            wanted: [true; CAPTURE_CHANNELS],
            ears_hear_headphone: spec.coupler.source == SoundSource::Headphone
                && spec.hookup.load == PluggedIn::Headphone,
            route: PlaybackRoute::new(&spec.route, playback_rate),
            outputs,
            drivers: [Side::Left, Side::Right].map(|side| Driver::new(spec, playback_rate, side)),
            signals: [history(delay), history(delay), history(delay), history(0), history(delay)],
            played: 0,
            latency_frames,
            interpolator: Interpolator::new(&kernel),
            half: kernel.half,
            taps: kernel.taps(),
            captured: 0,
            air: Air::new(spec, clocks.capture_hz),
            microphones: [
                Microphone::new(spec, capture_rate, Stream::LeftEar, Stream::DitherLeft),
                Microphone::new(spec, capture_rate, Stream::RightEar, Stream::DitherRight),
            ],
            witness: LineIn::new(
                spec,
                1.0 / spec.lines_in.witness_full_scale_v,
                Stream::Witness,
                Stream::DitherWitness,
            ),
            loopback: LineIn::new(
                spec,
                amplitude_from_db(spec.lines_in.loopback_gain_db),
                Stream::Loopback,
                Stream::DitherLoopback,
            ),
            capture_route: [(); CAPTURE_CHANNELS].map(|()| Processor::new(&spec.route.capture, capture_rate.hz())),
            source_side: LineIn::new(
                spec,
                1.0 / spec.lines_in.source_side_full_scale_v,
                Stream::SourceSide,
                Stream::DitherSourceSide,
            ),
            source_side_coupling: Cascade::new(
                &spec.lines_in.source_side_corner_hz.map(|corner_hz| Shape::FirstOrderHighPass { corner_hz }),
                capture_rate.hz(),
            ),
            clocks,
        }
    }

    /// Computes only these channels (left ear, right ear, witness, loopback, source side); the others stay zero. Call it before
    /// the first frame is played. The wanted channels are the same bit for bit as with all.
    pub fn wanting(mut self, channels: [bool; CAPTURE_CHANNELS]) -> Device {
        self.wanted = channels;
        self
    }

    /// True delay from a played frame to its captured image, seconds: the spec's, or the least the converters need.
    pub fn latency_s(&self) -> f64 {
        self.latency_frames / self.clocks.playback_hz
    }

    /// Bench time, seconds: how long the playback card has played.
    pub fn now_s(&self) -> f64 {
        self.played as f64 / self.clocks.playback_hz
    }

    /// Consumes frames of the playback card (left, right), on its own clock.
    pub fn play(&mut self, frames: &[[f32; 2]]) {
        let [left_ear, right_ear, witness, loopback, source_side] = self.wanted;
        let hears = self.ears_hear_headphone;
        for played in frames {
            let frame = self.route.pass(*played);
            if witness || source_side || (left_ear && hears) {
                let volts = self.outputs[0].push(frame[0]);
                self.signals[2].push(volts.load);
                self.signals[4].push(volts.source_side);
                if left_ear && hears {
                    self.signals[0].push(self.drivers[0].push(volts.load));
                }
            }
            if right_ear && hears {
                let volts = self.outputs[1].push(frame[1]);
                self.signals[1].push(self.drivers[1].push(volts.load));
            }
            if loopback {
                self.signals[3].push(frame[0]);
            }
        }
        self.played += frames.len() as u64;
    }

    /// Appends every captured frame whose instant has passed: left ear, right ear, witness, loopback, source side.
    pub fn capture(&mut self, out: &mut Vec<[f32; CAPTURE_CHANNELS]>) {
        while self.clocks.played_at(self.captured) < self.played as f64 {
            out.push(self.frame());
            self.captured += 1;
        }
        let oldest = (self.clocks.played_at(self.captured) - self.latency_frames).floor() as i64 - self.taps as i64;
        self.signals.iter_mut().for_each(|signal| signal.forget_before(oldest));
    }

    fn frame(&mut self) -> [f32; CAPTURE_CHANNELS] {
        let [left_ear, right_ear, witness, loopback, source_side] = self.wanted;
        let hears = self.ears_hear_headphone;
        let place = self.clocks.played_at(self.captured) - self.latency_frames;
        let whole = place.floor();
        let weights = self.interpolator.weights(place - whole);
        let from = whole as i64 + 1 - self.half as i64;
        let signals = &self.signals;
        let taps = self.taps;
        let heard = |channel: usize| dot(signals[channel].window(from, taps), weights);
        let air = self.air.at(self.captured);
        let mut frame = [0.0; CAPTURE_CHANNELS];
        for ear in 0..2 {
            if [left_ear, right_ear][ear] {
                let sound = if hears { heard(ear) } else { 0.0 };
                frame[ear] = self.microphones[ear].push(sound + air);
            }
        }
        if witness {
            frame[2] = self.witness.push(heard(2));
        }
        if loopback {
            frame[3] = self.loopback.push(heard(3));
        }
        if source_side {
            let volts = self.source_side_coupling.push(heard(4));
            frame[4] = self.source_side.push(volts);
        }
        for ((sample, route), _) in frame.iter_mut().zip(&mut self.capture_route).zip(self.wanted).filter(|(_, w)| *w) {
            *sample = route.pass(f64::from(*sample)) as f32;
        }
        frame
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::simulated::{Disturbance, Hum};
    use crate::signal::Stimulus;

    const RATE: SampleRate = SampleRate::DEFAULT;

    fn busy_bench() -> BenchSpec {
        let mut spec = BenchSpec::default();
        spec.microphone.hum = vec![Hum { frequency_hz: 50.03, level_db_spl: 60.0 }];
        spec.microphone.disturbances = vec![Disturbance { start_s: 0.2, level_db_spl: 80.0, decay_s: 0.1 }];
        spec
    }

    fn run(mut device: Device, played: &[[f32; 2]], cut: impl Fn(usize) -> usize) -> Vec<[f32; CAPTURE_CHANNELS]> {
        let mut out = Vec::new();
        let (mut at, mut turn) = (0, 0);
        while at < played.len() {
            let end = (at + cut(turn)).min(played.len());
            device.play(&played[at..end]);
            device.capture(&mut out);
            (at, turn) = (end, turn + 1);
        }
        out
    }

    fn pink(frames: usize) -> Vec<[f32; 2]> {
        let period = Stimulus::pink(RATE).period(RATE);
        period.samples.iter().cycle().take(frames).map(|x| [*x as f32, -*x as f32]).collect()
    }

    #[test]
    fn however_the_frames_are_cut_into_blocks_the_capture_is_the_same_bit_for_bit() {
        let played = pink(40_000);
        let device = || Device::new(&busy_bench(), RATE, SampleRate::new(44_100).unwrap());
        let whole = run(device(), &played, |_| usize::MAX - 100_000);
        assert!(whole.iter().any(|f| f[0].abs() > 1e-3));
        let single = run(device(), &played, |_| 1);
        let ragged = run(device(), &played, |turn| 1 + (turn * 7_919) % 3_001);
        for other in [single, ragged] {
            assert_eq!(whole.len(), other.len());
            assert!(whole.iter().zip(&other).all(|(a, b)| a.map(f32::to_bits) == b.map(f32::to_bits)));
        }
    }

    #[test]
    fn a_channel_nobody_wants_stays_zero_and_changes_no_other() {
        let played = pink(100_000);
        let all = run(Device::new(&busy_bench(), RATE, RATE), &played, |_| 2_048);
        let one =
            run(Device::new(&busy_bench(), RATE, RATE).wanting([false, true, false, false, false]), &played, |_| 2_048);
        assert_eq!(all.len(), one.len());
        assert!(
            all.iter()
                .zip(&one)
                .all(|(a, b)| a[1].to_bits() == b[1].to_bits()
                    && b[0].abs() + b[2].abs() + b[3].abs() + b[4].abs() <= 0.0)
        );
    }

    /// 100 s at nominal rates 96 000 and 44 100 Hz and clocks of +200 and −150 ppm: captured frames over played
    /// frames is the ratio of the true rates.
    #[test]
    fn as_many_frames_are_captured_as_the_two_clocks_demand() {
        let mut spec = busy_bench();
        (spec.playback_clock_ppm, spec.capture_clock_ppm) = (200.0, -150.0);
        let (from, to) = (SampleRate::new(96_000).unwrap(), SampleRate::new(44_100).unwrap());
        let mut device = Device::new(&spec, from, to).wanting([false; CAPTURE_CHANNELS]);
        let (mut out, mut frames) = (Vec::new(), 0);
        for _ in 0..100 {
            device.play(&vec![[0.0; 2]; 96_000]);
            device.capture(&mut out);
            frames += out.len();
            out.clear();
        }
        let expected = 4_410_000.0 * (1.0 - 150e-6) / (1.0 + 200e-6);
        assert!((frames as f64 - expected).abs() <= 1.0, "{frames} against {expected}");
        assert!((device.now_s() - 100.0 / (1.0 + 200e-6)).abs() < 1e-9);
    }
}
