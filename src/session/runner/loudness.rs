//! How loud will another sound than the stepped noise be? At one drive a sine on a resonance is far louder than noise, so each
//! sound is held under the ceiling by its own level, predicted through the response of the quiet reference.
//!
//! ```text
//! gain = 10 lg (largest mean square over 100 ms of the period through |H| + 2σ(H)) − 10 lg (mean square of the period)
//! ```
//!
//! The response's phase is left out: it moves energy in time by less than the 100 ms.

use super::super::climb::{Climb, spl_ceiling};
use super::known::Known;
use crate::analysis::{Reference, fft};
use crate::signal::{DriveCeiling, Period, Stimulus};
use crate::units::{Dbfs, db_from_power};
use std::collections::BTreeMap;

/// A sound is as loud as its loudest stretch of this length, seconds: what the guard listens to, half of the 0.2 s that are allowed.
const STRETCH_S: f64 = 0.1;
/// Standard deviations of the response that are added to it.
const SIGMAS: f64 = 2.0;

/// Loudest stretch of this period as captured over its mean level as played, dB, at every ear whose reference is known.
pub(super) fn gains_db(climb: &Climb, known: &Known, period: &Period) -> BTreeMap<usize, f64> {
    let gain = |(input, _)| {
        let reference = known.references.get(&input)?;
        Some((input, gain_db(reference, climb.period.line_spacing_hz(), period)?))
    };
    climb.chain.ears().filter_map(gain).collect()
}

/// Highest drive at which a sound of these gains stays under the ceiling at every calibrated ear; `None` where no ear is
/// calibrated.
pub(super) fn ceiling(climb: &Climb, stimulus: &Stimulus, gains_db: &BTreeMap<usize, f64>) -> Option<DriveCeiling> {
    let chain = climb.chain;
    let most = spl_ceiling(climb.plan, chain);
    let highest = |(input, role)| {
        let offset = chain.acoustic(role)?.offset;
        Some(most.db() - offset.value - offset.half_width() - gains_db.get(&input)?)
    };
    let rms = Dbfs(chain.ears().filter_map(highest).reduce(f64::min)?);
    Some(DriveCeiling { rms, because: format!("{most} of {stimulus} at the {}", chain.point()) })
}

/// The same at one ear.
fn gain_db(reference: &Reference, spacing_hz: f64, period: &Period) -> Option<f64> {
    let last = reference.response.len().checked_sub(1)?;
    let response = |f_hz: f64| {
        let near = ((f_hz / spacing_hz).round() as usize).min(last);
        // A line of a coarser period may lie between two of the reference's: the larger of its neighbours counts.
        let around = near.saturating_sub(1)..=(near + 1).min(last);
        around.map(|k| reference.response[k].norm() + SIGMAS * reference.response_variance[k].max(0.0).sqrt())
    };
    let mut lines = fft::lines_of(&period.samples);
    for (k, line) in lines.iter_mut().enumerate() {
        *line *= response(k as f64 * period.line_spacing_hz()).fold(0.0, f64::max);
    }
    let heard = fft::samples_of(&lines, period.samples.len());
    db_from_power(loudest(&heard, period.rate.frames_in(STRETCH_S)) / period.rms.powi(2))
}

/// Largest mean square of any stretch of a repeating period.
fn loudest(samples: &[f64], stretch: usize) -> f64 {
    let (count, stretch) = (samples.len(), stretch.clamp(1, samples.len().max(1)));
    let power = |n: usize| samples[n % count].powi(2);
    let mut sum: f64 = (0..stretch.min(count)).map(power).sum();
    let mut most = sum;
    for n in 0..count {
        sum += power(n + stretch) - power(n);
        most = most.max(sum);
    }
    most / stretch as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Reference;
    use crate::units::SampleRate;
    use realfft::num_complex::Complex;

    const RATE: SampleRate = SampleRate::DEFAULT;

    /// A response of one that is ten times as large from 2 to 4 kHz.
    fn resonant(noise: &Period) -> Reference {
        let spacing = noise.line_spacing_hz();
        let height = |k: usize| if (2_000.0..4_000.0).contains(&(k as f64 * spacing)) { 10.0 } else { 1.0 };
        let response: Vec<_> = (0..=noise.samples.len() / 2).map(|k| Complex::new(height(k), 0.0)).collect();
        let count = response.len();
        Reference {
            response,
            response_variance: vec![0.0; count],
            over_noise_db: vec![60.0; count],
            gain_db: 0.0,
            drive_rms: 0.01,
            level_ms: 1e-4,
        }
    }

    /// Closed form: a steady sine is as loud as the response at its frequency makes it.
    #[test]
    fn a_sine_is_as_loud_as_the_response_at_its_frequency() {
        let noise = Stimulus::pink(RATE).period(RATE);
        for (hz, db) in [(3_000.0, 20.0), (500.0, 0.0)] {
            let gain = gain_db(&resonant(&noise), noise.line_spacing_hz(), &Stimulus::sine(hz).period(RATE)).unwrap();
            assert!((gain - db).abs() < 0.02, "{hz} Hz: {gain}");
        }
    }

    /// A sweep is as loud as the resonance it passes, longer than a stretch.
    #[test]
    fn a_sweep_is_as_loud_as_its_loudest_stretch() {
        let noise = Stimulus::pink(RATE).period(RATE);
        let period = Stimulus::Sweep(crate::signal::Sweep::STANDARD).period(RATE);
        let flat = period.samples.iter().map(|x| x * x).fold(0.0, f64::max) / 2.0 / period.rms.powi(2);
        let gain = gain_db(&resonant(&noise), noise.line_spacing_hz(), &period).unwrap();
        assert!((gain - 20.0 - 10.0 * flat.log10()).abs() < 0.5, "{gain}, flat {flat}");
    }
}
