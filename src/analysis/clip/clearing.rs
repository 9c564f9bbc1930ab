//! Smooth products taken out of listening lines, so that what is left of them, and of whatever is held against them, is what no
//! smooth bend explains.

use super::parity::{Half, Parity, Planar};
use super::smooth::{Basis, Product};
use realfft::num_complex::Complex;
use std::ops::Range;

/// Takes smooth products out of lines, under the weights of one look.
pub(super) struct Clearing {
    /// Square root of the weight: products of two things that carry it are weighted.
    pub roots: Vec<f64>,
    pub halves: [Half; 2],
    bases: [Basis; 2],
}

impl Clearing {
    /// On `lines`, which arrive by `response`: takes out what `sent` (at unit gain) adds to the signal as sent, and `captured` to
    /// it as captured.
    pub(super) fn of(
        (lines, response): (&[usize], &[Complex<f64>]),
        octaves: &[Range<usize>],
        (gain, sent): (f64, &[Product]),
        captured: &[Product],
        weights: &[f64],
    ) -> Clearing {
        let roots: Vec<f64> = weights.iter().map(|w| w.sqrt()).collect();
        let line = |of: &[Complex<f64>], i: usize| of.get(lines[i]).copied().unwrap_or_default();
        let halves = [Parity::Even, Parity::Odd].map(|parity| Half::of(lines, octaves, parity));
        let bases = halves.each_ref().map(|half| {
            let of = |product: &&Product| Basis::holds(half.parity, product.power);
            let heard = |p: &Product| half.take(|i| gain * roots[i] * response[i] * line(&p.lines, i));
            let sent = sent.iter().filter(of).map(heard);
            Basis::of(sent.chain(captured.iter().filter(of).map(|p| half.take(|i| roots[i] * line(&p.lines, i)))))
        });
        Clearing { roots, halves, bases }
    }

    /// Share of the weighted squares of these lines that it takes out: of all of them, and of the parity that it takes most of.
    pub(super) fn takes(&self, lines: &[Complex<f64>]) -> (f64, f64) {
        let halves = [0, 1].map(|which| {
            let mut weighted = self.halves[which].take(|i| self.roots[i] * lines[i]);
            let all = weighted.square();
            self.bases[which].clear(&mut weighted);
            (all - weighted.square(), all)
        });
        let share = |(taken, of): (f64, f64)| if of > 0.0 { taken / of } else { 0.0 };
        let all = (halves[0].0 + halves[1].0, halves[0].1 + halves[1].1);
        (share(all), share(halves[0]).max(share(halves[1])))
    }

    /// Of weighted lines of one parity.
    pub(super) fn cleared(&self, half: usize, line: impl Fn(usize) -> Complex<f64>) -> Planar {
        let mut lines = self.halves[half].take(line);
        self.bases[half].clear(&mut lines);
        lines
    }

    /// Of all listening lines.
    pub(super) fn clear(&self, lines: &mut [Complex<f64>]) {
        for (which, half) in self.halves.iter().enumerate() {
            let Planar { re, im } = self.cleared(which, |i| self.roots[i] * lines[i]);
            for (i, (re, im)) in half.at.iter().zip(re.into_iter().zip(im)) {
                lines[*i] = Complex::new(re, im) / self.roots[*i];
            }
        }
    }
}
