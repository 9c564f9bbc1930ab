//! Did something on the path change the rate? A server that resamples leaves nothing above half the lower of the two rates,
//! and no analogue part ends so abruptly.
//!
//! | seen in | sign |
//! |---|---|
//! | silence | the noise falls by more than 40 dB within a third of an octave round half of a usual rate, for good |
//! | pink noise | so do the stimulus' own lines, by more than 45 dB |
//!
//! It cannot be seen where the rate on the path is the higher one, where the noise ends in the rounding of the samples (16
//! bits after the resampling) or the stream is digital zero; and not in the stimulus, whose lines end at 22.4 kHz, where the
//! resampler's filter is shallow: 1 % above its end it takes off little.

use super::fft;
use super::finding::{EndFinding, Flaw};
use super::level::usable;
use super::spectra::Spectra;
use super::sums::LineSum;
use crate::signal::LineKind;
use crate::units::db_from_power;
use std::f64::consts::TAU;

/// Half of the usual rates, Hz, lowest first.
const ENDS_HZ: [f64; 8] = [8_000.0, 11_025.0, 16_000.0, 22_050.0, 24_000.0, 44_100.0, 48_000.0, 88_200.0];
/// Shares of an end: what should still be there, and from where on nothing should.
const BELOW: (f64, f64) = (0.80, 0.88);
const ABOVE: f64 = 1.15;
/// The same where the capture itself ends before: only a steep filter can be seen there.
const ABOVE_NEAR: f64 = 1.03;
/// The fall has begun where the noise is this far down, dB; it is followed in steps of this ratio.
const BEGUN_DB: f64 = 3.0;
const STEP: f64 = 1.01;
/// The capture's own converter ends here, share of its Nyquist frequency.
const OWN_END: f64 = 0.98;
/// The noise falls by at least this, dB.
const CLIFF_DB: f64 = 40.0;
/// The stimulus' lines right above an end miss by this, dB; shares of the end between which they lie.
const MISSING_DB: f64 = 45.0;
const JUST_ABOVE: (f64, f64) = (1.003, 1.015);
/// Length of a segment, seconds; width of what is averaged where something could come back, share of its frequency.
const SEGMENT_S: f64 = 0.1;
const WIDTH: f64 = 0.03;

/// A doubt where the noise of a silent take ends in a cliff.
pub fn in_silence(samples: &[f32], rate_hz: f64) -> Option<Flaw> {
    let frames = (SEGMENT_S * rate_hz) as usize;
    let density = density(samples, frames)?;
    let spacing = rate_hz / frames as f64;
    let part = |low_hz: f64, high_hz: f64| {
        let from = ((low_hz / spacing) as usize).min(density.len());
        &density[from..((high_hz / spacing) as usize).clamp(from, density.len())]
    };
    // A whistle below an end must not pass for noise, and one above it is something that came through.
    let median = |low_hz: f64, high_hz: f64| {
        let mut lines = part(low_hz, high_hz).to_vec();
        lines.sort_by(f64::total_cmp);
        lines.get(lines.len() / 2).copied().unwrap_or(0.0)
    };
    let mean = |low_hz: f64, high_hz: f64| {
        let lines = part(low_hz, high_hz);
        lines.iter().sum::<f64>() / lines.len().max(1) as f64
    };
    let last_hz = OWN_END * 0.5 * rate_hz;
    let ends_at = |end_hz: &&f64| {
        let below = median(BELOW.0 * **end_hz, BELOW.1 * **end_hz);
        let room = |share: f64| share * **end_hz * (1.0 + WIDTH) < last_hz;
        let Some(share) = [ABOVE, ABOVE_NEAR].into_iter().find(|share| room(*share)) else { return false };
        let (mut from_hz, mut highest) = (share * **end_hz, 0.0f64);
        while from_hz * (1.0 + WIDTH) < last_hz {
            highest = highest.max(mean(from_hz, from_hz * (1.0 + WIDTH)));
            from_hz *= 1.0 + WIDTH;
        }
        below > 0.0 && db_from_power(highest / below).is_none_or(|db| db < -CLIFF_DB)
    };
    let first = ENDS_HZ.iter().find(ends_at)?;
    // 22.05 and 24 kHz lie so close that one cliff fits both, and a shallow one may be either's: every end between where
    // the fall begins and where it has reached its floor.
    let below = median(BELOW.0 * first, BELOW.1 * first);
    let down_to = |db: f64| {
        let mut at_hz = BELOW.0 * first;
        while at_hz < last_hz && db_from_power(mean(at_hz, at_hz * STEP) / below).is_some_and(|now| now > db) {
            at_hz *= STEP;
        }
        at_hz
    };
    let fall = down_to(-BEGUN_DB) / STEP..=down_to(-CLIFF_DB) * STEP;
    let within: Vec<f64> = ENDS_HZ.iter().copied().filter(|end_hz| fall.contains(end_hz)).collect();
    Some(flaw(if within.is_empty() { std::slice::from_ref(first) } else { &within }))
}

/// A doubt where the stimulus' lines end below what was captured.
pub fn in_stimulus(s: &Spectra) -> Option<Flaw> {
    let spacing = s.period.line_spacing_hz();
    // Noise stays in: it can only hide what is missing.
    let gain = |low_hz: f64, high_hz: f64| {
        let span = (low_hz / spacing).ceil() as usize..(high_hz / spacing).ceil() as usize;
        let sums = usable(s, LineKind::Excited, span)
            .fold((0.0, 0.0), |sum, k| (sum.0 + s.mean[k].norm_sqr(), sum.1 + s.played[k].norm_sqr()));
        (sums.1 > 0.0).then(|| sums.0 / sums.1)
    };
    let missing = |end_hz: &&f64| {
        let below = gain(BELOW.0 * **end_hz, BELOW.1 * **end_hz);
        let above = gain(JUST_ABOVE.0 * **end_hz, JUST_ABOVE.1 * **end_hz);
        below.zip(above).is_some_and(|(b, a)| b > 0.0 && db_from_power(a / b).is_none_or(|db| db < -MISSING_DB))
    };
    ENDS_HZ.iter().find(missing).map(|end_hz| flaw(&[*end_hz]))
}

/// How far the stimulus falls across half of each usual rate, noise taken off: a sign also where it does not stand far
/// enough over the noise for a cliff.
pub fn falls(s: &Spectra) -> Vec<EndFinding> {
    let spacing = s.period.line_spacing_hz();
    let sums = |low_hz: f64, high_hz: f64| {
        let (mut sum, mut played) = (LineSum::new(s.periods), 0.0);
        let span = (low_hz / spacing).ceil() as usize..(high_hz / spacing).ceil() as usize;
        for k in usable(s, LineKind::Excited, span) {
            sum.add(s.mean[k].norm_sqr(), s.noise_of_mean(k), s.dof[k]);
            played += s.played[k].norm_sqr();
        }
        sum.over_noise().map(|power| (power, played))
    };
    let fall = |end_hz: &f64| {
        let (below, below_played) = sums(BELOW.0 * end_hz, BELOW.1 * end_hz).filter(|(below, _)| below.seen)?;
        let (above, above_played) = sums(JUST_ABOVE.0 * end_hz, JUST_ABOVE.1 * end_hz)?;
        Some(EndFinding { end_hz: *end_hz, fall_db: above.reading(below.value / below_played * above_played) })
    };
    ENDS_HZ.iter().filter_map(fall).collect()
}

fn flaw(ends_hz: &[f64]) -> Flaw {
    let in_khz = |times: f64| {
        let words: Vec<String> = ends_hz.iter().map(|end_hz| (times * end_hz / 1000.0).to_string()).collect();
        words.join(" or ")
    };
    Flaw::doubt(
        "resampled",
        format!(
            "Something on the path changed the sample rate: the captured spectrum ends near {} kHz, as if part of the path ran at {} kHz. Figures above that frequency are lost; those below it include the resampler's own. Open the card directly or set the server to this rate.",
            in_khz(1.0),
            in_khz(2.0)
        ),
    )
}

/// Mean power per line over Hann segments; `None` where there is not one, or nothing in it.
fn density(samples: &[f32], frames: usize) -> Option<Vec<f64>> {
    let window: Vec<f64> = (0..frames).map(|n| 0.5 - 0.5 * (TAU * n as f64 / frames as f64).cos()).collect();
    let mut sum = vec![0.0; frames / 2 + 1];
    for segment in samples.chunks_exact(frames) {
        let windowed: Vec<f64> = segment.iter().zip(&window).map(|(x, w)| f64::from(*x) * w).collect();
        for (sum, line) in sum.iter_mut().zip(fft::lines_of(&windowed)) {
            *sum += line.norm_sqr();
        }
    }
    (frames > 1 && sum.iter().any(|p| *p > 0.0)).then_some(sum)
}

#[cfg(test)]
mod tests {
    use super::*;
    use realfft::num_complex::Complex;
    use realfft::num_traits::Zero;

    /// White noise of one second at `rate_hz` that falls to a floor so many dB lower between `end_hz` less and more that
    /// share of it.
    fn noise(rate_hz: f64, end_hz: f64, slope: f64, floor_db: f64) -> Vec<f32> {
        let frames = rate_hz as usize;
        let mut state = 1u64;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / (1u64 << 24) as f64 - 0.5
        };
        let mut lines = vec![Complex::zero(); frames / 2 + 1];
        for (hz, line) in lines.iter_mut().enumerate() {
            let down = ((hz as f64 / end_hz - 1.0) / slope.max(1e-6) + 1.0).clamp(0.0, 2.0) / 2.0;
            let size = 1e-5 * 10f64.powf(-floor_db * down / 20.0);
            *line = Complex::new(size * random(), size * random());
        }
        fft::samples_of(&lines, frames).iter().map(|x| *x as f32).collect()
    }

    #[test]
    fn noise_that_ends_at_half_of_a_usual_rate_below_its_own_is_noticed() {
        for (rate, end) in [(48_000.0, 22_050.0), (96_000.0, 22_050.0), (96_000.0, 24_000.0), (192_000.0, 48_000.0)] {
            // The usual servers' filters fall within some percent, the shallow ones within a tenth on either side.
            for slope in [0.01, 0.12].into_iter().filter(|slope| *slope < 0.1 || rate > 2.5 * end) {
                let found = in_silence(&noise(rate, end, slope, 60.0), rate).map(|flaw| flaw.text);
                let says = format!("ends near {} kHz", end / 1000.0);
                // A shallow fall may fit two ends; then both are given.
                let either = [format!(" {} or", end / 1000.0), format!("or {} kHz", end / 1000.0)];
                let stated = |text: &String| {
                    text.contains(&says) || slope > 0.1 && either.iter().any(|words| text.contains(words))
                };
                assert!(found.as_ref().is_some_and(stated), "{rate}: {found:?} for {end}");
            }
        }
    }

    #[test]
    fn noise_up_to_the_end_a_shallow_fall_and_digital_zero_say_nothing() {
        for rate in [44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0] {
            assert_eq!(in_silence(&noise(rate, rate, 0.0, 0.0), rate), None, "{rate}");
            assert_eq!(in_silence(&vec![0.0; rate as usize], rate), None, "{rate}");
            assert_eq!(in_silence(&noise(rate, 22_050.0, 0.0, 30.0), rate), None, "{rate}");
            let whistle = |n: usize| (1e-3 * (TAU * 18_500.0 * n as f64 / rate).sin()) as f32;
            let whistling =
                noise(rate, rate, 0.0, 0.0).iter().enumerate().map(|(n, x)| x + whistle(n)).collect::<Vec<_>>();
            assert_eq!(in_silence(&whistling, rate), None, "{rate}");
        }
    }
}
