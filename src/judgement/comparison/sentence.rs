//! The answer of a comparison as a sentence; every number in it is a stored one.

use super::{Basis, Comparison, Difference, Distorted, Distortions, Product, Told, Where};
use crate::analysis::band;
use crate::stats::Reading;
use crate::units::{tidy, tidy_signed};
use std::fmt;

/// What differs between the two, in a sentence or two.
pub fn sentence(c: &Comparison) -> String {
    let unit = if c.is_spl { "dB SPL" } else { "dBFS at the input" };
    let (first, second) = &c.outputs;
    let level = tidy(c.level_db, 1);
    format!(
        "At {level} {unit} on {}, {second} against {first}: {} {}",
        c.on.in_words(),
        response(c),
        distortion(&c.distortions)
    )
}

fn response(c: &Comparison) -> String {
    let told: Vec<&Difference> = c.bands.iter().filter(|b| b.told == Told::Differs).collect();
    let smallest = c.bands.iter().map(|b| b.smallest_db).fold(0.0, f64::max);
    match c.overall {
        Told::Same => format!("the response is the same within {} dB in every one-third octave.", c.within_db),
        Told::Differs => {
            let size = |b: &&&Difference| b.difference_db.value.abs();
            let most = told.iter().max_by(|a, b| size(a).total_cmp(&size(b)));
            let most = most.map_or(String::new(), |b| {
                format!(", most at {} ({} dB)", band::label(b.x), tidy_signed(b.difference_db.value, 2))
            });
            format!("the response differs in {} of {} one-third octaves{most}.", told.len(), c.bands.len())
        }
        Told::NotTold => {
            let same = c.bands.iter().filter(|b| b.told == Told::Same).count();
            format!(
                "whether the response differs is not determined (the same within {} dB in {same} of {} one-third octaves; a difference over {smallest:.2} dB would have been seen everywhere).",
                c.within_db,
                c.bands.len()
            )
        }
    }
}

fn distortion(d: &Distortions) -> String {
    let differs: Vec<_> = d.quantities.iter().filter(|q| q.told == Told::Differs).collect();
    let overall = differs.iter().find(|q| matches!(q.place, Where::Overall)).or(differs.first());
    match (d.overall, overall) {
        (Told::Differs, Some(q)) => {
            let what = match q.product {
                Product::Even => "even-order distortion".into(),
                Product::Odd => "odd-order distortion".into(),
                Product::Thd => "THD".into(),
                Product::Harmonic { order } => format!("harmonic {order}"),
            };
            let at = match q.place {
                Where::Overall => String::new(),
                Where::Band { x } | Where::Sweep { x } => format!(" at {}", band::label(x)),
                Where::Sine { frequency_hz } => format!(" of {frequency_hz:.0} Hz"),
            };
            let by = match &q.difference_db {
                Reading::Told(e) => format!("by {} dB", tidy_signed(e.value, 2)),
                Reading::AtLeast(e) => format!("by at least {} dB", tidy_signed(e.value, 2)),
                Reading::Below(most) => format!("by at least {} dB", tidy_signed(*most, 2)),
                Reading::NotTold(_) => String::new(),
            };
            format!("Distortion differs: {what}{at} {by}.")
        }
        (Told::Same, _) => {
            format!("Distortion, where it stands over the noise of both, is the same within {} dB.", d.within_db)
        }
        _ => "Whether distortion differs is not determined.".into(),
    }
}

impl Told {
    /// In words, with the size: `differs by −1.20 dB`.
    pub fn in_words(self, within_db: f64, difference: &Reading) -> String {
        match (self, difference) {
            (Told::Same, _) => format!("same within {within_db} dB"),
            (Told::Differs, Reading::Told(d)) => format!("differs by {} dB", tidy_signed(d.value, 2)),
            (Told::Differs, Reading::AtLeast(d)) => format!("differs by at least {} dB", tidy_signed(d.value, 2)),
            (Told::Differs, Reading::Below(most)) => format!("differs by at least {} dB", tidy_signed(*most, 2)),
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
                write!(f, "straight on from step {step}, {} dB off", tidy_signed(*off_db, 2))
            }
        }
    }
}
