//! Captured samples on the played clock: band-limited interpolation with a Kaiser-windowed sinc.
//!
//! The kernel passes everything up to the highest line and stops where images or aliases would fall back onto lines, so
//! the space between is free for its transition:
//!
//! ```text
//!  0 ──────────── highest line ─ ─ ─ half the lower rate ─ ─ ─ lower rate − highest line ──────
//!      error < −110 dB                transition                     rejection > 120 dB
//! ```
//!
//! A take is resampled several times while its clock is fitted. So the window is brought to twice the played rate once
//! ([`Fine`]), by that long kernel; from there the space up to the images is wide, and a short kernel follows any path.
//! Outputs that lie side by side at the same phase are computed side by side.
//!
//! Formula for length and β: see [`crate::signal::kaiser`]'s source.

mod fine;

use crate::signal::kaiser;
pub use fine::Fine;
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};

/// Design rejection of the kernel, dB.
const REJECTION_DB: f64 = 126.0;
/// Rows of the phase table; between rows the interpolation is linear, whose error is under (2πf)²/8·ROWS⁻² < −119 dB.
const ROWS: usize = 1024;
/// Rows are padded to a multiple of this: whole vectors of any machine that is compiled for.
const LANES: usize = 4;
/// Vectors of outputs that are summed side by side: one sum alone would wait for each addition in turn.
const TOGETHER: usize = 4;

/// Where captured samples are wanted: position of output `n` is `start + step·n + ½·bend·n²`, in captured samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Path {
    /// Captured position of output 0.
    pub start: f64,
    /// Captured samples per output sample.
    pub step: f64,
    /// Change of `step` per output sample (a clock that drifts).
    pub bend: f64,
}

impl Path {
    /// True where every output lies one captured sample after the one before it.
    fn is_shift(&self) -> bool {
        self.step - 1.0 == 0.0 && self.bend == 0.0
    }

    /// Captured position of output `n`.
    #[inline(always)]
    pub fn at(&self, n: f64) -> f64 {
        self.start + n * (self.step + 0.5 * self.bend * n)
    }
}

/// A phase table for one pair of rates.
#[derive(Debug)]
pub struct Resampler {
    half: usize,
    taps: usize,
    cutoff: f64,
    table: Vec<f64>,
    /// True where the kernel is zero at every sample but its own (cut off at half the rate): samples stay as they are.
    passes_samples: bool,
}

/// One table per pair of rates met; a session has one or two.
static TABLES: Mutex<Vec<Arc<Resampler>>> = Mutex::new(Vec::new());

impl Resampler {
    /// For a capture at `captured_hz` onto `played_hz`, exact up to `highest_hz` (both rates nominal).
    pub fn cached(captured_hz: f64, played_hz: f64, highest_hz: f64) -> Arc<Resampler> {
        let lower = captured_hz.min(played_hz);
        let pass = highest_kept(lower, highest_hz) / captured_hz;
        Resampler::between(pass, lower / captured_hz - pass)
    }

    /// Passes up to `pass`, rejects from `stop` on (cycles per captured sample).
    fn between(pass: f64, stop: f64) -> Arc<Resampler> {
        let (half, cutoff) = dimensions(pass, stop);
        let same = |r: &Resampler| r.half == half && (r.cutoff - cutoff).abs() < 1e-12;
        kept(&TABLES, same, || Resampler::new(half, cutoff))
    }

    /// `half` samples on either side, cut off at `cutoff` cycles per captured sample.
    fn new(half: usize, cutoff: f64) -> Resampler {
        let taps = (2 * half).next_multiple_of(LANES);
        let mut table = vec![0.0; taps * (ROWS + 1)];
        for (row, out) in table.chunks_exact_mut(taps).enumerate() {
            fill(&mut out[..2 * half], row as f64 / ROWS as f64, cutoff);
        }
        Resampler { half, taps, cutoff, table, passes_samples: (cutoff - 0.5).abs() < 1e-12 }
    }

    /// Captured samples needed on either side of a position.
    pub fn reach(&self) -> usize {
        self.half + 1
    }

    /// One interpolated value; zero is taken for samples before the first and after the last.
    pub fn value(&self, captured: &[f64], position: f64) -> f64 {
        pulp::Arch::new().dispatch(At { resampler: self, captured, position })
    }

    #[inline(always)]
    fn value_by<S: pulp::Simd>(&self, simd: S, captured: &[f64], position: f64) -> f64 {
        // Rounded down without the library's call, which would cost as much as a short kernel.
        let towards_zero = position as isize;
        let whole = towards_zero - isize::from(towards_zero as f64 > position);
        let phase = (position - whole as f64) * ROWS as f64;
        let row = (phase as usize).min(ROWS - 1);
        let between = phase - row as f64;
        if self.passes_samples && row == 0 && between == 0.0 {
            return sample_or_zero(captured, whole);
        }
        let first = whole - (self.half as isize - 1);
        let rows = &self.table[row * self.taps..(row + 2) * self.taps];
        if first >= 0 && first as usize + self.taps <= captured.len() {
            interpolate(simd, &captured[first as usize..first as usize + self.taps], rows, between)
        } else {
            let padded: Vec<f64> = (0..self.taps as isize).map(|i| sample_or_zero(captured, first + i)).collect();
            interpolate(simd, &padded, rows, between)
        }
    }

    /// `count` values along `path`.
    pub fn along(&self, captured: &[f64], path: &Path, count: usize) -> Vec<f64> {
        pulp::Arch::new().dispatch(Along { resampler: self, captured, path, count })
    }

    /// Largest magnitude of the waveform between `from` and `to` (captured samples), read at eight points a sample
    /// around every sample that could hide it.
    pub fn true_peak(&self, captured: &[f64], from: usize, to: usize) -> f64 {
        let to = to.min(captured.len());
        let Some(part) = captured.get(from..to) else { return 0.0 };
        let largest = part.iter().fold(0.0f64, |m, x| m.max(x.abs()));
        // Between samples the waveform rises over its neighbours by less than 4 dB for content up to 0.47 of the rate.
        let candidates = part.iter().enumerate().filter(|(_, x)| x.abs() >= 0.63 * largest && largest > 0.0);
        candidates.fold(largest, |peak, (i, _)| {
            let centre = (from + i) as f64;
            (1..8)
                .flat_map(|e| [centre + f64::from(e) / 8.0, centre - f64::from(e) / 8.0])
                .fold(peak, |peak, at| peak.max(self.value(captured, at).abs()))
        })
    }
}

/// One value, compiled for AVX2 where the machine has it: everything it calls is inlined into it.
struct At<'a> {
    resampler: &'a Resampler,
    captured: &'a [f64],
    position: f64,
}

impl pulp::WithSimd for At<'_> {
    type Output = f64;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) -> f64 {
        self.resampler.value_by(simd, self.captured, self.position)
    }
}

/// The values along a path, compiled likewise: one dispatch for all of them.
struct Along<'a> {
    resampler: &'a Resampler,
    captured: &'a [f64],
    path: &'a Path,
    count: usize,
}

impl pulp::WithSimd for Along<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) -> Vec<f64> {
        let mut values = vec![0.0; self.count];
        let done = if self.path.is_shift() { self.shifted(simd, &mut values) } else { 0..0 };
        for n in (0..done.start).chain(done.end..self.count) {
            values[n] = self.resampler.value_by(simd, self.captured, self.path.at(n as f64));
        }
        values
    }
}

impl Along<'_> {
    /// All outputs of a shift have one phase: whole vectors of those that see captured samples alone. Returns which they are.
    #[inline(always)]
    fn shifted<S: pulp::Simd>(&self, simd: S, values: &mut [f64]) -> Range<usize> {
        let Resampler { half, taps, ref table, .. } = *self.resampler;
        let whole = self.path.start.floor();
        let phase = (self.path.start - whole) * ROWS as f64;
        let row = (phase as usize).min(ROWS - 1);
        let between = phase - row as f64;
        let passes = self.resampler.passes_samples && row == 0 && between == 0.0;
        // The first sample that output 0 sees, and the first output that sees none before those captured.
        let seen = whole as isize - if passes { 0 } else { half as isize - 1 };
        let from = (seen.min(0).unsigned_abs()).min(values.len());
        let first = seen.max(0) as usize;
        let values = &mut values[from..];
        if passes {
            let there = self.captured.get(first..).unwrap_or_default();
            let count = there.len().min(values.len());
            values[..count].copy_from_slice(&there[..count]);
            return from..from + count;
        }
        let (this, next) = table[row * taps..(row + 2) * taps].split_at(taps);
        let row: Vec<f64> = this.iter().zip(next).map(|(a, b)| a + between * (b - a)).collect();
        let wide = TOGETHER * S::F64_LANES;
        let mut done = 0;
        for values in values.chunks_exact_mut(wide) {
            let Some(x) = self.captured.get(first + done..first + done + wide + taps - 1) else { break };
            let mut sums = [simd.splat_f64s(0.0); TOGETHER];
            for (i, tap) in row.iter().enumerate() {
                let tap = simd.splat_f64s(*tap);
                let x = S::as_simd_f64s(&x[i..i + wide]).0;
                for (sum, x) in sums.iter_mut().zip(x) {
                    *sum = simd.mul_add_e_f64s(*x, tap, *sum);
                }
            }
            S::as_mut_simd_f64s(values).0.copy_from_slice(&sums);
            done += wide;
        }
        from..from + done
    }
}

/// Highest frequency that is kept exactly, Hz: at least 1 % of the lower rate is left for the transition, and no more
/// than a quarter of it is used.
fn highest_kept(lower_hz: f64, highest_hz: f64) -> f64 {
    highest_hz.clamp(0.375 * lower_hz, 0.49 * lower_hz)
}

#[inline(always)]
fn sample_or_zero(samples: &[f64], index: isize) -> f64 {
    usize::try_from(index).ok().and_then(|i| samples.get(i)).copied().unwrap_or(0.0)
}

/// Inner product of `x` with a row, `between` that and the next one; rows are whole vectors on every machine ([`LANES`]).
#[inline(always)]
fn interpolate<S: pulp::Simd>(simd: S, x: &[f64], rows: &[f64], between: f64) -> f64 {
    const { assert!(LANES.is_multiple_of(S::F64_LANES)) };
    let (row, next) = rows.split_at(x.len());
    let (x, row, next) = (S::as_simd_f64s(x).0, S::as_simd_f64s(row).0, S::as_simd_f64s(next).0);
    let none = simd.splat_f64s(0.0);
    if between == 0.0 {
        // Four sums side by side: one alone would wait for each addition in turn.
        let (mut a, mut b, mut c, mut d) = (none, none, none, none);
        let (xs, rows) = (x.chunks_exact(4), row.chunks_exact(4));
        for (x, row) in xs.remainder().iter().zip(rows.remainder()) {
            a = simd.mul_add_e_f64s(*x, *row, a);
        }
        for (x, row) in xs.zip(rows) {
            a = simd.mul_add_e_f64s(x[0], row[0], a);
            b = simd.mul_add_e_f64s(x[1], row[1], b);
            c = simd.mul_add_e_f64s(x[2], row[2], c);
            d = simd.mul_add_e_f64s(x[3], row[3], d);
        }
        return simd.reduce_sum_f64s(simd.add_f64s(simd.add_f64s(a, b), simd.add_f64s(c, d)));
    }
    let (mut low, mut high, mut odd_low, mut odd_high) = (none, none, none, none);
    let (xs, rows, nexts) = (x.chunks_exact(2), row.chunks_exact(2), next.chunks_exact(2));
    for ((x, row), next) in xs.remainder().iter().zip(rows.remainder()).zip(nexts.remainder()) {
        low = simd.mul_add_e_f64s(*x, *row, low);
        high = simd.mul_add_e_f64s(*x, *next, high);
    }
    for ((x, row), next) in xs.zip(rows).zip(nexts) {
        low = simd.mul_add_e_f64s(x[0], row[0], low);
        high = simd.mul_add_e_f64s(x[0], next[0], high);
        odd_low = simd.mul_add_e_f64s(x[1], row[1], odd_low);
        odd_high = simd.mul_add_e_f64s(x[1], next[1], odd_high);
    }
    let (low, high) = (simd.add_f64s(low, odd_low), simd.add_f64s(high, odd_high));
    simd.reduce_sum_f64s(simd.mul_add_e_f64s(simd.splat_f64s(between), simd.sub_f64s(high, low), low))
}

/// The table that is `same` as what is wanted, made where there is none yet.
fn kept<T>(tables: &Mutex<Vec<Arc<T>>>, same: impl Fn(&T) -> bool, make: impl FnOnce() -> T) -> Arc<T> {
    let mut tables = tables.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(found) = tables.iter().find(|table| same(table)) {
        return Arc::clone(found);
    }
    let made = Arc::new(make());
    tables.push(Arc::clone(&made));
    made
}

/// Samples on either side and cutoff of a kernel that passes up to `pass` and rejects from `stop` on (cycles per sample).
fn dimensions(pass: f64, stop: f64) -> (usize, f64) {
    let taps = (REJECTION_DB - 8.0) / (2.285 * std::f64::consts::TAU * (stop - pass));
    ((0.5 * taps).ceil() as usize + 1, 0.5 * (pass + stop))
}

/// Taps that interpolate `fraction` after the last sample of the first half.
fn fill(row: &mut [f64], fraction: f64, cutoff: f64) {
    let half = row.len() as f64 / 2.0;
    let beta = 0.1102 * (REJECTION_DB - 8.7);
    for (i, tap) in row.iter_mut().enumerate() {
        *tap = kernel(i as f64 - (half - 1.0) - fraction, half, cutoff, beta);
    }
    // Unit gain at DC in every row: no ripple at the rate of the phase.
    let sum: f64 = row.iter().sum();
    row.iter_mut().for_each(|tap| *tap /= sum);
}

/// Windowed sinc at distance `x` samples.
fn kernel(x: f64, half: f64, cutoff: f64, beta: f64) -> f64 {
    let turn = std::f64::consts::TAU * cutoff * x;
    let sinc = if turn.abs() < 1e-9 { 1.0 } else { turn.sin() / turn };
    2.0 * cutoff * sinc * kaiser(x / half, beta)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Errors stay under −110 dB up to the highest line; closed form: a sine at another rate is a sine.
    const ERROR_DB: f64 = -110.0;

    fn worst_error_db(captured_hz: f64, played_hz: f64, ppm: f64, highest_hz: f64) -> f64 {
        let step = captured_hz / played_hz * (1.0 + ppm * 1e-6);
        let top = highest_hz.min(0.49 * captured_hz.min(played_hz));
        let mut worst = 0.0f64;
        for share in [0.001, 0.1, 0.5, 0.9, 0.999, 1.0] {
            let turns = share * top / captured_hz;
            let x: Vec<f64> = (0..6000).map(|n| (TAU * turns * f64::from(n)).sin()).collect();
            let path = Path { start: 600.3, step, bend: 0.0 };
            let at_once = Resampler::cached(captured_hz, played_hz, highest_hz).along(&x, &path, 3000);
            let fine = Fine::new(&x, captured_hz, played_hz, highest_hz, path.start, 3001).along(&path, 3000);
            for (n, (a, b)) in at_once.iter().zip(fine).enumerate() {
                let position = path.at(n as f64);
                if position < 5400.0 {
                    let truth = (TAU * turns * position).sin();
                    worst = worst.max((a - truth).abs()).max((b - truth).abs());
                }
            }
        }
        20.0 * worst.log10()
    }

    #[test]
    fn a_sine_stays_a_sine_at_every_pair_of_rates() {
        for (captured, played) in
            [(48e3, 48e3), (44.1e3, 44.1e3), (44.1e3, 48e3), (48e3, 44.1e3), (96e3, 48e3), (48e3, 96e3), (192e3, 48e3)]
        {
            for ppm in [-200.0, 0.0, 40.0] {
                let error = worst_error_db(captured, played, ppm, 22_387.0);
                assert!(error < ERROR_DB, "{captured} onto {played} at {ppm} ppm: {error:.1} dB");
            }
        }
    }

    /// A machine without wide vectors gives the same value, to rounding.
    #[test]
    fn one_number_at_a_time_gives_the_same() {
        // Rows of 104 and 113 vectors of four: both kinds of remainder.
        for resampler in [(44.1e3, 48e3), (48e3, 44.1e3)].map(|(from, to)| Resampler::cached(from, to, 22_387.0)) {
            let x: Vec<f64> = (0..2000).map(|n| (0.37 * f64::from(n)).sin()).collect();
            for n in 0..1000 {
                let position = 500.0 + 0.918_75 * f64::from(n);
                let plain = resampler.value_by(pulp::Scalar::new(), &x, position);
                assert!((resampler.value(&x, position) - plain).abs() < 1e-13, "{position}: {plain}");
            }
        }
    }

    /// Outputs of one phase are computed otherwise than outputs of any.
    #[test]
    fn a_shift_gives_the_same_as_one_value_at_a_time() {
        let x: Vec<f64> = (0..2000).map(|n| (0.37 * f64::from(n)).sin()).collect();
        // From before the first sample to after the last; a kernel that leaves samples as they are, and one that does not.
        for resampler in [48e3, 96e3].map(|from| Resampler::cached(from, 48e3, 22_387.0)) {
            for start in [-3000.0, -70.0, -0.25, 3.5, 100.0, 250.123_456, 1500.25, 2500.5] {
                let path = Path { start, step: 1.0, bend: 0.0 };
                for (n, y) in resampler.along(&x, &path, 1999).iter().enumerate() {
                    let one = resampler.value(&x, path.at(n as f64));
                    assert!((y - one).abs() < 1e-12, "{n} from {start}: {y} for {one}");
                }
            }
        }
    }

    /// What lies above the playback card's lines must not fold onto them.
    #[test]
    fn content_above_the_lower_rate_is_rejected_before_it_can_alias() {
        let resampler = Resampler::cached(96e3, 48e3, 22_387.0);
        let x: Vec<f64> = (0..8000).map(|n| (TAU * 26_000.0 / 96e3 * f64::from(n)).sin()).collect();
        let path = Path { start: 600.0, step: 2.0, bend: 0.0 };
        let fine = Fine::new(&x, 96e3, 48e3, 22_387.0, path.start, 3001);
        for ys in [resampler.along(&x, &path, 3000), fine.along(&path, 3000)] {
            let worst = ys.iter().fold(0.0f64, |m, y| m.max(y.abs()));
            assert!(20.0 * worst.log10() < ERROR_DB, "{:.1} dB", 20.0 * worst.log10());
        }
    }

    /// Closed form: samples of a sine at a quarter of the rate, 45° off, stand 3.01 dB under its peak.
    #[test]
    fn the_true_peak_is_found_between_samples() {
        let resampler = Resampler::cached(48e3, 48e3, 22_387.0);
        let x: Vec<f64> = (0..4000).map(|n| (TAU * 0.25 * f64::from(n) + TAU / 8.0).sin()).collect();
        assert!((resampler.true_peak(&x, 500, 3500) - 1.0).abs() < 1e-4);
    }
}
