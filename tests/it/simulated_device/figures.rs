//! Figures that are printed, not checked.

use super::{HIGHEST_HZ, rate};
use crate::common::truth::{self, forward};
use loudenough::audio::simulated::{ActsOn, BenchSpec, CAPTURE_CHANNELS, Device};
use loudenough::signal::Stimulus;
use loudenough::units::SampleRate;
use realfft::num_complex::Complex;

/// Not a check: prints what an ever finer waveform would change in the residue of clipping (0.5 to 6 dB over).
#[test]
#[ignore = "measures a figure; run with --ignored --nocapture"]
fn figure_of_the_eight_points_per_sample() {
    let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
    let clip = |factor: usize, level: f64| {
        let mut lines = forward(&period.samples);
        let frames = period.samples.len() * factor;
        lines.resize(frames / 2 + 1, Complex::new(0.0, 0.0));
        let fine: Vec<f64> = truth::inverse(&lines, frames).iter().map(|x| x.clamp(-level, level) - x).collect();
        let mut lines = forward(&fine);
        lines.truncate((HIGHEST_HZ / period.line_spacing_hz()) as usize);
        lines
    };
    for over_db in [0.5, 2.0, 6.0] {
        let level = 10f64.powf(-over_db / 20.0);
        let reference = clip(64, level);
        for factor in [4, 8, 16] {
            let (mut error, mut power) = (0.0, 0.0);
            for (a, b) in clip(factor, level).iter().zip(&reference) {
                error += (a - b).norm_sqr();
                power += b.norm_sqr();
            }
            println!("{over_db} dB over, {factor} points: {:.1} dB of the residue", 10.0 * (error / power).log10());
        }
    }
}

/// Not a check: prints how many times faster than time the device runs.
#[test]
#[ignore = "measures speed; run with --ignored --nocapture"]
fn speed_of_the_device() {
    let period = Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT);
    for (what, acts_on, wanted, to) in [
        ("samples, left ear", ActsOn::Samples, [true, false, false, false, false], 48_000),
        ("waveform, left ear", ActsOn::Waveform, [true, false, false, false, false], 48_000),
        ("samples, all", ActsOn::Samples, [true; CAPTURE_CHANNELS], 48_000),
        ("waveform, all", ActsOn::Waveform, [true; CAPTURE_CHANNELS], 48_000),
        ("waveform, left ear, to 44.1 kHz", ActsOn::Waveform, [true, false, false, false, false], 44_100),
    ] {
        let mut spec = BenchSpec::named("console phones socket", "closed 80 Ω").unwrap();
        spec.output.acts_on = acts_on;
        let played: Vec<[f32; 2]> = period.samples.iter().cycle().take(960_000).map(|x| [0.8 * *x as f32; 2]).collect();
        let mut device = Device::new(&spec, rate(48_000), rate(to)).wanting(wanted);
        let mut out = Vec::new();
        let start = std::time::Instant::now();
        for block in played.chunks(2_048) {
            device.play(block);
            device.capture(&mut out);
        }
        println!("{what}: {:.0} times real time", 20.0 / start.elapsed().as_secs_f64());
    }
}
