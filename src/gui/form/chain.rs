//! The chain of page Chain: cards, names, volts and impedances, and which offsets belong to its inputs.

use super::{Form, Messages, keep, sentence};
use crate::asked::{Field, Read, Wrong, chain};
use crate::calibration::Acoustic;
use crate::card::{CaptureChannel, CardDescription, CardId, Direction, InputRole, SimulatedDevices, known_name};
use crate::session::chain::{Chain, ChainCeilings, ElectricalPart};
use crate::units::{DbSpl, Dbfs};
use std::collections::BTreeMap;

/// Takes out what was taken on another output, headphone or input, and says so; and which ceilings cannot act.
pub(super) fn electrical_not_used(chain: &mut Chain) -> Vec<String> {
    let dropped = chain.drop_changed_electrical();
    let words =
        dropped.iter().map(|one| sentence(&format!("{} ({}) is not used: {}", one.part.words(), one.stated, one.what)));
    let words: Vec<String> = words.collect();
    words.into_iter().chain(chain.idle_ceilings(&ChainCeilings::default())).collect()
}

impl Form {
    /// An offset belongs to one input as it was set: on another it would turn into a wrong number. It stays in the form's
    /// chain, and is in force again once the input is set as it was.
    pub(super) fn settle_offsets(&mut self, chain: &mut Chain) {
        let new: Vec<InputRole> =
            chain.acoustic.keys().filter(|role| !chain.taken_on.contains_key(role)).copied().collect();
        chain.offsets_belong_here(new);
        self.chain.taken_on = chain.taken_on.clone();
        let changed = chain.drop_changed_offsets();
        self.acoustic = chain.acoustic.clone();
        self.not_used = changed.first().map(|offset| {
            let ear = offset.role.in_words();
            format!(
                "The offset of the {ear} is not used: {}. Calibrate this input, or say that it still holds.",
                offset.what
            )
        });
    }

    /// The offsets that are not used hold for the inputs as they are now.
    pub fn offsets_still_hold(&mut self) {
        let used = &self.acoustic;
        self.chain.taken_on.retain(|role, _| used.contains_key(role));
    }

    /// Takes an offset into force.
    pub fn take_offset(&mut self, role: InputRole, acoustic: Acoustic) {
        self.chain.acoustic.insert(role, acoustic);
        self.chain.taken_on.remove(&role);
    }

    pub(super) fn read_chain(&self, cards: &[CardDescription], wrong: &mut Messages) -> Option<Chain> {
        let mut chain = self.chain.clone();
        chain.name = chain.name.trim().into();
        chain.volume = chain.volume.trim().into();
        chain.output = keep(wrong, chain::name(Field::Output, &chain.output)).unwrap_or_default();
        chain.headphone = keep(wrong, chain::name(Field::Headphone, &chain.headphone)).unwrap_or_default();
        let number = |field, wrong: &mut Messages| keep(wrong, self.typed.optional(field)).flatten();
        chain.microphone_max_db_spl = number(Field::MicrophoneMax, wrong);
        chain.card_distortion_db = number(Field::CardDistortion, wrong);
        let routing = &mut chain.routing;
        let most = |id: &CardId, way| cards.iter().find(|c| c.id == *id && c.direction == way).map(|c| c.channels);
        let driven = self.typed.text(Field::PlaybackChannels);
        let driven = chain::channels(Field::PlaybackChannels, driven, most(&routing.playback, Direction::Playback));
        let captured = self.capture_channels(most(&routing.capture, Direction::Capture));
        let (driven, captured) = (keep(wrong, driven), keep(wrong, captured));
        if let Some(message) = missing_card(cards, &routing.playback, &routing.capture) {
            wrong.insert(Field::Cards, message);
        }
        (routing.playback_channels, routing.capture_channels) = (driven?, captured?);
        self.read_ages(&mut chain, wrong);
        self.particulars.read_into(&mut chain, wrong);
        self.read_electrical(&mut chain, wrong);
        Some(chain)
    }

    fn read_ages(&self, chain: &mut Chain, wrong: &mut Messages) {
        let usual = crate::calibration::AgeLimits::default();
        let months = keep(wrong, self.typed.optional(Field::CertificateMonths)).flatten();
        let hours = keep(wrong, self.typed.optional(Field::OffsetHours)).flatten();
        chain.ages.certificate_months = months.map_or(usual.certificate_months, |m| m as u32);
        chain.ages.offset_hours = hours.unwrap_or(usual.offset_hours);
    }

    /// Volts, impedances and ceilings as typed: what is typed otherwise than it was kept replaces what was measured.
    fn read_electrical(&self, chain: &mut Chain, wrong: &mut Messages) {
        let typed = &self.typed;
        let side = &chain.output_side;
        let parts = [
            (Field::Volts, ElectricalPart::Volts, side.volts_per_full_scale),
            (Field::Source, ElectricalPart::Source, side.source_impedance_ohm),
            (Field::Load, ElectricalPart::Load, side.load_impedance_ohm),
        ];
        for (field, part, kept) in parts {
            if !typed.still_shows(field, kept.as_ref())
                && let Some(value) = keep(wrong, typed.with_half(field))
            {
                chain::type_electrical(chain, part, value);
            }
        }
        let mut ceiling = |field| keep(wrong, typed.optional(field)).flatten();
        chain.output_side.ceilings = ChainCeilings {
            spl: ceiling(Field::ChainCeilingSpl).map(DbSpl),
            drive: ceiling(Field::ChainCeilingDrive).map(Dbfs),
            volts: ceiling(Field::ChainCeilingVolts),
            milliwatts: ceiling(Field::ChainCeilingMilliwatts),
        };
    }

    /// Takes over what an electrical calibration found on `chain`.
    pub fn take_electrical(&mut self, part: ElectricalPart, chain: &Chain) {
        let (kept, found) = (&mut self.chain.output_side, chain.output_side.clone());
        match part {
            ElectricalPart::Volts => {
                self.typed.show_with_half(Field::Volts, found.volts_per_full_scale.as_ref());
                kept.volts_per_full_scale = found.volts_per_full_scale;
                (kept.volts_from, kept.volts_taken_on) = (found.volts_from, found.volts_taken_on);
            }
            ElectricalPart::Source => {
                self.typed.show_with_half(Field::Source, found.source_impedance_ohm.as_ref());
                kept.source_impedance_ohm = found.source_impedance_ohm;
                (kept.source, kept.source_taken_on) = (found.source, found.source_taken_on);
            }
            ElectricalPart::Load => {
                self.typed.show_with_half(Field::Load, found.load_impedance_ohm.as_ref());
                kept.load_impedance_ohm = found.load_impedance_ohm;
                (kept.load, kept.load_taken_on) = (found.load, found.load_taken_on);
            }
            ElectricalPart::Input(role) => {
                self.chain.input_volts.extend(chain.input_volts.get(&role).map(|volts| (role, volts.clone())));
                self.chain.inputs_taken_on.extend(chain.inputs_taken_on.get(&role).map(|on| (role, on.clone())));
            }
        }
    }

    fn capture_channels(&self, most: Option<u16>) -> Read<Vec<CaptureChannel>> {
        let one = |row: &super::InputRow| {
            let channel = chain::channel(Field::CaptureChannels, &row.channel, most)?;
            Ok(CaptureChannel { channel, role: row.role })
        };
        let all = self.inputs.iter().map(one).collect::<Result<Vec<_>, Wrong>>()?;
        chain::inputs(&all)?;
        let ear = "one input must listen to an ear: the level is taken there";
        self.deciding_ear().map(|_| all).ok_or_else(|| Wrong::says(Field::CaptureChannels, ear))
    }

    /// Where a name is none of those that the simulated bench knows: which of them it takes.
    pub(super) fn stand_ins(&self, devices: &SimulatedDevices) -> BTreeMap<Field, String> {
        let fields = [
            (Field::Output, &self.chain.output, &devices.outputs),
            (Field::Headphone, &self.chain.headphone, &devices.headphones),
        ];
        fields.into_iter().filter_map(|(field, name, all)| Some((field, stands_in(name.trim(), all)?))).collect()
    }
}

fn stands_in(name: &str, known: &[String]) -> Option<String> {
    let first = known.first().filter(|_| known_name(name, known.iter().map(String::as_str)).is_none())?;
    Some(format!("Simulated in its place: {first}. The simulated bench has {}.", known.join(", ")))
}

fn missing_card(cards: &[CardDescription], playback: &CardId, capture: &CardId) -> Option<String> {
    if cards.is_empty() {
        return None;
    }
    let here = |id: &CardId, way| cards.iter().any(|c| c.id == *id && c.direction == way);
    let (id, side) = match (here(playback, Direction::Playback), here(capture, Direction::Capture)) {
        (false, _) => (playback, "playback"),
        (_, false) => (capture, "capture"),
        _ => return None,
    };
    Some(format!("The {side} card {id} is not listed now. Plug it in and list the cards again, or choose another."))
}
