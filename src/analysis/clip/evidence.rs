//! Is there a bend of this very period's shape? Templates of what clipping would add are projected on the captured
//! lines; evidence is the drop of weighted squares over the mean square that remains.
//!
//! The drop of a real factor a ≥ 0 on template T is `b²/G` with `b = Re Σ w T* Y` and `G = Σ w |T|²`; for one template
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

/// A template as it arrives: what a limit adds above zero. The same limit below zero adds it with even lines turned
/// ([`Templates`]).
struct Heard {
    at: f64,
    lines: Vec<Complex<f64>>,
}

/// What lines count for on either side: the weights, and the same with the sign of even lines turned.
struct Weights {
    plain: Vec<f64>,
    turned: Vec<f64>,
}

impl Weights {
    fn new(listening: &Listening, plain: Vec<f64>) -> Weights {
        let turned = plain.iter().zip(&listening.lines).map(|(w, k)| if k % 2 == 0 { -w } else { *w }).collect();
        Weights { plain, turned }
    }
}

/// Projects every pair of templates, first under plain weights, then under the weights that the best pair leaves.
pub(super) fn look(listening: &Listening, spectra: &Spectra) -> Seen {
    let templates = Templates::of(spectra);
    let heard = |t: &Template| Heard { at: spectra.gain * t.at, lines: listening.hear(&t.lines, spectra.gain) };
    let kinds: [Vec<Heard>; 2] = templates.kinds.each_ref().map(|kind| kind.iter().map(heard).collect());
    let nothing = vec![Complex::new(0.0, 0.0); listening.lines.len()];
    let plain = Weights::new(listening, listening.weights(&nothing));
    let first = kinds
        .each_ref()
        .map(|kind| Products::of(&listening.captured, &plain, kind, &(0..listening.lines.len())).best());
    let leader = usize::from(first[1].drop > first[0].drop);
    let model = first[leader].model(&kinds[leader], &listening.lines);
    let weights = Weights::new(listening, listening.weights(&model));
    let octaves = kinds.each_ref().map(|kind| Octaves::of(listening, &listening.captured, &weights, kind));
    let cleared = driver::cleared(listening, &templates.bent, &weights.plain);
    let clear = [0, 1].map(|kind| octaves[kind].seen_in(listening, &cleared, &weights, &kinds[kind]));
    let all = octaves.each_ref().map(Octaves::all);
    let drop = all.iter().map(|p| p.best().drop).fold(0.0, f64::max);
    let total = inner(&weights.plain, &listening.captured, &listening.captured);
    let left = ((total - drop) / listening.lines.len() as f64).max(f64::MIN_POSITIVE);
    let wide = clear.iter().map(Octaves::drop_without_the_leading_octave).fold(0.0, f64::max);
    let starts = [0, 1].map(|kind| all[kind].start().map(|i| i.map(|i| kinds[kind][i].at)));
    Seen { evidence: wide / left, weights: weights.plain, starts }
}

/// Inner products, octave by octave.
struct Octaves(Vec<Products>);

impl Octaves {
    fn of(listening: &Listening, captured: &[Complex<f64>], weights: &Weights, kind: &[Heard]) -> Octaves {
        Octaves(listening.octaves().map(|range| Products::of(captured, weights, kind, &range)).collect())
    }

    /// The same templates, along other captured lines.
    fn seen_in(&self, listening: &Listening, captured: &[Complex<f64>], weights: &Weights, kind: &[Heard]) -> Octaves {
        let with = |(products, range): (&Products, Range<usize>)| Products {
            along: Products::along(captured, weights, kind, &range),
            ..products.clone()
        };
        Octaves(self.0.iter().zip(listening.octaves()).map(with).collect())
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
    fn model(&self, kind: &[Heard], lines: &[usize]) -> Vec<Complex<f64>> {
        let mut model = vec![Complex::new(0.0, 0.0); lines.len()];
        for &(side, i, factor) in &self.parts {
            let turned = |k: usize| if side == 1 && k.is_multiple_of(2) { -factor } else { factor };
            model.iter_mut().zip(&kind[i].lines).zip(lines).for_each(|((m, t), k)| *m += t * turned(*k));
        }
        model
    }
}

impl Products {
    fn along(captured: &[Complex<f64>], weights: &Weights, kind: &[Heard], range: &Range<usize>) -> [Vec<f64>; 2] {
        let captured = &captured[range.clone()];
        let with = |weights: &[f64]| {
            kind.iter().map(|t| inner(&weights[range.clone()], &t.lines[range.clone()], captured)).collect()
        };
        [with(&weights.plain), with(&weights.turned)]
    }

    /// Over a range of listening lines.
    fn of(captured: &[Complex<f64>], weights: &Weights, kind: &[Heard], range: &Range<usize>) -> Products {
        let product = |weights: &[f64], a: &Heard, b: &Heard| {
            inner(&weights[range.clone()], &a.lines[range.clone()], &b.lines[range.clone()])
        };
        let mut cross = vec![vec![0.0; kind.len()]; kind.len()];
        for (i, a) in kind.iter().enumerate() {
            for (j, b) in kind.iter().enumerate().take(i + 1) {
                cross[i][j] = product(&weights.turned, a, b);
                cross[j][i] = cross[i][j];
            }
        }
        Products {
            along: Products::along(captured, weights, kind, range),
            square: kind.iter().map(|t| product(&weights.plain, t, t)).collect(),
            cross,
        }
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

    /// Largest drop over single templates and pairs with factors above zero.
    fn best(&self) -> Best {
        let mut best = Best { drop: 0.0, parts: Vec::new() };
        for side in [0, 1] {
            for (i, (b, g)) in self.along[side].iter().zip(&self.square).enumerate() {
                if *b > 0.0 && *g > 0.0 && b * b / g > best.drop {
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
                if det > 1e-9 * g * h && p > 0.0 && q > 0.0 && p * b + q * c > best.drop {
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
