//! The answer of a comparison as a sentence; every number in it is a stored one.

use super::{Basis, Bound, Comparison, Distorted, Distortions, Outcome, Product, Where};
use crate::analysis::band;
use crate::figure::Figure;
use crate::stats::Reading;
use crate::units::{tidy, tidy_signed};
use std::fmt;

/// A bound larger than this says nothing, dB.
const NO_USE_DB: f64 = 3.0;

/// What differs between the two: a bound first, then the largest difference that was found, distortion and noise.
pub fn sentence(c: &Comparison) -> String {
    let unit = unit(c);
    let (first, second) = &c.outputs;
    let level = tidy(c.level_db, 1);
    let parts = [Some(response(c)), Some(distortion(&c.distortions)), noise(c)];
    let outcome = parts.into_iter().flatten().collect::<Vec<_>>().join(" ");
    format!("At {level} {unit} on {}, {second} against {first}: {outcome}", c.on.in_words())
}

/// What is said of the response alone.
pub fn of_response(c: &Comparison) -> String {
    format!("At {} {} on {}: {}", tidy(c.level_db, 1), unit(c), c.on.in_words(), response(c))
}

fn unit(c: &Comparison) -> &'static str {
    if c.is_spl { "dB SPL" } else { "dBFS at the input" }
}

fn response(c: &Comparison) -> String {
    let bound = c.bound.filter(|bound| bound.largest_db <= c.within_db.max(NO_USE_DB));
    let bound = bound.map(|Bound { largest_db, bands: (low, high) }| {
        format!(
            "no difference of response larger than {} dB from {} to {}",
            tidy(round_up(largest_db), 2),
            band::label(low),
            band::label(high)
        )
    });
    let largest = c.largest.map(|l| {
        let at = match l.is_band {
            true => band::label(band::band_of(l.frequency_hz)),
            false => format!("{:.0} Hz, in a narrow band", l.frequency_hz),
        };
        format!("the largest found is {} dB at {at}", Figure::new(l.difference_db, 2).signed())
    });
    match (c.overall, bound, largest) {
        (Outcome::NotDetermined, None, _) | (_, None, None) => {
            format!("whether the response differs is not determined. {}", advice(c))
        }
        (Outcome::NotDetermined, Some(bound), Some(largest)) => {
            format!("{bound}; {largest}. Whether smaller differences exist is not determined. {}", advice(c))
        }
        (_, Some(bound), Some(largest)) => format!("{bound}; {largest}."),
        (_, Some(only), None) | (_, None, Some(only)) => format!("{only}."),
    }
}

/// What would show more.
fn advice(c: &Comparison) -> &'static str {
    match (c.rounds, c.seats) {
        (Some(_), _) => "A louder level, or more rounds, would show it.",
        (None, Some(_)) => {
            "Refitting the headphone changes more than that: swap both outputs on one seat instead (`loudenough swap`)."
        }
        (None, None) => "Swapping both outputs (`loudenough swap`) would show it, or a louder level.",
    }
}

/// A bound is never rounded below itself.
fn round_up(db: f64) -> f64 {
    (100.0 * db - 1e-9).ceil() / 100.0
}

fn noise(c: &Comparison) -> Option<String> {
    let all = c.noise.iter().find(|noise| noise.band.is_none())?;
    let within_db = c.distortions.within_db;
    let unit = if c.is_spl { "dB SPL A" } else { "dBFS A" };
    let levels = format!("{} and {} {unit}", tidy(all.level_db.0, 1), tidy(all.level_db.1, 1));
    Some(match all.outcome {
        Outcome::Same => format!("Noise is the same within {within_db} dB ({levels})."),
        Outcome::Differs => format!("Noise differs: {levels} ({} dB).", Figure::new(all.difference_db, 1).signed()),
        Outcome::NotDetermined => format!("Whether noise differs is not determined ({levels})."),
    })
}

/// Even and odd order of the noise with both figures, or the largest of what differs elsewhere.
fn distortion(d: &Distortions) -> String {
    let whole = |product: Product| d.quantities.iter().find(|q| q.product == product && q.place == Where::Overall);
    let elsewhere = d.quantities.iter().find(|q| q.outcome == Outcome::Differs && q.place != Where::Overall);
    let both: Vec<String> = [Product::Even, Product::Odd].into_iter().filter_map(whole).map(both).collect();
    let more = elsewhere.map_or(String::new(), |q| format!("; {} differs {}", q.name(), size(&q.difference_db)));
    match both.is_empty() {
        true => "Distortion is not determined.".into(),
        false => format!("Distortion: {}{more}.", both.join(", ")),
    }
}

/// `even-order −62.1 and −60.0 dB (+2.1 ±0.3 dB)`.
fn both(q: &Distorted) -> String {
    let of = format!("{} {} and {} dB", q.name(), Figure::new(&q.of.0, 1).words(), Figure::new(&q.of.1, 1).words());
    match (&q.difference_db, q.outcome) {
        (Reading::Determined(e), Outcome::Same | Outcome::NotDetermined) => {
            let most = e.interval.high.abs().max(e.interval.low.abs());
            format!("{of} (no more than {} dB apart)", tidy(round_up(most), 1))
        }
        (Reading::NotDetermined(_), _) => of,
        (difference, _) => format!("{of} ({})", size(difference)),
    }
}

fn size(difference: &Reading) -> String {
    match difference {
        Reading::Determined(e) => format!("by {} dB", Figure::new(e, 1).signed()),
        Reading::AtLeast(e) => format!("by {} dB or higher", tidy_signed(e.value, 1)),
        Reading::Below(most) => format!("by {} dB or lower", tidy_signed(*most, 1)),
        Reading::NotDetermined(_) => String::new(),
    }
}

impl Outcome {
    /// In words, with the size: `differs by −1.20 dB`.
    pub fn in_words(self, within_db: f64, difference: &Reading) -> String {
        match (self, difference) {
            (Outcome::Same, _) => format!("same within {within_db} dB"),
            (Outcome::Differs, Reading::Determined(d)) => format!("differs by {} dB", tidy_signed(d.value, 2)),
            (Outcome::Differs, Reading::AtLeast(d)) => format!("differs by {} dB or higher", tidy_signed(d.value, 2)),
            (Outcome::Differs, Reading::Below(most)) => format!("differs by {} dB or lower", tidy_signed(*most, 2)),
            _ => "not determined".into(),
        }
    }
}

impl Product {
    /// In words.
    pub fn in_words(self) -> String {
        match self {
            Product::Even => "even-order".into(),
            Product::Odd => "odd-order".into(),
            Product::Thd => "THD".into(),
            Product::Harmonic { order } => format!("H{order}"),
        }
    }
}

impl Distorted {
    /// What and where, short.
    pub fn name(&self) -> String {
        let what = self.product.in_words();
        match self.place {
            Where::Overall => what,
            Where::Band { x } => format!("{what} {}", band::label(x)),
            Where::Sine { frequency_hz } => format!("{what} of {frequency_hz:.0} Hz"),
            Where::Sweep { x } => format!("{what} swept {}", band::label(x)),
        }
    }
}

impl fmt::Display for Basis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Basis::MatchedStep { step, off_db } => write!(f, "matched step {step}, {} dB off", tidy_signed(*off_db, 2)),
            Basis::Between { steps } => write!(f, "between steps {} and {}", steps.0, steps.1),
            Basis::StraightOn { step, off_db } => {
                write!(f, "extrapolated from step {step} by {} dB", tidy_signed(*off_db, 2))
            }
        }
    }
}
