//! Distortion of both at the matched level: even and odd order of the noise per band and overall, THD and harmonics 2 to
//! 5 of sines and sweeps where they were played, each with the noise it was read in, and a word where it can be said.

use super::Outcome;
use super::fit::Scatter;
use super::heard::{Heard, Read};
use super::side::{Level, Point, Side};
use super::words::{Family, Item, together};
use crate::analysis::SineFinding;
use crate::analysis::band::{BANDS, band_of};
use crate::stats::{Estimate, NORMAL_95, Reading};
use serde::{Deserialize, Serialize};

/// Harmonics given.
const ORDERS: std::ops::RangeInclusive<u32> = 2..=5;
/// What lies under this is not distinguished from nothing, dB: resampling between two clocks leaves −110 dB, single-precision samples −150.
const FLOOR_DB: f64 = -110.0;
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
    /// What it is given re: level of the stimulus in the band, dB SPL; `None` elsewhere and without calibration.
    #[serde(default)]
    pub stimulus_db_spl: Option<f64>,
    /// Second less first, dB; a bound where only one of them is above the noise.
    pub difference_db: Reading,
    /// What can be said of it.
    #[serde(rename = "told")]
    pub outcome: Outcome,
    /// Smallest difference that would have been found, dB; `None` where nothing could.
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
    pub overall: Outcome,
}

/// A reading with what the rounds leave open of it, and the noise beside it.
type ReadInNoise = (Read, Option<f64>);

/// All quantities that both have, without a word yet, and what is known of their differences.
pub(super) fn distortions(a: &Heard, b: &Heard, scatter: &Scatter) -> Vec<(Distorted, Option<Item>)> {
    let loose_db = SLOPE * a.place().off_db.hypot(b.place().off_db) / NORMAL_95;
    let quantity = |(product, place): (Product, Where)| {
        let (((one, moved), noise), ((other, moved_too), other_noise)) =
            (read(a, product, place)?, read(b, product, place)?);
        let fit_db = scatter.ratio_standard_db(match place {
            Where::Overall => None,
            Where::Band { x } | Where::Sweep { x } => Some(x),
            Where::Sine { frequency_hz } => Some(band_of(frequency_hz)),
        });
        let of = (one, other);
        let item = item(&of, fit_db.hypot(loose_db)).map(|item| Item { moved: moved + moved_too, ..item });
        let stimulus = |x: i32| a.mixed(|point| Some(Level::new(point.pink.band(x)?.level?.value, 0.0)));
        let stimulus_db_spl = match place {
            Where::Band { x } if a.side.is_spl => stimulus(x).map(|level| level.value + a.side.offset),
            _ => None,
        };
        let quantity = Distorted {
            product,
            place,
            of,
            stimulus_db_spl,
            noise_db: (noise, other_noise),
            difference_db: Reading::NotDetermined("neither is above its noise".into()),
            outcome: Outcome::NotDetermined,
            smallest_db: None,
        };
        Some((quantity, item))
    };
    wanted(a, b).into_iter().filter_map(quantity).collect()
}

/// Different where anything is; the same where all that is given of the whole noise, and of sines, is. Bands alone show too little
/// for that.
pub(super) fn overall(quantities: &[Distorted]) -> Outcome {
    let differs = quantities.iter().any(|q| q.outcome == Outcome::Differs);
    let whole = |q: &&Distorted| matches!(q.place, Where::Overall | Where::Sine { .. });
    let outcome = |q: &&Distorted| !matches!(q.difference_db, Reading::NotDetermined(_));
    match differs {
        true => Outcome::Differs,
        false => together(quantities.iter().filter(whole).filter(outcome).map(|q| q.outcome)),
    }
}

impl Distorted {
    /// With the word that its difference has among all of its family.
    pub(super) fn judged(mut self, item: Option<&Item>, family: &Family, within_db: f64) -> Distorted {
        let Some(item) = item else { return self };
        let interval = family.interval(item);
        self.difference_db = match item.is_bound {
            true if item.value > 0.0 => Reading::AtLeast(Estimate::exact(interval.low)),
            true => Reading::Below(interval.high),
            false => Reading::Determined(Estimate { value: item.value, interval }),
        };
        self.outcome = family.word(item, within_db);
        self.smallest_db = family.smallest_db(item, within_db);
        self
    }
}

/// All quantities that may be there.
fn wanted(a: &Heard, b: &Heard) -> Vec<(Product, Where)> {
    let mut wanted = vec![(Product::Even, Where::Overall), (Product::Odd, Where::Overall)];
    wanted.extend(BANDS.flat_map(|x| [(Product::Even, Where::Band { x }), (Product::Odd, Where::Band { x })]));
    let harmonics = || ORDERS.map(|order| Product::Harmonic { order });
    let (one, other) = (a.place().below.step, b.place().below.step);
    for sine in one.sines(a.side.input) {
        let also = |s: &SineFinding| is_same_sine(s, sine.frequency_hz);
        if other.sines(b.side.input).any(also) {
            let place = Where::Sine { frequency_hz: sine.frequency_hz };
            wanted.push((Product::Thd, place));
            wanted.extend(harmonics().map(|h| (h, place)));
        }
    }
    if one.sweep(a.side.input).is_some() && other.sweep(b.side.input).is_some() {
        wanted.extend(BANDS.flat_map(|x| harmonics().map(move |h| (h, Where::Sweep { x }))));
    }
    wanted
}

fn is_same_sine(sine: &SineFinding, frequency_hz: f64) -> bool {
    (sine.frequency_hz / frequency_hz - 1.0).abs() < SAME_SINE
}

/// A quantity at the matched level; `None` where the session does not have it.
fn read(heard: &Heard, product: Product, place: Where) -> Option<ReadInNoise> {
    let side = &heard.side;
    let read = heard.reading(|point| Some(one(side, point, product, place)?.0))?;
    if let (Reading::NotDetermined(_), Where::Band { .. } | Where::Sweep { .. }) = (&read.0, place) {
        return None;
    }
    let read = match read.0 {
        Reading::Determined(e) if e.interval.high < FLOOR_DB => (Reading::Below(FLOOR_DB), 0.0),
        Reading::Below(most) if most < FLOOR_DB => (Reading::Below(FLOOR_DB), 0.0),
        outcome => (outcome, read.1),
    };
    let noise = heard.mixed(|point| Some(Level::new(one(side, point, product, place)?.1?, 0.0)));
    Some((read, noise.map(|noise| noise.value)))
}

/// The same of one step.
fn one(side: &Side, point: &Point, product: Product, place: Where) -> Option<(Reading, Option<f64>)> {
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

/// Second less first; `None` where nothing of a difference is known.
fn item(of: &(Reading, Reading), fit_db: f64) -> Option<Item> {
    let sides = |e: &Estimate| ((e.value - e.interval.low) / NORMAL_95, (e.interval.high - e.value) / NORMAL_95);
    match of {
        (Reading::Determined(a), Reading::Determined(b)) => {
            let ((a_down, a_up), (b_down, b_up)) = (sides(a), sides(b));
            Some(Item {
                moved: 0.0,
                value: b.value - a.value,
                below: b_down.hypot(a_up).hypot(fit_db),
                above: b_up.hypot(a_down).hypot(fit_db),
                is_bound: false,
            })
        }
        (Reading::Below(a), Reading::Determined(b)) => {
            let value = b.value - (a + BOUND_DB);
            let standard = sides(b).0.hypot(fit_db);
            (value > 0.0).then_some(Item { is_bound: true, ..Item::symmetric(value, standard) })
        }
        (Reading::Determined(a), Reading::Below(b)) => {
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

    fn stated(value: f64, half: f64) -> Reading {
        Reading::Determined(Estimate::symmetric(value, half))
    }

    #[test]
    fn two_readings_differ_by_their_values_with_both_intervals() {
        let item = item(&(stated(-60.0, 1.96 * 0.3), stated(-40.0, 1.96 * 0.4)), 0.0).unwrap();
        assert!((item.value - 20.0).abs() < 1e-12 && (item.below - 0.5).abs() < 1e-12 && !item.is_bound);
    }

    #[test]
    fn one_under_its_noise_leaves_a_bound_on_the_side_of_the_other() {
        let risen = item(&(Reading::Below(-60.0), stated(-40.0, 1.0)), 0.0).unwrap();
        assert!(risen.is_bound && (risen.value - (20.0 - BOUND_DB)).abs() < 1e-12);
        let fallen = item(&(stated(-40.0, 1.0), Reading::Below(-60.0)), 0.0).unwrap();
        assert!(fallen.is_bound && (fallen.value + 20.0 - BOUND_DB).abs() < 1e-12);
        assert!(item(&(Reading::Below(-60.0), Reading::Below(-80.0)), 0.0).is_none());
        // A bound above the other's value says nothing.
        assert!(item(&(Reading::Below(-30.0), stated(-40.0, 1.0)), 0.0).is_none());
    }
}
