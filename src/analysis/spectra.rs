//! What the analyses of one input of one take share: mean lines over the periods, their variance, and the quiet
//! reference they are held against. Lives in memory only; stored sessions rebuild it from their takes.
//!
//! Scale: a line is an **RMS phasor** in units of full scale, `Y(k) = √2/N · Σ y(n) e^(−2πi kn/N)` for 0 < k < N/2, so
//! `|Y|²` is the mean square of that line and a full-scale sine has `|Y|² = ½`.

use crate::signal::Period;
use realfft::num_complex::Complex;
use std::collections::BTreeMap;
use std::sync::Arc;

/// One input of one take, resampled onto the played clock, hum taken out, averaged over whole periods.
#[derive(Clone, Debug)]
pub struct Spectra {
    /// The period that was played, at unit true peak.
    pub period: Arc<Period>,
    /// Gain of the drive: what was sent is `gain × period`.
    pub gain: f64,
    /// Lines of what was sent (gain included).
    pub played: Vec<Complex<f64>>,
    /// Mean lines of what came back, curve correction applied.
    pub mean: Vec<Complex<f64>>,
    /// Variance of *one* period's line (E|Y_p − Ȳ|²), pooled over neighbouring lines. Zero on a digital loop.
    pub variance: Vec<f64>,
    /// The same of each line alone: sums over lines need no pooling, which smears it over the edges of bands.
    pub scatter: Vec<f64>,
    /// Degrees of freedom (real) of each pooled variance.
    pub dof: Vec<f64>,
    /// False for lines left out (a mains harmonic within one spacing, nothing known).
    pub usable: Vec<bool>,
    /// Power (mean square) of mains hum on excited lines, which no averaging takes off.
    pub hum: BTreeMap<usize, f64>,
    /// Periods averaged.
    pub periods: usize,
}

impl Spectra {
    /// Power that noise and inseparable hum leave on the mean line `k`: `σ²/P`, and hum of unknown phase, whose square
    /// adds to the line's own and whose product with it spreads it just as noise does.
    pub fn noise_of_mean(&self, k: usize) -> f64 {
        self.variance[k] / self.periods.max(1) as f64 + self.hum.get(&k).copied().unwrap_or(0.0)
    }
}

/// The quiet step's response, gain and level, per input and seat: what "undistorted" means for the louder steps.
#[derive(Clone, Debug)]
pub struct Reference {
    /// Response captured over played at every line, interpolated where the stimulus has none.
    pub response: Vec<Complex<f64>>,
    /// Variance of that response per line (noise and odd-order distortion of the reference take).
    pub response_variance: Vec<f64>,
    /// Reference stimulus over noise at each line, dB (lines under 10 dB are left out of the clip fit).
    pub over_noise_db: Vec<f64>,
    /// Broadband gain captured over played, dB, on stimulus lines over the noise.
    pub gain_db: f64,
    /// Drive of the reference step, RMS.
    pub drive_rms: f64,
    /// Level of its stimulus lines, mean square in full scale.
    pub level_ms: f64,
}
