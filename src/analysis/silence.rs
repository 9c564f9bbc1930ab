//! What a take of silence yields: noise floor per band and mains hum. Nothing repeats, so every line is noise.

use super::band::{BANDS, lines_in};
use super::finding::{BandFinding, Common, Finding, SilenceFinding};
use super::level::{self, FULL_SCALE_MS};
use super::prepare::{AnalysisError, Prepared, prepare};
use super::spectra::Spectra;
use super::sums::MeanSquare;
use super::weighting::Weighting;
use super::{Context, Measured, resampled};
use crate::stats::{Estimate, Reading};
use crate::take::Take;
use std::ops::Range;

/// Finding of a take of silence. Noise is told with the hum taken off; the hum is told beside it.
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
        common,
    }
}

fn band(s: &Spectra, x: i32) -> BandFinding {
    let nothing_played = || Reading::NotTold("nothing was played".into());
    let level = noise_level(s, lines_in(x, s.period.line_spacing_hz()), |_| 1.0);
    BandFinding { x, noise: level.map(|l| l.value), level, even: nothing_played(), odd: nothing_played() }
}

/// Mean square over all periods of the lines that pass, dBFS. `None` for digital zero.
fn noise_level(s: &Spectra, span: Range<usize>, weight: impl Fn(f64) -> f64) -> Option<Estimate> {
    let spacing = s.period.line_spacing_hz();
    let lines = span.start..span.end.min(s.mean.len());
    MeanSquare::of(s, lines, |k| weight(k as f64 * spacing)).level_db(FULL_SCALE_MS)
}
