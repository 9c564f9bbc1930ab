//! Inner products of templates with captured lines, and the templates that explain most of these.
//!
//! The drop of a real factor a on template T is `b²/G` with `b = Re Σ w T* Y` and `G = Σ w |T|²`; for one template per side
//! together `bᵀ G⁻¹ b` (closed form of weighted least squares).

/// A limit leaves its own shape at its own size: a template stands for one only with a factor from here up. In trials true
/// clips had 0.8 to 2.7, soft knees of 5 to 60 % 0.33 to 0.96; smooth distortion and rounding had at most 0.04, because a
/// deep overdrive times a small factor imitates a square or a cube.
const LEAST_FACTOR: f64 = 0.2;

/// Inner products of all templates under given weights.
#[derive(Clone, Default)]
pub(super) struct Products {
    /// Template with captured lines, per side.
    pub along: [Vec<f64>; 2],
    /// Template with itself, the same on both sides.
    pub square: Vec<f64>,
    /// Template i above zero with template j below: symmetric.
    pub cross: Vec<Vec<f64>>,
}

/// The templates that explain most, with a factor each.
pub(super) struct Best {
    pub drop: f64,
    /// Side, template, factor.
    pub parts: Vec<(usize, usize, f64)>,
}

impl Products {
    pub(super) fn none(count: usize) -> Products {
        let none = vec![0.0; count];
        Products { along: [none.clone(), none.clone()], cross: vec![none.clone(); count], square: none }
    }

    pub(super) fn plus(mut self, other: &Products, factor: f64) -> Products {
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
    pub(super) fn best(&self) -> Best {
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
    pub(super) fn start(&self) -> [Option<usize>; 2] {
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
        match best.1 {
            // Smooth products that the fit does not yet know may leave none of them room: then those with factors.
            [None, None] => {
                let mut limits = [None, None];
                self.best().parts.iter().for_each(|(side, i, _)| limits[*side] = Some(*i));
                limits
            }
            limits => limits,
        }
    }
}
