//! Mains hum: found and measured on what does **not** repeat with the period, then taken off the samples.
//!
//! A sinusoid of `ν` lines (not a whole number) appears in period p as `e^(2πiνp)` times the kernel of the transform;
//! what is left of it after the periods' mean is known exactly, so amplitude and phase follow by least squares from the
//! few lines around it. A base near 50 or 60 Hz is searched so that all harmonics together explain most.

use super::finding::HumLine;
use super::golden::maximise;
use super::periods::{Periods, mean_of};
use crate::units::Dbfs;
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use std::borrow::Cow;
use std::f64::consts::{SQRT_2, TAU};

/// Mains frequencies.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// Searched on either side of them, Hz.
const SEARCH_HZ: f64 = 0.5;
/// Step of the search, Hz.
const SEARCH_STEP_HZ: f64 = 0.01;
/// Rounds of the search between two steps: to 1e-7 of them.
const SECTIONS: usize = 34;
/// Harmonics looked for.
const HARMONICS: u32 = 20;
/// Harmonics that find the base.
const SEARCH_HARMONICS: u32 = 8;
/// Lines on either side that are fitted.
const REACH: usize = 4;
/// Explained power over noise power from which a harmonic counts as seen: noise alone passes once in e²⁰ trials, and
/// about 10⁴ are made.
const SEEN: f64 = 20.0;
/// Repetitions: each takes off what the leakage of the others hid, of one mains at a time.
const PASSES: usize = 5;
/// Hum of less than this share of what is heard does not hide a beginning.
const MATTERS: f64 = 0.01;
/// Hum of more than this share hides losses: what it is fitted with is not exact enough there.
const DOMINATES: f64 = 0.6;
/// Share of a sinusoid that must remain after the periods' mean for it to be distinguished from the stimulus.
const SEPARABLE: f64 = 0.02;
/// The same while the base is searched for: there a harmonic that drops out would make the sum jump, and the base be
/// found where it does.
const SEEN_SHARE: f64 = 1e-4;

/// Periods of one input with what repeats taken off (or not, for silence).
struct Residual {
    frames: usize,
    spacing_hz: f64,
    lines: Vec<Vec<Complex<f64>>>,
    remove_mean: bool,
}

/// One fitted sinusoid.
#[derive(Clone, Copy, Debug)]
struct Sinusoid {
    /// Frequency in lines.
    nu: f64,
    cos: f64,
    sin: f64,
    /// Power it explains over the power of the noise around it.
    over_noise: f64,
}

/// Finds hum in whole periods, takes it off, and reports what it was. `repeats` is true where a stimulus plays, so that only
/// what does not repeat may be blamed on the mains.
pub fn remove(periods: &mut Periods, rate_hz: f64, repeats: bool) -> Vec<HumLine> {
    let frames = periods.frames();
    let spacing_hz = rate_hz / frames as f64;
    let mut found: Vec<HumLine> = Vec::new();
    for _ in 0..PASSES {
        let harmonics = Residual::new(periods, spacing_hz, repeats).harmonics();
        if harmonics.is_empty() {
            break;
        }
        periods.change(|samples| harmonics.iter().for_each(|h| subtract(samples, frames, h)));
        for h in &harmonics {
            if !found.iter().any(|f| (f.frequency_hz / spacing_hz - h.nu).abs() < 2.0) {
                found.extend(h.as_line(spacing_hz, periods.lines().len()));
            }
        }
    }
    found.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    found
}

/// Samples with these steady tones taken off, each fitted to the whole stretch; only those that matter beside the rest. Good enough
/// to see where a stimulus begins, not to measure beside them.
pub fn taken_off<'a>(samples: Cow<'a, [f64]>, rate_hz: f64, lines: &[HumLine]) -> Cow<'a, [f64]> {
    let mean_square = samples.iter().map(|x| x * x).sum::<f64>() / samples.len().max(1) as f64;
    let mut cleaned = samples;
    for line in lines.iter().filter(|line| matters(std::slice::from_ref(*line), mean_square)) {
        let turn = Complex::from_polar(1.0, TAU * line.frequency_hz / rate_hz);
        let phases = std::iter::successors(Some(Complex::new(1.0, 0.0)), |phase| Some(phase * turn));
        let product = cleaned.iter().zip(phases.clone()).map(|(x, phase)| phase.conj() * *x).sum::<Complex<f64>>();
        let fitted = product * (2.0 / cleaned.len() as f64);
        for (x, phase) in cleaned.to_mut().iter_mut().zip(phases) {
            *x -= (fitted * phase).re;
        }
    }
    cleaned
}

/// True where one of these lines is no small part of what is heard.
pub fn matters(lines: &[HumLine], mean_square: f64) -> bool {
    lines.iter().any(|line| line.mean_square() > MATTERS * mean_square)
}

/// True where these lines are most of what is heard.
pub fn dominates(lines: &[HumLine], mean_square: f64) -> bool {
    HumLine::mean_square_of(lines) > DOMINATES * mean_square
}

/// Mains frequencies wander by 0.2 % where grids are large (common practice, no source).
const WANDERS: f64 = 0.002;

/// True near a multiple of a mains frequency, as far up as hum is looked for: higher up every tone is near one.
pub fn is_mains(frequency_hz: f64) -> bool {
    MAINS_HZ.iter().any(|mains| {
        let order = (frequency_hz / mains).round();
        (1.0..=f64::from(HARMONICS)).contains(&order) && (frequency_hz / (order * mains) - 1.0).abs() <= WANDERS
    })
}

/// Share of a sinusoid of `nu` lines that is left after the mean of `periods` periods.
pub fn separable_share(nu: f64, periods: usize) -> f64 {
    let sum: Complex<f64> = (0..periods).map(|p| Complex::from_polar(1.0, TAU * (nu * p as f64).fract())).sum();
    1.0 - (sum / periods.max(1) as f64).norm_sqr()
}

/// True where a sinusoid cannot be distinguished from what repeats with the period.
pub fn lies_on_line(frequency_hz: f64, spacing_hz: f64, periods: usize) -> bool {
    separable_share(frequency_hz / spacing_hz, periods) < SEPARABLE
}

fn subtract(samples: &mut [f64], frames: usize, h: &Sinusoid) {
    // The phase is carried by rotation and renewed every period: no error grows.
    let step = Complex::from_polar(1.0, TAU * h.nu / frames as f64);
    for (p, period) in samples.chunks_mut(frames).enumerate() {
        let mut turn = Complex::from_polar(1.0, TAU * (h.nu * p as f64).fract());
        for x in period {
            *x -= h.cos * turn.re + h.sin * turn.im;
            turn *= step;
        }
    }
}

impl Sinusoid {
    fn as_line(&self, spacing_hz: f64, periods: usize) -> Option<HumLine> {
        let rms = (0.5 * (self.cos * self.cos + self.sin * self.sin)).sqrt();
        let frequency_hz = self.nu * spacing_hz;
        let level: Dbfs = Dbfs::from_rms(rms)?;
        Some(HumLine { frequency_hz, level, on_line: lies_on_line(frequency_hz, spacing_hz, periods) })
    }
}

impl Residual {
    fn new(periods: &Periods, spacing_hz: f64, remove_mean: bool) -> Residual {
        let frames = periods.frames();
        // Only lines up to the highest harmonic are needed from here on.
        let top = ((f64::from(HARMONICS) * 61.0 / spacing_hz) as usize + 64).min(frames / 2);
        let mut lines: Vec<Vec<Complex<f64>>> = periods.lines().iter().map(|l| l[..top].to_vec()).collect();
        if remove_mean {
            let mean = mean_of(&lines);
            for period in &mut lines {
                period.iter_mut().zip(&mean).for_each(|(line, mean)| *line -= mean);
            }
        }
        Residual { frames, spacing_hz, lines, remove_mean }
    }

    /// The harmonics seen of one mains, the stronger: 300 Hz belongs to both and must be taken off once.
    fn harmonics(&self) -> Vec<Sinusoid> {
        let strength = |list: &[Sinusoid]| list.iter().map(|s| s.over_noise).sum::<f64>();
        let lists = MAINS_HZ.map(|mains| self.harmonics_of(mains));
        lists.into_iter().max_by(|a, b| strength(a).total_cmp(&strength(b))).unwrap_or_default()
    }

    fn harmonics_of(&self, mains_hz: f64) -> Vec<Sinusoid> {
        let noise: Vec<f64> = (1..=HARMONICS).map(|h| self.noise_near(f64::from(h) * mains_hz)).collect();
        let explained = |base_hz: f64| -> f64 {
            (1..=SEARCH_HARMONICS)
                .map(|h| self.fit(f64::from(h) * base_hz, noise[h as usize - 1], SEEN_SHARE).over_noise)
                .sum()
        };
        let steps = (2.0 * SEARCH_HZ / SEARCH_STEP_HZ) as i32;
        let candidates = (0..=steps).map(|i| mains_hz - SEARCH_HZ + f64::from(i) * SEARCH_STEP_HZ);
        let (coarse, _) = candidates
            .map(|f| (f, explained(f)))
            .fold((mains_hz, f64::MIN), |best, now| if now.1 > best.1 { now } else { best });
        let base_hz = maximise(&explained, (coarse - SEARCH_STEP_HZ, coarse + SEARCH_STEP_HZ), SECTIONS);
        (1..=HARMONICS)
            .map(|h| self.fit(f64::from(h) * base_hz, noise[h as usize - 1], SEPARABLE))
            .filter(|s| s.over_noise > SEEN)
            .collect()
    }

    /// Median power of the lines beside a frequency, as the mean of the exponential distribution it belongs to.
    fn noise_near(&self, frequency_hz: f64) -> f64 {
        let centre = (frequency_hz / self.spacing_hz).round() as usize;
        let mut powers: Vec<f64> = (6..24)
            .flat_map(|d| [centre.checked_sub(d), Some(centre + d)])
            .flatten()
            .filter(|k| *k > 0)
            .flat_map(|k| self.lines.iter().filter_map(move |l| l.get(k).map(|c| c.norm_sqr())))
            .collect();
        powers.sort_by(f64::total_cmp);
        powers.get(powers.len() / 2).map_or(0.0, |m| m / std::f64::consts::LN_2)
    }

    /// Least squares of a sinusoid at `frequency_hz` of which at least `least_share` remains after the periods' mean.
    fn fit(&self, frequency_hz: f64, noise: f64, least_share: f64) -> Sinusoid {
        let nu = frequency_hz / self.spacing_hz;
        let nothing = Sinusoid { nu, cos: 0.0, sin: 0.0, over_noise: 0.0 };
        let count = self.lines.len();
        if count == 0 || (self.remove_mean && separable_share(nu, count) < least_share) {
            return nothing;
        }
        let turns = self.turns(nu);
        let centre = nu.round() as usize;
        let (mut cc, mut ss, mut cs, mut rc, mut rs) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for k in centre.saturating_sub(REACH).max(1)..=centre + REACH {
            let (ahead, behind) = (kernel(nu - k as f64, self.frames), kernel(-nu - k as f64, self.frames));
            for (turn, lines) in turns.iter().zip(&self.lines) {
                let Some(line) = lines.get(k) else { return nothing };
                let (plus, minus) = (ahead * turn, behind * turn.conj());
                let cosine = 0.5 * (plus + minus);
                let sine = Complex::new(0.0, -0.5) * (plus - minus);
                cc += cosine.norm_sqr();
                ss += sine.norm_sqr();
                cs += (cosine * sine.conj()).re;
                rc += (line * cosine.conj()).re;
                rs += (line * sine.conj()).re;
            }
        }
        let determinant = cc * ss - cs * cs;
        if determinant <= 1e-12 * cc * ss {
            return nothing;
        }
        let (cos, sin) = ((rc * ss - rs * cs) / determinant, (rs * cc - rc * cs) / determinant);
        let explained = cos * rc + sin * rs;
        Sinusoid { nu, cos, sin, over_noise: if noise > 0.0 { explained / noise } else { 0.0 } }
    }

    /// Turn of the sinusoid at the start of each period, the mean taken off as it was from the lines.
    fn turns(&self, nu: f64) -> Vec<Complex<f64>> {
        let mut turns: Vec<Complex<f64>> =
            (0..self.lines.len()).map(|p| Complex::from_polar(1.0, TAU * (nu * p as f64).fract())).collect();
        if self.remove_mean {
            let mean = turns.iter().sum::<Complex<f64>>() / turns.len() as f64;
            turns.iter_mut().for_each(|t| *t -= mean);
        }
        turns
    }
}

/// RMS phasor that `e^(2πi(k+x)n/N)` leaves on line k.
fn kernel(x: f64, frames: usize) -> Complex<f64> {
    let n = frames as f64;
    let half = 0.5 * TAU * x;
    let height = if x.abs() < 1e-9 { 1.0 } else { half.sin() / (n * (half / n).sin()) };
    let result = Complex::from_polar(SQRT_2, half * (1.0 - 1.0 / n)) * height;
    if result.re.is_finite() { result } else { Complex::zero() }
}
