//! Does the output clip, and where? Seen through whatever headphone and microphone stand behind it.
//!
//! ```text
//!   played u ──► output: limit at +c₊ / −c₋ ──► headphone, coupler, microphone H ──► captured Y
//!
//!   clipping adds  r = clip(u) − u  to what was sent, so on lines where nothing was sent the capture holds
//!   Y(k) = H(k)·R(k; c₊, c₋) + the headphone's own distortion + noise
//! ```
//!
//! Only even and detection lines above 500 Hz are looked at: below that a headphone's own distortion is strongest. H is
//! the response of the quiet reference. Lines are weighted by the variance that noise, the reference and whatever else
//! stays on them leave, so that neither a noisy band nor the headphone's distortion leads the fit.
//!
//! Three questions: `evidence` (is there a bend of this very period's shape at all?), `level` with `fit` and `bends` (which pair of
//! limits fits best, on samples or on the waveform, hard or soft?) and `clip_curve.rs` (what does it look like?).
//! Formulas: weighted linear and Gauss–Newton least squares on complex lines (closed form, no further source).

mod bends;
mod clearing;
mod evidence;
mod fit;
mod level;
mod limiter;
mod listening;
mod memory;
mod parity;
mod products;
mod smooth;
mod templates;

#[cfg(test)]
mod tests;
#[cfg(test)]
pub(crate) mod trial;

use crate::analysis::clip_curve;
use crate::analysis::{ClipFinding, Reference, Spectra};
use listening::Listening;

/// Judges one take of periodic pink noise against the quiet reference of its seat.
///
/// Levels are peaks in dB re full scale of the *played* samples. No evidence: no level, and no reason is missing. `None` where too
/// few lines stand over the noise to show a limit: nothing seen is then no evidence of nothing.
pub fn judge(spectra: &Spectra, reference: &Reference) -> Option<ClipFinding> {
    let mut listening = Listening::new(spectra, reference);
    if listening.is_too_small() {
        return None;
    }
    let threshold = evidence::threshold(spectra.periods);
    let curve = clip_curve::curve(spectra, reference);
    let seen = evidence::look(&listening, (spectra, reference));
    let mut finding =
        ClipFinding { evidence: seen.evidence, threshold, level: None, level_not_determined: None, curve };
    if finding.is_evident() {
        match level::fit(&mut listening, (spectra, reference), seen) {
            Ok(level) => finding.level = Some(level),
            Err(why) => finding.level_not_determined = Some(why),
        }
    }
    Some(finding)
}
