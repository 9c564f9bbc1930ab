//! What a take of silence yields: noise floor per band and mains hum. Nothing repeats, so every line is noise.

use super::band::{BANDS, lines_in};
use super::finding::{BandFinding, Finding, SilenceFinding};
use super::level::{self, FULL_SCALE_MS};
use super::prepare::{AnalysisError, prepare};
use super::spectra::Spectra;
use super::weighting::Weighting;
use super::{Context, Measured};
use crate::stats::{Estimate, Interval, Reading, chi_squared_quantile};
use crate::take::Take;
use crate::units::db_from_power;
use std::ops::Range;

/// Finding of a take of silence. Noise is told with the hum taken off; the hum is told beside it.
///
/// # Errors
/// As [`prepare`].
pub fn measure(take: &Take, input: usize, context: &Context) -> Result<Measured, AnalysisError> {
    let prepared = prepare(take, input, context)?;
    let s = prepared.spectra;
    let audio = level::audio_lines(&s);
    let finding = SilenceFinding {
        noise_z: noise_level(&s, audio.clone(), |_| 1.0),
        noise_a: noise_level(&s, audio.clone(), |f| Weighting::A.power_at(f)),
        bands: BANDS.map(|x| band(&s, x)).collect(),
        common: prepared.common,
    };
    Ok(Measured { finding: Finding::Silence(Box::new(finding)), spectra: None })
}

fn band(s: &Spectra, x: i32) -> BandFinding {
    let nothing_played = || Reading::NotTold("nothing was played".into());
    let level = noise_level(s, lines_in(x, s.period.line_spacing_hz()), |_| 1.0);
    BandFinding { x, noise: level.map(|l| l.value), level, even: nothing_played(), odd: nothing_played() }
}

/// Mean square over all periods of the lines that pass, dBFS, chi-squared limits with the degrees of freedom that the
/// lines' powers are worth (Satterthwaite). `None` for digital zero.
fn noise_level(s: &Spectra, span: Range<usize>, weight: impl Fn(f64) -> f64) -> Option<Estimate> {
    let spacing = s.period.line_spacing_hz();
    let periods = s.periods.max(1) as f64;
    let (mut sum, mut squares) = (0.0, 0.0);
    for k in span.start..span.end.min(s.mean.len()) {
        // Mean of |Y_p|² over periods: mean line and scatter about it.
        let w = weight(k as f64 * spacing);
        sum += w * (s.mean[k].norm_sqr() + s.variance[k] * (periods - 1.0) / periods);
        squares += (w * s.variance[k]).powi(2) / (1.0 + 2.0 / s.dof[k].max(1.0));
    }
    let value = db_from_power(sum / FULL_SCALE_MS)?;
    let dof = if squares > 0.0 { 2.0 * periods * sum * sum / squares } else { 2.0 * periods };
    let at = |p: f64| db_from_power(sum / FULL_SCALE_MS * dof / chi_squared_quantile(p, dof));
    Some(Estimate { value, interval: Interval { low: at(0.975)?, high: at(0.025)? } })
}
