//! Is the capture one piece? A lost or repeated sample moves everything after it, so the local delay between successive
//! periods steps; a longer loss makes them disagree altogether until a period has passed.

use super::fft;
use crate::units::tidy;
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use std::f64::consts::TAU;

/// Frames per block in which the local delay is read.
const BLOCK: usize = 1024;
/// Height of the normalised cumulative sum that a steady delay reaches once in about 10⁷ takes (2·e^(−2x²)).
const CUSUM: f64 = 2.9;
/// Steps under this are not distinguished from a clock that wanders, frames (a loss scatters by at least 0.03).
const LEAST_STEP: f64 = 0.03;
/// Blocks of a changing stimulus count where their slope has this share of the steepest one's power.
const STEEP: f64 = 0.25;
/// Lines count where they stand this far over the noise of one period (power).
const OVER_NOISE: f64 = 10.0;
/// … and show a delay where this share of the stimulus does: the few that hum or chance lift out of the noise move alike from
/// block to block, which looks like a loss.
const SHARE_OVER_NOISE: f64 = 1.0 / 16.0;
/// Periods disagree where their difference has this share of twice the signal's power …
const DISAGREES: f64 = 0.3;
/// … and agree, elsewhere in the take, under this one.
const AGREES: f64 = 0.05;

/// A stretch of resampled signal: the window and what there is of the sound on either side of it, so that a loss near
/// an edge shows as well.
pub struct Stretch<'a> {
    /// Samples on the played clock.
    pub samples: &'a [f64],
    /// Frames before the window.
    pub before: usize,
    /// Frames of one period.
    pub frames: usize,
    /// True where all lines of the stimulus are odd.
    pub odd: bool,
}

/// Less than this is rarely a lost sample, frames: only one of a stage at twice the rate is half a frame.
const LEAST_LOSS_FRAMES: f64 = 0.9;

/// What is wrong with the continuity, in words; `None` where nothing is seen. `mean`, `variance`: lines of the window.
pub fn broken(stretch: &Stretch, mean: &[Complex<f64>], variance: &[f64], lines: &[usize]) -> Option<String> {
    let frames = stretch.frames;
    let clear: Vec<usize> = lines.iter().copied().filter(|k| mean[*k].norm_sqr() > OVER_NOISE * variance[*k]).collect();
    let stated = clear.len() as f64 >= SHARE_OVER_NOISE * lines.len() as f64;
    // Of a sine or two the hum has been taken off; against a whole period before, what returns stays out by itself.
    let even = || if stretch.odd && lines.len() > 2 { even_part(mean, frames) } else { vec![0.0; frames] };
    let step = || delay_step(&delays(stretch, &slope(mean, &clear, frames), &even()));
    if let Some(step) = stated.then(step).flatten() {
        let effect = if step.abs() < LEAST_LOSS_FRAMES {
            "; so little is rather an effect that moves the sound in time (chorus, phaser, vibrato) than a lost sample"
        } else {
            ""
        };
        return Some(format!("the signal moves by {} frames on the path{effect}", tidy(step, 2)));
    }
    if !stretch.odd {
        // A stimulus that is not loud all the time disagrees with itself wherever it is lost in noise.
        return None;
    }
    let window = stretch.samples.get(stretch.before..)?;
    let periods: Vec<&[f64]> = window.chunks_exact(frames).collect();
    let longest = periods.windows(2).filter_map(|pair| disagreement(pair[0], pair[1])).max()?;
    (longest * BLOCK * 8 > frames).then(|| format!("successive periods disagree over {} frames", longest * BLOCK))
}

/// Slope of the mean period, of these lines alone, per frame.
fn slope(mean: &[Complex<f64>], lines: &[usize], frames: usize) -> Vec<f64> {
    let mut slope = vec![Complex::zero(); mean.len()];
    for &k in lines {
        slope[k] = mean[k] * Complex::new(0.0, TAU * k as f64 / frames as f64);
    }
    fft::samples_of(&slope, frames)
}

/// What returns after half a period with its sign unturned, per frame: even-order distortion, and hum that happens to lie on
/// an even line. Beside the lines around it that looks like a delay which comes and goes with the period.
fn even_part(mean: &[Complex<f64>], frames: usize) -> Vec<f64> {
    let even = |(k, line): (usize, &Complex<f64>)| if k.is_multiple_of(2) { *line } else { Complex::zero() };
    fft::samples_of(&mean.iter().enumerate().map(even).collect::<Vec<_>>(), frames)
}

/// Local delay, block by block, of the signal against itself half a period before, where it returns with its sign turned
/// if all lines are odd, else a whole period before. A loss shows as a delay that lasts as long, wherever it happens.
fn delays(stretch: &Stretch, slope: &[f64], even: &[f64]) -> Vec<f64> {
    let (frames, samples) = (stretch.frames, stretch.samples);
    let (lag, sign) = if stretch.odd { (frames / 2, -1.0) } else { (frames, 1.0) };
    let starts = (0..samples.len().saturating_sub(lag + BLOCK)).step_by(BLOCK);
    let offset = frames * stretch.before.div_ceil(frames) - stretch.before;
    let blocks: Vec<(f64, f64)> = starts
        .map(|start| {
            let (mut cross, mut own) = (0.0, 0.0);
            for n in start..start + BLOCK {
                let at = (n + offset) % frames;
                let m = slope[at];
                cross += (samples[n] - sign * samples[n + lag] - 2.0 * even[at]) * m;
                own += m * m;
            }
            (cross, own)
        })
        .collect();
    // A stimulus that changes shows its delay only where it is steep, and there about equally well.
    let largest = blocks.iter().map(|b| b.1).fold(0.0, f64::max);
    let least = if stretch.odd { 0.0 } else { STEEP * largest };
    // The later part is ±m(n − τ): its difference from the earlier one is τ·m'.
    blocks.into_iter().filter(|(_, own)| *own > least).map(|(cross, own)| cross / own).collect()
}

/// Size of the step of the local delay, if there is one.
fn delay_step(delays: &[f64]) -> Option<f64> {
    let count = delays.len();
    if count < 8 {
        return None;
    }
    let mean = delays.iter().sum::<f64>() / count as f64;
    // Noise from successive differences, median for robustness: the differences across steps do not count.
    let mut steps: Vec<f64> = delays.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    steps.sort_by(f64::total_cmp);
    // Median of |difference| of normal values of standard deviation s is 0.6745·√2·s.
    let noise = (steps[steps.len() / 2] / (0.6745 * std::f64::consts::SQRT_2)).max(1e-6);
    let (mut sum, mut worst, mut at) = (0.0, 0.0f64, 0);
    for (i, delay) in delays.iter().enumerate().take(count - 1) {
        sum += delay - mean;
        if f64::abs(sum) > worst {
            (worst, at) = (f64::abs(sum), i + 1);
        }
    }
    if at == 0 || worst < CUSUM * noise * (count as f64).sqrt() {
        return None;
    }
    let before = delays[..at].iter().sum::<f64>() / at as f64;
    let after = delays[at..].iter().sum::<f64>() / (count - at) as f64;
    ((after - before).abs() > LEAST_STEP).then_some(after - before)
}

/// Longest run of blocks in which two periods disagree although they agree elsewhere.
fn disagreement(first: &[f64], second: &[f64]) -> Option<usize> {
    let ratios: Vec<f64> = first
        .chunks_exact(BLOCK)
        .zip(second.chunks_exact(BLOCK))
        .map(|(a, b)| {
            let (mut apart, mut own) = (0.0, 0.0);
            for (a, b) in a.iter().zip(b) {
                apart += (a - b).powi(2);
                own += a * a + b * b;
            }
            if own > 0.0 { apart / own } else { 0.0 }
        })
        .collect();
    if !ratios.iter().any(|r| *r < AGREES) {
        return None;
    }
    let (mut run, mut longest) = (0, 0);
    for r in &ratios {
        run = if *r > DISAGREES { run + 1 } else { 0 };
        longest = longest.max(run);
    }
    Some(longest)
}
