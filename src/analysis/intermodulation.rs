//! What one take of two tones yields: intermodulation of second and third order.
//!
//! | pair | second order | third order |
//! |---|---|---|
//! | modulation (SMPTE RP 120; IEC 60268-3) | [U(f2+f1) + U(f2−f1)] / U(f2) | [U(f2+2f1) + U(f2−2f1)] / U(f2) |
//! | difference frequency (IEC 60268-3) | U(f2−f1) / [U(f1) + U(f2)] | [U(2f1−f2) + U(2f2−f1)] / [U(f1) + U(f2)] |
//!
//! (Definitions of IEC 60268-3 from memory.) Amplitudes add arithmetically: the products of one order are coherent.
//! Limits come from the noise on the product lines ([`LineSum`]); where noise could explain the products, "below" counts
//! its power as if it stood equally on all of them, the largest arithmetic sum it allows. *Referred to the output* every
//! line, tones included, is divided by the quiet reference's response.

use super::finding::{Finding, IntermodulationFinding, ProductFinding};
use super::level;
use super::prepare::{AnalysisError, prepare};
use super::spectra::{Reference, Spectra};
use super::sums::LineSum;
use super::{Context, Measured};
use crate::signal::TwoTones;
use crate::stats::Reading;
use crate::take::Take;
use crate::units::{db_from_amplitude, db_from_power};

/// A reference line under this many dB over noise is not divided by.
const REFERENCE_OVER_NOISE_DB: f64 = 10.0;

/// Finding of a take of two tones.
///
/// # Errors
/// As [`prepare`].
pub fn measure(take: &Take, input: usize, context: &Context, pair: TwoTones) -> Result<Measured, AnalysisError> {
    let prepared = prepare(take, input, context)?;
    let s = prepared.spectra;
    let [low, high] = pair.lines(s.period.rate, s.period.samples.len());
    let plan = Products::of(pair, low, high);
    let at_ear = |lines: &[usize]| figure(&s, lines, &plan.against, |_| Some(1.0));
    let reference = context.reference.filter(|r| r.response.len() == s.mean.len());
    let at_output = |lines: &[usize]| reference.map(|r| figure(&s, lines, &plan.against, |k| undone(r, k)));
    let spacing = s.period.line_spacing_hz();
    let product =
        |order: u32, k: usize| ProductFinding { order, frequency_hz: k as f64 * spacing, level: at_ear(&[k]) };
    let products =
        plan.second.iter().map(|k| product(2, *k)).chain(plan.third.iter().map(|k| product(3, *k))).collect();
    let finding = IntermodulationFinding {
        tones_hz: [low as f64 * spacing, high as f64 * spacing],
        level: level::stimulus_level(&s, level::all(&s), |_| 1.0),
        second: at_ear(&plan.second),
        third: at_ear(&plan.third),
        second_output: at_output(&plan.second),
        third_output: at_output(&plan.third),
        definition: plan.definition.into(),
        products,
        common: prepared.common,
    };
    Ok(Measured { finding: Finding::TwoTones(Box::new(finding)), spectra: Some(s) })
}

/// Lines of the products and of the tones they are held against.
struct Products {
    second: Vec<usize>,
    third: Vec<usize>,
    against: Vec<usize>,
    definition: &'static str,
}

impl Products {
    fn of(pair: TwoTones, low: usize, high: usize) -> Products {
        match pair {
            TwoTones::Modulation => Products {
                second: vec![high - low, high + low],
                third: vec![high - 2 * low, high + 2 * low],
                against: vec![high],
                definition: "modulation distortion: arithmetic sum of the sideband amplitudes (2nd order f2 ± f1, 3rd order f2 ± 2f1) over the 7 kHz tone",
            },
            TwoTones::DifferenceFrequency => Products {
                second: vec![high - low],
                third: vec![2 * low - high, 2 * high - low],
                against: vec![low, high],
                definition: "difference-frequency distortion: arithmetic sum of the product amplitudes (2nd order f2 − f1, 3rd order 2f1 − f2 and 2f2 − f1) over the sum of both tones",
            },
        }
    }
}

/// 1/|H|² of the quiet reference; `None` where it does not tell.
fn undone(r: &Reference, k: usize) -> Option<f64> {
    let power = r.response[k].norm_sqr();
    (r.over_noise_db[k] >= REFERENCE_OVER_NOISE_DB && power > 0.0).then(|| 1.0 / power)
}

/// Arithmetic sum of the amplitudes on `lines` over that of the tones, dB.
fn figure(s: &Spectra, lines: &[usize], tones: &[usize], weight: impl Fn(usize) -> Option<f64>) -> Reading {
    let lost = || Reading::NotDetermined("the quiet reference is lost in noise at one of these lines".into());
    let amplitude = |k: usize, w: f64| (w * (s.mean[k].norm_sqr() - s.variance[k] / s.periods as f64)).max(0.0).sqrt();
    let mut against = 0.0;
    for &k in tones {
        let Some(w) = weight(k) else { return lost() };
        let mut one = LineSum::new(s.periods);
        one.add(s.mean[k].norm_sqr(), s.variance[k] / s.periods as f64, s.dof[k]);
        if !one.over_noise().is_some_and(|p| p.seen) {
            return Reading::NotDetermined("the tones are not above the noise".into());
        }
        against += amplitude(k, w);
    }
    let (mut sum, mut arithmetic) = (LineSum::new(s.periods), 0.0);
    for &k in lines {
        let Some(w) = weight(k) else { return lost() };
        if !s.usable.get(k).copied().unwrap_or(false) {
            return Reading::NotDetermined("hum, or the end of the captured band, lies on a product".into());
        }
        sum.add(w * s.mean[k].norm_sqr(), w * s.variance[k] / s.periods as f64, s.dof[k]);
        arithmetic += amplitude(k, w);
    }
    let Some(power) = sum.over_noise() else { return lost() };
    match power.reading(against * against) {
        Reading::Determined(e) => {
            let shift = db_from_amplitude(arithmetic).zip(db_from_power(power.value)).map_or(0.0, |(a, p)| a - p);
            Reading::Determined(e.shifted(shift))
        }
        Reading::Below(high) => Reading::Below(high + 10.0 * (lines.len() as f64).log10()),
        other => other,
    }
}
