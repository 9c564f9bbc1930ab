//! What is left when one take is subtracted from another of the same noise? First after clock, delay and gain alone, then
//! after the best linear filter, so that what the response does and what distortion does are two numbers.
//!
//! Both are mean lines on the played clock, so that the clocks are out already. With `A` and `B` the lines of the two:
//!
//! ```text
//! plain     min over g, τ   Σ |B − g·e^(−jωτ)·A|²      / Σ |B|²
//! filtered  min over h      Σ |B − H·A|²               / Σ |B|²       H: up to 2 048 taps, least squares
//! ```
//!
//! The noise that both means hold is taken off the sums, never off single lines. The normal equations of the filter are
//! symmetric Toeplitz (circular correlations of a whole period) and solved by Levinson's recursion (Levinson 1947; Golub &
//! Van Loan, *Matrix Computations*, 4.7).

use super::golden::maximise;
use super::{Spectra, fft, transfer};
use crate::signal::LineKind;
use crate::stats::{Estimate, NORMAL_95, Reading};
use crate::units::db_from_power;
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Taps of the filter at most.
pub const MOST_TAPS: usize = 2_048;
/// Share of the taps before the arrival: a filter may have to act backwards in time as far as forwards.
const BEFORE: usize = 2;
/// Added to the diagonal, re the mean power per line: where the noise has no lines the equations say nothing. It leaves
/// −90 dB re a flat spectrum, some 40 dB under the smallest residue stated.
const RIDGE: f64 = 1e-9;
/// Steps of the search for the delay: golden sections of two samples, to 1e-9 of them.
const SECTIONS: usize = 45;

/// What is left.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Residue {
    /// Gain of the second over the first, dB; its sign aside.
    pub gain_db: f64,
    /// True where the second has the other polarity.
    pub inverted: bool,
    /// Left after clock, delay and gain, dB re the second.
    pub plain: Reading,
    /// Left after the best linear filter too.
    pub filtered: Reading,
    /// Taps of that filter.
    pub taps: usize,
}

/// Subtracts `a` from `b`; `None` where they did not play the same period or one of them holds nothing.
pub fn residue(a: &Spectra, b: &Spectra, taps: usize) -> Option<Residue> {
    if a.mean.len() != b.mean.len() || a.period.samples.len() != b.period.samples.len() {
        return None;
    }
    let frames = a.period.samples.len();
    let excited: Vec<usize> = a.period.lines.of(LineKind::Excited).filter(|k| a.usable[*k] && b.usable[*k]).collect();
    let (first, last) = (*excited.first()?, *excited.last()?);
    let counted: Vec<usize> = (first..=last).filter(|k| a.usable[*k] && b.usable[*k]).collect();
    let power = |s: &Spectra| counted.iter().map(|k| s.mean[*k].norm_sqr()).sum::<f64>();
    let (of_a, of_b) = (power(a), power(b));
    if of_a <= 0.0 || of_b <= 0.0 {
        return None;
    }
    // Lines outside stay out of everything.
    let mut lines = vec![Complex::<f64>::zero(); a.mean.len()];
    let mut wanted = lines.clone();
    let lag = delay(a, b, &excited, frames);
    for &k in &counted {
        lines[k] = a.mean[k] * Complex::from_polar(1.0, -TAU * k as f64 * lag / frames as f64);
        wanted[k] = b.mean[k];
    }
    let cross: f64 = counted.iter().map(|k| (wanted[*k] * lines[*k].conj()).re).sum();
    let gain = cross / of_a;
    let flat = vec![Complex::new(gain, 0.0); lines.len()];
    let taps = taps.clamp(1, MOST_TAPS);
    let filter = best_filter(&lines, &wanted, frames, taps);
    let left = |by: &[Complex<f64>], fitted: f64| left(a, b, (&lines, &wanted), by, &counted, fitted, of_b);
    Some(Residue {
        gain_db: db_from_power(gain * gain)?,
        inverted: gain < 0.0,
        plain: left(&flat, 2.0),
        filtered: left(&filter, taps as f64),
        taps,
    })
}

/// Delay of `b` behind `a`, frames: where the real part of their cross-correlation is largest in size.
fn delay(a: &Spectra, b: &Spectra, excited: &[usize], frames: usize) -> f64 {
    let coarse = transfer::coarse_lag(&b.mean, &a.mean, excited, frames, false);
    let agreement = |lag: f64| {
        let turned = |k: &usize| {
            let turn = Complex::from_polar(1.0, TAU * *k as f64 * lag / frames as f64);
            (b.mean[*k] * a.mean[*k].conj() * turn).re
        };
        excited.iter().map(turned).sum::<f64>().abs()
    };
    // Golden section about the coarse peak, which is right within a sample.
    maximise(&agreement, (coarse - 1.0, coarse + 1.0), SECTIONS)
}

/// Lines of the filter of `taps` taps that takes `lines` nearest to `wanted`.
fn best_filter(lines: &[Complex<f64>], wanted: &[Complex<f64>], frames: usize, taps: usize) -> Vec<Complex<f64>> {
    let before = taps / BEFORE;
    let correlate = |of: &dyn Fn(usize) -> Complex<f64>| {
        let products: Vec<Complex<f64>> = (0..lines.len()).map(of).collect();
        fft::samples_of(&products, frames)
    };
    let own = correlate(&|k| Complex::new(lines[k].norm_sqr(), 0.0));
    let cross = correlate(&|k| wanted[k] * lines[k].conj());
    let mut column: Vec<f64> = own[..taps.min(own.len())].to_vec();
    column[0] *= 1.0 + RIDGE;
    let right: Vec<f64> = (0..column.len()).map(|n| cross[(n + frames - before) % frames]).collect();
    let solved = levinson(&column, &right);
    let mut impulse = vec![0.0; frames];
    for (n, tap) in solved.iter().enumerate() {
        impulse[(n + frames - before) % frames] = *tap;
    }
    // RMS phasors of an impulse response are its response times √2/N; no line of ours is an edge.
    let scale = frames as f64 / std::f64::consts::SQRT_2;
    fft::lines_of(&impulse).into_iter().map(|line| line * scale).collect()
}

/// Solves `T x = y` for the symmetric positive definite Toeplitz matrix with this first column.
fn levinson(column: &[f64], y: &[f64]) -> Vec<f64> {
    let n = column.len();
    let mut forward = vec![0.0; n];
    let mut solution = vec![0.0; n];
    let mut error = column[0];
    if error <= 0.0 {
        return solution;
    }
    forward[0] = 1.0;
    solution[0] = y[0] / error;
    for m in 1..n {
        // Prediction of order m − 1 extended by one.
        let missed: f64 = (0..m).map(|i| forward[i] * column[m - i]).sum();
        let reflection = -missed / error;
        let turned: Vec<f64> = (0..=m).map(|i| forward[m - i]).collect();
        for (f, t) in forward.iter_mut().zip(&turned) {
            *f += reflection * t;
        }
        error *= 1.0 - reflection * reflection;
        if error <= 0.0 {
            break;
        }
        let short = y[m] - (0..m).map(|i| solution[i] * column[m - i]).sum::<f64>();
        for (i, x) in solution.iter_mut().enumerate().take(m + 1) {
            *x += short / error * forward[m - i];
        }
    }
    solution
}

/// Power left re the second take, the noise of both means taken off; `fitted` real numbers were fitted to it.
fn left(
    a: &Spectra,
    b: &Spectra,
    (lines, wanted): (&[Complex<f64>], &[Complex<f64>]),
    by: &[Complex<f64>],
    counted: &[usize],
    fitted: f64,
    of_b: f64,
) -> Reading {
    let (mut power, mut noise, mut spread) = (0.0, 0.0, 0.0);
    // The fit takes its share of the noise with it.
    let kept = (1.0 - fitted / (2.0 * counted.len() as f64)).max(0.1);
    for &k in counted {
        let line = (wanted[k] - by[k] * lines[k]).norm_sqr();
        let expected = kept * (b.noise_of_mean(k) + by[k].norm_sqr() * a.noise_of_mean(k));
        power += line;
        noise += expected;
        spread += expected * (2.0 * line.max(expected) - expected);
    }
    let (value, half) = (power - noise, NORMAL_95 * spread.sqrt());
    let db = |share: f64| db_from_power(share / of_b);
    match (db(value - half), db(value), db(value + half)) {
        (Some(low), Some(value), Some(high)) => {
            Reading::Determined(Estimate { value, interval: crate::stats::Interval { low, high } })
        }
        (_, _, Some(high)) => Reading::Below(high),
        _ => Reading::NotDetermined("nothing is left, not even noise".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Stimulus;
    use crate::stats::Draws;
    use crate::units::SampleRate;
    use std::collections::BTreeMap;
    use std::sync::Arc;

    /// Asked of the residue down to 60 dB under the signal, where both stand 50 dB over noise.
    const RESIDUE_DB: f64 = 1.0;

    /// Lines as played through `response`, noise `noise_db` re the stimulus in one period, four periods.
    fn spectra(seed: u64, noise_db: f64, line: impl Fn(usize, Complex<f64>) -> Complex<f64>) -> Spectra {
        let period = Arc::new(Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT));
        spectra_of(&period, seed, noise_db, line)
    }

    fn spectra_of(
        period: &Arc<crate::signal::Period>,
        seed: u64,
        noise_db: f64,
        line: impl Fn(usize, Complex<f64>) -> Complex<f64>,
    ) -> Spectra {
        let samples: Vec<f64> = period.samples.clone();
        let played = fft::lines_of(&samples);
        let excited: Vec<usize> = period.lines.of(LineKind::Excited).collect();
        let power: f64 = excited.iter().map(|k| played[*k].norm_sqr()).sum();
        let variance = power * 10f64.powf(noise_db / 10.0) / (excited.last().unwrap() - excited[0]) as f64;
        let mut draws = Draws::new(seed);
        let sigma = (variance / 8.0).sqrt();
        let mut mean: Vec<Complex<f64>> = played.iter().enumerate().map(|(k, p)| line(k, *p)).collect();
        mean.iter_mut().for_each(|m| *m += Complex::new(sigma * draws.normal(), sigma * draws.normal()));
        let lines = mean.len();
        Spectra {
            period: period.clone(),
            gain: 1.0,
            played,
            mean,
            variance: vec![variance; lines],
            scatter: vec![variance; lines],
            dof: vec![10.0; lines],
            usable: vec![true; lines],
            hum: BTreeMap::new(),
            periods: 4,
        }
    }

    /// The second: 1.7 dB quieter, inverted, 0.37 samples later, a first-order high-pass at 200 Hz, and on every even line
    /// of the band an addition that makes −60 dB in all. All powers follow in closed form.
    #[test]
    fn what_response_does_and_what_distortion_does_are_two_numbers() {
        let frames = 65_536.0;
        let gain = -10f64.powf(-1.7 / 20.0);
        let high_pass = |k: usize| {
            let ratio = Complex::new(0.0, k as f64 * 48_000.0 / frames / 200.0);
            ratio / (Complex::new(1.0, 0.0) + ratio)
        };
        let a = spectra(1, -50.0, |_, p| p);
        let excited: Vec<usize> = a.period.lines.of(LineKind::Excited).collect();
        let linear = |k: usize, p: Complex<f64>| {
            p * high_pass(k) * gain * Complex::from_polar(1.0, -TAU * k as f64 * 0.37 / frames)
        };
        let power: f64 = excited.iter().map(|k| linear(*k, a.played[*k]).norm_sqr()).sum();
        let even: Vec<usize> = (excited[0]..=*excited.last().unwrap()).filter(|k| k % 2 == 0).collect();
        let each = (power * 1e-6 / even.len() as f64).sqrt();
        let b = spectra(2, -50.0, |k, p| {
            linear(k, p)
                + if k % 2 == 0 && k > excited[0] {
                    Complex::from_polar(each, 2.4 * (k * k) as f64)
                } else {
                    Complex::zero()
                }
        });
        let left = residue(&a, &b, MOST_TAPS).unwrap();
        // Closed form of the plain one: the part of the response that no gain and delay explain, by a search of our own.
        let explained = (-200..=200).map(|i| {
            let tau = 0.02 * f64::from(i);
            let turned = |k: &usize| {
                (linear(*k, a.played[*k])
                    * a.played[*k].conj()
                    * Complex::from_polar(1.0, TAU * *k as f64 * tau / frames))
                .re
            };
            let cross: f64 = excited.iter().map(turned).sum();
            cross * cross
        });
        let of_a: f64 = excited.iter().map(|k| a.played[*k].norm_sqr()).sum();
        let best = explained.fold(0.0, f64::max) / of_a;
        let truth = 10.0 * (1.0 - best / power + 1e-6).log10();
        let plain = left.plain.determined().unwrap().value;
        assert!((plain - truth).abs() < RESIDUE_DB, "{plain} for {truth}");
        let filtered = left.filtered.determined().unwrap_or_else(|| panic!("{left:?}")).value;
        assert!((filtered + 60.0).abs() < RESIDUE_DB, "{filtered} for −60");
        assert!(left.inverted);
    }

    #[test]
    fn two_takes_of_the_same_leave_nothing_but_a_bound() {
        let period = Arc::new(Stimulus::pink(SampleRate::DEFAULT).period(SampleRate::DEFAULT));
        let (a, b) = (spectra_of(&period, 1, -50.0, |_, p| p), spectra_of(&period, 2, -50.0, |_, p| p * 0.5));
        let left = residue(&a, &b, 256).unwrap();
        assert!((left.gain_db + 6.0206).abs() < 0.01 && !left.inverted);
        for reading in [&left.plain, &left.filtered] {
            let most = match reading {
                Reading::Below(most) => *most,
                other => other.determined().unwrap().value,
            };
            assert!(most < -62.0, "{left:?}");
        }
    }

    /// By hand: [[4, 2], [2, 4]] x = [2, −2] gives x = [1, −1].
    #[test]
    fn the_recursion_solves_as_by_hand() {
        let x = levinson(&[4.0, 2.0], &[2.0, -2.0]);
        assert!((x[0] - 1.0).abs() < 1e-12 && (x[1] + 1.0).abs() < 1e-12, "{x:?}");
        let column = [5.0, 1.0, -0.5, 0.25, 2.0];
        let wanted = [1.0, -2.0, 0.5, 3.0, -1.0];
        let y: Vec<f64> =
            (0..5usize).map(|i| (0..5usize).map(|j| column[i.abs_diff(j)] * wanted[j]).sum::<f64>()).collect();
        let solved = levinson(&column, &y);
        assert!(solved.iter().zip(wanted).all(|(s, w)| (s - w).abs() < 1e-9), "{solved:?}");
    }
}
