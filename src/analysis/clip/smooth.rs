//! What smooth bends look like on the listening lines: everything that is no limit.
//!
//! Three places bend smoothly, each with a complex factor of any size, since what follows it is known in part only:
//!
//! - the output: powers 2 to 5 of the played period, of its samples (a digital stage) and of the waveform between them;
//! - a headphone's driver, which bends with its excursion: squares and cubes of the low-passed period (a driver's excursion
//!   falls above its resonance by 12 dB per octave; the corner is not known, so a few are taken);
//! - microphone, preamplifier and converter: squares and cubes of the captured signal itself.
//!
//! All played lines are odd, so even powers fall on even lines and odd powers on odd lines, and both are cleared apart.

use super::parity::{Parity, Planar, dot};
use crate::analysis::{Reference, Spectra, fft};
use crate::signal::{LineKind, Period};
use realfft::num_complex::Complex;

/// Corners of the low-pass, Hz: an octave apart, around the resonances of headphones.
const CORNERS_HZ: [f64; 4] = [60.0, 120.0, 240.0, 480.0];
/// Waveform points per sample: the fifth power of a band of half the rate reaches 2.5 times the rate, and what is folded back
/// from there at four times the rate lies above the band.
const FINE: usize = 4;
/// The same for squares and cubes.
const FINE_CUBES: usize = 2;
/// A direction of which less than this share is its own is spanned by those before it.
const SPANNED: f64 = 1e-9;

/// Lines of one smooth product, from zero on.
pub(super) struct Product {
    /// The power it is of.
    pub power: u32,
    pub lines: Vec<Complex<f64>>,
}

/// What the output and the driver would add to a period that has these lines, in any amount.
pub(super) fn of_the_played(lines: &[Complex<f64>], period: &Period) -> Vec<Product> {
    powers(&period.samples, &fft::samples_of(lines, FINE * period.samples.len()), lines, period)
}

fn powers(samples: &[f64], waveform: &[f64], lines: &[Complex<f64>], period: &Period) -> Vec<Product> {
    let mut products: Vec<Product> = powers_of(samples, 2..=5).collect();
    products.extend(powers_of(waveform, 2..=5));
    for corner_hz in CORNERS_HZ {
        products.extend(powers_of(&excursion(lines, period, corner_hz), 2..=3));
    }
    products
}

/// The same of what was sent, once limits have acted: behind a limit the output bends no further, `f(clip(u))` for `clip(f(u))`.
pub(super) fn of_the_limited(spectra: &Spectra, [positive, negative]: [Option<f64>; 2]) -> Vec<Product> {
    let (high, low) = (positive.unwrap_or(f64::INFINITY), -negative.unwrap_or(f64::INFINITY));
    let frames = spectra.period.samples.len();
    let samples: Vec<f64> = spectra.period.samples.iter().map(|x| (spectra.gain * x).clamp(low, high)).collect();
    let waveform = fft::samples_of(&spectra.played, FINE * frames).into_iter().map(|x| x.clamp(low, high));
    powers(&samples, &waveform.collect::<Vec<_>>(), &fft::lines_of(&samples), &spectra.period)
}

/// What the capture chain would add to what it hears of the stimulus: the sent lines through the response. The powers of what
/// was really captured would hold what a limit adds, `(u + r)³ ≈ u³ + 3u²r`, and take it out with them.
pub(super) fn of_the_captured(spectra: &Spectra, reference: &Reference) -> Vec<Product> {
    let mut heard = vec![Complex::new(0.0, 0.0); spectra.played.len()];
    for k in spectra.period.lines.of(LineKind::Excited) {
        heard[k] = spectra.played[k] * reference.response[k];
    }
    powers_of(&fft::samples_of(&heard, FINE_CUBES * spectra.period.samples.len()), 2..=3).collect()
}

fn powers_of(x: &[f64], powers: std::ops::RangeInclusive<u32>) -> impl Iterator<Item = Product> {
    powers.map(|power| {
        let raised: Vec<f64> = x.iter().map(|x| x.powi(power as i32)).collect();
        Product { power, lines: fft::lines_of(&raised) }
    })
}

fn excursion(lines: &[Complex<f64>], period: &Period, corner_hz: f64) -> Vec<f64> {
    let spacing_hz = period.line_spacing_hz();
    let low_passed = lines.iter().enumerate().map(|(k, u)| {
        let pole = Complex::new(1.0, k as f64 * spacing_hz / corner_hz);
        u / (pole * pole)
    });
    fft::samples_of(&low_passed.collect::<Vec<_>>(), period.samples.len())
}

/// Directions on the lines of one parity, orthonormal (Gram–Schmidt).
pub(super) struct Basis(Vec<Planar>);

impl Basis {
    /// Spanned by the weighted lines of `products`.
    pub(super) fn of(products: impl Iterator<Item = Planar>) -> Basis {
        let mut basis = Basis(Vec::new());
        for mut direction in products {
            let before = direction.square();
            basis.clear(&mut direction);
            let own = direction.square();
            if own > SPANNED * before && before > 0.0 {
                direction.scale(1.0 / own.sqrt());
                basis.0.push(direction);
            }
        }
        basis
    }

    /// Takes all directions out of weighted lines.
    pub(super) fn clear(&self, lines: &mut Planar) {
        for unit in &self.0 {
            let re = dot(&unit.re, &lines.re) + dot(&unit.im, &lines.im);
            let im = dot(&unit.re, &lines.im) - dot(&unit.im, &lines.re);
            let parts = lines.re.iter_mut().zip(&mut lines.im).zip(unit.re.iter().zip(&unit.im));
            for ((x, y), (u, v)) in parts {
                *x -= re * u - im * v;
                *y -= re * v + im * u;
            }
        }
    }

    /// True for products of this power.
    pub(super) fn holds(parity: Parity, power: u32) -> bool {
        power.is_multiple_of(2) == (parity == Parity::Even)
    }
}
