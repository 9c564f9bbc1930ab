//! Impedances of outputs and headphones, and what they do to pink noise: volts at the plug per one-third octave, and the
//! peaks of the current.

use crate::analysis::{band, fft, played::played};
use crate::calibration::electrical::{Impedance, Known};
use crate::signal::Stimulus;
use crate::stats::Estimate;
use crate::units::SampleRate;
use realfft::num_complex::Complex;

/// Points per sample of the waveform whose peak is read; pink noise ends at 22.4 kHz, so four leave less than 0.03 dB.
const OVERSAMPLED: usize = 4;

/// An impedance as far as it is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Ohms {
    /// Magnitude at 1 kHz, ohm.
    pub told: Estimate,
    /// Over frequency, where known.
    pub curve: Option<Impedance>,
}

impl Ohms {
    /// At a frequency.
    pub fn z(&self, f_hz: f64) -> Complex<f64> {
        self.known().z(f_hz)
    }

    /// As calibration knows it.
    pub fn known(&self) -> Known<'_> {
        Known { told: self.told, curve: self.curve.as_ref() }
    }

    fn half_width_db(&self, of: f64) -> f64 {
        if of > 0.0 { 20.0 * (1.0 + self.told.half_width() / of).log10() } else { 0.0 }
    }
}

/// dB by which the open output stands over the plug, per one-third octave (number and dB, not above zero).
pub fn divided_db(source: &Ohms, load: &Ohms) -> Vec<(i32, f64)> {
    let loss = |x: i32| {
        let (zl, zs) = (load.z(band::centre_hz(x)), source.z(band::centre_hz(x)));
        (x, 20.0 * (zl / (zl + zs)).norm().log10())
    };
    band::BANDS.map(loss).collect()
}

/// `20 lg` of the open output's peak over the current's peak for pink noise, dB re 1 Ω: `|Z + Zs|` where both are
/// resistances.
pub fn peaks_db(source: &Ohms, load: &Ohms) -> Estimate {
    let plain = source.told.value + load.told.value;
    let half = source.half_width_db(plain).hypot(load.half_width_db(plain));
    let ohm = if source.curve.is_none() && load.curve.is_none() { plain } else { 1.0 / current_peak(source, load) };
    Estimate::symmetric(20.0 * ohm.log10(), half)
}

/// Peak of the current per volt of the open output's peak.
fn current_peak(source: &Ohms, load: &Ohms) -> f64 {
    let pink = played(&Stimulus::pink(SampleRate::DEFAULT), SampleRate::DEFAULT);
    let spacing_hz = pink.period.line_spacing_hz();
    let current = |(k, line): (usize, &Complex<f64>)| {
        let f_hz = (k as f64 * spacing_hz).max(spacing_hz);
        line / (source.z(f_hz) + load.z(f_hz))
    };
    let lines: Vec<Complex<f64>> = pink.lines.iter().enumerate().map(current).collect();
    let samples = fft::samples_of(&lines, OVERSAMPLED * pink.period.samples.len());
    samples.iter().fold(0.0, |peak, x| peak.max(x.abs()))
}

/// What a source impedance does to the response of a headphone, its level at 1 kHz held: frequency and dB (the complex
/// divider; the open source of no impedance is 0 dB everywhere).
pub fn response_change(source: &Ohms, load: &Ohms, frequencies_hz: &[f64]) -> Vec<(f64, f64)> {
    let loss = |f_hz: f64| {
        let (zl, zs) = (load.z(f_hz), source.z(f_hz));
        20.0 * (zl / (zl + zs)).norm().log10()
    };
    let held = loss(1000.0);
    frequencies_hz.iter().map(|f| (*f, loss(*f) - held)).collect()
}
