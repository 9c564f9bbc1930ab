//! Which calibrations of a chain are older than the user's own limits.

use super::{Chain, ElectricalPart};
use crate::calibration::Acoustic;
use crate::card::InputRole;

/// A calibration that is too old, or of which that is not known.
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
    /// Volts at full scale, or an impedance.
    Electrical,
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
        let acoustic = ears.iter().filter_map(offset).chain(ears.iter().filter_map(microphone)).chain(calibrator);
        acoustic.chain(self.aged_electrical(now)).collect()
    }

    /// Volts hang on a volume or an input gain, as an offset does, and are as good for as long; an impedance is the device's
    /// own, and as good as a certificate. What was typed has no date and does not age.
    fn aged_electrical(&self, now: &str) -> Vec<Aged> {
        let (ages, side) = (&self.ages, &self.output_side);
        let aged = |part: ElectricalPart, why: Option<String>| {
            let words = part.words();
            let text = format!("{} {}.", words.replacen("the", "The", 1), why?);
            Some(Aged { what: AgedPart::Electrical, text })
        };
        let volts = side.volts_per_full_scale.and(side.volts_from.as_ref());
        let source = side.source_impedance_ohm.and(side.source.as_ref());
        let load = side.load_impedance_ohm.and(side.load.as_ref());
        let inputs = self.input_volts.iter().filter(|(_, input)| input.meter.is_some());
        let inputs =
            inputs.filter_map(|(role, input)| aged(ElectricalPart::Input(*role), ages.volts(&input.taken_at, now)));
        let output_side = [
            volts.and_then(|from| aged(ElectricalPart::Volts, ages.volts(&from.taken_at, now))),
            source.and_then(|curve| aged(ElectricalPart::Source, ages.impedance(&curve.taken_at, now))),
            load.and_then(|curve| aged(ElectricalPart::Load, ages.impedance(&curve.taken_at, now))),
        ];
        output_side.into_iter().flatten().chain(inputs).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::electrical::{Impedance, ImpedanceFrom, InputVolts, Meter, OutputVolts, Resistor};
    use crate::stats::Estimate;
    use crate::units::Dbfs;

    const TAKEN: &str = "2026-03-01T09:00:00Z";

    fn measured() -> Chain {
        let mut chain = Chain::fresh("a", "b");
        let (meter, taken_at) = (Meter::Mains, TAKEN.to_string());
        let side = &mut chain.output_side;
        side.volts_per_full_scale = Some(Estimate::exact(1.4));
        let (reading_v, drive, frequency_hz) = (0.0447, Dbfs(-30.0), 50.0);
        side.volts_from =
            Some(OutputVolts { meter, reading_v, drive, frequency_hz, loaded: false, taken_at: taken_at.clone() });
        let second = Resistor { ohm: 33.0, tolerance_percent: 1.0 };
        let from = ImpedanceFrom::Voltages { first_v: 2.0, first: None, second_v: 1.5, second };
        let curve = Impedance { from, plane: "plug".into(), taken_at: taken_at.clone(), points: Vec::new() };
        (side.source_impedance_ohm, side.source) = (Some(Estimate::exact(11.0)), Some(curve.clone()));
        (side.load_impedance_ohm, side.load) = (Some(Estimate::exact(80.0)), Some(curve));
        let input =
            InputVolts { volts_per_full_scale: Estimate::exact(4.0), meter: Some(meter), divider: 1.0, taken_at };
        chain.input_volts.insert(InputRole::Witness, input);
        chain
    }

    fn texts(chain: &Chain, now: &str) -> Vec<String> {
        chain.aged(now).into_iter().map(|aged| aged.text).collect()
    }

    /// Volts by hours, impedances by months; the limits are the user's.
    #[test]
    fn electrical_figures_age_as_what_they_hang_on() {
        let mut chain = measured();
        assert!(texts(&chain, "2026-03-01T20:59:00Z").is_empty(), "within 12 hours");
        let after_hours = texts(&chain, "2026-03-01T23:00:00Z");
        assert_eq!(after_hours.len(), 2, "{after_hours:?}");
        assert_eq!(after_hours[0], "The output's volts at full scale are 14.0 hours old; the limit is 12 hours.");
        assert!(after_hours[1].contains("the witness across the headphone"), "{after_hours:?}");
        let after_a_year = texts(&chain, "2027-03-02T09:00:00Z");
        assert_eq!(after_a_year.len(), 4, "{after_a_year:?}");
        assert!(after_a_year[1].starts_with("The source impedance is dated 2026-03-01"), "{after_a_year:?}");
        chain.ages.offset_hours = 48.0;
        assert!(texts(&chain, "2026-03-01T23:00:00Z").is_empty());
    }

    /// Typed figures, as older chains have them, carry no date.
    #[test]
    fn typed_electrical_figures_do_not_age() {
        let mut chain = measured();
        let side = &mut chain.output_side;
        (side.volts_from, side.source, side.load) = (None, None, None);
        chain.input_volts.clear();
        assert!(texts(&chain, "2030-01-01T00:00:00Z").is_empty());
    }
}
