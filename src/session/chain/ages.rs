//! Which calibrations of a chain are older than the user's own limits.

use super::Chain;
use crate::calibration::Acoustic;
use crate::card::InputRole;

/// A calibration that is too old, or of which it cannot be told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Aged {
    /// What has aged.
    pub what: AgedPart,
    /// Which one and how old, a sentence.
    pub text: String,
}

/// What can age.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AgedPart {
    /// A calibration offset.
    Offset,
    /// A certificate.
    Certificate,
}

impl Chain {
    /// Calibrations in use that are older than [`Chain::ages`] allows at `now` (RFC 3339).
    pub fn aged(&self, now: &str) -> Vec<Aged> {
        let ears: Vec<InputRole> =
            self.ears().map(|(_, role)| role).filter(|role| self.acoustic.contains_key(role)).collect();
        let offset = |role: &InputRole| {
            let why = self.ages.offset(&self.acoustic(*role)?.taken_at, now)?;
            let text = format!("The calibration offset of the {} {why}.", role.in_words());
            Some(Aged { what: AgedPart::Offset, text })
        };
        let microphone = |role: &InputRole| {
            let microphone = self.microphones.get(role)?;
            let why = microphone.expired(&self.ages, now)?;
            let name = microphone.words("microphone");
            let text = format!("The certificate of the {name} of the {} {why}.", role.in_words());
            Some(Aged { what: AgedPart::Certificate, text })
        };
        let by_calibrator = |role: &InputRole| self.acoustic(*role).is_some_and(Acoustic::is_from_calibrator);
        let calibrator = self.calibrator.as_ref().filter(|_| ears.iter().any(by_calibrator)).and_then(|c| {
            let text =
                format!("The certificate of the {} {}.", c.words("sound calibrator"), c.expired(&self.ages, now)?);
            Some(Aged { what: AgedPart::Certificate, text })
        });
        ears.iter().filter_map(offset).chain(ears.iter().filter_map(microphone)).chain(calibrator).collect()
    }
}
