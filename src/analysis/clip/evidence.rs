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
use super::limiter::{Limiter, Side, mirrored};
use super::listening::{Listening, inner};
use crate::analysis::Spectra;
use realfft::num_complex::Complex;
use std::ops::Range;

/// Overdrives tried on each side, dB of its own peak over the limit: close enough that a neighbour's template explains
/// most of what lies between two of them.
const OVERDRIVES_DB: [f64; 11] = [0.15, 0.3, 0.5, 0.8, 1.3, 2.0, 3.0, 4.5, 6.5, 9.5, 14.0];

/// Evidence above which clipping is told, for so many periods.
///
/// Set on 100 clean seeded benches for each number of periods, 20 to 70 dB over noise with headphone distortion of −60 to
/// −45 dB (the trial in this folder's tests, at most 2.8 and 5.7): several times what the worst of them shows, since real
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

/// One side's template.
struct Template {
    at: f64,
    lines: Vec<Complex<f64>>,
}

/// Projects every pair of templates, first under plain weights, then under the weights that the best pair leaves.
pub(super) fn look(listening: &Listening, spectra: &Spectra, samples: &mut Limiter, waveform: &mut Limiter) -> Seen {
    let kinds = [templates(listening, samples), templates(listening, waveform)];
    let nothing = vec![Complex::new(0.0, 0.0); listening.lines.len()];
    let plain = listening.weights(&nothing);
    let first = kinds.each_ref().map(|sides| Octaves::of(listening, &listening.captured, &plain, sides).all().best());
    let leader = usize::from(first[1].drop > first[0].drop);
    let weights = listening.weights(&first[leader].model(&kinds[leader], listening.lines.len()));
    let octaves = kinds.each_ref().map(|sides| Octaves::of(listening, &listening.captured, &weights, sides));
    let cleared = driver::cleared(listening, spectra, &weights);
    let clear = [0, 1].map(|kind| octaves[kind].seen_in(listening, &cleared, &weights, &kinds[kind]));
    let all = octaves.each_ref().map(Octaves::all);
    let drop = all.iter().map(|p| p.best().drop).fold(0.0, f64::max);
    let total = inner(&weights, &listening.captured, &listening.captured);
    let left = ((total - drop) / listening.lines.len() as f64).max(f64::MIN_POSITIVE);
    let wide = clear.iter().map(Octaves::drop_without_the_leading_octave).fold(0.0, f64::max);
    let starts = [0, 1].map(|kind| all[kind].start().map(|(side, i)| Some(kinds[kind][side].get(i?)?.at)));
    Seen { evidence: wide / left, weights, starts }
}

/// Inner products, octave by octave.
struct Octaves(Vec<Products>);

impl Octaves {
    fn of(listening: &Listening, captured: &[Complex<f64>], weights: &[f64], sides: &[Vec<Template>; 2]) -> Octaves {
        Octaves(listening.octaves().map(|range| Products::of(captured, weights, sides, &range)).collect())
    }

    /// The same templates, along other captured lines.
    fn seen_in(
        &self,
        listening: &Listening,
        captured: &[Complex<f64>],
        weights: &[f64],
        sides: &[Vec<Template>; 2],
    ) -> Octaves {
        let with = |(products, range): (&Products, Range<usize>)| Products {
            along: Products::along(captured, weights, sides, &range),
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

fn templates(listening: &Listening, limiter: &mut Limiter) -> [Vec<Template>; 2] {
    let mirrors = limiter.is_mirrored();
    let mut of_side = |side: Side| -> Vec<Template> {
        let peak = limiter.peak(side);
        OVERDRIVES_DB
            .iter()
            .map(|db| {
                let at = peak * crate::units::amplitude_from_db(-db);
                let added = limiter.residual(side, at, &listening.lines);
                Template { at, lines: listening.through_response(&added) }
            })
            .collect()
    };
    let positive = of_side(Side::Positive);
    let negative = if mirrors {
        let turn = |t: &Template| t.lines.iter().zip(&listening.lines).map(|(l, k)| mirrored(*l, *k)).collect();
        positive.iter().map(|t| Template { at: t.at, lines: turn(t) }).collect()
    } else {
        of_side(Side::Negative)
    };
    [positive, negative]
}

/// Inner products of all templates under given weights. The two sides are not independent: a period of odd lines is
/// its own mirror image half a period later, so what one side adds differs from the other's in sign on even lines only.
#[derive(Clone, Default)]
struct Products {
    /// Template with captured lines, per side.
    along: [Vec<f64>; 2],
    /// Template with itself, per side.
    square: [Vec<f64>; 2],
    /// Positive template i with negative template j.
    cross: Vec<Vec<f64>>,
}

/// The templates that explain most, with a factor each.
struct Best {
    drop: f64,
    /// Side, template, factor.
    parts: Vec<(usize, usize, f64)>,
}

impl Best {
    fn model(&self, sides: &[Vec<Template>; 2], lines: usize) -> Vec<Complex<f64>> {
        let mut model = vec![Complex::new(0.0, 0.0); lines];
        for &(side, i, factor) in &self.parts {
            model.iter_mut().zip(&sides[side][i].lines).for_each(|(m, t)| *m += t * factor);
        }
        model
    }
}

impl Products {
    fn along(
        captured: &[Complex<f64>],
        weights: &[f64],
        sides: &[Vec<Template>; 2],
        range: &Range<usize>,
    ) -> [Vec<f64>; 2] {
        let captured = &captured[range.clone()];
        let with = |t: &Template| inner(&weights[range.clone()], &t.lines[range.clone()], captured);
        sides.each_ref().map(|side| side.iter().map(with).collect())
    }

    /// Over a range of listening lines.
    fn of(captured: &[Complex<f64>], weights: &[f64], sides: &[Vec<Template>; 2], range: &Range<usize>) -> Products {
        let product = |a: &[Complex<f64>], b: &[Complex<f64>]| {
            inner(&weights[range.clone()], &a[range.clone()], &b[range.clone()])
        };
        let of_side = |with: &dyn Fn(&Template) -> f64| sides.each_ref().map(|side| side.iter().map(with).collect());
        Products {
            along: Products::along(captured, weights, sides, range),
            square: of_side(&|t| product(&t.lines, &t.lines)),
            cross: sides[0].iter().map(|a| sides[1].iter().map(|b| product(&a.lines, &b.lines)).collect()).collect(),
        }
    }

    fn plus(mut self, other: &Products, factor: f64) -> Products {
        if self.cross.is_empty() {
            return other.clone();
        }
        let add = |to: &mut Vec<f64>, from: &[f64]| to.iter_mut().zip(from).for_each(|(t, f)| *t += factor * f);
        for side in [0, 1] {
            add(&mut self.along[side], &other.along[side]);
            add(&mut self.square[side], &other.square[side]);
        }
        self.cross.iter_mut().zip(&other.cross).for_each(|(to, from)| add(to, from));
        self
    }

    /// Largest drop over single templates and pairs with factors above zero.
    fn best(&self) -> Best {
        let mut best = Best { drop: 0.0, parts: Vec::new() };
        for side in [0, 1] {
            for (i, (b, g)) in self.along[side].iter().zip(&self.square[side]).enumerate() {
                if *b > 0.0 && *g > 0.0 && b * b / g > best.drop {
                    best = Best { drop: b * b / g, parts: vec![(side, i, b / g)] };
                }
            }
        }
        for (i, row) in self.cross.iter().enumerate() {
            for (j, x) in row.iter().enumerate() {
                let (b, c) = (self.along[0][i], self.along[1][j]);
                let (g, h) = (self.square[0][i], self.square[1][j]);
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

    /// Templates that lower the weighted squares most with factors of exactly one: (side, index) for both sides.
    fn start(&self) -> [(usize, Option<usize>); 2] {
        let alone = |side: usize, i: Option<usize>| i.map_or(0.0, |i| 2.0 * self.along[side][i] - self.square[side][i]);
        let choices = |side: usize| std::iter::once(None).chain((0..self.along[side].len()).map(Some));
        let mut best = (0.0, [(0, None), (1, None)]);
        for i in choices(0) {
            for j in choices(1) {
                let cross = i.zip(j).map_or(0.0, |(i, j)| 2.0 * self.cross[i][j]);
                let gain = alone(0, i) + alone(1, j) - cross;
                if gain > best.0 {
                    best = (gain, [(0, i), (1, j)]);
                }
            }
        }
        best.1
    }
}
