//! Is there a bend of this very period's shape? Templates of what clipping would add are projected on the captured
//! lines; evidence is the drop of weighted squares over the mean square that remains.
//!
//! The drop of a real factor a on template T is `b²/G` with `b = Re Σ w T* Y` and `G = Σ w |T|²`; for one template
//! per side together `bᵀ G⁻¹ b` (closed form of weighted least squares).
//!
//! A headphone's distortion in the bass has peaks where the played period has them, so its tail above 500 Hz looks like a
//! bend, but only as far up as it stands over the noise. Clipping is short and therefore wide: evidence is what is left
//! of it when the octave that shows most of it is not looked at.

use super::driver;
use super::listening::{Listening, inner};
use super::templates::{Template, Templates};
use crate::analysis::Spectra;
use realfft::num_complex::Complex;
use std::ops::Range;

/// Evidence above which clipping is told, for so many periods.
///
/// Set on 1 000 clean seeded benches for each number of periods, 20 to 70 dB over noise with headphone distortion of −60 to
/// −45 dB (the trial in this folder's tests, at most 5.2 and 7.1): several times what the worst of them shows, since real
/// drivers bend in more ways than the bench's.
pub(super) fn threshold(periods: usize) -> f64 {
    if periods < 4 { THRESHOLD_TWO_PERIODS } else { THRESHOLD_FOUR_PERIODS }
}

/// For fewer than four periods.
const THRESHOLD_TWO_PERIODS: f64 = 30.0;
/// For four and more.
const THRESHOLD_FOUR_PERIODS: f64 = 40.0;

/// A limit leaves its own shape at its own size: a template stands for one only with a factor from here up. In trials true
/// clips had 0.8 to 2.7, soft knees of 5 to 60 % 0.33 to 0.96; smooth distortion and rounding had at most 0.04, because a
/// deep overdrive times a small factor imitates a square or a cube.
const LEAST_FACTOR: f64 = 0.2;

/// Lines that are looked at together: those of all templates fit a core's nearest memory.
const NEAR: usize = 64;

/// What the templates saw.
pub(super) struct Seen {
    /// Drop over remaining mean square, the larger of both kinds of limit.
    pub evidence: f64,
    /// Weights of the lines once the best templates are taken out.
    pub weights: Vec<f64>,
    /// Where the fit starts, for samples and for the waveform: per side the limit of the pair that fits best without
    /// factors of its own; `None` where no limit at all fits better.
    pub starts: [[Option<f64>; 2]; 2],
}

/// By what a template's lines are multiplied on their way to the input and into a weighted product. A template is what a limit
/// adds above zero; the same limit below zero adds it with even lines turned ([`Templates`]).
struct Passage<'a> {
    listening: &'a Listening,
    weights: Vec<f64>,
    /// Square root of the weight: products of two things that carry it are weighted.
    roots: Vec<f64>,
    /// Gain of the output, response and root of the weight.
    factors: Vec<Complex<f64>>,
}

impl<'a> Passage<'a> {
    fn new(listening: &'a Listening, gain: f64, weights: Vec<f64>) -> Passage<'a> {
        let roots: Vec<f64> = weights.iter().map(|w| w.sqrt()).collect();
        let factors = roots.iter().zip(&listening.response).map(|(root, h)| gain * root * h).collect();
        Passage { listening, weights, roots, factors }
    }

    /// Real and imaginary parts in turn of lines `near` of each template, after one another.
    fn templates(&self, kind: &[Template], near: &Range<usize>, into: &mut Vec<f64>) {
        into.clear();
        for template in kind {
            let lines = self.listening.lines[near.clone()].iter().zip(&self.factors[near.clone()]);
            into.extend(lines.flat_map(|(k, factor)| {
                let line = template.lines.get(*k).copied().unwrap_or_default() * factor;
                [line.re, line.im]
            }));
        }
    }

    /// The same of what was captured.
    fn captured(&self, lines: &[Complex<f64>], near: &Range<usize>) -> Vec<f64> {
        let lines = lines[near.clone()].iter().zip(&self.roots[near.clone()]);
        lines.flat_map(|(line, root)| [line.re * root, line.im * root]).collect()
    }

    /// Turns the sign of even lines, of as many templates as there are.
    fn turn(&self, near: &Range<usize>, parts: &mut [f64]) {
        for template in parts.chunks_exact_mut(2 * near.len()) {
            for (line, k) in template.as_chunks_mut::<2>().0.iter_mut().zip(&self.listening.lines[near.clone()]) {
                if k.is_multiple_of(2) {
                    *line = line.map(|part| -part);
                }
            }
        }
    }

    /// Products over a range of listening lines, with each of `captured`.
    fn products<const N: usize>(
        &self,
        kind: &[Template],
        captured: [&[Complex<f64>]; N],
        range: Range<usize>,
    ) -> [Products; N] {
        let mut sums = Products::none(kind.len());
        let mut along = [(); N].map(|()| sums.along.clone());
        let (mut plain, mut turned) = (Vec::new(), Vec::new());
        for from in range.clone().step_by(NEAR) {
            let near = from..(from + NEAR).min(range.end);
            self.templates(kind, &near, &mut plain);
            turned.clone_from(&plain);
            self.turn(&near, &mut turned);
            let captured = captured.map(|lines| self.captured(lines, &near));
            let width = 2 * near.len();
            for (i, above) in plain.chunks_exact(width).enumerate() {
                sums.square[i] += dot(above, above);
                for (j, below) in turned.chunks_exact(width).enumerate().take(i + 1) {
                    sums.cross[i][j] += dot(above, below);
                }
            }
            for (along, captured) in along.iter_mut().zip(&captured) {
                for (along, templates) in along.iter_mut().zip([&plain, &turned]) {
                    let products = templates.chunks_exact(width).map(|template| dot(template, captured));
                    along.iter_mut().zip(products).for_each(|(sum, product)| *sum += product);
                }
            }
        }
        for i in 0..kind.len() {
            for j in 0..i {
                sums.cross[j][i] = sums.cross[i][j];
            }
        }
        along.map(|along| Products { along, ..sums.clone() })
    }
}

/// Sum of products.
fn dot(a: &[f64], b: &[f64]) -> f64 {
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

/// Projects every pair of templates, first under plain weights, then under the weights that the best pair leaves.
pub(super) fn look(listening: &Listening, spectra: &Spectra) -> Seen {
    let templates = Templates::of(spectra);
    let captured = &listening.captured;
    let nothing = vec![Complex::new(0.0, 0.0); captured.len()];
    let plain = Passage::new(listening, spectra.gain, listening.weights(&nothing));
    let first = templates.kinds.each_ref().map(|kind| {
        let [products] = plain.products(kind, [captured], 0..captured.len());
        products.best()
    });
    let leader = usize::from(first[1].drop > first[0].drop);
    let model = first[leader].model(&templates.kinds[leader], listening, spectra.gain);
    let passage = Passage::new(listening, spectra.gain, listening.weights(&model));
    let cleared = driver::cleared(listening, &templates.bent, &passage.weights);
    let octaves = templates.kinds.each_ref().map(|kind| Octaves::of(&passage, kind, [captured, &cleared]));
    let all = octaves.each_ref().map(|[captured, _]| captured.all());
    let drop = all.iter().map(|p| p.best().drop).fold(0.0, f64::max);
    let total = inner(&passage.weights, captured, captured);
    // Weights are one over a variance that never goes under its floor, so a mean square under one says no more than that the
    // floor was not reached: on a digital wire, where even lines are exact zeros, it would make evidence of rounding.
    let left = ((total - drop) / captured.len() as f64).max(1.0);
    let wide = octaves.iter().map(|[_, cleared]| cleared.drop_without_the_leading_octave()).fold(0.0, f64::max);
    let at = |kind: usize, i: usize| spectra.gain * templates.kinds[kind][i].at;
    let starts = [0, 1].map(|kind| all[kind].start().map(|i| i.map(|i| at(kind, i))));
    Seen { evidence: wide / left, weights: passage.weights, starts }
}

/// Inner products, octave by octave.
#[derive(Default)]
struct Octaves(Vec<Products>);

impl Octaves {
    fn of<const N: usize>(passage: &Passage, kind: &[Template], captured: [&[Complex<f64>]; N]) -> [Octaves; N] {
        let mut octaves = [(); N].map(|()| Octaves::default());
        for range in passage.listening.octaves() {
            let products = passage.products(kind, captured, range);
            octaves.iter_mut().zip(products).for_each(|(octaves, products)| octaves.0.push(products));
        }
        octaves
    }

    fn all(&self) -> Products {
        self.0.iter().fold(Products::default(), |sum, octave| sum.plus(octave, 1.0))
    }

    fn drop_without_the_leading_octave(&self) -> f64 {
        let all = self.all();
        self.0.iter().map(|octave| all.clone().plus(octave, -1.0).best().drop).fold(f64::INFINITY, f64::min)
    }
}

/// Inner products of all templates under given weights.
#[derive(Clone, Default)]
struct Products {
    /// Template with captured lines, per side.
    along: [Vec<f64>; 2],
    /// Template with itself, the same on both sides.
    square: Vec<f64>,
    /// Template i above zero with template j below: symmetric.
    cross: Vec<Vec<f64>>,
}

/// The templates that explain most, with a factor each.
struct Best {
    drop: f64,
    /// Side, template, factor.
    parts: Vec<(usize, usize, f64)>,
}

impl Best {
    fn model(&self, kind: &[Template], listening: &Listening, gain: f64) -> Vec<Complex<f64>> {
        let mut model = vec![Complex::new(0.0, 0.0); listening.lines.len()];
        for &(side, i, factor) in &self.parts {
            let turned = |k: usize| if side == 1 && k.is_multiple_of(2) { -factor } else { factor };
            let heard = listening.hear(&kind[i].lines, gain);
            model.iter_mut().zip(heard).zip(&listening.lines).for_each(|((m, t), k)| *m += t * turned(*k));
        }
        model
    }
}

impl Products {
    fn none(count: usize) -> Products {
        let none = vec![0.0; count];
        Products { along: [none.clone(), none.clone()], cross: vec![none.clone(); count], square: none }
    }

    fn plus(mut self, other: &Products, factor: f64) -> Products {
        if self.cross.is_empty() {
            return other.clone();
        }
        let add = |to: &mut Vec<f64>, from: &[f64]| to.iter_mut().zip(from).for_each(|(t, f)| *t += factor * f);
        for side in [0, 1] {
            add(&mut self.along[side], &other.along[side]);
        }
        add(&mut self.square, &other.square);
        self.cross.iter_mut().zip(&other.cross).for_each(|(to, from)| add(to, from));
        self
    }

    /// Largest drop over single templates and pairs with factors of at least [`LEAST_FACTOR`].
    fn best(&self) -> Best {
        let mut best = Best { drop: 0.0, parts: Vec::new() };
        for side in [0, 1] {
            for (i, (b, g)) in self.along[side].iter().zip(&self.square).enumerate() {
                if *g > 0.0 && b / g >= LEAST_FACTOR && b * b / g > best.drop {
                    best = Best { drop: b * b / g, parts: vec![(side, i, b / g)] };
                }
            }
        }
        for (i, row) in self.cross.iter().enumerate() {
            for (j, x) in row.iter().enumerate() {
                let (b, c) = (self.along[0][i], self.along[1][j]);
                let (g, h) = (self.square[i], self.square[j]);
                let det = g * h - x * x;
                let (p, q) = ((b * h - c * x) / det, (c * g - b * x) / det);
                // Pairs so alike that rounding decides are no pairs.
                if det > 1e-9 * g * h && p >= LEAST_FACTOR && q >= LEAST_FACTOR && p * b + q * c > best.drop {
                    best = Best { drop: p * b + q * c, parts: vec![(0, i, p), (1, j, q)] };
                }
            }
        }
        best
    }

    /// Templates that lower the weighted squares most with factors of exactly one, for both sides.
    fn start(&self) -> [Option<usize>; 2] {
        let alone = |side: usize, i: Option<usize>| i.map_or(0.0, |i| 2.0 * self.along[side][i] - self.square[i]);
        let choices = |side: usize| std::iter::once(None).chain((0..self.along[side].len()).map(Some));
        let mut best = (0.0, [None, None]);
        for i in choices(0) {
            for j in choices(1) {
                let cross = i.zip(j).map_or(0.0, |(i, j)| 2.0 * self.cross[i][j]);
                let gain = alone(0, i) + alone(1, j) - cross;
                if gain > best.0 {
                    best = (gain, [i, j]);
                }
            }
        }
        best.1
    }
}
