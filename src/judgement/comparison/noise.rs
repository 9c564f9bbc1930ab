//! Noise with either output plugged in and nothing playing, as the ear hears it: the silence at the beginning of each round.

use super::Outcome;
use super::heard::Heard;
use super::side::Level;
use super::words::{Family, Item};
use crate::analysis::SilenceFinding;
use crate::analysis::band::BANDS;
use crate::session::swap::Round;
use crate::stats::{Estimate, NORMAL_95};
use serde::{Deserialize, Serialize};

/// Noise of both. Pairs are first output, second output.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// One-third octave (0 is 1 kHz); `None`: all of it, A-weighted.
    pub band: Option<i32>,
    /// dB SPL, or dBFS at the input where one of them is not calibrated.
    pub level_db: (f64, f64),
    /// Second less first, dB.
    pub difference_db: Estimate,
    /// What can be said of it.
    #[serde(rename = "told")]
    pub outcome: Outcome,
}

/// Levels of both, without a word yet, and what is known of their difference: all of it first, then by band. Empty where
/// nothing is heard, as on a digital wire.
pub(super) fn noises(a: (&Heard, &[Round]), b: (&Heard, &[Round])) -> Vec<(Option<i32>, (f64, f64), Item)> {
    let bands = BANDS.map(Some);
    let noise = |band: Option<i32>| {
        let (one, other) = (level(a, band)?, level(b, band)?);
        let standard_db = one.half.hypot(other.half) / NORMAL_95;
        let item = Item { moved: one.moved + other.moved, ..Item::symmetric(other.value - one.value, standard_db) };
        Some((band, (one.value, other.value), item))
    };
    std::iter::once(None).chain(bands).filter_map(noise).collect()
}

/// With the word that its difference has among all of its family.
pub(super) fn judged(
    (band, level_db, item): &(Option<i32>, (f64, f64), Item),
    family: &Family,
    within_db: f64,
) -> Noise {
    let difference_db = Estimate { value: item.value, interval: family.interval(item) };
    Noise { band: *band, level_db: *level_db, difference_db, outcome: family.word(item, within_db) }
}

fn level((heard, rounds): (&Heard, &[Round]), band: Option<i32>) -> Option<Level> {
    let of = |round: &Round| {
        let silence = round.silence.silence(heard.side.input)?;
        let level = one(silence, band)?;
        Some(Level::new(level.value + heard.side.offset, level.half_width()))
    };
    let levels: Vec<Level> = rounds.iter().map(of).collect::<Option<_>>()?;
    Some(heard.of_rounds(&levels))
}

fn one(silence: &SilenceFinding, band: Option<i32>) -> Option<Estimate> {
    match band {
        None => silence.noise_a,
        Some(x) => silence.bands.iter().find(|band| band.x == x)?.level,
    }
}
