//! Volts and impedances, guided: which calibration, what is stated of it, then step by step what must be plugged in, what
//! sounds and what the meter showed. What comes of it stands in the nodes of the chain.

use super::form::sentence;
use crate::asked::{Field, Read, Typed, Wrong, electrical};
use crate::calibration::electrical::{METER_LIMIT_PERCENT, Meter, Resistor};
use crate::card::InputRole;
use crate::session::chain::Chain;
use crate::session::electrical::{ElectricalProcedure, ElectricalRefused, ElectricalStep, StatedMeter};
use crate::session::protocol::{ElectricalHeard, ElectricalTake};
use crate::stats::Estimate;
use crate::units::Dbfs;
use eframe::egui::Id;

/// Which calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Volts at full scale of the output.
    Volts,
    /// Volts at full scale of an input.
    InputVolts,
    /// Source impedance.
    Source,
    /// Load impedance.
    Load,
}

impl Kind {
    pub(super) const ALL: [(Kind, &'static str); 4] = [
        (Kind::Volts, "Output volts"),
        (Kind::InputVolts, "Input volts"),
        (Kind::Source, "Source impedance"),
        (Kind::Load, "Load impedance"),
    ];

    pub(super) fn about(self) -> &'static str {
        match self {
            Kind::Volts => "A tone sounds while you read a voltmeter at the output: volts of a sine at 0 dBFS.",
            Kind::InputVolts => {
                "A tone sounds while a voltmeter reads what the input sees: volts of a sine at 0 dBFS there."
            }
            Kind::Source => {
                "The witness sees the output open, then on a known resistor; the loopback holds both takes together. Or type what a voltmeter read."
            }
            Kind::Load => {
                "Two inputs, source side and witness, on the same signal first, then on either side of a known resistor in series."
            }
        }
    }
}

/// Everything of the section.
#[derive(Clone, Debug)]
pub struct Guide {
    /// Which one is shown; `None`: none yet.
    pub kind: Option<Kind>,
    /// Every number as typed.
    pub typed: Typed,
    /// The meter.
    pub meter: Meter,
    /// The headphone is connected while the meter reads.
    pub loaded: bool,
    /// Input that is calibrated.
    pub role: InputRole,
    /// What is typed wrong.
    pub wrong: Option<Wrong>,
    /// What could not be done.
    pub failure: Option<String>,
    /// What came of the last one.
    pub stated: Vec<String>,
    /// The one on its way.
    pub on_its_way: Option<OnItsWay>,
}

/// A calibration on its way.
#[derive(Clone, Debug)]
pub struct OnItsWay {
    pub(super) procedure: ElectricalProcedure,
    pub(super) chain: Chain,
    drive: Dbfs,
    confirmed: bool,
    pub(super) heard: Vec<ElectricalHeard>,
    pub(super) remarks: Vec<String>,
}

impl OnItsWay {
    pub(super) fn next(&self) -> Option<ElectricalStep> {
        self.procedure.steps().get(self.heard.len()).cloned()
    }

    pub(super) fn take(&self) -> Option<ElectricalTake> {
        let ElectricalStep { hookup, sound, .. } = self.next()?;
        Some(ElectricalTake { chain: self.chain.clone(), hookup, sound, drive: self.drive, confirmed: self.confirmed })
    }
}

impl Default for Guide {
    fn default() -> Guide {
        let mut typed = Typed::default();
        typed.show(Field::Drive, Some(-30.0));
        typed.show(Field::ToneSeconds, Some(15.0));
        typed.show(Field::MeterAccuracy, Some(METER_LIMIT_PERCENT));
        typed.show(Field::Tolerance, Some(1.0));
        Guide {
            kind: None,
            typed,
            meter: Meter::Mains,
            loaded: false,
            role: InputRole::Witness,
            wrong: None,
            failure: None,
            stated: Vec::new(),
            on_its_way: None,
        }
    }
}

impl Guide {
    fn stated_meter(&self) -> Read<StatedMeter> {
        let frequency_hz = self.typed.optional(Field::ToneFrequency)?;
        let seconds = self.typed.number(Field::ToneSeconds)?;
        Ok(electrical::meter(self.meter, frequency_hz, seconds, self.typed.number(Field::MeterAccuracy)?))
    }

    /// What is stated, as a procedure.
    pub fn stated(&self, kind: Kind) -> Read<ElectricalProcedure> {
        let typed = &self.typed;
        match kind {
            Kind::Volts => Ok(ElectricalProcedure::Volts { meter: self.stated_meter()?, loaded: self.loaded }),
            Kind::InputVolts => {
                let divider = typed.with_half(Field::Divider)?.unwrap_or(Estimate::exact(1.0));
                Ok(ElectricalProcedure::InputVolts { role: self.role, meter: self.stated_meter()?, divider })
            }
            Kind::Source => {
                let resistors = self.resistors(Field::Resistor, Field::SecondResistor)?;
                let by_meter = typed.filled(Field::Readings).map(electrical::readings).transpose()?;
                let by_meter = by_meter.map(electrical::ByMeter::shown);
                Ok(electrical::source(resistors, self.input()?, by_meter, "plug of the output"))
            }
            Kind::Load => {
                let resistors = self.resistors(Field::SeriesResistor, Field::CheckResistor)?;
                let cable = typed.with_half(Field::Cable)?;
                Ok(electrical::load(resistors, self.input()?, cable, "plug of the headphone"))
            }
        }
    }

    fn resistors(&self, known: Field, second: Field) -> Read<(Resistor, Option<Resistor>)> {
        let tolerance_percent = self.typed.number(Field::Tolerance)?;
        let resistor = |ohm| Resistor { ohm, tolerance_percent };
        Ok((resistor(self.typed.number(known)?), self.typed.optional(second)?.map(resistor)))
    }

    fn input(&self) -> Read<Option<Resistor>> {
        Ok(self.typed.optional(Field::InputResistance)?.map(electrical::input))
    }

    /// The drive, and whether one above what an uncalibrated output may be given was typed twice.
    fn stated_drive(&self) -> Read<(Dbfs, bool)> {
        let again = Field::Drive.read(self.typed.text(Field::DriveAgain)).ok();
        electrical::drive(self.typed.number(Field::Drive)?, again)
    }

    /// Begins on this chain; what cannot be is said beside its field.
    pub(super) fn begin(&mut self, chain: &Chain) {
        let Some(kind) = self.kind else { return };
        (self.wrong, self.failure, self.on_its_way) = (None, None, None);
        self.stated.clear();
        self.typed.set(Field::Reading, "");
        let both = self.stated(kind).and_then(|procedure| Ok((procedure, self.stated_drive()?)));
        let (procedure, (drive, confirmed)) = match both {
            Ok(both) => both,
            Err(wrong) => {
                self.wrong = Some(wrong);
                return;
            }
        };
        if let Err(refused) = procedure.check(chain) {
            let missing = matches!(refused, ElectricalRefused::NoInput(_) | ElectricalRefused::NoLoopback);
            let help = if missing { ". Add it under the capture card" } else { "" };
            self.failure = Some(sentence(&format!("{refused}{help}")));
            return;
        }
        let chain = chain.clone();
        self.on_its_way = Some(OnItsWay { procedure, chain, drive, confirmed, heard: Vec::new(), remarks: Vec::new() });
    }
}

/// Identity of the field for the meter's reading, for focus.
pub(super) fn reading_id() -> Id {
    Id::unique("meter-reading")
}
