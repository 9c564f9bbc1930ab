//! Which input an offset belongs to. It holds for one card, channel, rate, gain and curve: when one of them changes it is
//! not used until it is taken again or confirmed.

use super::Chain;
use crate::calibration::OffsetSource;
use crate::card::{CardId, InputRole};
use crate::units::SampleRate;
use serde::{Deserialize, Serialize};

/// Curves that differ by less at the calibrator's frequency leave the offset alone, dB: half of its last shown digit.
const SAME_CURVE_DB: f64 = 0.005;
/// Frequency that an offset from elsewhere is stated at, Hz.
const STATED_HZ: f64 = 1000.0;

/// The input as it was when its offset was taken.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InputSetting {
    /// Card that recorded.
    pub card: CardId,
    /// Its channel, from 0.
    pub channel: u16,
    /// Its rate.
    pub rate: SampleRate,
    /// Gain setting as noted.
    #[serde(default)]
    pub gain: String,
    /// What the correction curves added at the calibrator's frequency, dB.
    #[serde(default)]
    pub curve_db: f64,
}

impl InputSetting {
    /// The same card, channel, rate and gain.
    pub(super) fn same_input(&self, other: &InputSetting) -> bool {
        self.card == other.card
            && self.channel == other.channel
            && self.rate == other.rate
            && self.gain.trim() == other.gain.trim()
    }

    /// What is different now, in words; `None` where nothing that matters is.
    pub(super) fn changed(&self, now: &InputSetting) -> Option<String> {
        let mut changes = Vec::new();
        let mut say = |what: &str, before: String, now: String| changes.push(format!("{what} was {before}, now {now}"));
        if self.card != now.card {
            say("the card", self.card.to_string(), now.card.to_string());
        }
        if self.channel != now.channel {
            say("the channel", (self.channel + 1).to_string(), (now.channel + 1).to_string());
        }
        if self.rate != now.rate {
            say("the rate", self.rate.to_string(), now.rate.to_string());
        }
        if self.gain != now.gain {
            say("the gain", format!("`{}`", self.gain), format!("`{}`", now.gain));
        }
        if (self.curve_db - now.curve_db).abs() > SAME_CURVE_DB {
            let db = |db: f64| format!("{} dB at the calibrator", crate::units::tidy_signed(db, 2));
            say("the correction curve", db(self.curve_db), db(now.curve_db));
        }
        (!changes.is_empty()).then(|| changes.join("; "))
    }
}

/// An offset that does not belong to the input as it is set now.
#[derive(Clone, Debug, PartialEq)]
pub struct ChangedOffset {
    /// Whose.
    pub role: InputRole,
    /// Its value, dB.
    pub offset_db: f64,
    /// What changed, in words.
    pub what: String,
}

impl Chain {
    /// The input of a role as it is set now; `None` where it is not recorded.
    pub fn setting(&self, role: InputRole) -> Option<InputSetting> {
        let channel = self.routing.capture_channels.iter().find(|c| c.role == role)?.channel;
        let at_hz = match self.acoustic.get(&role).map(|a| &a.source) {
            Some(OffsetSource::Calibrator { calibrator, .. }) => calibrator.frequency_hz,
            _ => STATED_HZ,
        };
        Some(InputSetting {
            card: self.routing.capture.clone(),
            channel,
            rate: self.routing.capture_rate,
            gain: self.gain.clone(),
            curve_db: self.correction(role).db_at(at_hz),
        })
    }

    /// Notes that the offsets of these roles belong to the inputs as they are set now.
    pub fn offsets_belong_here(&mut self, roles: impl IntoIterator<Item = InputRole>) {
        for role in roles {
            match self.setting(role).filter(|_| self.acoustic.contains_key(&role)) {
                Some(setting) => self.taken_on.insert(role, setting),
                None => self.taken_on.remove(&role),
            };
        }
    }

    /// A chain of the first version does not say what its offsets were taken on: on what it names.
    pub(in crate::session) fn complete_settings(&mut self) {
        let unknown = self.acoustic.keys().filter(|role| !self.taken_on.contains_key(role));
        let unknown: Vec<InputRole> = unknown.copied().collect();
        self.offsets_belong_here(unknown);
    }

    /// Offsets that do not belong to the inputs as they are set now. They must not be used.
    pub fn changed_offsets(&self) -> Vec<ChangedOffset> {
        let changed = |(role, acoustic): (&InputRole, &crate::calibration::Acoustic)| {
            let what = match (self.taken_on.get(role), self.setting(*role)) {
                (None, _) => return None,
                (Some(then), Some(now)) => then.changed(&now)?,
                (Some(_), None) => "this ear is no longer recorded".into(),
            };
            Some(ChangedOffset { role: *role, offset_db: acoustic.offset.value, what })
        };
        self.acoustic.iter().filter_map(changed).collect()
    }

    /// Takes them out of the chain, and tells which they were.
    pub fn drop_changed_offsets(&mut self) -> Vec<ChangedOffset> {
        let changed = self.changed_offsets();
        for offset in &changed {
            self.acoustic.remove(&offset.role);
            self.taken_on.remove(&offset.role);
        }
        changed
    }
}
