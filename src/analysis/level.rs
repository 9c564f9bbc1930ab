//! Levels from lines: energy of the stimulus lines with the noise's share taken off, weighted exactly in the frequency
//! domain, with noise and distortion beside it. dBFS: mean square re ½ (AES17).

use super::band::{BANDS, lines_in};
use super::spectra::{Reference, Spectra};
use super::sums::{LineSum, MeanSquare, Power};
use crate::signal::LineKind;
use crate::stats::{Estimate, NORMAL_95};
use crate::units::db_from_power;
use realfft::num_complex::Complex;
use std::ops::{Range, RangeInclusive};

/// Mean square of a full-scale sine.
pub const FULL_SCALE_MS: f64 = 0.5;
/// Lines count for the gain where the stimulus stands this far over the noise of the mean (power).
const OVER_NOISE: f64 = 10.0;
/// Lines over which a power is smoothed before it is held against the noise.
const SMOOTHED: usize = 8;
/// The middle of the band: one-third octaves 500 Hz to 8 kHz.
pub const MIDDLE: RangeInclusive<i32> = -3..=9;
/// A drift is given where the mean of the periods stands over its noise, power.
const DRIFT_OVER_NOISE: f64 = 2.0;
/// Share of the stimulus' played power that must stand over the noise for a gain to be determined.
const LEAST_SHARE: f64 = 0.05;

/// All lines but DC.
pub fn all(s: &Spectra) -> Range<usize> {
    1..s.mean.len()
}

/// Usable lines of one kind within a span.
pub fn usable(s: &Spectra, kind: LineKind, span: Range<usize>) -> impl Iterator<Item = usize> + '_ {
    let span = span.start..span.end.min(s.mean.len());
    s.period.lines.within(span, kind).iter().copied().filter(|k| s.usable[*k])
}

/// Power of the stimulus lines within a span, each multiplied by `weight(f)`.
pub fn stimulus_power(s: &Spectra, span: Range<usize>, weight: impl Fn(f64) -> f64) -> Option<Power> {
    let mut sum = LineSum::new(s.periods);
    for k in usable(s, LineKind::Excited, span) {
        let w = weight(k as f64 * s.period.line_spacing_hz());
        if w > 0.0 {
            sum.add(w * s.mean[k].norm_sqr(), w * s.noise_of_mean(k), s.dof[k]);
        }
    }
    sum.over_noise()
}

/// The same as a level, dBFS; `None` where it is not above the noise.
pub fn stimulus_level(s: &Spectra, span: Range<usize>, weight: impl Fn(f64) -> f64) -> Option<Estimate> {
    stimulus_power(s, span, weight)?.level_db(FULL_SCALE_MS)
}

/// Everything captured in the bands from 20 Hz to 20 kHz, noise and distortion included, dBFS.
pub fn total_level(s: &Spectra) -> Option<f64> {
    let spacing = s.period.line_spacing_hz();
    let span = lines_in(*BANDS.start(), spacing).start..lines_in(*BANDS.end(), spacing).end.min(s.mean.len());
    db_from_power(MeanSquare::of(s, span, |_| 1.0).value() / FULL_SCALE_MS)
}

/// Lines of the one-third octaves from 500 Hz to 8 kHz.
pub fn middle(s: &Spectra) -> Range<usize> {
    let spacing = s.period.line_spacing_hz();
    lines_in(*MIDDLE.start(), spacing).start..lines_in(*MIDDLE.end(), spacing).end.min(s.mean.len())
}

/// Gain of the last period less that of the first on the stimulus lines in the middle of the band, dB: each period is
/// projected on the mean, `a_p = Σ Re(Y_p Ȳ*)/Σ|Ȳ|²`, so that noise hardly counts. `None` where they do not stand over it.
pub fn drift_db(periods: &[Vec<Complex<f64>>], s: &Spectra) -> Option<Estimate> {
    let (first, last) = (periods.first()?, periods.last()?);
    // The curve acts on the mean alone; a gain is the same before it.
    let mean = super::periods::mean_of(periods);
    let (mut powers, mut noise, mut spread) = ([0.0; 2], 0.0, 0.0);
    let mut power = 0.0;
    for k in usable(s, LineKind::Excited, middle(s)) {
        for (sum, period) in powers.iter_mut().zip([first, last]) {
            *sum += (period[k] * mean[k].conj()).re;
        }
        let own = mean[k].norm_sqr();
        power += own;
        noise += s.scatter[k];
        spread += s.scatter[k] * own;
    }
    let over_noise = power * periods.len() as f64 > DRIFT_OVER_NOISE * noise;
    if !over_noise || powers.iter().any(|p| *p <= 0.0) || periods.len() < 2 {
        return None;
    }
    // Half of a line's noise is in phase with it; two periods of it.
    let half_width = NORMAL_95 * 20.0 / std::f64::consts::LN_10 * spread.sqrt() / power;
    Some(Estimate::symmetric(20.0 * (powers[1] / powers[0]).log10(), half_width))
}

/// Lines from 20 Hz to 20 kHz, where noise is summed.
pub fn audio_lines(s: &Spectra) -> Range<usize> {
    audio_range(s.period.line_spacing_hz(), s.mean.len())
}

/// The same for any spectrum of `count` lines.
pub fn audio_range(spacing_hz: f64, count: usize) -> Range<usize> {
    (20.0 / spacing_hz).ceil() as usize..((20_000.0 / spacing_hz).floor() as usize + 1).min(count)
}

/// Noise power between 20 Hz and 20 kHz, mean square.
pub fn noise_power(s: &Spectra) -> f64 {
    audio_lines(s).map(|k| s.scatter[k]).sum()
}

/// Broadband gain, dB, without a reference: power captured over power sent on all stimulus lines. (Lines over the noise
/// alone would show the gain of the loudest part of the response as that of the whole.)
pub fn own_gain_db(s: &Spectra) -> Option<Estimate> {
    let sent: f64 = usable(s, LineKind::Excited, all(s)).map(|k| s.played[k].norm_sqr()).sum();
    stimulus_power(s, all(s), |_| 1.0)?.level_db(sent)
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
    let excited: Vec<usize> = usable(s, LineKind::Excited, all(s)).collect();
    let mut sum = LineSum::new(s.periods);
    let (mut against, mut all) = (0.0, 0.0);
    // Noise and power up to each line: their differences are the sums about it.
    let up_to: Vec<(f64, f64)> = std::iter::once((0.0, 0.0))
        .chain(excited.iter().scan((0.0, 0.0), |(noise, power), k| {
            *noise += s.variance[*k] / s.periods as f64;
            *power += s.mean[*k].norm_sqr();
            Some((*noise, *power))
        }))
        .collect();
    for (i, &k) in excited.iter().enumerate() {
        let (before, after) = (up_to[i.saturating_sub(SMOOTHED)], up_to[(i + SMOOTHED + 1).min(excited.len())]);
        let noise = (after.0 - before.0).max(0.0);
        let power = after.1 - before.1 - noise;
        all += expected(k);
        if power > OVER_NOISE * noise && power > 0.0 {
            against += expected(k);
            sum.add(s.mean[k].norm_sqr(), s.noise_of_mean(k), s.dof[k]);
        }
    }
    if against < LEAST_SHARE * all || against <= 0.0 {
        return None;
    }
    sum.over_noise()?.level_db(against)
}
