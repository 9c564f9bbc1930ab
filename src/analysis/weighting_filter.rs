//! Frequency weightings A and C sample by sample, for the live picture (results weigh lines, [`super::weighting`]).
//!
//! A plain bilinear transform is 6 dB off at 16 kHz and 48 kHz. Here each pole of the analogue weighting becomes
//! `e^(−2πf/rate)` and each zero at DC becomes one at 1 (matched z), and what is still missing up to Nyquist, a smooth
//! curve of a few decibels, is made up by a short filter of least phase (its logarithm folded to positive times;
//! Oppenheim & Schafer, *Discrete-Time Signal Processing*, ch. 12). Both parts being of least phase, as the analogue
//! weighting is, the phase comes out right too, which the peak under C needs.

use super::fft;
use super::weighting::{Weighting, pole_frequencies_hz};
use crate::units::SampleRate;
use realfft::num_complex::Complex;
use std::f64::consts::{SQRT_2, TAU};

/// Points of the transform in which the correction is designed.
const DESIGN: usize = 8192;
/// Taps of the correction; the rest is under 10⁻⁵.
const TAPS: usize = 64;
/// From this share of the rate on the correction is held: nothing is asked for there, and a curve that is flat at
/// Nyquist needs few taps.
const HELD_FROM: f64 = 0.44;

/// One weighting at one rate, with its memory.
#[derive(Clone, Debug)]
pub struct WeightingFilter {
    sections: Vec<Section>,
    /// Latest first in time: `taps[TAPS − 1]` meets the newest sample.
    taps: Vec<f64>,
    /// The last samples before the block, then the block.
    recent: Vec<f64>,
}

/// `(1 − z⁻¹)` or nothing, over `1 − p·z⁻¹`.
#[derive(Clone, Copy, Debug)]
struct Section {
    pole: f64,
    zero_at_dc: bool,
    last_in: f64,
    last_out: f64,
}

impl Section {
    fn new(pole_hz: f64, zero_at_dc: bool, rate_hz: f64) -> Section {
        Section { pole: (-TAU * pole_hz / rate_hz).exp(), zero_at_dc, last_in: 0.0, last_out: 0.0 }
    }

    fn next(&mut self, x: f64) -> f64 {
        let difference = if self.zero_at_dc { x - self.last_in } else { x };
        self.last_in = x;
        self.last_out = difference + self.pole * self.last_out;
        self.last_out
    }

    /// Power gain at `turn` radians per sample.
    fn power(&self, turn: f64) -> f64 {
        let one = Complex::new(1.0, 0.0);
        let back = Complex::from_polar(1.0, -turn);
        let zero = if self.zero_at_dc { (one - back).norm_sqr() } else { 1.0 };
        zero / (one - back * self.pole).norm_sqr()
    }
}

impl WeightingFilter {
    /// For this rate. Z is no filter at all.
    pub fn new(weighting: Weighting, rate: SampleRate) -> WeightingFilter {
        let [f1, f2, f3, f4] = pole_frequencies_hz();
        let section = |hz: f64, zero: bool| Section::new(hz, zero, rate.hz());
        let sections = match weighting {
            Weighting::Z => Vec::new(),
            Weighting::C => vec![section(f1, true), section(f1, true), section(f4, false), section(f4, false)],
            Weighting::A => vec![
                section(f1, true),
                section(f1, true),
                section(f2, true),
                section(f3, true),
                section(f4, false),
                section(f4, false),
            ],
        };
        let mut taps = if sections.is_empty() { vec![1.0] } else { correction(weighting, &sections, rate) };
        taps.reverse();
        WeightingFilter { recent: vec![0.0; taps.len() - 1], sections, taps }
    }

    /// The weighted samples of the next block.
    pub fn weigh<'a>(&'a mut self, block: impl Iterator<Item = f64> + 'a) -> impl Iterator<Item = f64> + 'a {
        let before = self.taps.len() - 1;
        self.recent.drain(..self.recent.len() - before);
        let sections = &mut self.sections;
        self.recent.extend(block.map(|x| sections.iter_mut().fold(x, |x, section| section.next(x))));
        self.recent.windows(self.taps.len()).map(|recent| recent.iter().zip(&self.taps).map(|(x, t)| x * t).sum())
    }
}

/// Taps of least phase whose gain is the weighting's over that of the sections.
fn correction(weighting: Weighting, sections: &[Section], rate: SampleRate) -> Vec<f64> {
    let logarithm = |k: usize| {
        // At DC both are zero: their ratio is taken beside it.
        let share = (k as f64 / DESIGN as f64).clamp(1.0 / DESIGN as f64, HELD_FROM);
        let there: f64 = sections.iter().map(|s| s.power(TAU * share)).product();
        0.5 * (weighting.power_at(share * rate.hz()) / there).ln()
    };
    let cepstrum = to_time(&(0..=DESIGN / 2).map(|k| Complex::new(logarithm(k), 0.0)).collect::<Vec<_>>());
    let folded: Vec<f64> = (0..DESIGN)
        .map(|n| match n {
            0 => cepstrum[0],
            n if n < DESIGN / 2 => 2.0 * cepstrum[n],
            n if n == DESIGN / 2 => cepstrum[n],
            _ => 0.0,
        })
        .collect();
    let spectrum: Vec<Complex<f64>> = to_spectrum(&folded).iter().map(|l| l.exp()).collect();
    let mut taps = to_time(&spectrum);
    taps.truncate(TAPS);
    taps
}

/// From the plain discrete Fourier transform, lines 0 to N/2, to samples.
fn to_time(spectrum: &[Complex<f64>]) -> Vec<f64> {
    let count = 2 * (spectrum.len() - 1);
    let lines: Vec<Complex<f64>> = spectrum
        .iter()
        .enumerate()
        .map(|(k, x)| if k == 0 || k == count / 2 { x / count as f64 } else { x * (SQRT_2 / count as f64) })
        .collect();
    fft::samples_of(&lines, count)
}

/// The plain discrete Fourier transform, lines 0 to N/2.
fn to_spectrum(samples: &[f64]) -> Vec<Complex<f64>> {
    let count = samples.len();
    fft::lines_of(samples)
        .iter()
        .enumerate()
        .map(|(k, y)| if k == 0 || k == count / 2 { y * count as f64 } else { y * (count as f64 / SQRT_2) })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Asked of the live picture up to 16 kHz, dB.
    const TOLERANCE_DB: f64 = 0.02;
    const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

    fn rate(hz: u32) -> SampleRate {
        SampleRate::new(hz).unwrap()
    }

    /// The filter as it runs: the transform of its impulse response, against IEC 61672-1's equations.
    #[test]
    fn both_weightings_follow_the_standard_up_to_sixteen_kilohertz_at_every_rate() {
        for hz in RATES {
            for weighting in [Weighting::A, Weighting::C] {
                let mut filter = WeightingFilter::new(weighting, rate(hz));
                let count = 1 << 18;
                let mut response: Vec<f64> = Vec::new();
                // In blocks, as it is used.
                for block in (0..count).collect::<Vec<usize>>().chunks(1000) {
                    response.extend(filter.weigh(block.iter().map(|n| f64::from(u8::from(*n == 0)))));
                }
                let spectrum = to_spectrum(&response);
                for n in 10..=42 {
                    let f = 1000.0 * 10f64.powf(f64::from(n - 30) / 10.0);
                    let line = (f * count as f64 / f64::from(hz)).round() as usize;
                    let exact = line as f64 * f64::from(hz) / count as f64;
                    let off = 20.0 * spectrum[line].norm().log10() - weighting.db_at(exact);
                    assert!(off.abs() < TOLERANCE_DB, "{weighting:?} at {hz}: {exact:.1} Hz off by {off:.4} dB");
                }
            }
        }
    }

    /// LCpeak − LC of short signals; computed with the analogue C weighting at 1.536 MHz (IEC 61672-1, table 5, prints
    /// them to 0.1 dB).
    #[test]
    fn peaks_under_c_are_those_of_the_analogue_weighting() {
        for hz in [48_000, 96_000, 192_000] {
            for (f, cycles, expected, within) in [
                (31.5, 1.0, 2.508, 0.02),
                (500.0, 1.0, 3.529, 0.02),
                (8000.0, 1.0, 3.456, 0.25),
                (500.0, 0.5, 2.332, 0.02),
            ] {
                let length = cycles / f * f64::from(hz);
                let burst =
                    |t: f64| if (0.0..=length).contains(&t) { (TAU * f * t / f64::from(hz)).sin() } else { 0.0 };
                // Peaks between samples are looked for by moving the burst between them.
                let peak = (0..8)
                    .map(|shift| {
                        let mut filter = WeightingFilter::new(Weighting::C, rate(hz));
                        let out = |n: usize| burst(n as f64 + f64::from(shift) / 8.0);
                        filter.weigh((0..length as usize + 4000).map(out)).map(f64::abs).fold(0.0, f64::max)
                    })
                    .fold(0.0, f64::max);
                let steady = 10f64.powf(Weighting::C.db_at(f) / 20.0) / SQRT_2;
                let stated = 20.0 * (peak / steady).log10();
                assert!((stated - expected).abs() < within, "{f} Hz at {hz}: {stated:.3} for {expected} dB");
            }
        }
    }
}
