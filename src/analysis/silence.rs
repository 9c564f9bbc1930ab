//! What a take of silence yields: noise floor per band and mains hum. Nothing repeats, so every line is noise.

use super::band::{BANDS, lines_in};
use super::finding::{BandFinding, Common, Finding, HumLine, SilenceFinding};
use super::level::{self, FULL_SCALE_MS};
use super::prepare::{AnalysisError, Prepared, prepare};
use super::spectra::Spectra;
use super::sums::MeanSquare;
use super::weighting::Weighting;
use super::{Context, Measured, resampled};
use crate::stats::{Estimate, Reading};
use crate::take::Take;
use crate::units::Dbfs;
use std::ops::Range;

/// A steady tone stands so many times over the median power of its neighbours (noise of two periods: once in e²⁰ lines) …
const STANDS_OUT: f64 = 30.0;
/// … and so many times over what the periods' differences leave on their mean.
const AGREES: f64 = 10.0;
/// Neighbours on either side; below this frequency noise rises too steeply for them to say anything.
const AROUND: usize = 25;
const LOWEST_TONE_HZ: f64 = 30.0;
/// Rounding of 32-bit samples: −170 dBFS.
const LEAST_POWER: f64 = 1e-17;

/// Finding of a take of silence. Noise is given with the hum taken off; the hum is given beside it.
///
/// # Errors
/// As [`prepare`].
pub fn measure(take: &Take, input: usize, context: &Context) -> Result<Measured, AnalysisError> {
    let Prepared { spectra, mut common, .. } = prepare(take, input, context)?;
    if let Some(heard) = take.inputs.get(input) {
        common.flaws.extend(resampled::in_silence(&heard.samples, take.head.captured_rate.hz()));
    }
    let finding = finding(&spectra, common);
    Ok(Measured { finding: Finding::Silence(Box::new(finding)), spectra: None })
}

/// What the lines say.
pub fn finding(s: &Spectra, common: Common) -> SilenceFinding {
    let audio = level::audio_lines(s);
    SilenceFinding {
        noise_z: noise_level(s, audio.clone(), |_| 1.0),
        noise_a: noise_level(s, audio, |f| Weighting::A.power_at(f)),
        bands: BANDS.map(|x| band(s, x)).collect(),
        tones: steady_tones(s),
        common,
    }
}

/// Lines on which the periods agree and which stand far over their neighbours: converter spurs, packets of a bus.
fn steady_tones(s: &Spectra) -> Vec<HumLine> {
    let spacing = s.period.line_spacing_hz();
    let lowest = (LOWEST_TONE_HZ / spacing).ceil() as usize;
    let power: Vec<f64> = s.mean.iter().map(|y| y.norm_sqr()).collect();
    let is_tone = |k: &usize| {
        let agrees = power[*k] > AGREES * s.scatter[*k] / s.periods.max(1) as f64;
        let near = &power[k - AROUND..=k + AROUND];
        agrees && power[*k] > LEAST_POWER && power[*k] > STANDS_OUT * median(near)
    };
    let last = level::audio_lines(s).end.min(power.len().saturating_sub(AROUND));
    (lowest.max(AROUND)..last)
        .filter(is_tone)
        .filter_map(|k| {
            let level = Dbfs::from_rms(power[k].sqrt())?;
            Some(HumLine { frequency_hz: k as f64 * spacing, level, on_line: true })
        })
        .collect()
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

fn band(s: &Spectra, x: i32) -> BandFinding {
    let nothing_played = || Reading::NotDetermined("nothing was played".into());
    let level = noise_level(s, lines_in(x, s.period.line_spacing_hz()), |_| 1.0);
    BandFinding { x, noise: level.map(|l| l.value), level, even: nothing_played(), odd: nothing_played() }
}

/// Mean square over all periods of the lines that pass, dBFS. `None` for digital zero.
fn noise_level(s: &Spectra, span: Range<usize>, weight: impl Fn(f64) -> f64) -> Option<Estimate> {
    let spacing = s.period.line_spacing_hz();
    let lines = span.start..span.end.min(s.mean.len());
    MeanSquare::of(s, lines, |k| weight(k as f64 * spacing)).level_db(FULL_SCALE_MS)
}
