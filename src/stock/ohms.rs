//! Impedances of outputs and headphones, and what they do to pink noise: volts at the plug per one-third octave, and the
//! peaks of the current.

use crate::analysis::{band, fft, played::played};
use crate::calibration::electrical::{Impedance, Known, loss_db};
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
    pub magnitude: Estimate,
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
        Known { magnitude: self.magnitude, curve: self.curve.as_ref() }
    }

    fn half_width_db(&self, of: f64) -> f64 {
        if of > 0.0 { 20.0 * (1.0 + self.magnitude.half_width() / of).log10() } else { 0.0 }
    }
}

/// What the source takes from the volts at the plug, at a frequency, dB (not above zero).
pub(super) fn lost_db(source: &Ohms, load: &Ohms, f_hz: f64) -> f64 {
    loss_db(load.z(f_hz), source.z(f_hz))
}

/// A one-third octave of a list of them (number and dB).
pub(super) fn band_db(bands: &[(i32, f64)], x: i32) -> Option<f64> {
    bands.iter().find(|(band, _)| *band == x).map(|(_, db)| *db)
}

/// Share of pink noise's power in each of these bands, dB: they have the same.
pub(super) fn share_db(bands: &[(i32, f64)]) -> f64 {
    -10.0 * (bands.len() as f64).log10()
}

/// The same per one-third octave (number and dB).
pub fn divided_db(source: &Ohms, load: &Ohms) -> Vec<(i32, f64)> {
    band::BANDS.map(|x| (x, lost_db(source, load, band::centre_hz(x)))).collect()
}

/// `20 lg` of the open output's peak over the current's peak for pink noise, dB re 1 Ω: `|Z + Zs|` where both are
/// resistances.
pub fn peaks_db(source: &Ohms, load: &Ohms) -> Estimate {
    let plain = source.magnitude.value + load.magnitude.value;
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
    let held = lost_db(source, load, 1000.0);
    frequencies_hz.iter().map(|f| (*f, lost_db(source, load, *f) - held)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::electrical::{ImpedanceFrom, ImpedancePoint, Resistor};

    /// Hz; magnitude and phase of `32 + 68/(1 + jQ(f/f0 − f0/f))` Ω with f0 = 80 Hz and Q = 2; level relative to 1 kHz behind 1,
    /// 10 and 120 Ω, dB. Computed from the complex divider.
    const RESONANT: [[f64; 6]; 14] = [
        [10.0, 32.5582, 7.5895, 0.0040, 0.0290, 0.0777],
        [20.0, 34.3626, 15.0252, 0.0235, 0.1753, 0.4830],
        [31.5, 38.5513, 22.9433, 0.0591, 0.4524, 1.3261],
        [40.0, 43.8361, 27.7342, 0.0904, 0.7106, 2.2289],
        [50.0, 53.7869, 30.8862, 0.1266, 1.0267, 3.5651],
        [63.0, 75.3213, 26.8148, 0.1621, 1.3567, 5.4309],
        [80.0, 100.0, 0.0, 0.1781, 1.5139, 6.6319],
        [100.0, 77.3506, -25.9208, 0.1640, 1.3753, 5.5583],
        [125.0, 55.3366, -30.9845, 0.1306, 1.0626, 3.7395],
        [160.0, 43.8361, -27.7342, 0.0904, 0.7106, 2.2289],
        [200.0, 38.8014, -23.2585, 0.0608, 0.4667, 1.3726],
        [500.0, 32.9257, -9.6963, 0.0082, 0.0604, 0.1625],
        [1000.0, 32.2261, -4.8651, 0.0, 0.0, 0.0],
        [10_000.0, 32.0022, -0.4870, -0.0027, -0.0200, -0.0529],
    ];
    /// Values of the table are rounded to four places.
    const ROUNDED: f64 = 5.1e-5;

    #[test]
    fn a_source_impedance_changes_the_response_of_a_resonant_load() {
        let z =
            |f: f64| Complex::new(32.0, 0.0) + Complex::new(68.0, 0.0) / Complex::new(1.0, 2.0 * (f / 80.0 - 80.0 / f));
        let point = |[f, ..]: [f64; 6]| ImpedancePoint::from([f, z(f).re, z(f).im, 0.0, 0.0, 0.0]);
        let points: Vec<ImpedancePoint> = RESONANT.map(point).into();
        let from = ImpedanceFrom::SeriesResistor { series: Resistor { ohm: 100.0, tolerance_percent: 1.0 } };
        let curve = Impedance { from, plane: "plug".into(), taken_at: String::new(), points };
        let load = Ohms { magnitude: Estimate::exact(z(1000.0).norm()), curve: Some(curve) };
        for [f, magnitude, degrees, ..] in RESONANT {
            let here = load.z(f);
            assert!((here.norm() - magnitude).abs() < ROUNDED, "{f} Hz: {here}");
            assert!((here.arg().to_degrees() - degrees).abs() < ROUNDED, "{f} Hz: {here}");
        }
        let frequencies = RESONANT.map(|[f, ..]| f);
        for (column, ohm) in [(3, 1.0), (4, 10.0), (5, 120.0)] {
            let source = Ohms { magnitude: Estimate::exact(ohm), curve: None };
            for ((f, db), row) in response_change(&source, &load, &frequencies).into_iter().zip(RESONANT) {
                assert!((db - row[column]).abs() < ROUNDED, "{ohm} Ω at {f} Hz: {db}");
            }
        }
    }
}
