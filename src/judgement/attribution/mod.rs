//! Whose distortion is it? Each product above the noise of the first session is put down to output, headphone or input by
//! holding it against the others.
//!
//! ```text
//!                                    at the same             it moves: whose            it stays: not whose
//! same headphone, another output     level at the ear        the output's               the output's
//! same pairing, another input gain   level at the ear        the input's                the input's
//! same output, another headphone     drive                   headphone's or input's     the output's alone
//! ```
//!
//! A product **moves** where the whole interval of its difference lies above half of its power (3 dB): then most of it is
//! gone with what was changed. It **stays** where the whole interval lies within half of its power. All else is not determined.
//! Products are re the stimulus of their own one-third octave (harmonics: re their fundamental; two tones: as defined there), so that no response of a
//! headphone enters where bands are compared.

mod words;

use crate::analysis::PinkFinding;
use crate::session::record::{Record, StepResult};
use crate::stats::{Estimate, Interval, Reading};
use serde::{Deserialize, Serialize};

/// Half of a power, dB.
const HALF_DB: f64 = 3.0103;
/// On another headphone a product of the output alone stays within this, dB: two headphones alike by chance are few.
const ALIKE_DB: f64 = 1.0;
/// Offsets that differ by less are those of one input gain, dB (a calibrator's class allows 0.4).
const SAME_GAIN_DB: f64 = 1.0;
/// From this difference on an input gain decides: a second-order product then moves by twice [`HALF_DB`].
const OTHER_GAIN_DB: f64 = 6.0;
/// What the straight line between two steps may be off by halfway, dB (half width; steps of 3 dB, orders up to three).
const BETWEEN_STEPS_DB: f64 = 0.5;
/// A step this near is taken as it is, dB.
const AT_STEP_DB: f64 = 0.05;
/// What is played at one step alone is taken from it this near …
const NEAR_STEP_DB: f64 = 1.0;
/// … with so much half width for each decibel, dB (third order: a product re its stimulus rises twice as fast).
const SLOPE: f64 = 2.0;
/// Sines this near are the same one.
const SAME_SINE: f64 = 0.01;
/// Harmonics that are asked for.
const ORDERS: std::ops::RangeInclusive<u32> = 2..=5;

/// A distortion product.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "product", rename_all = "kebab-case")]
pub enum Product {
    /// Even-order, of all bands or of one (number, 0 is 1 kHz).
    Even {
        /// `None`: all of them.
        band: Option<i32>,
    },
    /// Odd-order likewise.
    Odd {
        /// `None`: all of them.
        band: Option<i32>,
    },
    /// A harmonic of a sine.
    Harmonic {
        /// 2 for the second.
        order: u32,
        /// The sine, Hz.
        sine_hz: f64,
    },
    /// A harmonic of the sweep where it passes the middle of a one-third octave.
    Swept {
        /// 2 for the second.
        order: u32,
        /// The one-third octave that is swept, 0 is 1 kHz.
        band: i32,
    },
    /// Intermodulation of two tones.
    Intermodulation {
        /// 2 or 3.
        order: u32,
        /// The tones, Hz.
        tones_hz: [f64; 2],
    },
}

/// Whose a product is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Owner {
    /// The output under test.
    Output,
    /// The headphone.
    Headphone,
    /// The microphone or the input behind it.
    Input,
    /// Not determined.
    #[serde(rename = "not-told")]
    NotDetermined,
}

/// What a session changes against the first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Changed {
    /// Another output, all else the same.
    Output,
    /// Another input gain.
    InputGain,
    /// Another headphone.
    Headphone,
}

/// What a product does when something is changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Does {
    /// Most of it is gone.
    Moves,
    /// Most of it is still there, and not much more.
    Stays,
    /// The interval leaves it open, or there is more of it now.
    #[serde(rename = "not-told")]
    NotDetermined,
}

/// One session held against the first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// Number of the session, from 1.
    pub session: usize,
    /// What it changes.
    pub changed: Changed,
    /// First session less this one, dB.
    pub difference_db: Reading,
    /// What the product does.
    pub does: Does,
}

/// A product with its owner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Attributed {
    /// Which.
    pub product: Product,
    /// Its size in the first session, dB re its stimulus …
    pub size_db: Estimate,
    /// … at this level at the ear, where that is another one than that of [`Attribution::level_db`]: sounds played beside the
    /// noise at some steps alone.
    pub at_db: Option<f64>,
    /// Whose it is.
    pub owner: Owner,
    /// The sessions that say so, and those that do not.
    pub proofs: Vec<Proof>,
}

/// What the sessions at hand tell of the first one's distortion.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Attribution {
    /// Level at the ear at which outputs and input gains were compared, dB SPL (dBFS where nothing is calibrated); `None`
    /// where no session changes one of them.
    pub level_db: Option<f64>,
    /// Every product above the noise.
    pub products: Vec<Attributed>,
    /// Sessions (from 1) that share too little with the first one, and why.
    pub unused: Vec<(usize, String)>,
    /// The next measurement that would decide what is not determined.
    pub next: Option<String>,
}

/// Puts the distortion of the first session down to somebody.
///
/// # Errors
/// In words, without a second session or where the first has no step to look at.
pub fn attribution(sessions: &[&Record]) -> Result<Attribution, String> {
    let [first, others @ ..] = sessions else { return Err("no session was given".into()) };
    if others.is_empty() {
        return Err("one session alone does not show where its distortion comes from: add a session of another output, of another input gain or of another headphone".into());
    }
    let subject = Side::of(first);
    let mut unused = Vec::new();
    let mut partners = Vec::new();
    for (i, other) in others.iter().enumerate() {
        match changed(first, other) {
            Ok(changed) => partners.push(Partner { session: i + 2, changed, side: Side::of(other) }),
            Err(why) => unused.push((i + 2, why)),
        }
    }
    // The highest place that all who have the product reach.
    let highest = |product: Product, axis: Axis| {
        let others = partners.iter().filter(|p| axis == Axis::Drive || p.changed != Changed::Headphone);
        let reached: Vec<f64> = others.filter_map(|p| p.side.highest(product, axis)).collect();
        let own = subject.highest(product, axis)?;
        (axis == Axis::Drive || !reached.is_empty()).then(|| reached.into_iter().fold(own, f64::min))
    };
    let level_db = highest(Product::Even { band: None }, Axis::Level);
    let mut products = Vec::new();
    for product in subject.products() {
        let (own_db, drive_db) = (highest(product, Axis::Level), highest(product, Axis::Drive));
        let at_db = own_db.filter(|own| level_db.is_none_or(|all| (own - all).abs() > AT_STEP_DB));
        let place = own_db.map(|l| (Axis::Level, l)).or(drive_db.map(|d| (Axis::Drive, d)));
        let Some(Reading::Determined(size_db)) = place.and_then(|(axis, at)| subject.at(product, axis, at)) else {
            continue;
        };
        let proofs: Vec<Proof> = partners
            .iter()
            .filter_map(|partner| {
                let (axis, at) = match partner.changed {
                    Changed::Headphone => (Axis::Drive, drive_db?),
                    _ => (Axis::Level, own_db?),
                };
                partner.held_against(&subject, product, axis, at)
            })
            .collect();
        products.push(Attributed { product, size_db, at_db, owner: owner(&proofs), proofs });
    }
    let next = products.iter().any(|p| p.owner == Owner::NotDetermined).then(|| next(&partners)).flatten();
    Ok(Attribution { level_db, products, unused, next })
}

/// What another session changes; in words, where it is nothing or too much.
fn changed(first: &Record, other: &Record) -> Result<Changed, String> {
    let (a, b) = (&first.head.chain, &other.head.chain);
    let ear = |record: &Record| record.head.chain.ears().next().map(|(_, role)| role);
    if ear(first) != ear(other) {
        return Err("it was measured at another ear".into());
    }
    let role = ear(first).ok_or("no ear was measured")?;
    let gain_db = match (a.acoustic(role), b.acoustic(role)) {
        (Some(a), Some(b)) => (a.offset.value - b.offset.value).abs(),
        (None, None) if a.setting(role) == b.setting(role) => 0.0,
        _ => return Err("its levels cannot be compared with those of the first: calibrate both".into()),
    };
    let same_headphone = a.headphone.trim() == b.headphone.trim();
    let same_output = a.output.trim() == b.output.trim() && a.positions() == b.positions();
    match (same_output, same_headphone) {
        (true, true) if gain_db >= OTHER_GAIN_DB => Ok(Changed::InputGain),
        (true, true) => Err(format!("it is the same pairing at nearly the same input gain ({gain_db:.1} dB)")),
        (false, true) if gain_db < SAME_GAIN_DB => Ok(Changed::Output),
        (true, false) if gain_db < SAME_GAIN_DB => Ok(Changed::Headphone),
        (false, false) => Err("both output and headphone differ".into()),
        _ => Err("its input gain differs too".into()),
    }
}

/// What is held equal.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Axis {
    Level,
    Drive,
}

struct Partner<'a> {
    session: usize,
    changed: Changed,
    side: Side<'a>,
}

/// The steps of one session.
struct Side<'a> {
    steps: Vec<Seen<'a>>,
    input: usize,
}

struct Seen<'a> {
    level_db: f64,
    drive_db: f64,
    step: &'a StepResult,
    pink: &'a PinkFinding,
}

impl<'a> Side<'a> {
    fn of(record: &'a Record) -> Side<'a> {
        let input = record.head.chain.deciding_input();
        let seen = |step: &'a StepResult| {
            let (pink, result) = step.pink(input)?;
            let level_db = record.sound(result).and_then(|s| s.z).or(pink.level_z)?.value;
            let counts = step.step.purpose.counts_once();
            counts.then_some(Seen { level_db, drive_db: step.step.drive?.db(), step, pink })
        };
        let mut steps: Vec<Seen<'a>> = record.climbed().filter_map(seen).collect();
        steps.sort_by(|a, b| a.drive_db.total_cmp(&b.drive_db));
        Side { steps, input }
    }

    /// Of the steps at which this product was looked for.
    fn highest(&self, product: Product, axis: Axis) -> Option<f64> {
        self.with(product).map(|(step, _)| step.on(axis)).reduce(f64::max)
    }

    /// The steps at which this product was looked for, and what it read.
    fn with(&self, product: Product) -> impl Iterator<Item = (&Seen<'a>, Reading)> {
        self.steps.iter().filter_map(move |step| Some((step, step.reading(product, self.input)?)))
    }

    /// All that could be compared.
    fn products(&self) -> Vec<Product> {
        let bands = crate::analysis::band::BANDS;
        let each = std::iter::once(None).chain(bands.map(Some));
        let mut all: Vec<Product> = each.clone().map(|band| Product::Even { band }).collect();
        all.extend(each.map(|band| Product::Odd { band }));
        let mut sines: Vec<f64> =
            self.steps.iter().flat_map(|s| s.step.sines(self.input)).map(|s| s.frequency_hz).collect();
        sines.sort_by(f64::total_cmp);
        sines.dedup_by(|a, b| same_sine(*a, *b));
        all.extend(sines.iter().flat_map(|sine_hz| ORDERS.map(|order| Product::Harmonic { order, sine_hz: *sine_hz })));
        let mut pairs: Vec<[f64; 2]> =
            self.steps.iter().flat_map(|s| s.step.two_tones(self.input)).map(|t| t.tones_hz).collect();
        pairs.sort_by(|a, b| a[0].total_cmp(&b[0]));
        pairs.dedup_by(|a, b| same_tones(*a, *b));
        all.extend(pairs.iter().flat_map(|&tones_hz| [2, 3].map(|order| Product::Intermodulation { order, tones_hz })));
        if self.steps.iter().any(|s| s.step.sweep(self.input).is_some()) {
            all.extend(
                ORDERS.flat_map(|order| crate::analysis::band::BANDS.map(move |band| Product::Swept { order, band })),
            );
        }
        all
    }

    /// A product where level or drive is so high; `None` where the steps do not reach there.
    fn at(&self, product: Product, axis: Axis, at: f64) -> Option<Reading> {
        let steps: Vec<(f64, Reading)> = self.with(product).map(|(step, reading)| (step.on(axis), reading)).collect();
        let off = |step: &&(f64, Reading)| (step.0 - at).abs();
        let nearest = steps.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        if off(&nearest) < AT_STEP_DB {
            return Some(nearest.1.clone());
        }
        let above = steps.iter().position(|step| step.0 > at)?;
        match above.checked_sub(1) {
            Some(below) => {
                let (low, high) = (&steps[below], &steps[above]);
                Some(between(&low.1, &high.1, (at - low.0) / (high.0 - low.0)))
            }
            None => (off(&nearest) < NEAR_STEP_DB).then(|| widened(&nearest.1, SLOPE * off(&nearest))),
        }
    }
}

/// So many decibels surer to hold.
fn widened(reading: &Reading, by_db: f64) -> Reading {
    match reading {
        Reading::Determined(e) => {
            let interval = Interval { low: e.interval.low - by_db, high: e.interval.high + by_db };
            Reading::Determined(Estimate { interval, ..*e })
        }
        Reading::Below(bound) => Reading::Below(bound + by_db),
        other => other.clone(),
    }
}

/// Straight between two steps; where one of them is only bounded, the larger bound holds.
fn between(low: &Reading, high: &Reading, share: f64) -> Reading {
    let most = |reading: &Reading| match reading {
        Reading::Determined(e) => Some(e.interval.high),
        Reading::Below(bound) => Some(*bound),
        Reading::AtLeast(_) | Reading::NotDetermined(_) => None,
    };
    match (low, high) {
        (Reading::Determined(low), Reading::Determined(high)) => {
            let value = low.value + share * (high.value - low.value);
            let bow = 4.0 * share * (1.0 - share) * BETWEEN_STEPS_DB;
            Reading::Determined(Estimate::symmetric(value, low.half_width().max(high.half_width()).hypot(bow)))
        }
        _ => match (most(low), most(high)) {
            (Some(low), Some(high)) => Reading::Below(low.max(high)),
            _ => Reading::NotDetermined("a neighbouring step does not show it".into()),
        },
    }
}

impl Seen<'_> {
    fn on(&self, axis: Axis) -> f64 {
        match axis {
            Axis::Level => self.level_db,
            Axis::Drive => self.drive_db,
        }
    }

    fn reading(&self, product: Product, input: usize) -> Option<Reading> {
        let band = |x: i32| self.pink.bands.iter().find(|band| band.x == x);
        Some(match product {
            Product::Even { band: None } => self.pink.even.clone(),
            Product::Odd { band: None } => self.pink.odd.clone(),
            Product::Even { band: Some(x) } => band(x)?.even.clone(),
            Product::Odd { band: Some(x) } => band(x)?.odd.clone(),
            Product::Harmonic { order, sine_hz } => {
                let sine = self.step.sines(input).find(|s| same_sine(s.frequency_hz, sine_hz))?;
                sine.harmonics.iter().find(|h| h.order == order)?.level.clone()
            }
            Product::Swept { order, band } => self.step.sweep(input)?.harmonic(order, band)?.clone(),
            Product::Intermodulation { order, tones_hz } => {
                let tones = self.step.two_tones(input).find(|t| same_tones(t.tones_hz, tones_hz))?;
                if order == 2 { tones.second.clone() } else { tones.third.clone() }
            }
        })
    }
}

fn same_sine(a: f64, b: f64) -> bool {
    (a / b - 1.0).abs() < SAME_SINE
}

fn same_tones(a: [f64; 2], b: [f64; 2]) -> bool {
    same_sine(a[0], b[0]) && same_sine(a[1], b[1])
}

impl Partner<'_> {
    /// `None` where either session does not reach there or does not show the product.
    fn held_against(&self, subject: &Side, product: Product, axis: Axis, at: f64) -> Option<Proof> {
        let (here, there) = (subject.at(product, axis, at)?, self.side.at(product, axis, at)?);
        let difference_db = match (here, there) {
            (Reading::Determined(here), Reading::Determined(there)) => {
                Reading::Determined(here.plus(&there.negative()))
            }
            (Reading::Determined(here), Reading::Below(bound)) => Reading::AtLeast(here.shifted(-bound)),
            _ => return None,
        };
        let stays_db = if self.changed == Changed::Headphone { ALIKE_DB } else { HALF_DB };
        let does = match &difference_db {
            Reading::Determined(d) | Reading::AtLeast(d) if d.interval.low > HALF_DB => Does::Moves,
            Reading::Determined(Estimate { interval: Interval { low, high }, .. })
                if *low > -stays_db && *high < stays_db =>
            {
                Does::Stays
            }
            _ => Does::NotDetermined,
        };
        Some(Proof { session: self.session, changed: self.changed, difference_db, does })
    }
}

fn owner(proofs: &[Proof]) -> Owner {
    let what = |changed: Changed| {
        let all = || proofs.iter().filter(move |p| p.changed == changed).map(|p| p.does);
        [Does::Moves, Does::Stays].into_iter().find(|does| all().any(|d| d == *does))
    };
    match (what(Changed::Output), what(Changed::InputGain), what(Changed::Headphone)) {
        // Gone with either: no single owner.
        (Some(Does::Moves), Some(Does::Moves), _) => Owner::NotDetermined,
        (_, Some(Does::Moves), _) => Owner::Input,
        (Some(Does::Moves), _, _) => Owner::Output,
        (Some(Does::Stays), Some(Does::Stays), _) => Owner::Headphone,
        (None, Some(Does::Stays), Some(Does::Moves)) => Owner::Headphone,
        (None, Some(Does::Stays), Some(Does::Stays)) => Owner::Output,
        _ => Owner::NotDetermined,
    }
}

/// The cheapest measurement that is missing.
fn next(partners: &[Partner]) -> Option<String> {
    let has = |changed: Changed| partners.iter().any(|p| p.changed == changed);
    let words = match (has(Changed::Output), has(Changed::InputGain)) {
        (false, false) => {
            "the same headphone on another output, and the same pairing with 10 dB less input gain (calibrated again)"
        }
        (false, true) => "the same headphone on another output, up to the same level",
        (true, false) => "the same pairing with 10 dB less input gain, calibrated again",
        (true, true) => "the same sessions in a quieter room or with more periods a step, so that the intervals close",
    };
    Some(words.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn proof(changed: Changed, does: Does) -> Proof {
        Proof { session: 2, changed, difference_db: Reading::Below(0.0), does }
    }

    /// The rule of thumb of the trade: what moves with the output is the output's, with the gain the input's, what stays
    /// under both the headphone's; half of the evidence shows nothing.
    #[test]
    fn owners_follow_from_what_moves_and_what_stays() {
        use Changed::{Headphone, InputGain, Output};
        use Does::{Moves, NotDetermined, Stays};
        for (proofs, expected) in [
            (vec![(Output, Moves)], Owner::Output),
            (vec![(Output, Moves), (InputGain, Stays)], Owner::Output),
            (vec![(InputGain, Moves)], Owner::Input),
            (vec![(Output, Stays), (InputGain, Moves)], Owner::Input),
            (vec![(Output, Stays), (InputGain, Stays)], Owner::Headphone),
            (vec![(Output, Stays)], Owner::NotDetermined),
            (vec![(InputGain, Stays)], Owner::NotDetermined),
            (vec![(Output, Moves), (InputGain, Moves)], Owner::NotDetermined),
            (vec![(Output, NotDetermined), (InputGain, Stays)], Owner::NotDetermined),
            (vec![(Headphone, Stays), (InputGain, Stays)], Owner::Output),
            (vec![(Headphone, Moves), (InputGain, Stays)], Owner::Headphone),
            (vec![(Headphone, Moves)], Owner::NotDetermined),
            (vec![], Owner::NotDetermined),
        ] {
            let all: Vec<Proof> = proofs.iter().map(|(c, d)| proof(*c, *d)).collect();
            assert_eq!(owner(&all), expected, "{proofs:?}");
        }
    }

    #[test]
    fn between_two_steps_a_bound_stays_a_bound() {
        let stated = |db: f64| Reading::Determined(Estimate::symmetric(db, 0.2));
        let Reading::Determined(mid) = between(&stated(-50.0), &stated(-44.0), 0.5) else { panic!("not determined") };
        assert!((mid.value + 47.0).abs() < 1e-12 && (mid.half_width() - 0.2f64.hypot(0.5)).abs() < 1e-12);
        assert_eq!(between(&Reading::Below(-60.0), &stated(-55.0), 0.5), Reading::Below(-54.8));
        assert!(matches!(between(&Reading::NotDetermined("?".into()), &stated(-55.0), 0.5), Reading::NotDetermined(_)));
    }
}
