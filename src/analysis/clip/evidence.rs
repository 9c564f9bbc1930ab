//! Is there a bend of this very period's shape? Templates of what clipping would add are projected on the captured
//! lines; evidence is the drop of weighted squares over the mean square that remains.
//!
//! Smooth distortion has peaks where the played period has them, so it looks like a bend. What smooth bends span is therefore
//! projected out of captured lines and templates alike (`smooth`): evidence is what a limit explains and they do not.
//!
//! A tail of distortion that no product describes looks like a bend only as far up as it is above the noise. Clipping is
//! short and therefore wide: evidence is what is left of it when the octave that shows most of it is not looked at.

use super::clearing::Clearing;
use super::listening::Listening;
use super::parity::{Parity, Planar};
use super::products::{Best, Products};
use super::smooth::{self, Product};
use super::templates::{Template, Templates};
use crate::analysis::{Reference, Spectra};
use realfft::num_complex::Complex;

/// Evidence above which clipping is reported, for so many periods.
///
/// Set on 150 clean seeded benches for each number of periods, 20 to 70 dB over noise with headphone distortion of −60 to
/// −45 dB (the trial in this folder's tests, at most 2.7 and 2.5; with smooth distortion of the whole band beside it at most
/// 0.02): several times what the worst of them shows, since real drivers bend in more ways than the bench's.
pub(super) fn threshold(periods: usize) -> f64 {
    if periods < 4 { THRESHOLD_TWO_PERIODS } else { THRESHOLD_FOUR_PERIODS }
}

/// For fewer than four periods.
const THRESHOLD_TWO_PERIODS: f64 = 15.0;
/// For four and more.
const THRESHOLD_FOUR_PERIODS: f64 = 20.0;

/// What the templates saw.
pub(super) struct Seen {
    /// Drop over remaining mean square, the larger of both kinds of limit.
    pub evidence: f64,
    /// Weights of the lines once smooth products and the best templates are taken out.
    pub weights: Vec<f64>,
    /// Where the fit starts, for samples and for the waveform: per side the limit of the pair that fits best without
    /// factors of its own; `None` where no limit at all fits better.
    pub starts: [[Option<f64>; 2]; 2],
}

/// Projects every pair of templates, first under plain weights, then under the weights that the best pair leaves.
pub(super) fn look(listening: &Listening, (spectra, reference): (&Spectra, &Reference)) -> Seen {
    let templates = Templates::of(spectra);
    let captured = smooth::of_the_captured(spectra, reference);
    let look = |weights: Vec<f64>| Look::new(listening, spectra.gain, (&templates, &captured), weights);
    let nothing = vec![Complex::new(0.0, 0.0); listening.lines.len()];
    let first = look(listening.weights(&nothing));
    let (kind, best) = first.leader();
    let model = listening.less(&first.rest(kind, &best));
    let second = look(listening.weights(&model));
    let (_, best) = second.leader();
    let left = ((second.square() - best.drop) / listening.lines.len() as f64).max(1.0);
    let wide = second.octaves.iter().map(|octaves| drop_without_the_leading_octave(octaves)).fold(0.0, f64::max);
    let mut starts = [0, 1].map(|kind| {
        let at = |i: usize| spectra.gain * templates.kinds[kind][i].at;
        all(&second.octaves[kind]).start().map(|i| i.map(at))
    });
    for (kind, other) in [(0, 1), (1, 0)] {
        if starts[kind] == [None, None] {
            starts[kind] = starts[other];
        }
    }
    // Weights are one over a variance that never goes under its floor, so a mean square under one says no more than that the
    // floor was not reached: on a digital wire, where even lines are exact zeros, it would make evidence of rounding.
    Seen { evidence: wide / left, weights: second.weights, starts }
}

/// Captured lines and templates under given weights, smooth products taken out of both.
struct Look<'a> {
    listening: &'a Listening,
    weights: Vec<f64>,
    clearing: Clearing,
    captured: [Planar; 2],
    /// Per parity, kind and template.
    templates: [[Vec<Planar>; 2]; 2],
    /// Inner products per kind, octave by octave.
    octaves: [Vec<Products>; 2],
}

impl<'a> Look<'a> {
    fn new(
        listening: &'a Listening,
        gain: f64,
        (templates, captured): (&Templates, &[Product]),
        weights: Vec<f64>,
    ) -> Look<'a> {
        let clearing = listening.clearing((gain, &templates.smooth), captured, &weights);
        // By what lines of the played period are multiplied on their way to the input and into a weighted product.
        let way: Vec<Complex<f64>> =
            clearing.roots.iter().zip(&listening.response).map(|(root, h)| gain * root * h).collect();
        let line = |lines: &[Complex<f64>], i: usize| lines.get(listening.lines[i]).copied().unwrap_or_default();
        let captured = [0, 1].map(|half| clearing.cleared(half, |i| clearing.roots[i] * listening.captured[i]));
        let heard = |half: usize, t: &Template| clearing.cleared(half, |i| way[i] * line(&t.lines, i));
        let templates =
            [0, 1].map(|half| templates.kinds.each_ref().map(|kind| kind.iter().map(|t| heard(half, t)).collect()));
        let mut look = Look { listening, weights, clearing, captured, templates, octaves: [Vec::new(), Vec::new()] };
        look.octaves = [0, 1].map(|kind| look.products(kind));
        look
    }

    fn products(&self, kind: usize) -> Vec<Products> {
        let octaves = self.clearing.halves[0].octaves.len();
        let mut products = vec![Products::none(self.templates[0][kind].len()); octaves];
        for (which, half) in self.clearing.halves.iter().enumerate() {
            let templates = &self.templates[which][kind];
            // Below zero a template's even lines are turned.
            let turned = if half.parity == Parity::Even { -1.0 } else { 1.0 };
            for (octave, sums) in half.octaves.iter().zip(&mut products) {
                for (i, above) in templates.iter().enumerate() {
                    let along = above.along(&self.captured[which], octave.clone());
                    sums.along[0][i] += along;
                    sums.along[1][i] += turned * along;
                    for (j, below) in templates.iter().enumerate().take(i + 1) {
                        let product = above.along(below, octave.clone());
                        sums.cross[i][j] += turned * product;
                        if i == j {
                            sums.square[i] += product;
                        } else {
                            sums.cross[j][i] += turned * product;
                        }
                    }
                }
            }
        }
        products
    }

    /// The kind of limit that explains more, and its templates.
    fn leader(&self) -> (usize, Best) {
        let [samples, waveform] = self.octaves.each_ref().map(|octaves| all(octaves).best());
        if waveform.drop > samples.drop { (1, waveform) } else { (0, samples) }
    }

    /// Weighted squares of what smooth products leave.
    fn square(&self) -> f64 {
        self.captured.iter().map(Planar::square).sum()
    }

    /// What smooth products and these templates together leave of the captured lines.
    fn rest(&self, kind: usize, best: &Best) -> Vec<Complex<f64>> {
        let mut rest = vec![Complex::new(0.0, 0.0); self.listening.lines.len()];
        for (which, half) in self.clearing.halves.iter().enumerate() {
            let Planar { re, im } = &self.captured[which];
            let mut left: Vec<Complex<f64>> = re.iter().zip(im).map(|(re, im)| Complex::new(*re, *im)).collect();
            for &(side, i, factor) in &best.parts {
                let factor = if side == 1 && half.parity == Parity::Even { -factor } else { factor };
                let Planar { re, im } = &self.templates[which][kind][i];
                for (left, (re, im)) in left.iter_mut().zip(re.iter().zip(im)) {
                    *left -= factor * Complex::new(*re, *im);
                }
            }
            half.at.iter().zip(left).for_each(|(i, left)| rest[*i] = left / self.clearing.roots[*i]);
        }
        rest
    }
}

fn all(octaves: &[Products]) -> Products {
    octaves.iter().fold(Products::default(), |sum, octave| sum.plus(octave, 1.0))
}

fn drop_without_the_leading_octave(octaves: &[Products]) -> f64 {
    let all = all(octaves);
    octaves.iter().map(|octave| all.clone().plus(octave, -1.0).best().drop).fold(f64::INFINITY, f64::min)
}
