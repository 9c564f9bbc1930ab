//! The front end of every analysis: from the samples of one input to lines on the played clock.
//!
//! ```text
//! samples → align → clock → resample → continuity → hum → clean periods → mean, variance → curve → common time base
//! ```

mod doubts;
mod played_clock;
mod setup;

use super::finding::{Common, Flaw, Window};
use super::spectra::Spectra;
use super::{Context, hum, level, overload, periods};
use crate::signal::LineKind;
use crate::stats::Estimate;
use crate::take::Take;
use crate::units::PeakDb;
pub use doubts::sign_of_loss;
use doubts::{keep_clean, onset_not_seen};
use realfft::num_complex::Complex;

pub use setup::{Placed, Setup};

/// Why nothing could be measured at all. (What was measured but is doubtful or void is a [`Flaw`].)
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AnalysisError {
    /// The take has no such input.
    #[error("this take has no input {0}")]
    NoSuchInput(usize),
    /// Not enough samples.
    #[error("the capture holds {have} samples but {need} are needed for two periods; record it again")]
    TooShort {
        /// Captured samples.
        have: usize,
        /// Samples needed.
        need: usize,
    },
    /// A sample is infinite or not a number.
    #[error("captured sample {0} is not a number; the file or the driver is faulty")]
    NotFinite(usize),
    /// No analysis for this stimulus.
    #[error("a take of this stimulus ({0}) cannot be analysed")]
    NoMethod(&'static str),
}

/// What pink and sine analyses start from.
#[derive(Clone, Debug)]
pub struct Prepared {
    /// Lines on the played clock, curve applied, time base common with the reference where there is one.
    pub spectra: Spectra,
    /// Window, clock, peak, hum, overload and the flaws found meanwhile.
    pub common: Common,
    /// Gain of the last clean period less that of the first in the middle of the band, dB.
    pub drift_db: Option<Estimate>,
}

/// An offset under this share of the RMS of what moves changes nothing (−20 dB) …
const DC_SHARE: f64 = 0.1;
/// … what is constant is the same in so many stretches of a take within a fifth …
const DC_STRETCHES: usize = 8;
const DC_STANDS: f64 = 5.0;
/// … and over this of full scale is named (−60 dB).
const DC_NAMED: f64 = 1e-3;

/// Takes off a constant offset where it is large: beside a quiet sound it would swamp every comparison of periods.
fn take_off_dc(captured: &mut [f64]) -> Option<Flaw> {
    let count = captured.len().max(1) as f64;
    let mean = captured.iter().sum::<f64>() / count;
    let moving = captured.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / count;
    // Noise under 20 Hz has a mean, too, but another one in each stretch.
    let stretches = captured.chunks(captured.len().div_ceil(DC_STRETCHES).max(1));
    let wanders = stretches.map(|s| (s.iter().sum::<f64>() / s.len() as f64 - mean).abs()).fold(0.0, f64::max);
    if mean.powi(2) <= DC_SHARE.powi(2) * moving || mean.abs() <= DC_STANDS * wanders {
        return None;
    }
    captured.iter_mut().for_each(|x| *x -= mean);
    (mean.abs() > DC_NAMED).then(|| {
        Flaw::note(
            "dc",
            format!(
                "The input carries a constant offset (DC) of {:.2} % of full scale. It is left out of every figure, but reduces the headroom of the peaks by as much. Look for a plug-in or a preamplifier that adds it; at a direct-coupled output, measure with a voltmeter before anything is plugged in.",
                100.0 * mean
            ),
        )
    })
}

/// Brings one input of a take onto the played clock and averages it.
///
/// # Errors
/// [`AnalysisError`] where there is nothing to analyse.
pub fn prepare(take: &Take, input: usize, context: &Context) -> Result<Prepared, AnalysisError> {
    let raw = &take.inputs.get(input).ok_or(AnalysisError::NoSuchInput(input))?.samples;
    if let Some(bad) = raw.iter().position(|x| !x.is_finite()) {
        return Err(AnalysisError::NotFinite(bad));
    }
    let mut captured: Vec<f64> = raw.iter().map(|x| f64::from(*x)).collect();
    let dc = take_off_dc(&mut captured);
    let setup = Setup::new(take, &captured);
    let found = setup.find(context.mains_lines);
    let placed = setup.place(context, found.as_ref())?;
    let mut flaws: Vec<Flaw> = dc.into_iter().collect();
    let muted = !setup.silent && setup.is_muted(&placed);
    if muted {
        flaws.push(Flaw::void(
            "zero-input",
            "The input was exactly zero while the stimulus played, so nothing was measured. It is muted, or the program may not record.",
        ));
    }
    let (mut periods, clock) = setup.on_played_clock(context, found.as_ref(), &placed);
    flaws.extend((!muted && placed.blind && found.is_some()).then(onset_not_seen));
    // Hum beside a sine or two turns its phase as lost samples would, so it goes first; beside many lines it cannot, unless it
    // is as loud as they are.
    let mean_square = captured.iter().map(|x| x * x).sum::<f64>() / captured.len().max(1) as f64;
    let many = setup.excited.len() > 2 && !hum::matters(context.mains_lines, mean_square);
    if many && !muted {
        flaws.extend(setup.broken(&periods, found.as_ref(), &placed, &clock));
    }
    let hidden = hum::dominates(context.mains_lines, mean_square);
    let mut hums = hum::remove(&mut periods, setup.played_hz, !setup.silent);
    if !many && !muted && !hidden {
        flaws.extend(setup.broken(&periods, found.as_ref(), &placed, &clock));
    }
    let clean = periods::clean_periods(periods.samples(), setup.frames, setup.played.odd);
    let too_few = clean.iter().filter(|c| **c).count() < 2 && !setup.silent;
    let moves_db = too_few.then(|| periods::gain_moves_db(periods.samples(), setup.frames)).flatten();
    let kept = keep_clean(&mut flaws, &clean, setup.silent, moves_db);
    let lines: Vec<Vec<Complex<f64>>> =
        periods.into_lines().into_iter().zip(&kept).filter(|(_, keep)| **keep).map(|(lines, _)| lines).collect();
    let mut spectra = setup.spectra(context, &lines);
    let drift_db = level::drift_db(&lines, &spectra);
    setup.settle_time_base(&mut spectra, context.reference, found.as_ref(), &placed, clock.used_ppm);
    setup.judge_hum(&mut spectra, &mut hums, context.mains_lines, &mut flaws);
    let spacing = setup.played_hz / setup.frames as f64;
    let stimulus = level::usable(&spectra, LineKind::Excited, level::all(&spectra));
    flaws.extend(context.correction.outside(stimulus.map(|k| (k as f64 * spacing, spectra.mean[k].norm_sqr()))));
    let peak = setup.peak(&placed);
    // A take void for its disturbances has used none of the disturbed periods, whatever its numbers were made of.
    let used = if setup.silent { lines.len() } else { clean.iter().filter(|c| **c).count() };
    let window = Window {
        start_frame: placed.start * setup.ratio,
        periods: used,
        left_out: kept.len() - used,
        delay_s: placed.delay_s,
    };
    let common = Common {
        window,
        clock,
        peak: PeakDb::from_amplitude(peak),
        hum: hums,
        overload: overload::overload(raw),
        flaws,
    };
    Ok(Prepared { spectra, common, drift_db })
}
