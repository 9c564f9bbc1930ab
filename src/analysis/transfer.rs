//! Captured over played: the frequency response on excited lines, its uncertainty, and its values in between.

use super::band::{BANDS, cells, lines_in};
use super::finding::ResponsePoint;
use super::level::usable;
use super::played::parabola;
use super::sums::LineSum;
use super::{Spectra, fft};
use crate::signal::LineKind;
use crate::stats::NORMAL_95;
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use std::f64::consts::TAU;

/// Weight of a line never exceeds this power over its noise: what moves in a louder take is mostly distortion.
const WEIGHT_LIMIT: f64 = 1e-4;
/// A peak under this share of the highest is none.
const OUTSIDE: f64 = 0.5;
/// Smallest half width given, dB: resampling and single-precision samples.
const LEAST_HALF_WIDTH_DB: f64 = 1e-4;

/// Lag of `lines` behind `target` at the highest peak of their half-whitened correlation, frames. `signed`: only a
/// positive peak counts, wherever it is; otherwise of either sign, but within an eighth of a period (odd lines alone
/// repeat with the sign turned after half a period).
pub fn coarse_lag(
    lines: &[Complex<f64>],
    target: &[Complex<f64>],
    excited: &[usize],
    frames: usize,
    signed: bool,
) -> f64 {
    let mut agreement = vec![Complex::zero(); lines.len()];
    for &k in excited {
        let size = target[k].norm();
        if size > 0.0 {
            agreement[k] = lines[k] * target[k].conj() / size;
        }
    }
    let correlation = fft::samples_of(&agreement, frames);
    let size = |i: usize| if signed { correlation[i] } else { correlation[i].abs() };
    let near = |i: usize| signed || i < frames / 8 || i > frames - frames / 8;
    let (at, height) = (0..frames)
        .filter(|i| near(*i))
        .map(|i| (i, size(i)))
        .fold((0, f64::MIN), |best, now| if now.1 > best.1 { now } else { best });
    // An onset that was not seen where it is leaves the peak outside: anywhere, then; the sign stays open.
    let highest =
        (0..frames / 2).map(|i| (i, size(i))).fold((0, f64::MIN), |best, now| if now.1 > best.1 { now } else { best });
    let (at, height) = if !signed && height < OUTSIDE * highest.1 { highest } else { (at, height) };
    let lag = at as f64 + parabola(size((at + frames - 1) % frames), height, size((at + 1) % frames));
    if lag > 0.5 * frames as f64 { lag - frames as f64 } else { lag }
}

/// Lag left, by weighted least squares of the phases (radians small), frames.
pub fn fine_lag(s: &Spectra, target: &[Complex<f64>], excited: &[usize]) -> f64 {
    let frames = s.period.samples.len() as f64;
    let (mut cross, mut own) = (0.0, 0.0);
    for &k in excited.iter().filter(|k| s.usable[**k]) {
        let turn = TAU * k as f64 / frames;
        let power = target[k].norm_sqr();
        let weight = 1.0 / (s.variance[k] / s.periods as f64 + WEIGHT_LIMIT * power);
        if weight.is_finite() {
            cross += weight * turn * (s.mean[k] * target[k].conj()).im;
            own += weight * turn * turn * power;
        }
    }
    if own > 0.0 { -cross / own } else { 0.0 }
}

/// Odd-order distortion on each line, from the detection lines of its one-third octave: what makes the response of
/// excited lines uncertain beside the noise. Zero where nothing is seen.
pub fn odd_density(s: &Spectra) -> Vec<f64> {
    let spacing = s.period.line_spacing_hz();
    let mut density = vec![0.0; s.mean.len()];
    for x in BANDS {
        let span = lines_in(x, spacing);
        let (mut sum, mut count) = (0.0, 0usize);
        for k in usable(s, LineKind::Detection, span.clone()) {
            sum += s.mean[k].norm_sqr() - s.variance[k] / s.periods as f64;
            count += 1;
        }
        let end = span.end.min(density.len());
        density[span.start.min(end)..end].fill((sum / count.max(1) as f64).max(0.0));
    }
    density
}

/// Variance of the mean line: noise and odd-order distortion density.
pub fn line_variance(s: &Spectra, k: usize, odd: &[f64]) -> f64 {
    s.noise_of_mean(k) + odd[k]
}

/// The response on its grid. Points whose power is not above the noise are left out.
pub fn response(s: &Spectra) -> Vec<ResponsePoint> {
    let odd = odd_density(s);
    let excited: Vec<usize> = s.period.lines.of(LineKind::Excited).filter(|k| s.usable[*k]).collect();
    cells(&excited, s.period.line_spacing_hz()).filter_map(|lines| point(s, lines, &odd)).collect()
}

fn point(s: &Spectra, lines: &[usize], odd: &[f64]) -> Option<ResponsePoint> {
    let mut sum = LineSum::new(s.periods);
    let (mut played, mut cross, mut spread, mut noise) = (0.0, Complex::<f64>::zero(), 0.0, 0.0);
    for &k in lines {
        let (power, variance) = (s.mean[k].norm_sqr(), line_variance(s, k, odd));
        sum.add(power, s.noise_of_mean(k), s.dof[k]);
        played += s.played[k].norm_sqr();
        cross += s.mean[k] * s.played[k].conj();
        spread += variance * (2.0 * power + variance);
        noise += s.variance[k];
    }
    if !sum.stands_out() || played <= 0.0 {
        return None;
    }
    let power = sum.value();
    let gain_db = crate::units::db_from_power(power / played)?;
    let half = NORMAL_95 * 10.0 / std::f64::consts::LN_10 * spread.sqrt() / power;
    Some(ResponsePoint {
        frequency_hz: lines.iter().sum::<usize>() as f64 / lines.len() as f64 * s.period.line_spacing_hz(),
        gain_db,
        half_width_db: half.max(LEAST_HALF_WIDTH_DB),
        phase_rad: cross.arg(),
        coherence: power / (power + noise),
    })
}

/// Response at every line: straight in the complex plane between usable excited lines, held at the ends. With its
/// variance, interpolated likewise. `None` without any usable excited line.
pub fn at_all_lines(s: &Spectra) -> Option<(Vec<Complex<f64>>, Vec<f64>)> {
    let odd = odd_density(s);
    let known: Vec<(usize, Complex<f64>, f64)> = s
        .period
        .lines
        .of(LineKind::Excited)
        .filter(|k| s.usable[*k] && s.played[*k].norm_sqr() > 0.0)
        .map(|k| (k, s.mean[k] / s.played[k], line_variance(s, k, &odd) / s.played[k].norm_sqr()))
        .collect();
    let (first, last) = (known.first()?, known.last()?);
    let mut response = Vec::with_capacity(s.mean.len());
    let mut variance = Vec::with_capacity(s.mean.len());
    let mut after = 0;
    for k in 0..s.mean.len() {
        while after < known.len() && known[after].0 < k {
            after += 1;
        }
        let (h, v) = match (after.checked_sub(1).map(|b| &known[b]), known.get(after)) {
            (_, Some(right)) if right.0 == k => (right.1, right.2),
            (Some(left), Some(right)) => {
                let share = (k - left.0) as f64 / (right.0 - left.0) as f64;
                (left.1 * (1.0 - share) + right.1 * share, left.2 * (1.0 - share) + right.2 * share)
            }
            (None, _) => (first.1, first.2),
            (_, None) => (last.1, last.2),
        };
        response.push(h);
        variance.push(v);
    }
    Some((response, variance))
}
