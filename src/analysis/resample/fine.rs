//! A window at twice the played rate, to be read along one path after another.

use super::{Path, Resampler, dimensions, fill, highest_kept, kept, sample_or_zero};
use std::sync::{Arc, Mutex};

/// Samples here per played frame: half of this rate is far above the lines, so the kernel is short.
const FINE: f64 = 2.0;
/// Rows of the table of kernels; a parabola through three of them is off by under 0.07·(2πf)³·ROWS⁻³ < −135 dB.
const ROWS: usize = 128;
/// Outputs that are read by one row: their phases differ by less than one row up to 550 ppm, and the row is the one nearest
/// to their middle.
const BLOCK: usize = 8;
/// A row serves as far as the next one on either side.
const REACH: f64 = 1.0;

/// A stretch of captured samples at twice the played rate.
#[derive(Debug)]
pub struct Fine {
    /// Every other sample, and those between them: what outputs two samples apart see then lies side by side.
    even: Vec<f64>,
    odd: Vec<f64>,
    /// Captured position of the first.
    start: f64,
    /// Captured samples per sample here.
    step: f64,
    kernel: Arc<Kernel>,
}

impl Fine {
    /// From captured position `start` on, enough for paths of `frames` played frames; rates as for [`Resampler::cached`].
    pub fn new(captured: &[f64], captured_hz: f64, played_hz: f64, highest_hz: f64, start: f64, frames: usize) -> Fine {
        let kernel = Kernel::cached(FINE * played_hz, captured_hz.min(played_hz), highest_hz);
        let step = captured_hz / played_hz / FINE;
        let reach = kernel.half + BLOCK;
        // Whole captured samples: at equal rates every other sample is then a captured one.
        let start = (start - 2.0 * reach as f64 * step).floor();
        let long = Resampler::cached(captured_hz, played_hz, highest_hz);
        let every_other = |start: f64| {
            let path = Path { start, step: FINE * step, bend: 0.0 };
            long.along(captured, &path, frames + 4 * reach)
        };
        Fine { even: every_other(start), odd: every_other(start + step), start, step, kernel }
    }

    /// `count` values along `path` (which is in captured samples); zero is taken beyond the stretch.
    pub fn along(&self, path: &Path, count: usize) -> Vec<f64> {
        let start = (path.start - self.start) / self.step;
        let path = Path { start, step: path.step / self.step, bend: path.bend / self.step };
        pulp::Arch::new().dispatch(Along { fine: self, path: &path, count })
    }

    /// Samples two apart from `index` on, so many; `None` beyond the stretch.
    #[inline(always)]
    fn every_other(&self, index: usize, count: usize) -> Option<&[f64]> {
        let half = if index.is_multiple_of(2) { &self.even } else { &self.odd };
        half.get(index / 2..index / 2 + count)
    }

    /// Any position, also beyond the stretch.
    fn value(&self, position: f64) -> f64 {
        let Place { whole, row, off } = Place::of(position);
        let at = |index: isize| {
            let half = if index.rem_euclid(2) == 0 { &self.even } else { &self.odd };
            sample_or_zero(half, index.div_euclid(2))
        };
        let first = whole - (self.kernel.half as isize - 1);
        let taps = self.kernel.row(row).iter().zip(first..);
        taps.map(|([value, slope, bend], index)| at(index) * (value + off * (slope + off * bend))).sum()
    }
}

/// A position as the sample before it, the nearest row, and how far from that row (in rows).
struct Place {
    whole: isize,
    row: usize,
    off: f64,
}

impl Place {
    #[inline(always)]
    fn of(position: f64) -> Place {
        let rows = position * ROWS as f64;
        let nearest = (rows + 0.5).floor();
        let index = nearest as isize;
        Place {
            whole: index.div_euclid(ROWS as isize),
            row: index.rem_euclid(ROWS as isize) as usize,
            off: rows - nearest,
        }
    }
}

/// Kernels at so many phases, each tap as a parabola in the distance from its row: value, slope, half of the curvature.
#[derive(Debug)]
struct Kernel {
    half: usize,
    cutoff: f64,
    table: Vec<[f64; 3]>,
}

/// One for each relation of rates met.
static KERNELS: Mutex<Vec<Arc<Kernel>>> = Mutex::new(Vec::new());

impl Kernel {
    /// From `oversampled_hz`, on which there is nothing but content of a signal at `lower_hz`.
    fn cached(oversampled_hz: f64, lower_hz: f64, highest_hz: f64) -> Arc<Kernel> {
        let pass = highest_kept(lower_hz, highest_hz) / oversampled_hz;
        let (half, cutoff) = dimensions(pass, 1.0 - pass);
        let same = |k: &Kernel| k.half == half && (k.cutoff - cutoff).abs() < 1e-12;
        kept(&KERNELS, same, || Kernel::new(half, cutoff))
    }

    fn new(half: usize, cutoff: f64) -> Kernel {
        let row = |row: f64| {
            let mut taps = vec![0.0; 2 * half];
            fill(&mut taps, row / ROWS as f64, cutoff);
            taps
        };
        let parabolas = |at: usize| {
            let (before, here, after) = (row(at as f64 - 1.0), row(at as f64), row(at as f64 + 1.0));
            let parabola = |i: usize| [here[i], 0.5 * (after[i] - before[i]), 0.5 * (after[i] + before[i]) - here[i]];
            (0..2 * half).map(parabola).collect::<Vec<_>>()
        };
        Kernel { half, cutoff, table: (0..ROWS).flat_map(parabolas).collect() }
    }

    #[inline(always)]
    fn row(&self, row: usize) -> &[[f64; 3]] {
        &self.table[row * 2 * self.half..(row + 1) * 2 * self.half]
    }
}

/// The values along a path, blocks compiled for AVX2 where the machine has it: all they call is inlined into them.
struct Along<'a> {
    fine: &'a Fine,
    path: &'a Path,
    count: usize,
}

impl pulp::WithSimd for Along<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) -> Vec<f64> {
        let mut values = vec![0.0; self.count];
        let (blocks, rest) = values.as_chunks_mut();
        let done = BLOCK * blocks.len();
        for (first, values) in (0..).step_by(BLOCK).zip(blocks) {
            if !self.block(simd, first, values) {
                self.one_by_one(first, values);
            }
        }
        self.one_by_one(done, rest);
        values
    }
}

impl Along<'_> {
    fn one_by_one(&self, first: usize, values: &mut [f64]) {
        (first..).zip(values).for_each(|(n, value)| *value = self.fine.value(self.path.at(n as f64)));
    }

    /// Outputs from `first` on by the row nearest to their middle; false where one lies too far from it or from the
    /// stretch.
    #[inline(always)]
    fn block<S: pulp::Simd>(&self, simd: S, first: usize, values: &mut [f64; BLOCK]) -> bool {
        const { assert!(BLOCK.is_multiple_of(S::F64_LANES)) };
        let ahead = |i: usize| self.path.at((first + i) as f64) - FINE * i as f64;
        let Place { whole, row, off: _ } = Place::of(0.5 * (ahead(0) + ahead(BLOCK - 1)));
        let mut off = [0.0; BLOCK];
        off.iter_mut().enumerate().for_each(|(i, off)| *off = (ahead(i) - whole as f64) * ROWS as f64 - row as f64);
        let half = self.fine.kernel.half;
        let Ok(index) = usize::try_from(whole - (half as isize - 1)) else { return false };
        let seen = |index: usize| self.fine.every_other(index, half - 1 + BLOCK);
        let (Some(near), Some(far)) = (seen(index), seen(index + 1)) else { return false };
        if off[0].abs().max(off[BLOCK - 1].abs()) > REACH {
            return false;
        }
        // The parabola's coefficients of all outputs, summed side by side.
        let none = [simd.splat_f64s(0.0); BLOCK];
        let (mut value, mut slope, mut bend) = (none, none, none);
        let mut add = |x: &[f64], tap: &[f64; 3]| {
            let [of_value, of_slope, of_bend] = tap.map(|t| simd.splat_f64s(t));
            for (i, x) in S::as_simd_f64s(x).0.iter().enumerate() {
                value[i] = simd.mul_add_e_f64s(*x, of_value, value[i]);
                slope[i] = simd.mul_add_e_f64s(*x, of_slope, slope[i]);
                bend[i] = simd.mul_add_e_f64s(*x, of_bend, bend[i]);
            }
        };
        for (i, taps) in self.fine.kernel.row(row).chunks_exact(2).enumerate() {
            add(&near[i..i + BLOCK], &taps[0]);
            add(&far[i..i + BLOCK], &taps[1]);
        }
        let (into, off) = (S::as_mut_simd_f64s(values).0, S::as_simd_f64s(&off).0);
        for (i, (into, off)) in into.iter_mut().zip(off).enumerate() {
            *into = simd.mul_add_e_f64s(*off, simd.mul_add_e_f64s(*off, bend[i], slope[i]), value[i]);
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A row's parabola serves a block; what lies too far is read one by one, and a machine without wide vectors sums
    /// in another order.
    #[test]
    fn blocks_give_the_same_as_one_value_at_a_time() {
        // From before the first captured sample to after the last.
        let x: Vec<f64> = (0..4000).map(|n| (0.37 * f64::from(n)).sin() + 0.1 * (2.9 * f64::from(n)).cos()).collect();
        let rates = [(0.0, 0.0), (40.0, 0.0), (-300.0, 1e-9), (1_050.0, 0.0), (-2_000.0, 0.0), (90_000.0, 0.0)];
        let starts = [-500.0, -3.25, 600.3, 2500.0];
        for ((ppm, bend), start) in rates.into_iter().flat_map(|rate| starts.map(|start| (rate, start))) {
            let fine = Fine::new(&x, 48e3, 48e3, 22_387.0, start, 2000);
            let path = Path { start: start + 0.3, step: 1.0 + ppm * 1e-6, bend };
            let values = fine.along(&path, 2003);
            let here = Path {
                start: (path.start - fine.start) / fine.step,
                step: path.step / fine.step,
                bend: bend / fine.step,
            };
            let plain = pulp::WithSimd::with_simd(Along { fine: &fine, path: &here, count: 2003 }, pulp::Scalar::new());
            for (n, (value, plain)) in values.iter().zip(plain).enumerate() {
                let one = fine.value(here.at(n as f64));
                assert!((value - plain).abs() < 1e-12, "{n} at {ppm} ppm: {value}, {plain} without vectors");
                assert!((value - one).abs() < 2e-7, "{n} at {ppm} ppm: {value}, {one} alone");
            }
        }
    }
}
