//! One input over another of the same take: what a divider, an impedance or a mismatch is made of.
//!
//! Both are resampled along one path, so that clock, delay and start of the take fall out of the ratio, and so does
//! everything that the output does to both: what is left over between periods, `B_p − H·A_p`, is the noise of the ratio
//! alone. `H` of a cell of 1/48 octave is `Σ B·A* / Σ |A|²` over its lines.

use super::band::{BANDS, cells, lower_edge_hz};
use super::hum;
use super::periods::{self, Periods};
use super::prepare::{AnalysisError, Setup, prepare};
use super::{Common, Context};
use crate::signal::LineKind;
use crate::take::Take;
use realfft::num_complex::Complex;

/// Lines whose noise is pooled at least.
const POOLED_LINES: usize = 12;
/// A cell is given where the input below the line stands this far over the ratio's noise (power): 20 dB.
const LEAST_OVER_NOISE: f64 = 100.0;
/// Least standard deviation given, relative: single-precision samples.
const LEAST_DEVIATION: f64 = 1e-6;

/// One input over another.
#[derive(Clone, Debug)]
pub struct Pair {
    /// Rising in frequency, 17.8 Hz to 22.4 kHz.
    pub points: Vec<RatioPoint>,
    /// Window, clock, overload and flaws of the input below the line.
    pub common: Common,
}

/// The ratio at one frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RatioPoint {
    /// Hz.
    pub frequency_hz: f64,
    /// Complex ratio.
    pub ratio: Complex<f64>,
    /// Standard deviation of its real part, and of its imaginary part.
    pub deviation: f64,
}

/// Input `over` over input `under` of a take of pink noise.
///
/// # Errors
/// As [`prepare`]; [`AnalysisError::NoSuchInput`] of either.
pub fn ratio(take: &Take, over: usize, under: usize, context: &Context) -> Result<Pair, AnalysisError> {
    let common = prepare(take, under, context)?.common;
    let samples = |input: usize| -> Result<Vec<f64>, AnalysisError> {
        let input = take.inputs.get(input).ok_or(AnalysisError::NoSuchInput(input))?;
        Ok(input.samples.iter().map(|x| f64::from(*x)).collect())
    };
    let (first, second) = (samples(under)?, samples(over)?);
    let setup = Setup::new(take, &first);
    let found = setup.find(&[]);
    let placed = setup.place(context, found.as_ref())?;
    // The fit ends a little beside the path of its last samples (by up to 0.0005 ppm, a nanosecond): both go along its end.
    let (_, clock) = setup.on_played_clock(context, found.as_ref(), &placed);
    let rate_hz = take.head.played_rate.hz();
    let periods = |captured: &[f64]| Periods::new(setup.along_the_path_of(&clock, captured, &placed), setup.frames());
    let (mut a, mut b) = (periods(&first), periods(&second));
    let spacing = rate_hz / setup.frames() as f64;
    let mut mains = hum::remove(&mut a, rate_hz, true);
    mains.extend(hum::remove(&mut b, rate_hz, true));
    let period = take.head.stimulus.period(take.head.played_rate);
    let clear = |k: usize| {
        let f_hz = k as f64 * spacing;
        let within = (lower_edge_hz(*BANDS.start())..lower_edge_hz(BANDS.end() + 1)).contains(&f_hz)
            && f_hz < 0.47 * take.head.captured_rate.hz();
        within && !mains.iter().any(|h| (h.frequency_hz - f_hz).abs() <= spacing)
    };
    let excited: Vec<usize> = period.lines.of(LineKind::Excited).filter(|k| clear(*k)).collect();
    Ok(Pair { points: points(a.lines(), b.lines(), &excited, spacing), common })
}

fn points(a: &[Vec<Complex<f64>>], b: &[Vec<Complex<f64>>], excited: &[usize], spacing: f64) -> Vec<RatioPoint> {
    let (mean_a, mean_b) = (periods::mean_of(a), periods::mean_of(b));
    // Of one period's line, about a ratio of its own: no slope of the ratio within the cell is taken for noise.
    let own = |k: usize| mean_b[k] / mean_a[k];
    let left = |k: usize| -> f64 { a.iter().zip(b).map(|(a, b)| (b[k] - own(k) * a[k]).norm_sqr()).sum() };
    let noise: Vec<f64> = excited.iter().map(|k| left(*k) / (a.len().max(2) - 1) as f64).collect();
    let pooled = |from: usize, to: usize| {
        let more = POOLED_LINES.saturating_sub(to - from).div_ceil(2);
        let span = &noise[from.saturating_sub(more)..(to + more).min(noise.len())];
        span.iter().sum::<f64>() / span.len() as f64
    };
    let mut points = Vec::new();
    let mut from = 0;
    for lines in cells(excited, spacing) {
        let power: f64 = lines.iter().map(|k| mean_a[*k].norm_sqr()).sum();
        let cross: Complex<f64> = lines.iter().map(|k| mean_b[*k] * mean_a[*k].conj()).sum();
        let weighted: f64 = lines.iter().map(|k| *k as f64 * mean_a[*k].norm_sqr()).sum();
        let of_mean = pooled(from, from + lines.len()) / a.len() as f64;
        from += lines.len();
        if power > LEAST_OVER_NOISE * of_mean && power > 0.0 {
            let ratio = cross / power;
            points.push(RatioPoint {
                frequency_hz: spacing * weighted / power,
                ratio,
                deviation: (0.5 * of_mean / power).sqrt().max(LEAST_DEVIATION * ratio.norm()),
            });
        }
    }
    points
}
