//! Does a difference matter? Each quantity is held against what published listening tests and standards give. They say less
//! than one would like: group averages of attentive listeners, each for its own signals.
//!
//! ```text
//! whole interval under the lower limit   no audible difference is to be expected
//! found beyond it                        could be audible
//! found beyond the upper limit           an audible difference is to be expected (by switching directly, attentive listeners)
//! the interval reaches over the lower    not determined
//! ```
//!
//! The lower limits are rounded under what the sources give, which is a choice of this program and is said with them.

use super::{Comparison, Difference, Distorted, Where};
use crate::analysis::band;
use crate::stats::{Estimate, Reading};
use crate::units::tidy;
use serde::{Deserialize, Serialize};

/// What the sources let one expect.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Audible {
    /// No audible difference is to be expected.
    No,
    /// This data does not tell, or no source does.
    NotDetermined,
    /// It could be audible.
    Could,
    /// An audible difference is to be expected.
    Yes,
}

impl Audible {
    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            Audible::No => "no audible difference is to be expected",
            Audible::NotDetermined => "not determined",
            Audible::Could => "could be audible",
            Audible::Yes => "an audible difference is to be expected",
        }
    }
}

/// One quantity, what is to be expected of it, why, and by which source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Matter {
    /// What is held against a limit.
    pub what: String,
    /// The word.
    pub word: Audible,
    /// Figure and limit.
    pub because: String,
    /// Where the limit comes from, and how far it carries.
    pub source: String,
}

/// What a listener states that they hear: their own limits stand in the place of the published ones.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hears {
    /// Differences of response from here on, in any one-third octave, dB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub response_db: Option<f64>,
    /// Even or odd order from here on, re the noise that is played, overall or in any one-third octave, dB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distortion_db: Option<f64>,
    /// Noise from this A-weighted level on, dB SPL.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub noise_db_spl: Option<f64>,
}

impl Hears {
    /// No limit is stated.
    pub fn is_empty(&self) -> bool {
        *self == Hears::default()
    }

    /// What is stated here, else what stands in `kept`.
    pub fn or(self, kept: Hears) -> Hears {
        Hears {
            response_db: self.response_db.or(kept.response_db),
            distortion_db: self.distortion_db.or(kept.distortion_db),
            noise_db_spl: self.noise_db_spl.or(kept.noise_db_spl),
        }
    }
}

impl std::fmt::Display for Hears {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        let response = self.response_db.map(|db| format!("differences of response from {} dB on", tidy(db, 2)));
        let distortion = self.distortion_db.map(|db| format!("distortion from {} dB on", tidy(db, 1)));
        let noise = self.noise_db_spl.map(|db| format!("noise from {} dB SPL A on", tidy(db, 1)));
        f.write_str(&[response, distortion, noise].into_iter().flatten().collect::<Vec<_>>().join(", "))
    }
}

/// Said of a limit that the listener states.
const OWN: &str = "The listener's own limit, as they state it; this program has not tested it";

/// All quantities.
pub(super) fn matters(c: &Comparison, hears: &Hears) -> Vec<Matter> {
    let response = match hears.response_db {
        Some(limit_db) => own_response(c, limit_db),
        None => response(c),
    };
    let found =
        [Some(level(c)), Some(response), Some(distortion(c, hears.distortion_db)), noise(c, hears.noise_db_spl)];
    found.into_iter().flatten().collect()
}

/// The gravest word: something to be heard before something that could be, that before what is not known.
pub fn gravest(matters: &[Matter]) -> Audible {
    matters.iter().map(|matter| matter.word).max().unwrap_or(Audible::NotDetermined)
}

/// Under this a difference of level of a wide-band sound was not heard, dB.
const LEVEL_DB: f64 = 0.1;

fn level(c: &Comparison) -> Matter {
    let off_db = c.off_db.abs();
    let word = if off_db <= LEVEL_DB { Audible::No } else { Audible::Could };
    Matter {
        what: "level".into(),
        word,
        because: format!("levels are matched within {} dB; limit {LEVEL_DB} dB", tidy(off_db.max(0.01), 2)),
        source: "Miller 1947 (J. Acoust. Soc. Am. 19): about 0.41 dB for wide-band noise, as quoted in handbooks; 0.1 dB is what listening comparisons ask for, common practice, no source".into(),
    }
}

/// A range of adjacent one-third octaves that deviate to one side.
struct Width {
    /// At least so many.
    bands: usize,
    /// Under this nothing is to be expected, dB.
    lower_db: f64,
    /// Beyond this it is, where the second output has more: a peak.
    peak_db: f64,
    /// The same where it has less, if any source says so.
    dip_db: Option<f64>,
}

/// Three octaves, about one octave, one-third octave. From the resonances of Toole and Olive: Q 1 is heard in noise 25 dB under the
/// spectrum, which adds 0.5 dB at its peak; Q 50 at 10 dB under it, 0.4 dB over one-third octave.
const WIDTHS: [Width; 3] = [
    Width { bands: 9, lower_db: 0.2, peak_db: 3.0, dip_db: Some(3.0) },
    Width { bands: 3, lower_db: 0.4, peak_db: 3.0, dip_db: None },
    Width { bands: 1, lower_db: NARROW_DB, peak_db: 6.0, dip_db: None },
];
/// One band alone, where the fine line shows nothing narrower, dB.
const NARROW_DB: f64 = 0.7;
/// The same where it does, or where there is none: a narrow resonance raises its one-third octave by 0.4 dB only.
const UNRESOLVED_DB: f64 = 0.3;

fn response(c: &Comparison) -> Matter {
    let resolved = !c.fine.is_empty() && c.fine.iter().all(|p| p.difference_db.value.abs() <= NARROW_DB);
    let mut word = Audible::No;
    let mut because = String::new();
    for width in &WIDTHS {
        let lower_db = if width.bands == 1 && !resolved { UNRESOLVED_DB } else { width.lower_db };
        for (sign, upper) in [(1.0, Some(width.peak_db)), (-1.0, width.dip_db)] {
            let of = |end: fn(f64, &Estimate) -> f64, limit: f64| run(&c.bands, width.bands, |e| end(sign, e) > limit);
            let found = |limit| of(|sign, e| (sign * e.interval.low).min(sign * e.interval.high), limit);
            let possible = of(|sign, e| (sign * e.interval.low).max(sign * e.interval.high), lower_db);
            let (now, range, limit) = match (upper.and_then(found), found(lower_db), possible) {
                (Some(range), _, _) => (Audible::Yes, range, upper.unwrap_or(lower_db)),
                (_, Some(range), _) => (Audible::Could, range, lower_db),
                (_, _, Some(range)) => (Audible::NotDetermined, range, lower_db),
                _ => continue,
            };
            if now > word {
                word = now;
                because = range_words(&c.bands[range], limit, sign, now);
            }
        }
    }
    if word == Audible::No {
        because = "no one-third octave deviates by 0.7 dB, no octave by 0.4 dB, no three octaves by 0.2 dB".into();
    }
    Matter {
        what: "response".into(),
        word,
        because,
        source: "Toole and Olive 1988 (J. Audio Eng. Soc. 36, 122): resonances in noise by their Q, as quoted from the paper; limits per width derived from them and rounded down. Dips are harder to hear than peaks (Bücklein 1981), so they have no upper limit".into(),
    }
}

/// The response by one limit that holds for every one-third octave.
fn own_response(c: &Comparison, limit_db: f64) -> Matter {
    let limit = tidy(limit_db, 2);
    let out = |band: &&Difference| {
        let e = &band.difference_db;
        e.interval.low > limit_db || e.interval.high < -limit_db
    };
    let may = |band: &&Difference| {
        let e = &band.difference_db;
        e.interval.low < -limit_db || e.interval.high > limit_db
    };
    let (word, because) = match (c.bands.iter().find(out), c.bands.iter().find(may)) {
        (Some(band), _) => (Audible::Yes, format!("at {} they differ by more than {limit} dB", band::label(band.x))),
        (None, Some(band)) => {
            (Audible::NotDetermined, format!("at {} the interval reaches over {limit} dB", band::label(band.x)))
        }
        (None, None) if c.bands.is_empty() => (Audible::NotDetermined, "no one-third octave was measured".into()),
        (None, None) => (Audible::No, format!("no one-third octave differs by {limit} dB")),
    };
    Matter { what: "response".into(), word, because, source: OWN.into() }
}

/// The first run of at least so many adjacent bands of which `is` holds.
fn run(bands: &[Difference], least: usize, is: impl Fn(&Estimate) -> bool) -> Option<std::ops::Range<usize>> {
    let mut from = 0;
    for chunk in bands.chunk_by(|a, b| is(&a.difference_db) == is(&b.difference_db) && b.x == a.x + 1) {
        let range = from..from + chunk.len();
        from = range.end;
        if chunk.len() >= least && is(&chunk[0].difference_db) {
            return Some(range);
        }
    }
    None
}

fn range_words(bands: &[Difference], limit_db: f64, sign: f64, word: Audible) -> String {
    let (Some(first), Some(last)) = (bands.first(), bands.last()) else { return String::new() };
    let at = match first.x == last.x {
        true => format!("at {}", band::label(first.x)),
        false => format!("from {} to {}", band::label(first.x), band::label(last.x)),
    };
    let side = if sign > 0.0 { "above" } else { "below" };
    let limit = tidy(limit_db, 1);
    match word {
        Audible::NotDetermined => format!("{at} the interval reaches beyond {limit} dB {side} the first"),
        _ => format!("{at} the second output is more than {limit} dB {side} the first"),
    }
}

/// Distortion in its own band so far under a pink-like programme is masked by it, dB: noise in noise at 28 dB under it as tonal
/// maskers need, and 10 dB more.
const MASKED_DB: f64 = -40.0;

/// Threshold of hearing for one-third octaves of noise in a diffuse field, 20 Hz to 16 kHz, dB SPL (ISO 389-7:2019, as quoted). At
/// an eardrum levels are higher than in the field that they come from, so that less is called inaudible there.
const THRESHOLDS_DB_SPL: [f64; 30] = [
    78.1, 68.7, 59.5, 51.1, 44.0, 37.5, 31.5, 26.5, 22.1, 17.9, 14.4, 11.4, 8.4, 5.8, 3.8, 2.1, 1.0, 0.8, 1.9, 0.5,
    -1.5, -3.1, -4.0, -3.8, -1.8, 2.5, 6.8, 8.4, 14.4, 43.7,
];
/// Number of the first of them, 0 is 1 kHz.
const FIRST_THRESHOLD: i32 = -17;
/// So far under the threshold nothing is heard by anybody who hears well, dB: a choice.
const UNDER_THRESHOLD_DB: f64 = 10.0;

/// True where a level in one one-third octave lies well under the threshold of hearing.
fn is_unheard(x: i32, level_db_spl: f64) -> bool {
    let threshold = usize::try_from(x - FIRST_THRESHOLD).ok().and_then(|i| THRESHOLDS_DB_SPL.get(i));
    threshold.is_some_and(|threshold| level_db_spl <= threshold - UNDER_THRESHOLD_DB)
}

/// By the published limit, or by one of the listener's own.
fn distortion(c: &Comparison, own_db: Option<f64>) -> Matter {
    let limit_db = own_db.unwrap_or(MASKED_DB);
    let of_noise = |q: &&Distorted| matches!(q.place, Where::Overall | Where::Band { .. });
    let upper = |reading: &Reading| match reading {
        Reading::Determined(e) => Some(e.interval.high),
        Reading::Below(most) => Some(*most),
        Reading::AtLeast(_) | Reading::NotDetermined(_) => None,
    };
    let lower = |reading: &Reading| reading.determined().map(|e| e.interval.low);
    let same = |q: &Distorted| q.outcome == super::Outcome::Same;
    let most = |q: &Distorted| Some(upper(&q.of.0)?.max(upper(&q.of.1)?));
    let unheard = |q: &Distorted, most: f64| match (q.place, q.stimulus_db_spl) {
        (Where::Band { x }, Some(stimulus)) => is_unheard(x, stimulus + most),
        _ => false,
    };
    let audible = |q: &Distorted, most: f64| most > limit_db && !unheard(q, most);
    let unmasked = |q: &&Distorted| !same(q) && most(q).is_none_or(|most| audible(q, most));
    let open: Vec<&Distorted> = c.distortions.quantities.iter().filter(of_noise).filter(unmasked).collect();
    let found = open.iter().find(|q| {
        let over = |reading: &Reading| lower(reading).is_some_and(|low| low > limit_db);
        q.outcome == super::Outcome::Differs && (over(&q.of.0) || over(&q.of.1))
    });
    let (word, because) = match (found, open.first()) {
        (Some(q), _) => {
            let word = if own_db.is_some() { Audible::Yes } else { Audible::Could };
            (word, format!("{} differs and is above {} dB", q.name(), tidy(limit_db, 0)))
        }
        (None, Some(q)) => {
            (Audible::NotDetermined, format!("{} may be above {} dB in one of them", q.name(), tidy(limit_db, 0)))
        }
        (None, None) => (
            Audible::No,
            format!(
                "where it is not the same in both, it stays below {} dB re the noise in its band or below the threshold of hearing",
                tidy(limit_db, 0)
            ),
        ),
    };
    let source = if own_db.is_some() { OWN } else { DISTORTION_SOURCE };
    Matter { what: "distortion".into(), word, because, source: source.into() }
}

const DISTORTION_SOURCE: &str = "Masking by a pink-like programme in the same band (ISO/IEC 11172-3, model 1, as coded by others), and the threshold of hearing (ISO 389-7:2019), each with 10 dB to spare: a choice. No published figure of THD or IMD predicts what is heard (Lee and Geddes 2003, AES 115th Convention), so nothing is ever \"to be expected\" of distortion";

/// Levels of noise that differ by less are not distinguished, dB.
const NOISE_STEP_DB: f64 = 0.4;
/// Under this level noise is not heard at all, dB SPL A.
const INAUDIBLE_DB: f64 = 0.0;

fn noise(c: &Comparison, own_db: Option<f64>) -> Option<Matter> {
    let limit_db = own_db.unwrap_or(INAUDIBLE_DB);
    let all = c.noise.iter().find(|noise| noise.band.is_none())?;
    let e = all.difference_db;
    let silent = c.is_spl && all.level_db.0.max(all.level_db.1) <= limit_db;
    let alike = e.interval.low >= -NOISE_STEP_DB && e.interval.high <= NOISE_STEP_DB;
    let apart = e.interval.low > NOISE_STEP_DB || e.interval.high < -NOISE_STEP_DB;
    let (word, because) = match (silent, alike, apart) {
        (true, _, _) => (Audible::No, format!("both stay below {} dB SPL A", tidy(limit_db, 1))),
        (_, true, _) => (Audible::No, format!("they differ by less than {NOISE_STEP_DB} dB")),
        (_, _, true) => (Audible::Could, format!("they differ by more than {NOISE_STEP_DB} dB")),
        _ => (Audible::NotDetermined, format!("the interval of the difference reaches above {NOISE_STEP_DB} dB")),
    };
    let source = if own_db.is_some() && silent { OWN } else { NOISE_SOURCE };
    Some(Matter { what: "noise".into(), word, because, source: source.into() })
}

const NOISE_SOURCE: &str = "Threshold of hearing ISO 389-7:2019 (one band reaches it from 7 dB SPL A on; 0 leaves a choice of 7 dB) and Miller 1947 (0.41 dB for wide-band noise); the noise of the room masks more than this";

#[cfg(test)]
mod tests {
    use super::super::Outcome;
    use super::*;

    /// Bands from 63 Hz on with these differences, each ±0.02 dB.
    fn bands(values: &[f64]) -> Vec<Difference> {
        let one = |(i, v): (usize, &f64)| Difference {
            x: i as i32 - 12,
            difference_db: Estimate::symmetric(*v, 0.02),
            outcome: Outcome::NotDetermined,
            smallest_db: None,
        };
        values.iter().enumerate().map(one).collect()
    }

    fn of(values: &[f64], narrow: bool) -> Audible {
        let mut c = Comparison::empty();
        c.bands = bands(values);
        let value = if narrow { 2.4 } else { 0.0 };
        c.fine = vec![super::super::FinePoint {
            frequency_hz: 1_000.0,
            difference_db: Estimate::symmetric(value, 0.02),
            outcome: Outcome::NotDetermined,
        }];
        response(&c).word
    }

    /// Worked from the limits beside the sources.
    #[test]
    fn a_response_is_judged_by_how_wide_it_deviates() {
        assert_eq!(of(&[0.15; 9], false), Audible::No);
        assert_eq!(of(&[0.5; 9], false), Audible::Could);
        assert_eq!(of(&[3.5; 9], false), Audible::Yes);
        assert_eq!(of(&[-3.5; 9], false), Audible::Yes);
        assert_eq!(of(&[0.0, 3.5, 3.5, 3.5, 0.0], false), Audible::Yes);
        assert_eq!(of(&[0.0, -3.5, -3.5, -3.5, 0.0], false), Audible::Could);
        assert_eq!(of(&[0.0, 0.35, 0.35, 0.35, 0.0], false), Audible::No);
        assert_eq!(of(&[0.0, 0.5, 0.0], false), Audible::No);
        assert_eq!(of(&[0.0, 0.5, 0.0], true), Audible::Could);
        assert_eq!(of(&[0.0, 7.0, 0.0], false), Audible::Yes);
        assert_eq!(of(&[0.0, 0.7, 0.0], false), Audible::NotDetermined);
    }

    #[test]
    fn noise_is_judged_by_level_and_difference() {
        let of = |levels: (f64, f64), half: f64| {
            let mut c = Comparison::empty();
            c.noise = vec![super::super::Noise {
                band: None,
                level_db: levels,
                difference_db: Estimate::symmetric(levels.1 - levels.0, half),
                outcome: Outcome::NotDetermined,
            }];
            noise(&c, None).unwrap().word
        };
        assert_eq!(of((-9.0, -3.0), 0.1), Audible::No);
        assert_eq!(of((12.0, 12.1), 0.1), Audible::No);
        assert_eq!(of((6.0, 12.0), 0.1), Audible::Could);
        assert_eq!(of((12.0, 12.3), 0.3), Audible::NotDetermined);
    }

    /// Worked from the table: at 3.15 kHz −15 dB SPL lies under −4 − 10, at 1 kHz 0 dB SPL does not lie under 0.8 − 10.
    #[test]
    fn what_lies_well_under_the_threshold_of_hearing_is_not_heard() {
        assert!(is_unheard(5, -15.0) && !is_unheard(0, 0.0));
        assert!(is_unheard(-17, 60.0) && !is_unheard(-17, 70.0) && !is_unheard(13, -50.0));
    }

    #[test]
    fn distortion_is_never_to_be_expected_to_be_heard() {
        let of = |one: f64, other: f64, outcome: Outcome| {
            let mut c = Comparison::empty();
            let reading = |db: f64| Reading::Determined(Estimate::symmetric(db, 0.3));
            c.distortions.quantities = vec![Distorted {
                product: super::super::Product::Odd,
                place: Where::Overall,
                of: (reading(one), reading(other)),
                noise_db: (None, None),
                stimulus_db_spl: None,
                difference_db: Reading::Determined(Estimate::symmetric(other - one, 0.5)),
                outcome,
                smallest_db: Some(1.0),
            }];
            distortion(&c, None).word
        };
        assert_eq!(of(-60.0, -45.0, Outcome::Differs), Audible::No);
        assert_eq!(of(-60.0, -30.0, Outcome::Differs), Audible::Could);
        assert_eq!(of(-30.0, -30.0, Outcome::Same), Audible::No);
        assert_eq!(of(-38.0, -39.0, Outcome::NotDetermined), Audible::NotDetermined);
    }

    /// By hand from the intervals: 0.5 ±0.02 lies over 0.4, within 0.6, and reaches over 0.5.
    #[test]
    fn a_limit_of_the_listeners_own_stands_in_the_place_of_the_published_one() {
        let mut c = Comparison::empty();
        c.bands = bands(&[0.0, 0.5, 0.0]);
        let word = |limit_db| {
            let hears = Hears { response_db: Some(limit_db), ..Hears::default() };
            let matters = matters(&c, &hears);
            let response = matters.iter().find(|matter| matter.what == "response").unwrap();
            assert!(response.source.contains("own limit"));
            response.word
        };
        assert_eq!([0.4, 0.5, 0.6].map(word), [Audible::Yes, Audible::NotDetermined, Audible::No]);
        let kept = Hears { response_db: Some(0.3), noise_db_spl: Some(5.0), ..Hears::default() };
        let typed = Hears { response_db: Some(0.5), ..Hears::default() };
        assert_eq!(typed.or(kept), Hears { response_db: Some(0.5), ..kept });
    }

    #[test]
    fn noise_under_a_listeners_own_limit_is_not_heard_by_them() {
        let mut c = Comparison::empty();
        c.noise = vec![super::super::Noise {
            band: None,
            level_db: (6.0, 12.0),
            difference_db: Estimate::symmetric(6.0, 0.1),
            outcome: Outcome::Differs,
        }];
        let word = |own| noise(&c, own).unwrap().word;
        assert_eq!([None, Some(11.0), Some(13.0)].map(word), [Audible::Could, Audible::Could, Audible::No]);
    }
}
