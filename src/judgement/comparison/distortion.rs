//! Distortion of both at the matched level: even and odd order of the noise per band and overall, THD and harmonics 2 to
//! 5 of sines and sweeps where they were played, each with the noise it was read in, and a word where it can be said.

use super::Told;
use super::fit::Scatter;
use super::side::{Place, Point, Side};
use super::words::{Item, together, words};
use crate::analysis::SineFinding;
use crate::analysis::band::{BANDS, band_of};
use crate::stats::{Estimate, Interval, NORMAL_95, Reading, t_quantile};
use serde::{Deserialize, Serialize};

/// Harmonics told.
const ORDERS: std::ops::RangeInclusive<u32> = 2..=5;
/// What an upper bound of 95 % leaves open at the strictness of a whole family: its power grows by at most the ratio of
/// the quantiles, 10·lg(3.7/1.96), dB.
const BOUND_DB: f64 = 2.8;
/// Distortion moves by up to so many dB per dB of level before anything clips (third order: 2); a step that is not quite at
/// the matched level leaves that open.
const SLOPE: f64 = 2.0;
/// Sines this near are the same sine, as a share of the frequency: both were moved to a line of the same period.
const SAME_SINE: f64 = 1e-6;

/// What is held against each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "of", rename_all = "kebab-case")]
pub enum Product {
    /// Even-order distortion of pink noise.
    Even,
    /// Odd-order.
    Odd,
    /// Total harmonic distortion of a sine.
    Thd,
    /// One harmonic.
    Harmonic {
        /// 2 to 5.
        order: u32,
    },
}

/// Where in the sound it was read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "at", rename_all = "kebab-case")]
pub enum Where {
    /// All of the noise.
    Overall,
    /// One one-third octave of it.
    Band {
        /// 0 is 1 kHz.
        x: i32,
    },
    /// A sine.
    Sine {
        /// Hz.
        frequency_hz: f64,
    },
    /// A sweep, where it passes the middle of this one-third octave.
    Sweep {
        /// 0 is 1 kHz.
        x: i32,
    },
}

/// One quantity of both, at the ear. Pairs are first session, second session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Distorted {
    /// What.
    pub product: Product,
    /// Where.
    pub place: Where,
    /// dB re the stimulus (of the band, or the fundamental).
    pub of: (Reading, Reading),
    /// Noise it was read in, dB re the same; `None` where nothing is heard of it.
    pub noise_db: (Option<f64>, Option<f64>),
    /// Second less first, dB, 95 %; a bound where only one of them stands over the noise.
    pub difference_db: Reading,
    /// What can be said of it.
    pub told: Told,
    /// Smallest difference that would have been told, dB; `None` where nothing could.
    pub smallest_db: Option<f64>,
}

/// Distortion of both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Distortions {
    /// Limit within which they are the same, dB.
    pub within_db: f64,
    /// Overall first, then by band, sines, sweeps.
    pub quantities: Vec<Distorted>,
    /// All that could be judged, together.
    pub overall: Told,
}

type At<'a, 'b> = (&'b Side<'a>, &'b Place<'a>);

/// One reading and the noise beside it.
type Read = (Reading, Option<f64>);

pub(super) fn distortions(a: At, b: At, scatter: &Scatter, within_db: f64) -> Distortions {
    let mut quantities: Vec<Distorted> = Vec::new();
    for (product, place) in wanted(a, b) {
        let (Some(one), Some(other)) = (read(a, product, place), read(b, product, place)) else { continue };
        let difference_db = Reading::NotTold("neither stands over its noise".into());
        quantities.push(Distorted {
            product,
            place,
            noise_db: (one.1, other.1),
            of: (one.0, other.0),
            difference_db,
            told: Told::NotTold,
            smallest_db: None,
        });
    }
    let loose_db = SLOPE * a.1.off_db.hypot(b.1.off_db) / NORMAL_95;
    judge(&mut quantities, scatter, loose_db, within_db);
    let judged = quantities.iter().filter(|q| q.smallest_db.is_some()).map(|q| q.told);
    let overall = together(judged);
    Distortions { within_db, quantities, overall }
}

/// All quantities that may be there.
fn wanted(a: At, b: At) -> Vec<(Product, Where)> {
    let mut wanted = vec![(Product::Even, Where::Overall), (Product::Odd, Where::Overall)];
    wanted.extend(BANDS.flat_map(|x| [(Product::Even, Where::Band { x }), (Product::Odd, Where::Band { x })]));
    let harmonics = || ORDERS.map(|order| Product::Harmonic { order });
    let input = a.0.input;
    for sine in a.1.below.step.sines(input) {
        let also = |s: &SineFinding| is_same_sine(s, sine.frequency_hz);
        if b.1.below.step.sines(b.0.input).any(also) {
            let place = Where::Sine { frequency_hz: sine.frequency_hz };
            wanted.push((Product::Thd, place));
            wanted.extend(harmonics().map(|h| (h, place)));
        }
    }
    if a.1.below.step.sweep(input).is_some() && b.1.below.step.sweep(b.0.input).is_some() {
        wanted.extend(BANDS.flat_map(|x| harmonics().map(move |h| (h, Where::Sweep { x }))));
    }
    wanted
}

fn is_same_sine(sine: &SineFinding, frequency_hz: f64) -> bool {
    (sine.frequency_hz / frequency_hz - 1.0).abs() < SAME_SINE
}

/// A quantity at the matched level; `None` where the session does not have it.
fn read((side, at): At, product: Product, place: Where) -> Option<Read> {
    let reading = at.reading(|point| Some(one(side, point, product, place)?.0))?;
    if let (Reading::NotTold(_), Where::Band { .. } | Where::Sweep { .. }) = (&reading, place) {
        return None;
    }
    Some((reading, at.mixed(|point| Some((one(side, point, product, place)?.1?, 0.0))).map(|(noise, _)| noise)))
}

/// The same of one step.
fn one(side: &Side, point: &Point, product: Product, place: Where) -> Option<Read> {
    let pink = point.pink;
    match (product, place) {
        (Product::Even, Where::Overall) => Some((pink.even.clone(), pink.over_noise_db.map(|over| -over))),
        (Product::Odd, Where::Overall) => Some((pink.odd.clone(), pink.over_noise_db.map(|over| -over))),
        (_, Where::Band { x }) => {
            let band = pink.band(x)?;
            let reading = if product == Product::Even { &band.even } else { &band.odd };
            Some((reading.clone(), band.noise.zip(band.level).map(|(noise, level)| noise - level.value)))
        }
        (_, Where::Sine { frequency_hz }) => {
            let sine = point.step.sines(side.input).find(|s| is_same_sine(s, frequency_hz))?;
            let reading = match product {
                Product::Harmonic { order } => sine.harmonics.iter().find(|h| h.order == order)?.level.clone(),
                _ => sine.thd.clone(),
            };
            Some((reading, sine.noise.zip(sine.level).map(|(noise, level)| noise - level.value)))
        }
        (Product::Harmonic { order }, Where::Sweep { x }) => {
            Some((point.step.sweep(side.input)?.harmonic(order, x)?.clone(), None))
        }
        _ => None,
    }
}

/// One of three words for every quantity of which a difference is known, all judged together.
fn judge(quantities: &mut [Distorted], scatter: &Scatter, loose_db: f64, within_db: f64) {
    let mut judged: Vec<usize> = Vec::new();
    let mut items: Vec<Item> = Vec::new();
    for (i, quantity) in quantities.iter_mut().enumerate() {
        let fit_db = scatter.ratio_standard_db(match quantity.place {
            Where::Overall => None,
            Where::Band { x } | Where::Sweep { x } => Some(x),
            Where::Sine { frequency_hz } => Some(band_of(frequency_hz)),
        });
        let Some(item) = item(&quantity.of, fit_db.hypot(loose_db)) else { continue };
        let t = t_quantile(0.975, scatter.dof);
        quantity.difference_db = match item.is_bound {
            true if item.value > 0.0 => Reading::AtLeast(Estimate::exact(item.value - t * item.below)),
            true => Reading::Below(item.value + t * item.above),
            false => Reading::Told(Estimate {
                value: item.value,
                interval: Interval { low: item.value - t * item.below, high: item.value + t * item.above },
            }),
        };
        judged.push(i);
        items.push(item);
    }
    for (i, (told, smallest)) in judged.into_iter().zip(words(&items, within_db, scatter.dof)) {
        quantities[i].told = told;
        quantities[i].smallest_db = Some(smallest);
    }
}

/// Second less first; `None` where nothing of a difference is known.
fn item(of: &(Reading, Reading), fit_db: f64) -> Option<Item> {
    let sides = |e: &Estimate| ((e.value - e.interval.low) / NORMAL_95, (e.interval.high - e.value) / NORMAL_95);
    match of {
        (Reading::Told(a), Reading::Told(b)) => {
            let ((a_down, a_up), (b_down, b_up)) = (sides(a), sides(b));
            Some(Item {
                value: b.value - a.value,
                below: b_down.hypot(a_up).hypot(fit_db),
                above: b_up.hypot(a_down).hypot(fit_db),
                is_bound: false,
            })
        }
        (Reading::Below(a), Reading::Told(b)) => {
            let value = b.value - (a + BOUND_DB);
            let standard = sides(b).0.hypot(fit_db);
            (value > 0.0).then_some(Item { is_bound: true, ..Item::symmetric(value, standard) })
        }
        (Reading::Told(a), Reading::Below(b)) => {
            let value = (b + BOUND_DB) - a.value;
            let standard = sides(a).0.hypot(fit_db);
            (value < 0.0).then_some(Item { is_bound: true, ..Item::symmetric(value, standard) })
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(value: f64, half: f64) -> Reading {
        Reading::Told(Estimate::symmetric(value, half))
    }

    #[test]
    fn two_readings_differ_by_their_values_with_both_intervals() {
        let item = item(&(told(-60.0, 1.96 * 0.3), told(-40.0, 1.96 * 0.4)), 0.0).unwrap();
        assert!((item.value - 20.0).abs() < 1e-12 && (item.below - 0.5).abs() < 1e-12 && !item.is_bound);
    }

    #[test]
    fn one_under_its_noise_leaves_a_bound_on_the_side_of_the_other() {
        let risen = item(&(Reading::Below(-60.0), told(-40.0, 1.0)), 0.0).unwrap();
        assert!(risen.is_bound && (risen.value - (20.0 - BOUND_DB)).abs() < 1e-12);
        let fallen = item(&(told(-40.0, 1.0), Reading::Below(-60.0)), 0.0).unwrap();
        assert!(fallen.is_bound && (fallen.value + 20.0 - BOUND_DB).abs() < 1e-12);
        assert!(item(&(Reading::Below(-60.0), Reading::Below(-80.0)), 0.0).is_none());
        // A bound above the other's value says nothing.
        assert!(item(&(Reading::Below(-30.0), told(-40.0, 1.0)), 0.0).is_none());
    }
}
