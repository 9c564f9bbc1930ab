//! Instruments with a serial number and a certificate.

use crate::calibration::AgeLimits;
use serde::{Deserialize, Serialize};

/// Where the sound calibrator is fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fitted {
    /// On the bare capsule of the microphone.
    BareCapsule,
    /// On an adapter, whose volume corrects the calibrator's level.
    Adapter,
    /// At the entrance of the coupler.
    CouplerEntrance,
}

impl Fitted {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Fitted::BareCapsule => "on the bare capsule",
            Fitted::Adapter => "on an adapter",
            Fitted::CouplerEntrance => "at the coupler's entrance",
        }
    }
}

/// A microphone or a sound calibrator.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Instrument {
    /// What it is, in words.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// Serial number.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub serial: String,
    /// Date of its certificate, `2025-06-30`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
}

impl Instrument {
    /// Name and serial number; `otherwise` where neither is noted.
    pub fn words(&self, otherwise: &str) -> String {
        match (self.name.as_str(), self.serial.as_str()) {
            ("", "") => otherwise.into(),
            (name, "") => name.into(),
            ("", serial) => format!("{otherwise} {serial}"),
            (name, serial) => format!("{name} {serial}"),
        }
    }

    /// Why its certificate is doubtful at `now`, where it is.
    pub fn expired(&self, limits: &AgeLimits, now: &str) -> Option<String> {
        limits.certificate(self.certificate.as_deref()?, now)
    }
}
