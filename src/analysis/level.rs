//! Levels from lines: energy of the stimulus lines with the noise's share taken off, weighted exactly in the frequency
//! domain, with noise and distortion beside it. dBFS: mean square re ½ (AES17).

use super::spectra::{Reference, Spectra};
use super::sums::{LineSum, Power};
use super::transfer;
use crate::signal::LineKind;
use crate::stats::Estimate;
use crate::units::db_from_power;

/// Mean square of a full-scale sine.
pub const FULL_SCALE_MS: f64 = 0.5;
/// Lines count for the gain where the stimulus stands this far over the noise of the mean (power).
const OVER_NOISE: f64 = 10.0;
/// Lines over which a power is smoothed before it is held against the noise.
const SMOOTHED: usize = 8;
/// Share of the stimulus' played power that must stand over the noise for a gain to be told.
const LEAST_SHARE: f64 = 0.05;
/// Noise is summed from here to here, Hz.
pub const AUDIO_HZ: std::ops::RangeInclusive<f64> = 20.0..=20_000.0;

/// Power of the stimulus lines, each multiplied by `weight(f)`.
pub fn stimulus_power(s: &Spectra, weight: impl Fn(f64) -> f64) -> Option<Power> {
    let mut sum = LineSum::new(s.periods);
    for k in s.period.lines.of(LineKind::Excited).filter(|k| s.usable[*k]) {
        let w = weight(k as f64 * s.period.line_spacing_hz());
        if w > 0.0 {
            sum.add(w * s.mean[k].norm_sqr(), w * s.variance[k] / s.periods as f64, s.dof[k]);
        }
    }
    sum.over_noise()
}

/// The same as a level, dBFS; `None` where it does not stand over the noise.
pub fn stimulus_level(s: &Spectra, weight: impl Fn(f64) -> f64) -> Option<Estimate> {
    stimulus_power(s, weight)?.level_db(FULL_SCALE_MS)
}

/// Everything captured in the bands from 20 Hz to 20 kHz, noise and distortion included, dBFS.
pub fn total_level(s: &Spectra) -> Option<f64> {
    let lowest = super::band::lower_edge_hz(*super::band::BANDS.start());
    let span = lowest..transfer::highest_hz();
    let mean_share = (s.periods.max(1) - 1) as f64 / s.periods.max(1) as f64;
    let sum: f64 =
        lines_within(s, |f| span.contains(&f)).map(|k| s.mean[k].norm_sqr() + mean_share * s.variance[k]).sum();
    db_from_power(sum / FULL_SCALE_MS)
}

/// Noise power between 20 Hz and 20 kHz, mean square.
pub fn noise_power(s: &Spectra) -> f64 {
    lines_within(s, |f| AUDIO_HZ.contains(&f)).map(|k| s.variance[k]).sum()
}

/// Lines whose frequency passes, unusable ones included.
pub fn lines_within<'a>(s: &'a Spectra, inside: impl Fn(f64) -> bool + 'a) -> impl Iterator<Item = usize> + 'a {
    let spacing = s.period.line_spacing_hz();
    (1..s.mean.len()).filter(move |k| inside(*k as f64 * spacing))
}

/// Broadband gain on lines over the noise, dB: own, without a reference.
pub fn own_gain_db(s: &Spectra) -> Option<Estimate> {
    gain_on(s, |k| s.played[k].norm_sqr())
}

/// Broadband gain, dB. With a reference: the reference's gain and the change against it on lines that stand over the
/// noise *now*, so that lines lost in noise do not shift it.
pub fn gain_db(s: &Spectra, reference: Option<&Reference>) -> Option<Estimate> {
    match reference.filter(|r| r.response.len() == s.mean.len()) {
        Some(r) => gain_change_db(s, r).map(|change| change.shifted(r.gain_db)),
        None => own_gain_db(s),
    }
}

/// Change of gain against the reference, dB: power captured over power expected from the reference's response.
pub fn gain_change_db(s: &Spectra, r: &Reference) -> Option<Estimate> {
    gain_on(s, |k| (s.played[k] * r.response[k]).norm_sqr())
}

fn gain_on(s: &Spectra, expected: impl Fn(usize) -> f64) -> Option<Estimate> {
    let excited: Vec<usize> = s.period.lines.of(LineKind::Excited).filter(|k| s.usable[*k]).collect();
    let mut sum = LineSum::new(s.periods);
    let (mut against, mut all) = (0.0, 0.0);
    for (i, &k) in excited.iter().enumerate() {
        let near = &excited[i.saturating_sub(SMOOTHED)..(i + SMOOTHED + 1).min(excited.len())];
        let noise: f64 = near.iter().map(|k| s.variance[*k] / s.periods as f64).sum();
        let power: f64 = near.iter().map(|k| s.mean[*k].norm_sqr()).sum::<f64>() - noise;
        all += expected(k);
        if power > OVER_NOISE * noise && power > 0.0 {
            against += expected(k);
            sum.add(s.mean[k].norm_sqr(), s.variance[k] / s.periods as f64, s.dof[k]);
        }
    }
    if against < LEAST_SHARE * all || against <= 0.0 {
        return None;
    }
    sum.over_noise()?.level_db(against)
}
