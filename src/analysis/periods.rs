//! From resampled samples to lines per period, their mean and their variance; and which periods a disturbance touched.

use super::fft;
use crate::signal::{LineKind, Lines};
use realfft::num_complex::Complex;

/// Pooled variances have at least this many degrees of freedom.
pub const POOLED_DOF: f64 = 10.0;
/// With fewer excited lines than this (a sine) all lines are pooled alike.
const CLASS_FROM: usize = 16;
/// Lines that are averaged together: of some tens of periods they fit a core's own memory.
const NEAR: usize = 512;
/// Blocks per period in which a disturbance is looked for (about 43 ms each).
const BLOCKS: usize = 32;
/// A block is disturbed when periods differ there by this much more power than usual (15 dB; three real degrees of
/// freedom, the fewest that low-frequency noise leaves in a block, pass it once in 10⁹).
const DISTURBED: f64 = 30.0;
/// A disturbance that adds less than this share to the noise of its take stays in: the variance knows of it.
const HARMLESS: f64 = 0.26;
/// … and so does one under this share of the signal, which moves no level by 0.01 dB: on a path without noise the least
/// breath of a gain control would make every take void.
const UNHEARD: f64 = 1e-6;
/// Differences between periods under this share of the signal are rounding, not noise.
const ROUNDING: f64 = 1e-10;

/// Share of a block's power that the clock's residue leaves in the difference of two periods: 0.003 ppm over 5 s at
/// 10 kHz.
const RESIDUE: f64 = 1e-6;

/// Whole periods on the played clock with the lines of each, which always belong to the samples.
pub struct Periods {
    frames: usize,
    samples: Vec<f64>,
    lines: Vec<Vec<Complex<f64>>>,
}

impl Periods {
    /// `samples` in periods of `frames`.
    pub fn new(samples: Vec<f64>, frames: usize) -> Periods {
        Periods { lines: lines_per_period(&samples, frames), samples, frames }
    }

    /// Samples, period after period.
    pub fn samples(&self) -> &[f64] {
        &self.samples
    }

    /// Lines of each period.
    pub fn lines(&self) -> &[Vec<Complex<f64>>] {
        &self.lines
    }

    /// The lines alone.
    pub fn into_lines(self) -> Vec<Vec<Complex<f64>>> {
        self.lines
    }

    /// Changes samples; the lines follow.
    pub fn change(&mut self, change: impl FnOnce(&mut [f64])) {
        change(&mut self.samples);
        self.lines = lines_per_period(&self.samples, self.frames);
    }

    /// Frames of one period.
    pub fn frames(&self) -> usize {
        self.frames
    }
}

/// Lines of each period.
pub fn lines_per_period(samples: &[f64], frames: usize) -> Vec<Vec<Complex<f64>>> {
    samples.chunks_exact(frames).map(fft::lines_of).collect()
}

/// Mean lines, and the variance of one period's line about it, line by line (zeros for a single period).
pub fn mean_and_scatter(periods: &[Vec<Complex<f64>>]) -> (Vec<Complex<f64>>, Vec<f64>) {
    let count = periods.first().map_or(0, Vec::len);
    if let [only] = periods {
        return (only.clone(), vec![0.0; count]);
    }
    let (mut mean, mut scatter) = (vec![Complex::new(0.0, 0.0); count], vec![0.0; count]);
    let (all, own_dof) = (periods.len().max(1) as f64, 2.0 * (periods.len().max(2) - 1) as f64);
    // A few lines of all periods at a time: the second pass over them finds them near.
    for from in (0..count).step_by(NEAR) {
        let span = from..(from + NEAR).min(count);
        let (mean, scatter) = (&mut mean[span.clone()], &mut scatter[span.clone()]);
        for period in periods {
            mean.iter_mut().zip(&period[span.clone()]).for_each(|(sum, line)| *sum += line);
        }
        mean.iter_mut().for_each(|sum| *sum /= all);
        for period in periods {
            let lines = scatter.iter_mut().zip(&period[span.clone()]).zip(mean.iter());
            lines.for_each(|((sum, line), mean)| *sum += (line - mean).norm_sqr());
        }
        scatter.iter_mut().for_each(|sum| *sum = 2.0 * *sum / own_dof);
    }
    (mean, scatter)
}

/// Mean lines.
pub fn mean_of(periods: &[Vec<Complex<f64>>]) -> Vec<Complex<f64>> {
    let count = periods.len().max(1) as f64;
    let mut mean = vec![Complex::new(0.0, 0.0); periods.first().map_or(0, Vec::len)];
    // Period by period, not line by line: memory is read in the order in which it lies.
    for period in periods {
        mean.iter_mut().zip(period).for_each(|(sum, line)| *sum += line);
    }
    mean.iter_mut().for_each(|sum| *sum /= count);
    mean
}

/// The scatter of so many periods, pooled over neighbours of the same kind (excited or not) to at least
/// `least_dof` degrees of freedom; with the degrees of freedom reached. Zeros for a single period.
pub fn pooled_variance(scatter: &[f64], periods: usize, lines: &Lines, least_dof: f64) -> (Vec<f64>, Vec<f64>) {
    let count = scatter.len();
    let (mut variance, mut dof) = (vec![0.0; count], vec![0.0; count]);
    if periods < 2 {
        return (variance, dof);
    }
    let own_dof = 2.0 * (periods - 1) as f64;
    let few = lines.of(LineKind::Excited).len() < CLASS_FROM;
    let excited = if few { &[] } else { lines.within(1..count, LineKind::Excited) };
    let others: Vec<usize> = (1..count).filter(|k| few || lines.kind(*k) != LineKind::Excited).collect();
    let half = ((least_dof / own_dof - 1.0) / 2.0).ceil().max(0.0) as usize;
    for class in [excited, &others] {
        let mut running = Vec::with_capacity(class.len() + 1);
        running.push(0.0);
        running.extend(class.iter().scan(0.0, |sum, &k| {
            *sum += scatter[k];
            Some(*sum)
        }));
        for (i, &k) in class.iter().enumerate() {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(class.len()));
            variance[k] = (running[to] - running[from]).max(0.0) / (to - from) as f64;
            dof[k] = own_dof * (to - from) as f64;
        }
    }
    variance[0] = scatter[0];
    dof[0] = own_dof;
    (variance, dof)
}

/// A gain that moves leaves less than this share of the periods' difference once it is undone …
const GAIN_ALONE: f64 = 0.3;
/// … within blocks of this many a period, 5 ms: a limiter's gain moves within longer ones …
const GAIN_BLOCKS: usize = 256;
/// … and is distinguished from here on, dB: below it 32-bit samples are rounded.
const LEAST_MOVE_DB: f64 = 0.002;

/// Which periods are clean: true for each that agrees with at least one other everywhere in time. A stimulus that is not
/// `steady` leaves more of itself in the difference where it is loud and high: there as much is allowed for.
pub fn clean_periods(samples: &[f64], frames: usize, steady: bool) -> Vec<bool> {
    let periods: Vec<&[f64]> = samples.chunks_exact(frames).collect();
    if periods.len() < 2 {
        return vec![true; periods.len()];
    }
    let differences: Vec<Vec<f64>> = (0..periods.len()).map(|p| least_differences(&periods, p)).collect();
    let mut sorted: Vec<f64> = differences.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let signal = samples.iter().map(|x| x * x).sum::<f64>() / samples.len().max(1) as f64;
    let floor = ROUNDING * signal * (frames / BLOCKS) as f64;
    let median = sorted[sorted.len() / 2];
    let size = (frames / BLOCKS).max(1);
    let residue = if steady { 0.0 } else { RESIDUE };
    differences
        .iter()
        .zip(&periods)
        .map(|(blocks, period)| {
            let own = period.chunks(size).map(|block| residue * block.iter().map(|x| x * x).sum::<f64>());
            let limits: Vec<f64> = own.map(|own| DISTURBED * (median + floor + own)).collect();
            let within = |(energy, limit): &(&f64, &f64)| energy <= limit;
            let (usual, excess): (Vec<_>, Vec<_>) = blocks.iter().zip(&limits).partition(within);
            let sum = |of: &[(&f64, &f64)]| of.iter().map(|(energy, _)| **energy).sum::<f64>();
            let most = HARMLESS * (sum(&usual) + floor * BLOCKS as f64);
            sum(&excess) <= most.max(UNHEARD * signal * frames as f64)
        })
        .collect()
}

/// Where periods differ: is it their gain alone, as behind an automatic gain? The largest change between two periods in the same
/// place, dB; `None` where their difference is something else.
pub fn gain_moves_db(samples: &[f64], frames: usize) -> Option<f64> {
    let periods: Vec<&[f64]> = samples.chunks_exact(frames).collect();
    let size = (frames / GAIN_BLOCKS).max(1);
    let (mut difference, mut left, mut most) = (0.0, 0.0, 0.0f64);
    for pair in periods.windows(2) {
        for (a, b) in pair[0].chunks(size).zip(pair[1].chunks(size)) {
            let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
            let (aa, ab, bb) = (dot(a, a), dot(a, b), dot(b, b));
            difference += (aa - 2.0 * ab + bb).max(0.0);
            if ab <= 0.0 {
                left += bb;
                continue;
            }
            left += (bb - ab * ab / aa).max(0.0);
            most = most.max((20.0 * (ab / aa).log10()).abs());
        }
    }
    (difference > 0.0 && left < GAIN_ALONE * difference && most > LEAST_MOVE_DB).then_some(most)
}

/// Per block, how far period `p` is from the other period nearest to it there.
fn least_differences(periods: &[&[f64]], p: usize) -> Vec<f64> {
    let size = (periods[p].len() / BLOCKS).max(1);
    let mut least = vec![f64::INFINITY; BLOCKS];
    for (_, other) in periods.iter().enumerate().filter(|(q, _)| *q != p) {
        for (block, least) in least.iter_mut().enumerate() {
            let span = block * size..((block + 1) * size).min(other.len());
            let energy: f64 = periods[p][span.clone()].iter().zip(&other[span]).map(|(a, b)| (a - b).powi(2)).sum();
            *least = least.min(energy);
        }
    }
    least
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::amplitude_from_db;

    /// A compressor behind a noiseless wire breathed by a few thousandths of a decibel: every take was void, and the session
    /// ended over "gains up to 0.00 dB apart". A gain that moves by 0.1 dB is still seen, and named.
    #[test]
    fn a_breath_of_gain_on_a_noiseless_path_leaves_its_periods_clean() {
        let frames = 8192;
        let mut state = 1u64;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / f64::from(1u32 << 30) - 1.0
        };
        let period: Vec<f64> = (0..frames).map(|_| random()).collect();
        let heard = |gain_db: f64| {
            let moved = amplitude_from_db(gain_db);
            let second = period.iter().enumerate().map(|(n, x)| if n < frames / 4 { x * moved } else { *x });
            let samples: Vec<f64> = period.iter().copied().chain(second).collect();
            (clean_periods(&samples, frames, true), gain_moves_db(&samples, frames))
        };
        assert_eq!(heard(0.004).0, [true, true]);
        let (clean, moves_db) = heard(0.1);
        assert_eq!(clean, [false, false]);
        assert!((moves_db.unwrap() - 0.1).abs() < 1e-6, "{moves_db:?}");
    }
}
