//! Listening lines of one parity, real and imaginary parts apart: what a limit adds below zero differs from what it adds above
//! in sign on even lines only, and smooth products of even and odd order share no line.

use realfft::num_complex::Complex;
use std::ops::Range;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Parity {
    Even,
    Odd,
}

/// Which listening lines are of one parity.
pub(super) struct Half {
    pub parity: Parity,
    /// Positions among the listening lines, rising.
    pub at: Vec<usize>,
    /// Ranges of `at`, an octave each.
    pub octaves: Vec<Range<usize>>,
}

impl Half {
    /// Of the line numbers `lines`, whose octaves these ranges are.
    pub(super) fn of(lines: &[usize], octaves: &[Range<usize>], parity: Parity) -> Half {
        let is_of = |i: &usize| lines[*i].is_multiple_of(2) == (parity == Parity::Even);
        let at: Vec<usize> = (0..lines.len()).filter(is_of).collect();
        let bound = |position: usize| at.partition_point(|i| *i < position);
        let octaves = octaves.iter().map(|range| bound(range.start)..bound(range.end)).collect();
        Half { parity, at, octaves }
    }

    /// Values of all listening lines, those of this parity.
    pub(super) fn take(&self, line: impl Fn(usize) -> Complex<f64>) -> Planar {
        let mut taken = Planar { re: Vec::with_capacity(self.at.len()), im: Vec::with_capacity(self.at.len()) };
        for i in &self.at {
            let line = line(*i);
            taken.re.push(line.re);
            taken.im.push(line.im);
        }
        taken
    }
}

/// Complex lines in two rows.
#[derive(Clone, Debug)]
pub(super) struct Planar {
    pub re: Vec<f64>,
    pub im: Vec<f64>,
}

impl Planar {
    /// Sum of squares.
    pub(super) fn square(&self) -> f64 {
        dot(&self.re, &self.re) + dot(&self.im, &self.im)
    }

    pub(super) fn scale(&mut self, by: f64) {
        self.re.iter_mut().chain(&mut self.im).for_each(|x| *x *= by);
    }

    /// Real inner product over a range of lines.
    pub(super) fn along(&self, other: &Planar, range: Range<usize>) -> f64 {
        dot(&self.re[range.clone()], &other.re[range.clone()]) + dot(&self.im[range.clone()], &other.im[range])
    }
}

/// Sum of products.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    // Eight sums side by side: one alone would wait for each addition in turn.
    let mut sums = [0.0; 8];
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks::<8>(), b.as_chunks::<8>());
    for (a, b) in a.iter().zip(b) {
        for i in 0..8 {
            sums[i] += a[i] * b[i];
        }
    }
    sums.iter().sum::<f64>() + a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum::<f64>()
}
