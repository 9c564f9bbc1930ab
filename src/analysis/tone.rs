//! Which steady tone does this recording hold? For sound calibrators: nothing is known of phase or exact frequency.
//!
//! The samples are cut into segments of half a second under the HFT95 window (Heinzel, Rüdiger, Schilling 2002: flat
//! top, 0.004 dB, side lobes under −95 dB; coefficients from memory, sums checked in the test). Frequency from the
//! phase advance between neighbouring segments, level from the energy average over segments, its interval from their
//! scatter (Student t).

use crate::stats::Estimate;
use realfft::{RealFftPlanner, num_complex::Complex};
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// HFT95 coefficients, mean 1.
const HFT95: [f64; 5] = [1.0, -1.938_337_9, 1.304_520_2, -0.402_827_0, 0.035_066_5];
/// Half width of the window's main lobe, in lines.
const LOBE: usize = 5;
/// Length of a segment, seconds.
const SEGMENT_S: f64 = 0.5;

/// Harmonics looked at: up to the 10th, below 20 kHz.
const HIGHEST_HARMONIC: usize = 10;
/// Mains harmonics looked at.
const HIGHEST_MAINS: usize = 8;
/// Another component is seen from this many times the median power of a line's neighbourhood on (13 dB: a line of
/// averaged noise passes it in no recording).
const STANDS_OUT: f64 = 20.0;
/// Components this far under the tone are what the window leaves, dB.
const WINDOW_LEAVES_DB: f64 = -90.0;

/// A component beside the tone.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Beside {
    /// Hz.
    pub frequency_hz: f64,
    /// Level re the tone, dB.
    pub level_db: f64,
}

/// The strongest tone of a recording.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tone {
    /// Hz.
    pub frequency_hz: f64,
    /// dBFS with its interval; `None` where no tone stands out.
    pub level: Option<Estimate>,
    /// Largest less smallest segment level, dB.
    pub instability_db: f64,
    /// Everything else between 20 Hz and 20 kHz re the tone, dB (noise included).
    pub distortion_db: f64,
    /// Harmonics 2 to 10 below 20 kHz re the tone (RMS sum), dB; `None` where none stands out of the noise.
    pub thd_db: Option<f64>,
    /// Strongest mains harmonic.
    pub hum: Option<Beside>,
    /// Strongest component that is neither harmonic nor hum.
    pub second: Option<Beside>,
    /// Tone over everything else, dB.
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
    let others = Others { power: &power, frequency_hz, line_hz, tone_ms: tone_ms * enbw, first, last };
    let largest = samples.iter().fold(0f32, |m, x| m.max(x.abs()));
    Some(Tone {
        frequency_hz,
        level: Some(Estimate::symmetric(mean_db, half.max(WINDOW_ERROR_DB))),
        instability_db: high - low,
        distortion_db,
        thd_db: others.thd_db(),
        hum: others.hum(),
        second: others.second(),
        over_noise_db: -distortion_db,
        overloaded: largest >= 0.9999,
    })
}

/// What stands beside the tone in the averaged spectrum.
struct Others<'a> {
    power: &'a [f64],
    frequency_hz: f64,
    line_hz: f64,
    /// Power of the tone's lobe.
    tone_ms: f64,
    first: usize,
    last: usize,
}

impl Others<'_> {
    fn line(&self, f_hz: f64) -> usize {
        (f_hz / self.line_hz).round() as usize
    }

    /// Power in the lobe around line `k`, the noise around it taken off; `None` where nothing stands out there.
    fn lobe(&self, k: usize) -> Option<f64> {
        if k < self.first.max(LOBE) || k > self.last {
            return None;
        }
        let lobe: f64 = self.power[k - LOBE..=k + LOBE].iter().sum();
        let mut around: Vec<f64> = (k.saturating_sub(8 * LOBE).max(1)..=(k + 8 * LOBE).min(self.power.len() - 1))
            .filter(|j| j.abs_diff(k) > LOBE)
            .map(|j| self.power[j])
            .collect();
        around.sort_by(f64::total_cmp);
        let floor = around[around.len() / 2];
        let peak = self.power[k - 1..=k + 1].iter().fold(0.0, |m: f64, p| m.max(*p));
        let over = lobe - floor * (2 * LOBE + 1) as f64;
        (peak > STANDS_OUT * floor && self.db(over) > WINDOW_LEAVES_DB).then_some(over)
    }

    fn db(&self, ms: f64) -> f64 {
        10.0 * (ms.max(f64::MIN_POSITIVE) / self.tone_ms).log10()
    }

    fn harmonics(&self) -> impl Iterator<Item = usize> + '_ {
        (2..=HIGHEST_HARMONIC).map(|n| self.line(n as f64 * self.frequency_hz)).filter(|k| *k <= self.last)
    }

    fn thd_db(&self) -> Option<f64> {
        let sum: f64 = self.harmonics().filter_map(|k| self.lobe(k)).sum();
        (sum > 0.0).then(|| self.db(sum))
    }

    /// True on the tone or one of its harmonics.
    fn is_own(&self, k: usize) -> bool {
        std::iter::once(self.line(self.frequency_hz)).chain(self.harmonics()).any(|own| own.abs_diff(k) <= 2 * LOBE)
    }

    fn mains(&self) -> impl Iterator<Item = usize> + '_ {
        [50.0, 60.0].into_iter().flat_map(|f| (1..=HIGHEST_MAINS).map(move |n| n as f64 * f)).map(|f| self.line(f))
    }

    fn strongest(&self, lines: impl Iterator<Item = usize>) -> Option<Beside> {
        let found = lines.filter(|k| !self.is_own(*k)).filter_map(|k| Some((k, self.lobe(k)?)));
        let (k, ms) = found.max_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(Beside { frequency_hz: k as f64 * self.line_hz, level_db: self.db(ms) })
    }

    fn hum(&self) -> Option<Beside> {
        self.strongest(self.mains())
    }

    fn second(&self) -> Option<Beside> {
        let near_mains = |k: usize| self.mains().any(|m| m.abs_diff(k) <= LOBE);
        let is_peak = |k: usize| (k - 1..=k + 1).all(|j| self.power[j] <= self.power[k]);
        self.strongest((self.first.max(LOBE)..=self.last).filter(|k| is_peak(*k) && !near_mains(*k)))
    }
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
    fn a_second_tone_is_stated_as_distortion() {
        let mut both = sine(1000.0, 0.1, 3.0);
        for (x, y) in both.iter_mut().zip(sine(1300.0, 0.01, 3.0)) {
            *x += y;
        }
        let tone = find(&both, 48_000.0).unwrap();
        assert!((tone.distortion_db + 20.0).abs() < 0.1, "{}", tone.distortion_db);
        let second = tone.second.unwrap();
        assert!((second.level_db + 20.0).abs() < 0.1 && (second.frequency_hz - 1300.0).abs() < 3.0, "{second:?}");
        assert!(tone.thd_db.is_none() && tone.hum.is_none(), "{tone:?}");
    }

    /// Harmonics of −50 and −60 dB sum to −49.59 dB; hum at 100 Hz of −45 dB is none of them.
    #[test]
    fn harmonics_and_hum_are_told_apart() {
        let mut all = sine(999.4, 0.1, 3.0);
        for (f, db) in [(1998.8, -50.0), (2998.2, -60.0), (100.03, -45.0)] {
            for (x, y) in all.iter_mut().zip(sine(f, 0.1 * 10f64.powf(db / 20.0), 3.0)) {
                *x += y;
            }
        }
        let tone = find(&all, 48_000.0).unwrap();
        assert!((tone.thd_db.unwrap() + 49.59).abs() < 0.05, "{tone:?}");
        let hum = tone.hum.unwrap();
        assert!((hum.level_db + 45.0).abs() < 0.05 && (hum.frequency_hz - 100.0).abs() < 2.1, "{hum:?}");
        assert!(tone.second.is_none(), "{:?}", tone.second);
    }
}
