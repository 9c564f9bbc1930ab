//! What one take of a sweep yields: the linear response, the impulse response, and each harmonic against frequency.
//!
//! The averaged period is divided by the sweep; the n-th harmonic then stands `L ln n` before the linear response and is
//! cut out there (Novak, Lotton & Simon, *J. Audio Eng. Soc.* 63 (2015) 786–798):
//!
//! ```text
//!   … |  H4  |    H3    |       H2       |    linear response …   |   (one period, closed on itself)
//!      −L ln 4   −L ln 3     −L ln 2      0                      3 s
//! ```
//!
//! The linear response is divided by the lines actually played, the harmonics by the sweep's spectrum in closed form,
//! `X(f) = ½ √(L/f) e^{j[2πfL(1 − ln(f/f1)) − π/4]}`, because only that one is the same sweep for every harmonic.

use super::finding::{Common, Finding, HarmonicCurve, HarmonicPoint, SweepFinding};
use super::level;
use super::prepare::{AnalysisError, Prepared, prepare};
use super::spectra::Spectra;
use super::sums::LineSum;
use super::{Context, Measured, fft, transfer};
use crate::signal::{LineKind, Sweep, SweepShape, raised_cosine};
use crate::stats::Reading;
use crate::take::Take;
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use std::cell::RefCell;
use std::f64::consts::{FRAC_PI_4, SQRT_2, TAU};
use std::ops::Range;
use std::rc::Rc;

/// Highest harmonic given.
const HIGHEST: usize = 5;
/// Highest frequency of a harmonic given, Hz, and lowest exciting frequency: under it the fade-in of the sweep would pass
/// for a second harmonic.
const AUDIO_HZ: f64 = 20_000.0;
const LOWEST_HZ: f64 = 40.0;
/// Lines under this are left out where harmonics are cut apart, and faded in over the octave above, Hz.
const CUT_FROM_HZ: f64 = 20.0;
/// Harmonics are given per this part of an octave of the exciting frequency.
const POINTS_PER_OCTAVE: f64 = 6.0;
/// The linear response is kept from this share of `L ln 2` before its arrival: any less blurs its lowest lines …
const KEPT_BEFORE: f64 = 0.6;
/// … to this after it, seconds; the harmonics up to the tenth lie beyond.
const KEPT_AFTER_S: f64 = 3.0;
/// Ends of what is kept are faded over this, seconds.
const TAPER_S: f64 = 0.05;
/// A harmonic is cut out from this share of the distance to the next one before its arrival.
const CUT_BEFORE: f64 = 0.25;
/// No harmonic under this is given, dB: what rings at the band's lower edge leaves up to −93 dB on a clean desk.
const CUT_APART_DB: f64 = -90.0;
/// Impulse response stored: before and after its arrival, seconds.
const IMPULSE_S: [f64; 2] = [0.005, 0.04];

/// Finding of a sweep.
///
/// # Errors
/// As [`prepare`].
pub fn measure(take: &Take, input: usize, context: &Context, sweep: Sweep) -> Result<Measured, AnalysisError> {
    let Prepared { spectra, common, .. } = prepare(take, input, context)?;
    let finding = finding(spectra, common, sweep);
    Ok(Measured { finding: Finding::Sweep(Box::new(finding)), spectra: None })
}

/// What the lines say.
pub fn finding(s: Spectra, common: Common, sweep: Sweep) -> SweepFinding {
    let shape = sweep.shape(s.period.rate, s.period.samples.len());
    let level = level::stimulus_level(&s, level::all(&s), |_| 1.0);
    let (linear, captured, impulse) = linear(s, &shape);
    SweepFinding {
        level,
        response: transfer::response(&linear),
        harmonics: Apart::of(captured, &linear, &shape).harmonics(),
        impulse,
        impulse_from_s: IMPULSE_S[0],
        common,
    }
}

/// The lines as they were captured, harmonics and all.
struct Captured {
    mean: Vec<Complex<f64>>,
    variance: Vec<f64>,
}

/// The take as it would be without harmonics, what was captured in its place, and the impulse response.
fn linear(s: Spectra, shape: &SweepShape) -> (Spectra, Captured, Vec<f64>) {
    let (frames, hz) = (s.period.samples.len(), s.period.rate.hz());
    let mut quotient = vec![Complex::zero(); s.mean.len()];
    for k in s.period.lines.of(LineKind::Excited).filter(|k| s.usable[*k]) {
        quotient[k] = s.mean[k] / s.played[k];
    }
    continue_downwards(&mut quotient);
    let mut response = fft::samples_of(&quotient, frames);
    let from_s = -KEPT_BEFORE * shape.harmonic_before_s(2);
    let window = |t: f64| raised_cosine((t - from_s) / TAPER_S) * raised_cosine((KEPT_AFTER_S - t) / TAPER_S);
    let dropped = dropped(frames, hz, from_s);
    let mut energy = 0.0;
    response[dropped.clone()].fill(0.0);
    let before = (dropped.end..frames).map(|n| (n, n as f64 - frames as f64));
    let ends = (0..dropped.start).map(|n| (n, n as f64)).chain(before);
    for (n, t) in ends {
        let window = window(t / hz);
        response[n] *= window;
        energy += window * window;
    }
    let index = |seconds: f64| (seconds * hz).round() as isize;
    let impulse = (index(-IMPULSE_S[0])..index(IMPULSE_S[1]))
        .map(|n| response[n.rem_euclid(frames as isize) as usize] * SQRT_2 / frames as f64)
        .collect();
    let mut mean = fft::lines_of(&response);
    mean.iter_mut().zip(&s.played).for_each(|(line, sent)| *line *= sent);
    let variance = s.variance.iter().map(|v| v * energy / frames as f64).collect();
    let captured = Captured { mean: s.mean, variance: s.variance };
    (Spectra { mean, variance, ..s }, captured, impulse)
}

/// Frames of the impulse response of a period between what is kept after its arrival and, `from_s` under zero, before it. Of a
/// period too short for both the last quarter counts as before.
fn dropped(frames: usize, hz: f64, from_s: f64) -> Range<usize> {
    let turn = frames / 2 + frames / 4 + 1;
    let (after, before) = ((KEPT_AFTER_S * hz).ceil() as usize, (-from_s * hz).ceil() as usize);
    after.min(turn)..frames - before.min(frames - turn)
}

/// Goes on from the lowest line to its own mirror image, straight: real part even, imaginary part odd. A step there would
/// ring for longer than what is kept, and the lines above it would read up to 1.6 dB wrong.
fn continue_downwards(quotient: &mut [Complex<f64>]) {
    let Some(lowest) = quotient.iter().position(|q| *q != Complex::zero()) else { return };
    let at = quotient[lowest];
    for (k, below) in quotient[..lowest].iter_mut().enumerate() {
        *below = Complex::new(at.re, at.im * k as f64 / lowest as f64);
    }
}

/// What is not linear, divided by the sweep's closed form: the harmonics side by side in time.
struct Apart<'a> {
    /// Variance of one period's captured lines.
    variance: Vec<f64>,
    linear: &'a Spectra,
    shape: &'a SweepShape,
    /// One period.
    response: Vec<f64>,
    /// |X|² of the closed form on a line times its number, drive included.
    sent: f64,
}

impl<'a> Apart<'a> {
    fn of(captured: Captured, linear: &'a Spectra, shape: &'a SweepShape) -> Apart<'a> {
        let (frames, hz) = (linear.period.samples.len(), linear.period.rate.hz());
        let spacing = linear.period.line_spacing_hz();
        // One line of the sweep's closed spectrum, as an RMS phasor of the period.
        let scale = linear.gain * SQRT_2 * hz / frames as f64;
        let sent = (0.5 * scale).powi(2) * shape.length_s / spacing;
        let inverse = closed_form_inverse(shape, spacing, hz);
        let Captured { mean: mut apart, variance } = captured;
        for (k, line) in apart.iter_mut().enumerate() {
            // The linear response is taken off first: what rings of it at the band edges would pass for a harmonic.
            *line = match inverse.get(k).filter(|_| linear.usable[k]) {
                Some(inverse) => (*line - linear.mean[k]) * (inverse / scale),
                None => Complex::zero(),
            };
        }
        Apart { variance, linear, shape, response: fft::samples_of(&apart, frames), sent }
    }

    fn harmonics(&self) -> Vec<HarmonicCurve> {
        (2..=HIGHEST).map(|n| harmonic(self, n)).collect()
    }
}

thread_local! {
    // Sine, cosine and two logarithms a line, the same at every step of a session: kept for the sweep in use.
    static KEPT: RefCell<Option<KeptInverse>> = const { RefCell::new(None) };
}

type KeptInverse = ((SweepShape, f64, f64), Rc<Vec<Complex<f64>>>);

/// 1/X of every line that `hz` frames a second hold, faded in and out at the ends of what is given, zero outside.
fn closed_form_inverse(shape: &SweepShape, spacing: f64, hz: f64) -> Rc<Vec<Complex<f64>>> {
    let key = (*shape, spacing, hz);
    if let Some(kept) = KEPT.with(|kept| kept.borrow().as_ref().filter(|(of, _)| *of == key).map(|(_, i)| i.clone())) {
        return kept;
    }
    let highest_hz = shape.to_hz.min(0.49 * hz);
    let line = |k: usize| {
        let f = k as f64 * spacing;
        if f <= CUT_FROM_HZ {
            return Complex::zero();
        }
        let turn = TAU * f * shape.length_s * (1.0 - (f / shape.from_hz).ln()) - FRAC_PI_4;
        let edges = raised_cosine((f / CUT_FROM_HZ).log2()) * raised_cosine((highest_hz - f) / 1000.0);
        Complex::from_polar(2.0 * edges / (shape.length_s / f).sqrt(), -turn)
    };
    let inverse = Rc::new((0..(highest_hz / spacing).ceil() as usize).map(line).collect::<Vec<_>>());
    KEPT.with(|kept| *kept.borrow_mut() = Some((key, inverse.clone())));
    inverse
}

/// Level of harmonic `n` re the fundamental, against the frequency that made it.
fn harmonic(apart: &Apart, n: usize) -> HarmonicCurve {
    let Apart { variance, linear, shape, response, sent } = apart;
    let (frames, hz) = (linear.period.samples.len(), linear.period.rate.hz());
    let spacing = linear.period.line_spacing_hz();
    // From a little before its own arrival to as little before the next lower harmonic's.
    let arrival = |n: usize| -shape.harmonic_before_s(n);
    let before = |n: usize| CUT_BEFORE * (arrival(n) - arrival(n + 1));
    let (from, to) = (arrival(n) - before(n), arrival(n - 1) - before(n - 1));
    let count = quickly_transformed(((to - from) * hz) as usize);
    let first = (from * hz).round() as isize;
    let taper = 0.4 * before(n) * hz;
    let mut energy = 0.0;
    let start = first.rem_euclid(frames as isize) as usize;
    let cut: Vec<f64> = (response[start..].iter().chain(&response[..start]).take(count).enumerate())
        .map(|(i, value)| {
            let window = raised_cosine(i as f64 / taper) * raised_cosine((count - 1 - i) as f64 / taper);
            energy += window * window;
            window * value
        })
        .collect();
    let back = count as f64 / frames as f64;
    let lines = fft::lines_of(&cut);
    let cut_spacing = hz / count as f64;
    let noise = |f: f64| {
        let k = ((f / spacing).round() as usize).min(variance.len() - 1);
        let own = variance[k] / linear.periods as f64 * k as f64 / sent;
        (own * energy / frames as f64, linear.dof[k])
    };
    let lowest = (POINTS_PER_OCTAVE * (LOWEST_HZ / 1000.0).log2()).ceil() as i32;
    let highest = (POINTS_PER_OCTAVE * (AUDIO_HZ / n as f64 / 1000.0).log2()).floor() as i32;
    let edge = |i: f64| 1000.0 * 2f64.powf((i) / POINTS_PER_OCTAVE);
    let points = (lowest..=highest)
        .filter_map(|i| {
            let (low_hz, high_hz) = (edge(f64::from(i) - 0.5), edge(f64::from(i) + 0.5));
            let mut sum = LineSum::new(linear.periods);
            let inside = |hz: f64, spacing: f64| (hz / spacing).ceil() as usize;
            let first = inside(n as f64 * low_hz, cut_spacing);
            let end = inside(n as f64 * high_hz, cut_spacing).min(lines.len());
            for (j, line) in lines.iter().enumerate().take(end).skip(first) {
                let (noise, dof) = noise(j as f64 * cut_spacing);
                sum.add(back * back * line.norm_sqr(), noise, dof);
            }
            let span = inside(low_hz, spacing)..inside(high_hz, spacing);
            let fundamental = level::usable(linear, LineKind::Excited, span)
                .map(|k| (linear.mean[k] / linear.played[k]).norm_sqr())
                .fold((0.0, 0usize), |(sum, count), p| (sum + p, count + 1));
            let power = sum.over_noise()?;
            if fundamental.1 == 0 {
                return None;
            }
            let against = fundamental.0 / fundamental.1 as f64 * sum.lines() as f64;
            let level = match power.reading(against) {
                Reading::Determined(e) if e.value < CUT_APART_DB => Reading::Below(CUT_APART_DB.max(e.interval.high)),
                other => other,
            };
            Some(HarmonicPoint { frequency_hz: edge(f64::from(i)), level })
        })
        .collect();
    HarmonicCurve { order: n as u32, points }
}

/// The largest even number up to `count` without a prime factor over 7: transforms of others take several times as long.
fn quickly_transformed(count: usize) -> usize {
    let smooth = |half: &usize| {
        let mut rest = *half;
        for p in [2, 3, 5, 7] {
            while rest.is_multiple_of(p) {
                rest /= p;
            }
        }
        rest == 1
    };
    (1..=count / 2).rev().find(smooth).map_or(0, |half| 2 * half)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A period of 131 072 frames is shorter than what is kept: harmonics at its end are not taken for what follows the arrival.
    #[test]
    fn the_end_of_a_short_period_stays_before_the_arrival() {
        assert_eq!(dropped(131_072, 48e3, -0.1), 98_305..131_072 - 4800);
        assert_eq!(dropped(262_144, 48e3, -0.1), 144_000..262_144 - 4800);
    }

    /// 2·3·5·7 and its like; 22 and 26 have primes over 7.
    #[test]
    fn lengths_have_small_prime_factors_and_are_even() {
        assert_eq!([211, 65_537, 27, 23, 1].map(quickly_transformed), [210, 65_536, 24, 20, 0]);
    }
}
