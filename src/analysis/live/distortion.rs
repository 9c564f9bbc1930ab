//! Distortion while it plays: the power on the lines that listen, over the last whole period of one input.
//!
//! A period captured on another clock is brought onto the played one first, with the clock that the takes before have
//! stated; any window of exactly one period will do, since only powers are wanted. Even lines hear even-order distortion,
//! detection lines odd-order (scaled per one-third octave to all odd lines from the 63 Hz band up), as for the stored
//! result. Both halves of the noise that the take of silence showed are taken off. One period has no interval: this is a
//! picture, never a result.

use super::super::band::{BANDS, lines_in};
use super::super::fft;
use super::super::finding::{HumLine, SilenceFinding};
use super::super::level::{FULL_SCALE_MS, audio_range};
use super::super::resample::{Path, Resampler};
use crate::signal::{LineKind, Period};
use crate::units::{SampleRate, db_from_power, power_from_db};
use std::sync::Arc;

/// First band in which odd-order distortion is given (63 Hz), as for the stored result.
const ODD_FROM_BAND: i32 = -12;
/// What is left after the noise is taken off must be this share of it to be shown.
const OVER_NOISE: f64 = 0.1;

/// What the analyser may expect to hear.
#[derive(Clone, Debug)]
pub struct Expected {
    /// The period that is played.
    pub period: Arc<Period>,
    /// Capture clock against playback clock, ppm.
    pub clock_ppm: f64,
    /// Noise of each input as the take of silence showed it; missing where there is none.
    pub noise: Vec<Option<NoiseFloor>>,
}

/// Noise that stands on the listening lines, mean square.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct NoiseFloor {
    /// 20 Hz to 20 kHz: half of it lies on even lines.
    pub all_ms: f64,
    /// From the 63 Hz band up: half of it is what scaled detection lines hear.
    pub odd_ms: f64,
    /// Mains hum, which leaks into lines of every kind.
    pub hum_ms: f64,
}

impl NoiseFloor {
    /// From the take of silence.
    pub fn of(silence: &SilenceFinding) -> NoiseFloor {
        let from = |first: i32| -> f64 {
            let bands = silence.bands.iter().filter(|b| b.x >= first);
            bands.filter_map(|b| b.level).map(|l| FULL_SCALE_MS * power_from_db(l.value)).sum()
        };
        let hum_ms = HumLine::mean_square_of(&silence.common.hum);
        NoiseFloor { all_ms: from(*BANDS.start()), odd_ms: from(ODD_FROM_BAND), hum_ms }
    }
}

/// Listens for distortion in one input at a time.
pub(super) struct Listener {
    expected: Expected,
    resampler: Arc<Resampler>,
    ratio: f64,
}

impl Listener {
    /// For what is expected, captured at `captured`.
    pub fn new(expected: Expected, captured: SampleRate) -> Listener {
        let highest = super::super::band::lower_edge_hz(BANDS.end() + 1);
        let played_hz = expected.period.rate.hz();
        let resampler = Resampler::cached(captured.hz(), played_hz, highest);
        Listener { ratio: captured.hz() / played_hz, resampler, expected }
    }

    /// Captured samples needed for one look.
    pub fn span(&self) -> usize {
        let frames = self.expected.period.samples.len() as f64;
        // 1000 ppm are allowed for; nothing that far apart is ever measured.
        (frames * self.ratio * 1.001).ceil() as usize + 2 * self.resampler.reach() + 1
    }

    /// Everything on listening lines re the stimulus, dB, of the last [`Listener::span`] samples; `None` where it does
    /// not stand over the noise.
    pub fn distortion_db(&self, input: usize, captured: &[f64]) -> Option<f64> {
        let period = &self.expected.period;
        let path = Path {
            start: self.resampler.reach() as f64,
            step: self.ratio * (1.0 + self.expected.clock_ppm * 1e-6),
            bend: 0.0,
        };
        let lines = fft::lines_of(&self.resampler.along(captured, &path, period.samples.len()));
        let spacing = period.line_spacing_hz();
        let power = |span: std::ops::Range<usize>, kind: LineKind| -> (f64, usize) {
            span.filter(|k| period.lines.kind(*k) == kind)
                .fold((0.0, 0), |(sum, count), k| (sum + lines[k].norm_sqr(), count + 1))
        };
        let audio = audio_range(spacing, lines.len());
        let stimulus: f64 = period.lines.of(LineKind::Excited).map(|k| lines[k].norm_sqr()).sum();
        let even = power(audio, LineKind::Even).0;
        let odd: f64 = (ODD_FROM_BAND..=*BANDS.end())
            .map(|x| {
                let span = lines_in(x, spacing);
                let span = span.start..span.end.min(lines.len());
                let (heard, listening) = power(span.clone(), LineKind::Detection);
                let excited = power(span, LineKind::Excited).1;
                if listening == 0 { 0.0 } else { heard * (listening + excited) as f64 / listening as f64 }
            })
            .sum();
        let floor = self.expected.noise.get(input).copied().flatten().unwrap_or_default();
        let noise = 0.5 * (floor.all_ms + floor.odd_ms);
        let left = even + odd - noise - floor.hum_ms;
        (left > OVER_NOISE * noise + floor.hum_ms && stimulus > 0.0).then(|| db_from_power(left / stimulus)).flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Stimulus;

    /// One clock 40 ppm fast, x + a·x² + b·x³: the truth is the plain sum over the lines of the bent period.
    #[test]
    fn a_polynomial_reads_its_own_power_across_two_clocks_and_noise_is_taken_off() {
        let rate = SampleRate::DEFAULT;
        let period = Stimulus::pink(rate).period(rate);
        let frames = period.samples.len();
        let ppm = 40.0;
        for bend in [0.02, 0.002] {
            let bent: Vec<f64> = period.samples.iter().map(|x| x + bend * x * x + 0.5 * bend * x * x * x).collect();
            let lines = fft::lines_of(&bent);
            let of = |kind| period.lines.of(kind).map(|k| lines[k].norm_sqr()).sum::<f64>();
            // Frames at the capture clock's instants, by the closed form of the period's lines sampled finely.
            let fine = fft::samples_of(&lines, 16 * frames);
            let listener = Listener::new(Expected { period: Arc::clone(&period), clock_ppm: ppm, noise: vec![] }, rate);
            let captured: Vec<f64> = (0..listener.span())
                .map(|n| {
                    let at = 16.0 * (777.3 + n as f64 / (1.0 + ppm * 1e-6));
                    let (whole, t) = (at.floor(), at - at.floor());
                    let x = |i: usize| fine[(whole as usize + i) % fine.len()];
                    x(0) + t * (x(1) - x(0))
                })
                .collect();
            let stated = listener.distortion_db(0, &captured).unwrap();
            // Even lines and, at their nominal share of four, detection lines.
            let truth = 10.0 * ((of(LineKind::Even) + 4.0 * of(LineKind::Detection)) / of(LineKind::Excited)).log10();
            assert!((stated - truth).abs() < 0.5, "{stated} for {truth}");
            let all = NoiseFloor { all_ms: of(LineKind::Excited), odd_ms: of(LineKind::Excited), hum_ms: 0.0 };
            let listener =
                Listener::new(Expected { period: Arc::clone(&period), clock_ppm: ppm, noise: vec![Some(all)] }, rate);
            assert_eq!(listener.distortion_db(0, &captured), None, "under the noise nothing is shown");
        }
    }
}
