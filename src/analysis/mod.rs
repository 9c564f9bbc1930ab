//! Samples in, numbers out: no file, no clock on the wall, no thread, no calibration. Everything is in full-scale
//! terms, f64, with its 95 % interval; sound pressure and volts are `evaluate.rs`' business.
//!
//! ```text
//! Take → prepare (align, clock, resample, hum, periods) → Spectra → pink | sine | two tones | sweep | bursts → Finding
//!                                                            │
//!                                                            └─ Reference (of the quiet step), for the louder ones
//! ```

pub mod align;
pub mod band;
mod burst;
mod card_distortion;
pub mod clip;
mod clip_curve;
mod clock;
mod continuity;
pub mod correction;
pub mod fft;
pub mod finding;
mod flat_tops;
mod flaw;
mod golden;
pub mod hum;
mod intermodulation;
mod level;
pub mod live;
pub mod marks;
pub mod music;
mod noise;
pub mod overload;
mod pair;
pub mod periods;
pub mod pink;
pub mod played;
pub mod prepare;
mod reference;
pub mod resample;
mod resampled;
mod residue;
pub mod silence;
pub mod sine;
pub mod spectra;
mod sums;
pub mod sweep;
pub mod time_weighting;
pub mod tone;
mod transfer;
pub mod weighting;
pub mod weighting_filter;

pub use clock::{WRONG_RATE_PPM, pool_clock};
pub use correction::Correction;
pub use finding::*;
pub use pair::{Pair, RatioPoint, ratio};
pub use prepare::{AnalysisError, Prepared, prepare, sign_of_loss};
pub use residue::{MOST_TAPS, Residue, residue};
pub use spectra::{Reference, Spectra};
pub use tone::{Beside, Tone};

use crate::signal::Stimulus;
use crate::stats::Estimate;
use crate::take::Take;

/// What the analysis needs to know beside the take.
#[derive(Clone, Copy, Debug)]
pub struct Context<'a> {
    /// Curve of the microphone, dB to add.
    pub correction: &'a Correction,
    /// Clock offset pooled over the takes so far, ppm.
    pub pooled_clock: Option<Estimate>,
    /// Route delay known from other takes, seconds.
    pub route_delay_s: Option<f64>,
    /// The quiet step; without it nothing is referred to the output.
    pub reference: Option<&'a Reference>,
    /// Hum seen in the take of silence.
    pub mains_lines: &'a [HumLine],
    /// Distortion that the capture card itself may add, dB re what it captures, in any figure; `None`: unknown, and then
    /// nothing is allowed for it.
    pub card_distortion_db: Option<f64>,
}

impl<'a> Context<'a> {
    /// Of a take by itself: this curve, and nothing known from other takes.
    pub fn alone(correction: &'a Correction) -> Context<'a> {
        Context {
            correction,
            pooled_clock: None,
            route_delay_s: None,
            reference: None,
            mains_lines: &[],
            card_distortion_db: None,
        }
    }
}

/// A finding, and the lines it came from where a later step may need them.
#[derive(Clone, Debug)]
pub struct Measured {
    /// What is given and stored.
    pub finding: Finding,
    /// Lines of pink and sine takes; `None` for silence.
    pub spectra: Option<Spectra>,
}

/// Measures one input of one take.
///
/// # Errors
/// [`AnalysisError`] where there is nothing to measure; what is measured but doubtful or void is a [`Flaw`] of the
/// finding.
pub fn measure(take: &Take, input: usize, context: &Context) -> Result<Measured, AnalysisError> {
    let mut measured = by_stimulus(take, input, context)?;
    if let Some(card_db) = context.card_distortion_db {
        card_distortion::allow_for(&mut measured.finding, card_db);
    }
    Ok(measured)
}

fn by_stimulus(take: &Take, input: usize, context: &Context) -> Result<Measured, AnalysisError> {
    match &take.head.stimulus {
        Stimulus::Pink(_) => pink::measure(take, input, context),
        Stimulus::Silence { .. } => silence::measure(take, input, context),
        Stimulus::Sine(_) => sine::measure(take, input, context),
        // The lines of shaped noise are those of pink noise.
        Stimulus::Shaped(_) => pink::measure(take, input, context).map(|measured| Measured {
            finding: match measured.finding {
                Finding::Pink(f) => Finding::Shaped(f),
                other => other,
            },
            ..measured
        }),
        Stimulus::TwoTones(pair) => intermodulation::measure(take, input, context, *pair),
        Stimulus::Sweep(sweep) => sweep::measure(take, input, context, *sweep),
        Stimulus::Burst(_) => burst::measure(take, input, context),
        Stimulus::Noise(noise) => noise::measure(take, input, context, noise),
    }
}

#[cfg(test)]
mod tests;
