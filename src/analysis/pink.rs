//! What one take of periodic pink noise yields: levels, response, noise, even- and odd-order distortion.
//!
//! Even lines hear even-order distortion, detection lines odd-order distortion; `Σ(|Ȳ|² − σ²/P)` over them, never
//! clamped per line. Detection lines are scaled per one-third octave by odd lines / detection lines, from the 63 Hz band
//! up. *Referred to the output* each product is divided by the reference's power response at its own frequency, and held
//! against the power of the stimulus sent, times the change of broadband gain since the reference: that equals the
//! reference's broadband gain at the exciting frequencies wherever nothing compresses.

use super::band::{BANDS, lines_in};
use super::finding::{BandFinding, ClockFit, Common, Finding, Flaw, MiddleFinding, PinkFinding};
use super::level::{self, FULL_SCALE_MS};
use super::prepare::{AnalysisError, Prepared, prepare};
use super::spectra::{Reference, Spectra};
use super::sums::{LineSum, Power, ScaledSum};
use super::weighting::Weighting;
use super::{Context, Measured, clip, resampled, transfer};
use crate::signal::LineKind;
use crate::stats::{Estimate, Reading};
use crate::take::Take;
use crate::units::db_from_power;
use std::ops::{Range, RangeInclusive};

/// First band in which odd-order distortion is given: below it there are too few detection lines (63 Hz).
const ODD_FROM_BAND: i32 = -12;
/// Reference lines under this many dB over noise are not divided by.
const REFERENCE_OVER_NOISE_DB: f64 = 10.0;
/// Distortion referred to the output is not determined unless this share of the lines can be referred.
const REFERRED_SHARE: f64 = 0.5;
/// False even-order distortion that a clock residue of 0.01 ppm leaves, dB re the stimulus; grows with 20 lg.
const RESIDUE_DB_AT_10_PPB: f64 = -79.0;
/// A residue below this is negligible.
const RESIDUE_IGNORED_DB: f64 = -95.0;

/// Finding of a pink take.
///
/// # Errors
/// As [`prepare`].
pub fn measure(take: &Take, input: usize, context: &Context) -> Result<Measured, AnalysisError> {
    let Prepared { spectra, common, drift_db } = prepare(take, input, context)?;
    let mut finding = finding(&spectra, common, context);
    if let Some(middle) = &mut finding.middle {
        middle.drift_db = drift_db;
    }
    Ok(Measured { finding: Finding::Pink(Box::new(finding)), spectra: Some(spectra) })
}

/// What the lines say.
pub fn finding(s: &Spectra, mut common: Common, context: &Context) -> PinkFinding {
    let stimulus = level::stimulus_power(s, level::all(s), |_| 1.0).filter(|p| p.seen);
    let at_ear = stimulus.map(|p| p.value);
    let even = even_reading(s, at_ear, level::all(s));
    let odd = odd_reading(s, at_ear, BANDS);
    common.flaws.extend(clock_doubt(&common.clock, context.pooled_clock, &even));
    common.flaws.extend(resampled::in_stimulus(s));
    let output = context.reference.filter(|r| r.response.len() == s.mean.len()).map(|r| Referred::new(s, r));
    let noise = level::noise_power(s);
    PinkFinding {
        level_z: level::stimulus_level(s, level::all(s), |_| 1.0),
        level_a: level::stimulus_level(s, level::all(s), |f| Weighting::A.power_at(f)),
        level_c: level::stimulus_level(s, level::all(s), |f| Weighting::C.power_at(f)),
        level_mid: level::stimulus_level(s, level::all(s), |f| if (100.0..=10_000.0).contains(&f) { 1.0 } else { 0.0 }),
        level_total: level::total_level(s),
        bands: bands(s),
        response: transfer::response(s),
        gain_db: level::gain_db(s, context.reference),
        noise: db_from_power(noise / FULL_SCALE_MS),
        over_noise_db: at_ear.and_then(|p| db_from_power(p / noise)),
        even,
        odd,
        even_output: output.as_ref().map(Referred::even),
        odd_output: output.as_ref().map(Referred::odd),
        clip: context.reference.filter(|r| r.response.len() == s.mean.len()).and_then(|r| clip::judge(s, r)),
        middle: middle(s),
        common,
    }
}

/// The middle of the band by itself; its drift is for who has the periods.
fn middle(s: &Spectra) -> Option<MiddleFinding> {
    let power = level::stimulus_power(s, level::middle(s), |_| 1.0)?;
    let stimulus = Some(power.value).filter(|_| power.seen);
    Some(MiddleFinding {
        level: power.reading(FULL_SCALE_MS),
        even: even_reading(s, stimulus, level::middle(s)),
        odd: odd_reading(s, stimulus, level::MIDDLE),
        drift_db: None,
        ends: Some(resampled::falls(s)),
    })
}

fn not_over_noise() -> Reading {
    Reading::NotDetermined("the stimulus is not above the noise".into())
}

/// Σ over even lines that pass, re the stimulus.
fn even_reading(s: &Spectra, stimulus: Option<f64>, span: Range<usize>) -> Reading {
    let Some(stimulus) = stimulus else { return not_over_noise() };
    let mut sum = LineSum::new(s.periods);
    for k in level::usable(s, LineKind::Even, span) {
        sum.add(s.mean[k].norm_sqr(), s.variance[k] / s.periods as f64, s.dof[k]);
    }
    stated(sum.over_noise(), stimulus, "no even line is free of hum here")
}

fn odd_reading(s: &Spectra, stimulus: Option<f64>, bands: RangeInclusive<i32>) -> Reading {
    if *bands.end() < ODD_FROM_BAND {
        return Reading::NotDetermined("too few detection lines under 63 Hz".into());
    }
    let Some(stimulus) = stimulus else { return not_over_noise() };
    stated(odd_power(s, bands, |_| 1.0), stimulus, "no detection line is free of hum here")
}

/// Odd-order power of some bands, scaled from detection lines to all odd lines. Lines weighted zero are left out.
fn odd_power(s: &Spectra, bands: RangeInclusive<i32>, weight: impl Fn(usize) -> f64) -> Option<Power> {
    let spacing = s.period.line_spacing_hz();
    let mut scaled = ScaledSum::default();
    for x in bands.filter(|x| *x >= ODD_FROM_BAND) {
        let span = lines_in(x, spacing);
        let mut detected = LineSum::new(s.periods);
        for k in level::usable(s, LineKind::Detection, span.clone()) {
            let w = weight(k);
            if w > 0.0 {
                detected.add(w * s.mean[k].norm_sqr(), w * s.variance[k] / s.periods as f64, s.dof[k]);
            }
        }
        let of = |kind| s.period.lines.within(span.clone(), kind).len();
        let odd = of(LineKind::Excited) + of(LineKind::Detection);
        scaled.add(&detected, odd);
    }
    scaled.power()
}

fn stated(power: Option<Power>, stimulus: f64, otherwise: &str) -> Reading {
    power.map_or_else(|| Reading::NotDetermined(otherwise.into()), |p| p.reading(stimulus))
}

fn bands(s: &Spectra) -> Vec<BandFinding> {
    let spacing = s.period.line_spacing_hz();
    BANDS
        .map(|x| {
            let span = lines_in(x, spacing);
            let power = level::stimulus_power(s, span.clone(), |_| 1.0);
            let stimulus = power.filter(|p| p.seen).map(|p| p.value);
            let end = span.end.min(s.mean.len());
            let noise: f64 = s.scatter.get(span.start..end).map_or(0.0, |v| v.iter().sum());
            BandFinding {
                x,
                level: power.and_then(|p| p.level_db(FULL_SCALE_MS)),
                noise: db_from_power(noise / FULL_SCALE_MS),
                even: even_reading(s, stimulus, span),
                odd: odd_reading(s, stimulus, x..=x),
            }
        })
        .collect()
}

/// Distortion as it leaves the output.
struct Referred<'a> {
    s: &'a Spectra,
    r: &'a Reference,
    /// Power of the stimulus sent times the change of gain; `None` where the gain is not determined.
    stimulus: Option<f64>,
}

impl<'a> Referred<'a> {
    fn new(s: &'a Spectra, r: &'a Reference) -> Referred<'a> {
        let sent: f64 = s.period.lines.of(LineKind::Excited).map(|k| s.played[k].norm_sqr()).sum();
        let stimulus = level::gain_change_db(s, r).map(|g| sent * crate::units::power_from_db(g.value));
        Referred { s, r, stimulus }
    }

    /// 1/|H|² where the reference shows it, else 0.
    fn weight(&self, k: usize) -> f64 {
        let power = self.r.response[k].norm_sqr();
        if self.r.over_noise_db[k] >= REFERENCE_OVER_NOISE_DB && power > 0.0 { 1.0 / power } else { 0.0 }
    }

    fn share(&self, kind: LineKind) -> f64 {
        let all = self.s.period.lines.of(kind).len().max(1);
        self.s.period.lines.of(kind).filter(|k| self.weight(*k) > 0.0).count() as f64 / all as f64
    }

    fn refused(&self, kind: LineKind) -> Option<Reading> {
        if self.share(kind) < REFERRED_SHARE {
            return Some(Reading::NotDetermined("the reference is not above the noise in enough bands".into()));
        }
        self.stimulus.is_none().then(not_over_noise)
    }

    fn even(&self) -> Reading {
        if let Some(no) = self.refused(LineKind::Even) {
            return no;
        }
        let mut sum = LineSum::new(self.s.periods);
        for k in level::usable(self.s, LineKind::Even, level::all(self.s)) {
            let w = self.weight(k);
            if w > 0.0 {
                sum.add(w * self.s.mean[k].norm_sqr(), w * self.s.variance[k] / self.s.periods as f64, self.s.dof[k]);
            }
        }
        stated(sum.over_noise(), self.stimulus.unwrap_or(1.0), "no even line can be referred to the output")
    }

    fn odd(&self) -> Reading {
        if let Some(no) = self.refused(LineKind::Detection) {
            return no;
        }
        let power = odd_power(self.s, BANDS, |k| self.weight(k));
        stated(power, self.stimulus.unwrap_or(1.0), "no detection line can be referred to the output")
    }
}

/// The doubt that the uncertainty of the clock throws on the distortion figures, where it could matter.
fn clock_doubt(clock: &ClockFit, pooled: Option<Estimate>, even: &Reading) -> Option<Flaw> {
    let (used, _) = super::clock::used(clock.own_ppm?, pooled.filter(|_| clock.pooled));
    let half_width = used.half_width();
    let residue_db = RESIDUE_DB_AT_10_PPB + 20.0 * (half_width / 0.01).log10();
    let upper = match even {
        Reading::Determined(e) => e.interval.high,
        Reading::Below(high) => *high,
        Reading::AtLeast(_) | Reading::NotDetermined(_) => return None,
    };
    (residue_db > RESIDUE_IGNORED_DB && residue_db > upper - 3.0).then(|| {
        Flaw::doubt(
            "clock-residue",
            format!(
                "The clocks are known to ±{half_width:.4} ppm only, which may leave {residue_db:.0} dB of false distortion. Levels are not affected; a longer or louder take shows the distortion better."
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 0.01 ppm leave −79 dB. A clock stated to ±0.1 ppm is no better with others said to ±381 ppm.
    #[test]
    fn a_clock_hardly_stated_is_a_doubt_with_others_hardly_stated_as_well() {
        let fit = |pooled| ClockFit {
            own_ppm: Some(Estimate::symmetric(20.0, 0.1)),
            used_ppm: 20.0,
            pooled,
            drift_ppm_per_s: None,
        };
        let clean = Reading::Below(-90.0);
        let doubted = |pooled: Option<f64>| {
            clock_doubt(&fit(pooled.is_some()), pooled.map(|half| Estimate::symmetric(20.0, half)), &clean).is_some()
        };
        assert!(doubted(None) && doubted(Some(381.0)) && !doubted(Some(0.001)));
    }
}
