//! Which steady tone does this recording hold? For sound calibrators: nothing is known of phase or exact frequency.
//!
//! The samples are cut into segments of half a second under the HFT95 window (Heinzel, Rüdiger, Schilling 2002: flat
//! top, 0.004 dB, side lobes under −95 dB; coefficients from memory, sums checked in the test). Frequency from the
//! phase advance between neighbouring segments, level from the energy average over segments, its interval from their
//! scatter (Student t).

use crate::stats::Estimate;
use realfft::{RealFftPlanner, num_complex::Complex};
use std::f64::consts::TAU;

/// HFT95 coefficients, mean 1.
const HFT95: [f64; 5] = [1.0, -1.938_337_9, 1.304_520_2, -0.402_827_0, 0.035_066_5];
/// Half width of the window's main lobe, in lines.
const LOBE: usize = 5;
/// Length of a segment, seconds.
const SEGMENT_S: f64 = 0.5;

/// The strongest tone of a recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone {
    /// Hz.
    pub frequency_hz: f64,
    /// dBFS with its interval; `None` where no tone stands out.
    pub level: Option<Estimate>,
    /// Largest less smallest segment level, dB.
    pub instability_db: f64,
    /// Everything else between 20 Hz and 20 kHz re the tone, dB (noise included).
    pub distortion_db: f64,
    /// Tone over that, dB.
    pub over_noise_db: f64,
    /// The input's full scale was reached.
    pub overloaded: bool,
}

/// Finds the strongest tone between 20 Hz and 20 kHz. `None` where the recording is shorter than three segments or
/// holds nothing.
pub fn find(samples: &[f32], rate_hz: f64) -> Option<Tone> {
    let n = ((rate_hz * SEGMENT_S / 2.0).round() as usize) * 2;
    if samples.len() < 3 * n || samples.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let segments = spectra(samples, n);
    let line_hz = rate_hz / n as f64;
    let (first, last) = ((20.0 / line_hz).ceil() as usize, ((20_000.0 / line_hz) as usize).min(n / 2 - LOBE - 1));
    let power: Vec<f64> =
        (0..=n / 2).map(|k| segments.iter().map(|s| s[k].norm_sqr()).sum::<f64>() / segments.len() as f64).collect();
    let peak = (first.max(LOBE)..=last).max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
    if power[peak] <= 0.0 {
        return None;
    }
    let frequency_hz = refine(&segments, peak, n, rate_hz);
    // Equivalent noise bandwidth: the lobe's power sum counts a tone that many times.
    let enbw = 1.0 + HFT95[1..].iter().map(|c| c * c / 2.0).sum::<f64>();
    let lobe_ms = |s: &[Complex<f64>]| s[peak - LOBE..=peak + LOBE].iter().map(Complex::norm_sqr).sum::<f64>() / enbw;
    let levels: Vec<f64> = segments.iter().map(|s| lobe_ms(s)).collect();
    let tone_ms = levels.iter().sum::<f64>() / levels.len() as f64;
    let total: f64 = power[first..=last].iter().sum::<f64>() / enbw;
    let rest = (total - tone_ms).max(tone_ms * 1e-12);
    let db: Vec<f64> = levels.iter().map(|ms| 10.0 * (2.0 * ms).log10()).collect();
    let mean_db = 10.0 * (2.0 * tone_ms).log10();
    let spread = (db.iter().map(|x| (x - mean_db).powi(2)).sum::<f64>() / (db.len() - 1) as f64).sqrt();
    let half = crate::stats::t_quantile(0.975, (db.len() - 1) as f64) * spread / (db.len() as f64).sqrt();
    let distortion_db = 10.0 * (rest / tone_ms).log10();
    let (low, high) = db.iter().fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(*x), h.max(*x)));
    let largest = samples.iter().fold(0f32, |m, x| m.max(x.abs()));
    Some(Tone {
        frequency_hz,
        level: Some(Estimate::symmetric(mean_db, half.max(WINDOW_ERROR_DB))),
        instability_db: high - low,
        distortion_db,
        over_noise_db: -distortion_db,
        overloaded: largest >= 0.9999,
    })
}

/// The window's flatness, dB: smaller than this no level from it is known.
const WINDOW_ERROR_DB: f64 = 0.005;

/// RMS phasors of every segment, window applied.
fn spectra(samples: &[f32], n: usize) -> Vec<Vec<Complex<f64>>> {
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(n);
    let window: Vec<f64> = (0..n)
        .map(|i| HFT95.iter().enumerate().map(|(m, c)| c * (TAU * m as f64 * i as f64 / n as f64).cos()).sum())
        .collect();
    let scale = std::f64::consts::SQRT_2 / n as f64;
    samples
        .chunks_exact(n)
        .filter_map(|chunk| {
            let mut input: Vec<f64> = chunk.iter().zip(&window).map(|(x, w)| f64::from(*x) * w).collect();
            let mut output = plan.make_output_vec();
            plan.process(&mut input, &mut output).ok()?;
            Some(output.into_iter().map(|y| y * scale).collect())
        })
        .collect()
}

/// Frequency from the mean phase advance between segments: within half a line of the peak it cannot wrap.
fn refine(segments: &[Vec<Complex<f64>>], peak: usize, n: usize, rate_hz: f64) -> f64 {
    let advance: Complex<f64> = segments.windows(2).map(|w| w[1][peak] * w[0][peak].conj()).sum();
    let fraction = advance.arg() / TAU;
    (peak as f64 + fraction) * rate_hz / n as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(f: f64, amplitude: f64, seconds: f64) -> Vec<f32> {
        (0..(48_000.0 * seconds) as usize).map(|i| (amplitude * (TAU * f * i as f64 / 48_000.0).sin()) as f32).collect()
    }

    /// Level and frequency are the generator's own closed form; ENBW 3.8112 lines is the published figure of HFT95.
    #[test]
    fn a_steady_tone_gives_its_level_and_its_frequency() {
        let enbw = 1.0 + HFT95[1..].iter().map(|c| c * c / 2.0).sum::<f64>();
        assert!((enbw - 3.8112).abs() < 1e-3);
        for (f, db) in [(1000.0, -26.0), (997.3, -26.0), (251.2, -3.0)] {
            let tone = find(&sine(f, 10f64.powf(db / 20.0), 3.0), 48_000.0).unwrap();
            assert!((tone.level.unwrap().value - db).abs() < 0.005, "{f}: {:?}", tone.level);
            assert!((tone.frequency_hz - f).abs() < 0.01, "{f}: {}", tone.frequency_hz);
        }
    }

    #[test]
    fn digital_silence_and_a_short_recording_hold_no_tone() {
        assert!(find(&[0.0; 100_000], 48_000.0).is_none());
        assert!(find(&sine(1000.0, 0.1, 0.5), 48_000.0).is_none());
    }

    #[test]
    fn a_second_tone_is_told_as_distortion() {
        let mut both = sine(1000.0, 0.1, 3.0);
        for (x, y) in both.iter_mut().zip(sine(1300.0, 0.01, 3.0)) {
            *x += y;
        }
        let tone = find(&both, 48_000.0).unwrap();
        assert!((tone.distortion_db + 20.0).abs() < 0.1, "{}", tone.distortion_db);
    }
}
