//! What one take of bursts yields: how loud the loud part came back against the quiet part, and how much less that is
//! than what was played (through the quiet reference's response, where there is one: a resonance rings up within the
//! 20 ms as well).
//!
//! Levels are those of the 1 kHz component over whole cycles: 16 ms inside the loud part, 200 ms of the quiet part, on
//! the mean of all periods. Their limits follow from the noise on the lines beside the tone.

use super::finding::{BurstFinding, Finding};
use super::level::{self, FULL_SCALE_MS};
use super::prepare::{AnalysisError, prepare};
use super::spectra::{Reference, Spectra};
use super::{Context, Measured, fft};
use crate::signal::Burst;
use crate::signal::burst::{BURST_HZ, EDGE_S, LOUD_S};
use crate::stats::{Estimate, NORMAL_95};
use crate::take::Take;
use crate::units::{PeakDb, db_from_power};
use realfft::num_complex::Complex;
use std::f64::consts::TAU;

/// Part of the loud part that is read, seconds: its edges left out.
const LOUD_READ_S: f64 = LOUD_S - 2.0 * EDGE_S;
/// The quiet part is read from this long after the middle of the loud part, seconds, …
const QUIET_AFTER_S: f64 = 0.15;
/// … for this long.
const QUIET_READ_S: f64 = 0.2;
/// dB for a relative change of amplitude.
const DB_PER_NEPER: f64 = 20.0 / std::f64::consts::LN_10;
/// Nothing is given of a part whose power is not this many times its own noise.
const OVER_NOISE: f64 = 10.0;

/// Finding of a take of bursts.
///
/// # Errors
/// As [`prepare`].
pub fn measure(take: &Take, input: usize, context: &Context) -> Result<Measured, AnalysisError> {
    let prepared = prepare(take, input, context)?;
    let s = prepared.spectra;
    let captured = Parts::of(&s, &s.mean);
    let expected: Vec<Complex<f64>> = match context.reference {
        Some(r) => s.played.iter().enumerate().map(|(k, u)| u * response_at(r, k, s.played.len())).collect(),
        None => s.played.clone(),
    };
    let (sent, played) = (Parts::of(&s, &expected), Parts::of(&s, &s.played));
    let (loud, quiet) = (captured.loud_level(&s), captured.quiet_level(&s));
    let compression_db = loud.zip(quiet).map(|(loud, quiet)| {
        let half = loud
            .half_width()
            .hypot(quiet.half_width())
            .hypot(context.reference.map_or(0.0, |r| spread_db(r, &s, &sent)));
        Estimate::symmetric(sent.step_db() - (loud.value - quiet.value), half)
    });
    let peak = fft::samples_of(&s.mean, 8 * s.period.samples.len()).iter().fold(0.0f64, |m, x| m.max(x.abs()));
    let finding = BurstFinding {
        level: level::stimulus_level(&s, level::all(&s), |_| 1.0),
        loud,
        quiet,
        played_step_db: played.step_db(),
        compression_db,
        peak: PeakDb::from_amplitude(peak).filter(|_| loud.is_some()),
        common: prepared.common,
    };
    Ok(Measured { finding: Finding::Burst(Box::new(finding)), spectra: None })
}

/// 95 % half width that the reference's noise leaves in the expected step between both parts, dB: an error of the response
/// smears the loud part over the whole period, and so into the quiet one.
fn spread_db(reference: &Reference, s: &Spectra, sent: &Parts) -> f64 {
    let frames = s.period.samples.len();
    let line = Burst::line(s.period.rate, frames);
    let last = (reference.response.len() - 1) as f64 / (s.played.len() - 1) as f64;
    let [_, count] = sent.frames_read;
    let near = (frames / count).max(1);
    let around = line.saturating_sub(near)..=(line + near).min(s.played.len() - 1);
    let lines = around.clone().count() as f64;
    let smeared =
        around.map(|k| s.played[k].norm_sqr() * reference.response_variance[(k as f64 * last).round() as usize]);
    half_width_db(smeared.sum::<f64>() / lines * frames as f64 / count as f64, sent.quiet)
}

/// The reference's response at line `k` of `count`; its own lines stand at another distance.
fn response_at(r: &Reference, k: usize, count: usize) -> Complex<f64> {
    let last = r.response.len() - 1;
    let position = k as f64 / (count - 1) as f64 * last as f64;
    let left = (position as usize).min(last);
    let right = (left + 1).min(last);
    let share = position - left as f64;
    r.response[left] * (1.0 - share) + r.response[right] * share
}

/// Mean square of the tone in both parts.
struct Parts {
    loud: f64,
    quiet: f64,
    frames_read: [usize; 2],
}

impl Parts {
    fn of(s: &Spectra, lines: &[Complex<f64>]) -> Parts {
        let (frames, hz) = (s.period.samples.len(), s.period.rate.hz());
        let samples = fft::samples_of(lines, frames);
        let line = Burst::line(s.period.rate, frames);
        // Running sums of the demodulated signal: any span's phasor is a difference of two.
        let mut running = vec![Complex::new(0.0, 0.0)];
        let mut sum = Complex::new(0.0, 0.0);
        for n in 0..2 * frames {
            let turn = (n * line % frames) as f64 / frames as f64;
            sum += Complex::from_polar(samples[n % frames], -TAU * turn);
            running.push(sum);
        }
        let cycles = |seconds: f64| ((seconds * BURST_HZ).round() / BURST_HZ * hz).round() as usize;
        let frames_read = [cycles(LOUD_READ_S), cycles(QUIET_READ_S)];
        let power = |from: usize, count: usize| {
            ((running[from + count] - running[from]) * (std::f64::consts::SQRT_2 / count as f64)).norm_sqr()
        };
        let (at, loud) = (0..frames)
            .map(|n| (n, power(n, frames_read[0])))
            .fold((0, 0.0), |best, now| if now.1 > best.1 { now } else { best });
        let quiet_from = (at + frames_read[0] / 2 + (QUIET_AFTER_S * hz) as usize) % frames;
        Parts { loud, quiet: power(quiet_from, frames_read[1]), frames_read }
    }

    fn step_db(&self) -> f64 {
        db_from_power(self.loud / self.quiet).unwrap_or(0.0)
    }

    fn loud_level(&self, s: &Spectra) -> Option<Estimate> {
        stated(s, self.loud, self.frames_read[0])
    }

    fn quiet_level(&self, s: &Spectra) -> Option<Estimate> {
        stated(s, self.quiet, self.frames_read[1])
    }
}

/// Level of a phasor read over `count` frames of the mean period.
fn stated(s: &Spectra, power: f64, count: usize) -> Option<Estimate> {
    let frames = s.period.samples.len();
    let line = Burst::line(s.period.rate, frames);
    // A shorter span sees the noise of as many lines more.
    let noise = s.variance[line] / s.periods as f64 * frames as f64 / count as f64;
    let half = half_width_db(noise, power);
    let level = db_from_power(power / FULL_SCALE_MS)?;
    (power > OVER_NOISE * noise).then(|| Estimate::symmetric(level, half.max(1e-3)))
}

/// 95 % half width of the level of a phasor of this power in noise of that mean square, dB.
fn half_width_db(noise: f64, power: f64) -> f64 {
    NORMAL_95 * DB_PER_NEPER * (0.5 * noise / power).sqrt()
}
