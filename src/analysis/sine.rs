//! What one take of a sine yields: level, harmonics 2 to 10, THD, THD+N and noise.
//!
//! The sine lies on an odd line of the period, so its harmonics are lines too and nothing leaks. **THD** is the F form:
//! RMS sum of the harmonics over the fundamental, up to the 10th or 20 kHz, whichever is lower; `highest_harmonic` says
//! how far. The R form, THD_R = THD_F/√(1 + THD_F²), holds the harmonics against everything that is no noise. **THD+N** is the R form: everything but the fundamental from 20 Hz to 20 kHz over everything (AES17 notches a
//! band out; here one line is left out). *Referred to the output* each harmonic is divided by the reference's response
//! at its own frequency over that at the fundamental.

use super::finding::{Common, Finding, HarmonicFinding, HumLine, SineFinding};
use super::level::{self, FULL_SCALE_MS};
use super::prepare::{AnalysisError, Prepared, prepare};
use super::spectra::{Reference, Spectra};
use super::sums::{LineSum, MeanSquare};
use super::{Context, Measured};
use crate::signal::LineKind;
use crate::stats::{Estimate, Interval, Reading};
use crate::take::Take;
use crate::units::{db_from_power, power_from_db};
use std::f64::consts::LN_10;

/// Highest harmonic counted.
const HIGHEST: usize = 10;
/// Highest frequency counted, Hz.
const AUDIO_HZ: f64 = 20_000.0;

/// Finding of a sine take.
///
/// # Errors
/// As [`prepare`], or where the stimulus holds no line.
pub fn measure(take: &Take, input: usize, context: &Context) -> Result<Measured, AnalysisError> {
    let Prepared { spectra, common, .. } = prepare(take, input, context)?;
    let finding =
        finding(&spectra, common, context).ok_or_else(|| AnalysisError::NoMethod(take.head.stimulus.short_name()))?;
    Ok(Measured { finding: Finding::Sine(Box::new(finding)), spectra: Some(spectra) })
}

/// What the lines say; `None` where the stimulus holds no line.
pub fn finding(s: &Spectra, common: Common, context: &Context) -> Option<SineFinding> {
    let spacing = s.period.line_spacing_hz();
    let line = s.period.lines.of(LineKind::Excited).next()?;
    let fundamental = level::stimulus_power(s, level::all(s), |_| 1.0).filter(|p| p.seen);
    let orders: Vec<usize> =
        (2..=HIGHEST).filter(|n| (n * line) as f64 * spacing <= AUDIO_HZ && n * line < s.mean.len() - 1).collect();
    let power = fundamental.map(|p| p.value);
    let harmonics = orders.iter().map(|n| harmonic(s, line, *n, power)).collect();
    let noise = level::noise_power(s);
    let hum_ms = hum_ms(&common);
    let thd_f = thd(s, &orders, line, power, |_| Some(1.0));
    Some(SineFinding {
        common,
        frequency_hz: line as f64 * spacing,
        level: fundamental.and_then(|p| p.level_db(FULL_SCALE_MS)),
        gain_db: fundamental.and_then(|p| p.level_db(s.played[line].norm_sqr())),
        harmonics,
        thd_r: r_form(&thd_f),
        thd: thd_f,
        thd_output: context
            .reference
            .filter(|r| r.response.len() == s.mean.len())
            .map(|r| thd(s, &orders, line, power, |k| referred(r, line, k))),
        highest_harmonic: orders.last().map_or(1, |n| *n as u32),
        thd_n: thd_n(s, line, power, 0.0),
        thd_n_with_hum: (hum_ms > 0.0).then(|| thd_n(s, line, power, hum_ms)),
        noise: db_from_power(noise / FULL_SCALE_MS),
    })
}

/// A reference line under this many dB over noise is not divided by.
const REFERENCE_OVER_NOISE_DB: f64 = 10.0;

/// Power ratio that refers a product at line `k` to the output; `None` where the reference does not show it.
fn referred(reference: &Reference, line: usize, k: usize) -> Option<f64> {
    let known = |k: usize| reference.over_noise_db[k] >= REFERENCE_OVER_NOISE_DB;
    let own = reference.response[k].norm_sqr();
    (known(k) && known(line) && own > 0.0).then(|| reference.response[line].norm_sqr() / own)
}

fn no_tone() -> Reading {
    Reading::NotDetermined("the sine is not above the noise".into())
}

/// One line's power over the noise.
fn add(sum: &mut LineSum, s: &Spectra, k: usize, weight: f64) {
    sum.add(weight * s.mean[k].norm_sqr(), weight * s.variance[k] / s.periods as f64, s.dof[k]);
}

fn reading(sum: &LineSum, reference: f64) -> Reading {
    sum.over_noise().map_or_else(|| Reading::NotDetermined("hum lies on these lines".into()), |p| p.reading(reference))
}

fn harmonic(s: &Spectra, line: usize, order: usize, fundamental: Option<f64>) -> HarmonicFinding {
    let k = order * line;
    let Some(fundamental) = fundamental else {
        return HarmonicFinding { order: order as u32, level: no_tone(), phase_rad: None };
    };
    let mut sum = LineSum::new(s.periods);
    if s.usable[k] {
        add(&mut sum, s, k, 1.0);
    }
    let level = reading(&sum, fundamental);
    let turn = s.mean[k].arg() - order as f64 * s.mean[line].arg();
    let phase_rad = level.determined().map(|_| turn.sin().atan2(turn.cos()));
    HarmonicFinding { order: order as u32, level, phase_rad }
}

/// A harmonic that cannot be read makes the sum not determined: without it the figure would be too good.
fn thd(
    s: &Spectra,
    orders: &[usize],
    line: usize,
    fundamental: Option<f64>,
    weight: impl Fn(usize) -> Option<f64>,
) -> Reading {
    let Some(fundamental) = fundamental else { return no_tone() };
    let mut sum = LineSum::new(s.periods);
    for k in orders.iter().map(|n| n * line) {
        let (true, Some(weight)) = (s.usable[k], weight(k)) else {
            return Reading::NotDetermined(
                "a harmonic lies on hum or where the quiet reference is lost in noise".into(),
            );
        };
        add(&mut sum, s, k, weight);
    }
    reading(&sum, fundamental)
}

/// Harmonics over fundamental and harmonics together, from harmonics over the fundamental.
pub fn r_form(thd_f: &Reading) -> Reading {
    thd_f.rescaled(|db| db - 10.0 * power_from_db(db).ln_1p() / LN_10)
}

/// What was taken off the samples as hum between 20 Hz and 20 kHz, mean square; what lies on a line of the period is still in
/// the lines.
fn hum_ms(common: &Common) -> f64 {
    let taken_off = common.hum.iter().filter(|h| !h.on_line && (20.0..=AUDIO_HZ).contains(&h.frequency_hz));
    HumLine::mean_square_of(taken_off)
}

/// Noise is part of what is asked for here, so it is not taken off; `hum_ms` is added to it.
fn thd_n(s: &Spectra, line: usize, fundamental: Option<f64>, hum_ms: f64) -> Reading {
    let Some(fundamental) = fundamental else { return no_tone() };
    let rest = MeanSquare::of(s, level::audio_lines(s).filter(|k| *k != line), |_| 1.0);
    let db = |rest: f64| db_from_power((rest + hum_ms) / (rest + hum_ms + fundamental));
    let interval = rest.interval();
    match (db(rest.value()), db(interval.low), db(interval.high)) {
        (Some(value), Some(low), Some(high)) => {
            Reading::Determined(Estimate { value, interval: Interval { low, high } })
        }
        _ => Reading::NotDetermined("nothing but the sine was captured".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::{Correction, Weight};
    use crate::card::InputRole;
    use crate::signal::{Drive, DriveCeiling, Stimulus};
    use crate::take::{Input, TakeHead};
    use crate::units::{Dbfs, SampleRate};

    /// A take of the default sine through `device`, four periods, with a little seeded-by-index dither as noise.
    fn take(device: impl Fn(f64) -> f64, noise: f64) -> Take {
        let rate = SampleRate::DEFAULT;
        let stimulus = Stimulus::sine(997.0);
        let period = stimulus.period(rate);
        let ceiling = DriveCeiling { rms: Dbfs(0.0), because: "test".into() };
        let drive = Drive::grant(Dbfs(0.0), &period, &ceiling).unwrap();
        let (pre_roll, settle, periods) = (4800, 14_000, 4);
        let played_frames = settle + periods * period.samples.len() + 20_000;
        let mut state = 1u64;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / (1u64 << 24) as f64 - 0.5
        };
        let samples = (0..pre_roll + played_frames + 4800)
            .map(|n| {
                let inside = n >= pre_roll && n < pre_roll + played_frames;
                let x = if inside { device(period.samples[(n - pre_roll) % period.samples.len()]) } else { 0.0 };
                (x + noise * random()) as f32
            })
            .collect();
        let head = TakeHead {
            stimulus,
            drive,
            played_rate: rate,
            captured_rate: rate,
            driven: vec![0],
            pre_roll,
            settle,
            periods,
            played_frames,
            gaps: Vec::new(),
            void: None,
        };
        Take { head, inputs: vec![Input { role: InputRole::LeftEar, samples }] }
    }

    fn finding(take: &Take) -> SineFinding {
        let none = Correction::none();
        let context = Context::alone(&none);
        match measure(take, 0, &context).unwrap().finding {
            Finding::Sine(f) => *f,
            other => panic!("{other:?}"),
        }
    }

    /// Hard-clipped sine, Fourier coefficients in closed form: overdrive 1 dB has H3/H1 3.68417 % and THD to the 10th
    /// harmonic 4.59706 %, 3 dB 12.92340 % and 13.34024 %, 6 dB 22.58393 % and 23.19161 %.
    #[test]
    fn a_hard_clipped_sine_has_the_harmonics_of_its_closed_form() {
        for (overdrive, h3, thd) in [(1.0, 3.68417, 4.59706), (3.0, 12.92340, 13.34024), (6.0, 22.58393, 23.19161)] {
            let limit = 10f64.powf(-overdrive / 20.0);
            let f = finding(&take(|x| x.clamp(-limit, limit), 1e-6));
            assert!(f.common.flaws.iter().all(|flaw| flaw.weight == Weight::Note), "{:?}", f.common.flaws);
            let percent = |r: &Reading| 100.0 * 10f64.powf(r.determined().unwrap().value / 20.0);
            assert!((percent(&f.thd) / thd - 1.0).abs() < 1e-3, "{overdrive}: THD {} for {thd}", percent(&f.thd));
            assert!((percent(&f.harmonics[1].level) / h3 - 1.0).abs() < 1e-3);
            assert_eq!((f.harmonics[1].order, f.highest_harmonic), (3, 10));
        }
    }

    /// y = x + 0.01 x² + 0.004 x³ at amplitude 1: H2/H1 −46.0466 dB, H3/H1 −60.0260 dB (closed form).
    #[test]
    fn a_polynomial_gives_the_second_and_third_harmonic_of_its_closed_form() {
        let f = finding(&take(|x| 0.9 * (x + 0.01 * x * x + 0.004 * x * x * x), 1e-6));
        let db = |n: usize| f.harmonics[n].level.determined().unwrap().value;
        assert!((db(0) + 46.0466).abs() < 0.01 && (db(1) + 60.0260).abs() < 0.01, "{} {}", db(0), db(1));
    }

    /// THD_R = THD_F/√(1 + THD_F²), ends of the interval alike; a clipped sine of 6 dB has 23.19161 % and so 22.59201 %.
    #[test]
    fn the_r_form_is_that_of_its_closed_form() {
        let limit = 10f64.powf(-6.0 / 20.0);
        let f = finding(&take(|x| x.clamp(-limit, limit), 1e-6));
        let percent = |db: f64| 100.0 * 10f64.powf(db / 20.0);
        let (thd_f, thd_r) = (f.thd.determined().unwrap(), f.thd_r.determined().unwrap());
        assert!((percent(thd_r.value) / 22.592_01 - 1.0).abs() < 1e-3, "{thd_r:?}");
        let ends = |e: &Estimate| [e.value, e.interval.low, e.interval.high].map(percent);
        for (r, of_f) in ends(thd_r).into_iter().zip(ends(thd_f)) {
            let share = of_f / 100.0;
            assert!((r - 100.0 * share / (1.0 + share * share).sqrt()).abs() < 1e-9, "{r} for {of_f}");
        }
        let below = r_form(&Reading::Below(-6.0));
        assert!(matches!(below, Reading::Below(db) if db < -6.9 && db > -7.0), "{below:?}");
    }

    /// A clean sine in noise: uniform noise of ±0.0005 has an RMS of 0.001/√12, 67.8 dB under a sine of amplitude 1 in
    /// the whole band, 68.6 dB in 20 Hz to 20 kHz (20/24 of it).
    #[test]
    fn a_clean_sine_has_no_thd_to_tell_and_its_noise_is_stated() {
        let f = finding(&take(|x| 0.9 * x, 0.001));
        assert!(matches!(f.thd, Reading::Below(upper) if upper < -95.0), "{:?}", f.thd);
        let noise = 20.0 * (0.001 / 12f64.sqrt() * (20_000.0f64 / 24_000.0).sqrt() / (0.9 / 2f64.sqrt())).log10();
        assert!((f.thd_n.determined().unwrap().value - noise).abs() < 0.1, "{:?} for {noise}", f.thd_n);
    }
}
