//! The quiet step as the measure of the louder ones.

use super::level;
use super::spectra::{Reference, Spectra};
use super::transfer;
use crate::signal::LineKind;
use crate::units::{Dbfs, db_from_power};
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;

/// Lines on either side over which the ratio to the noise is smoothed.
const SMOOTHED: usize = 8;
/// Ratio stated where there is no noise at all, dB.
const NOISELESS_DB: f64 = 200.0;

impl Reference {
    /// Of the spectra of a quiet, clean step. Where nothing was excited the response is zero and every line is under
    /// the noise.
    pub fn from_spectra(s: &Spectra) -> Reference {
        let (response, response_variance) =
            transfer::at_all_lines(s).unwrap_or_else(|| (vec![Complex::zero(); s.mean.len()], vec![0.0; s.mean.len()]));
        Reference {
            over_noise_db: over_noise(s),
            response,
            response_variance,
            gain_db: level::own_gain_db(s).map_or(0.0, |g| g.value),
            drive_rms: (s.gain * s.period.rms).max(0.0),
            level_ms: level::stimulus_power(s, level::all(s), |_| 1.0).map_or(0.0, |p| p.value.max(0.0)),
        }
    }

    /// Drive of the reference step as a level; `None` for silence.
    pub fn drive(&self) -> Option<Dbfs> {
        Dbfs::from_rms(self.drive_rms)
    }
}

/// Power of the stimulus over that of one period's noise at every line, smoothed over neighbouring excited lines; lines
/// outside the excited range take their nearest neighbour's.
fn over_noise(s: &Spectra) -> Vec<f64> {
    let excited: Vec<usize> = s.period.lines.of(LineKind::Excited).filter(|k| s.usable[*k]).collect();
    let ratio = |i: usize| {
        let near = &excited[i.saturating_sub(SMOOTHED)..(i + SMOOTHED + 1).min(excited.len())];
        let noise: f64 = near.iter().map(|k| s.variance[*k]).sum();
        let power: f64 = near.iter().map(|k| s.mean[*k].norm_sqr() - s.variance[*k] / s.periods as f64).sum();
        if noise > 0.0 {
            db_from_power(power / noise).unwrap_or(-NOISELESS_DB).clamp(-NOISELESS_DB, NOISELESS_DB)
        } else {
            NOISELESS_DB
        }
    };
    let ratios: Vec<f64> = (0..excited.len()).map(ratio).collect();
    (0..s.mean.len())
        .map(|k| {
            let after = excited.partition_point(|e| *e < k).min(excited.len().saturating_sub(1));
            ratios.get(after).copied().unwrap_or(-NOISELESS_DB)
        })
        .collect()
}
