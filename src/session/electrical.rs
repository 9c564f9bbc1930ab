//! An electrical calibration, step by step: what must be plugged in, what sounds then, whether a meter is read, and what
//! comes of it. Terminal and window ask the same steps; nothing here plays or asks.

use super::chain::{Chain, ElectricalPart};
use super::protocol::{ElectricalHeard, ElectricalSound};
use crate::calibration::electrical::{
    self, Impedance, ImpedanceFrom, ImpedancePoint, InputVolts, LoadSetup, Loading, Meter, OutputVolts, Resistor,
    SourceRefused, VoltsRefused, limits,
};
use crate::card::{Hookup, InputRole, PluggedLoad};
use crate::stats::Estimate;

/// Said before anything electrical is plugged or played.
pub const CAUTIONS: [&str; 4] = [
    "Plug and unplug only while nothing sounds. Do not wear the headphones.",
    "Do not ground a balanced, bridged or virtual-ground output: the computer and the capture card may share ground through USB.",
    "Do not feed an amplifier into a microphone input without a proper divider.",
    "Check an unknown output for DC with a voltmeter first, and that the resistors can take the power.",
];
/// Tolerance of a stated input resistance, percent (data sheets give it roundly).
pub const INPUT_TOLERANCE_PERCENT: f64 = 5.0;
/// Frequency of the tone for a mains meter and for one that reads audio frequencies, Hz.
pub const MAINS_TONE_HZ: f64 = 50.0;
/// The same for one that reads audio frequencies.
pub const AUDIO_TONE_HZ: f64 = 1000.0;

/// A voltmeter, and the tone that is played for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StatedMeter {
    /// Up to where it reads true.
    pub meter: Meter,
    /// Frequency of the tone, Hz.
    pub frequency_hz: f64,
    /// How long it is played.
    pub seconds: f64,
    /// Its accuracy, percent of the reading, a limit.
    pub accuracy_percent: f64,
}

/// A reading of a voltmeter with the worth of its last digit, volts RMS.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterReading {
    /// As shown.
    pub volts: f64,
    /// Worth of its last digit.
    pub last_digit_v: f64,
}

/// Which calibration, with what is stated of it.
#[derive(Clone, Debug, PartialEq)]
pub enum ElectricalProcedure {
    /// Volts at full scale of the output.
    Volts {
        /// The meter.
        meter: StatedMeter,
        /// True where the headphone is connected while the meter reads.
        loaded: bool,
    },
    /// Volts at full scale of an input.
    InputVolts {
        /// Which input.
        role: InputRole,
        /// The meter.
        meter: StatedMeter,
        /// Divider or probe, where the meter reads behind it; exactly 1: in front of it, or none.
        divider: Estimate,
    },
    /// Source impedance over frequency from two loads.
    Source {
        /// The known resistor.
        heavier: Resistor,
        /// A second, lighter one; `None`: the open output.
        lighter: Option<Resistor>,
        /// Resistance of the witness' input.
        input: Option<Resistor>,
        /// The plane that it holds for.
        plane: String,
    },
    /// Source impedance as a resistance from two readings of a voltmeter; nothing is played.
    SourceByMeter {
        /// Volts open, or on the lighter resistor, and on the heavier one.
        readings_v: [f64; 2],
        /// The known resistor.
        heavier: Resistor,
        /// A second, lighter one; `None`: the open output.
        lighter: Option<Resistor>,
        /// Resistance of the voltmeter.
        input: Option<Resistor>,
        /// How far it may be from straight between the two readings, percent.
        straight_within_percent: f64,
        /// Worth of its last digit, volts.
        last_digit_v: f64,
        /// The plane that it holds for.
        plane: String,
    },
    /// Load impedance over frequency through a series resistor.
    Load {
        /// Series resistor, input, cable.
        setup: LoadSetup,
        /// A known resistor in the headphone's place first.
        check: Option<Resistor>,
        /// The plane that it holds for.
        plane: String,
    },
}

/// One take of a procedure.
#[derive(Clone, Debug, PartialEq)]
pub struct ElectricalStep {
    /// What it is for.
    pub purpose: &'static str,
    /// What must be plugged in.
    pub hookup: Hookup,
    /// What sounds.
    pub sound: ElectricalSound,
}

/// What came of a procedure.
#[derive(Clone, Debug)]
pub struct ElectricalResult {
    /// What was found.
    pub part: ElectricalPart,
    /// In words, the figure itself first.
    pub words: Vec<String>,
    /// For programs.
    pub json: serde_json::Value,
    /// The chain with it.
    pub chain: Chain,
}

/// Why a procedure cannot be, or tells nothing.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ElectricalRefused {
    /// An input is missing.
    #[error("the chain has no {}", .0.in_words())]
    NoInput(InputRole),
    /// The loopback is missing.
    #[error(
        "the chain has no loopback: an output channel that is not loaded, straight back into an input, holds level and phase of the takes together"
    )]
    NoLoopback,
    /// A number that cannot be.
    #[error("{what} of {value} {unit} is outside {low} to {high} {unit}")]
    OutOfRange {
        /// Which.
        what: &'static str,
        /// As stated.
        value: f64,
        /// Lowest allowed.
        low: f64,
        /// Highest allowed.
        high: f64,
        /// Of all of them.
        unit: &'static str,
    },
    /// No reading was typed.
    #[error("the meter's reading is missing; type the volts RMS that it showed while the tone sounded")]
    NoReading,
    /// A take is missing, or shows nothing.
    #[error("the {} heard no tone; play louder, or check how it is connected", .0.in_words())]
    NoTone(InputRole),
    /// Nothing at 1 kHz.
    #[error("nothing is above the noise at 1 kHz; play louder, or check how the inputs are connected")]
    NothingAt1Khz,
    /// No drive, no frequency, or a take less than asked for.
    #[error("the takes are not complete; play them again")]
    Incomplete,
    /// Behind the resistor nothing is left, or more than before it.
    #[error("no impedance is seen behind the series resistor; are source side and witness exchanged?")]
    NoImpedance,
    /// The check resistor is not what is stated of it.
    #[error(
        "the check resistor of {ohm} Ω ±{tolerance_percent} % reads {read}: something is not as stated (series resistor, an input's resistance, cable, a bad contact, inputs exchanged). Nothing was kept"
    )]
    CheckFailed {
        /// As stated.
        ohm: f64,
        /// As stated.
        tolerance_percent: f64,
        /// As measured, in words.
        read: String,
    },
    /// The meter.
    #[error(transparent)]
    Volts(#[from] VoltsRefused),
    /// The loads.
    #[error(transparent)]
    Source(#[from] SourceRefused),
}

fn within(
    what: &'static str,
    value: f64,
    (low, high): (f64, f64),
    unit: &'static str,
) -> Result<(), ElectricalRefused> {
    match (low..=high).contains(&value) {
        true => Ok(()),
        false => Err(ElectricalRefused::OutOfRange { what, value, low, high, unit }),
    }
}

impl StatedMeter {
    fn check(&self) -> Result<(), ElectricalRefused> {
        within("a tone", self.frequency_hz, limits::TONE_HZ, "Hz")?;
        within("a duration", self.seconds, limits::TONE_S, "s")?;
        electrical::usable(self.meter, self.frequency_hz)?;
        Ok(())
    }

    fn tone(&self) -> ElectricalSound {
        ElectricalSound::Tone { frequency_hz: self.frequency_hz, seconds: self.seconds }
    }
}

impl ElectricalProcedure {
    /// Is everything that is stated possible, and are the inputs there?
    ///
    /// # Errors
    /// [`ElectricalRefused`] names the first that is not.
    pub fn check(&self, chain: &Chain) -> Result<(), ElectricalRefused> {
        let has = |role: InputRole| chain.routing.capture_channels.iter().any(|c| c.role == role);
        let needs = |role: InputRole| if has(role) { Ok(()) } else { Err(ElectricalRefused::NoInput(role)) };
        let loads = |heavier: &Resistor, lighter: &Option<Resistor>| {
            lighter.iter().chain([heavier]).try_for_each(|r| within("a load", r.ohm, limits::LOAD_OHM, "Ω"))
        };
        match self {
            ElectricalProcedure::Volts { meter, .. } => meter.check(),
            ElectricalProcedure::InputVolts { role, meter, divider } => {
                within("a divider's factor", divider.value, limits::DIVIDER, "")?;
                meter.check()?;
                needs(*role)
            }
            ElectricalProcedure::Source { heavier, lighter, .. } => {
                loads(heavier, lighter)?;
                needs(InputRole::Witness)?;
                if has(InputRole::Loopback) { Ok(()) } else { Err(ElectricalRefused::NoLoopback) }
            }
            ElectricalProcedure::SourceByMeter { heavier, lighter, .. } => loads(heavier, lighter),
            ElectricalProcedure::Load { setup, check, .. } => {
                within("a series resistor", setup.series.ohm, limits::SERIES_OHM, "Ω")?;
                check.iter().try_for_each(|r| within("a check resistor", r.ohm, limits::SERIES_OHM, "Ω"))?;
                needs(InputRole::Witness)?;
                needs(InputRole::SourceSide)
            }
        }
    }

    /// What is played, in order.
    pub fn steps(&self) -> Vec<ElectricalStep> {
        let step =
            |purpose, load, series_ohm, sound| ElectricalStep { purpose, hookup: Hookup { load, series_ohm }, sound };
        match self {
            ElectricalProcedure::Volts { meter, loaded } => {
                let load = if *loaded { PluggedLoad::Headphone } else { PluggedLoad::Open };
                vec![step("a tone for the meter", load, None, meter.tone())]
            }
            ElectricalProcedure::InputVolts { meter, .. } => {
                vec![step("a tone for the meter and the input", PluggedLoad::Open, None, meter.tone())]
            }
            ElectricalProcedure::Source { heavier, lighter, .. } => {
                let sound = ElectricalSound::Pink { over: InputRole::Witness, under: InputRole::Loopback };
                let plug = |load: Option<&Resistor>| load.map_or(PluggedLoad::Open, |r| PluggedLoad::Resistor(r.ohm));
                let first = if lighter.is_some() { "on the lighter resistor" } else { "the open output" };
                vec![
                    step(first, plug(lighter.as_ref()), None, sound),
                    step("on the resistor", plug(Some(heavier)), None, sound),
                ]
            }
            ElectricalProcedure::SourceByMeter { .. } => Vec::new(),
            ElectricalProcedure::Load { setup, check, .. } => {
                let sound = ElectricalSound::Pink { over: InputRole::Witness, under: InputRole::SourceSide };
                let series = Some(setup.series.ohm);
                let check = check.map(|r| step("the check resistor", PluggedLoad::Resistor(r.ohm), series, sound));
                let both = "the two inputs on the same signal: both directly across the output, no series resistor";
                std::iter::once(step(both, PluggedLoad::Open, None, sound))
                    .chain(check)
                    .chain([step("the headphone", PluggedLoad::Headphone, series, sound)])
                    .collect()
            }
        }
    }

    /// The meter that is to be read while the tone sounds.
    pub fn meter(&self) -> Option<&StatedMeter> {
        match self {
            ElectricalProcedure::Volts { meter, .. } | ElectricalProcedure::InputVolts { meter, .. } => Some(meter),
            _ => None,
        }
    }

    /// What the takes so far already say, before the next is played: the check resistor, in words.
    ///
    /// # Errors
    /// [`ElectricalRefused::CheckFailed`], or that nothing was heard.
    pub fn so_far(&self, heard: &[ElectricalHeard]) -> Result<Option<String>, ElectricalRefused> {
        let ElectricalProcedure::Load { setup, check: Some(check), .. } = self else { return Ok(None) };
        let [matched, on_check] = heard else { return Ok(None) };
        let found = checked(matched, on_check, setup, check)?;
        Ok(Some(format!("check resistor: {}", electrical::ohms_words(&found))))
    }

    /// What comes of it, in a copy of `chain`; `heard` has one entry per step.
    ///
    /// # Errors
    /// [`ElectricalRefused`].
    pub fn result(
        &self,
        chain: &Chain,
        heard: &[ElectricalHeard],
        reading: Option<MeterReading>,
        taken_at: &str,
    ) -> Result<ElectricalResult, ElectricalRefused> {
        let (chain, taken_at) = (chain.clone(), taken_at.to_string());
        let mut result = match self {
            ElectricalProcedure::Volts { meter, loaded } => volts(chain, (meter, *loaded), heard, reading, taken_at),
            ElectricalProcedure::InputVolts { role, meter, divider } => {
                input_volts(chain, (*role, meter, divider), heard, reading, taken_at)
            }
            ElectricalProcedure::Source { heavier, lighter, input, plane } => {
                let [first, second] = heard else { return Err(ElectricalRefused::Incomplete) };
                let loading = |load: Option<Resistor>| Loading { load, input: *input };
                let on_first = (first.ratio.as_slice(), loading(*lighter));
                let on_second = (second.ratio.as_slice(), loading(Some(*heavier)));
                let points = electrical::source_impedance(on_first, on_second)?;
                let stated = at_1_khz(&points)?;
                let from = ImpedanceFrom::Loads { first: *lighter, second: *heavier };
                Ok(source(chain, stated, Impedance { from, plane: plane.clone(), taken_at, points }))
            }
            ElectricalProcedure::SourceByMeter {
                readings_v: [first_v, second_v],
                heavier,
                lighter,
                input,
                straight_within_percent,
                last_digit_v,
                plane,
            } => {
                let loading = |load: Option<Resistor>| Loading { load, input: *input };
                let (first, second) = ((*first_v, loading(*lighter)), (*second_v, loading(Some(*heavier))));
                let stated = electrical::from_voltages(first, second, *straight_within_percent, *last_digit_v)?;
                let (first_v, second_v) = (*first_v, *second_v);
                let from = ImpedanceFrom::Voltages { first_v, first: *lighter, second_v, second: *heavier };
                Ok(source(chain, stated, Impedance { from, plane: plane.clone(), taken_at, points: Vec::new() }))
            }
            ElectricalProcedure::Load { setup, check, plane } => {
                load(chain, (setup, check.as_ref(), plane), heard, taken_at)
            }
        }?;
        result.chain.electrical_belongs_here([result.part]);
        Ok(result)
    }
}

fn volts(
    mut chain: Chain,
    (meter, loaded): (&StatedMeter, bool),
    heard: &[ElectricalHeard],
    reading: Option<MeterReading>,
    taken_at: String,
) -> Result<ElectricalResult, ElectricalRefused> {
    let reading = reading.ok_or(ElectricalRefused::NoReading)?;
    let tone = heard.first().ok_or(ElectricalRefused::Incomplete)?;
    let from = OutputVolts {
        meter: meter.meter,
        reading_v: reading.volts,
        drive: tone.drive.rms().ok_or(ElectricalRefused::Incomplete)?,
        frequency_hz: tone.frequency_hz.ok_or(ElectricalRefused::Incomplete)?,
        loaded,
        taken_at,
    };
    let volts = electrical::output_volts(&from, meter.accuracy_percent, reading.last_digit_v)?;
    let place = if loaded { "at the headphone" } else { "open" };
    let words = vec![format!("0 dBFS = {} {place}, by {}", electrical::level_words(&volts), from.meter.words())];
    let json = serde_json::json!({ "volts_per_full_scale": volts, "from": from });
    chain.output_side.volts_per_full_scale = Some(volts);
    chain.output_side.volts_from = Some(from);
    Ok(ElectricalResult { part: ElectricalPart::Volts, words, json, chain })
}

fn input_volts(
    mut chain: Chain,
    (role, meter, divider): (InputRole, &StatedMeter, &Estimate),
    heard: &[ElectricalHeard],
    reading: Option<MeterReading>,
    taken_at: String,
) -> Result<ElectricalResult, ElectricalRefused> {
    let reading = reading.ok_or(ElectricalRefused::NoReading)?;
    let tone = heard.first().ok_or(ElectricalRefused::Incomplete)?;
    let level = tone.levels.get(&role).ok_or(ElectricalRefused::NoTone(role))?;
    let frequency_hz = tone.frequency_hz.ok_or(ElectricalRefused::Incomplete)?;
    let limits = (meter.accuracy_percent, reading.last_digit_v);
    let known = electrical::input_volts((meter.meter, frequency_hz), reading.volts, limits, level, divider)?;
    let kept = InputVolts { volts_per_full_scale: known, meter: Some(meter.meter), divider: divider.value, taken_at };
    let words = vec![format!("{}: 0 dBFS = {}", role.in_words(), electrical::level_words(&known))];
    let json = serde_json::json!(kept);
    chain.input_volts.insert(role, kept);
    Ok(ElectricalResult { part: ElectricalPart::Input(role), words, json, chain })
}

fn source(mut chain: Chain, stated: Estimate, curve: Impedance) -> ElectricalResult {
    let words = electrical::impedance_words("source impedance", &stated, &curve);
    let json = serde_json::json!({ "at_1_khz_ohm": stated, "impedance": curve });
    chain.output_side.source_impedance_ohm = Some(stated);
    chain.output_side.source = Some(curve);
    ElectricalResult { part: ElectricalPart::Source, words, json, chain }
}

fn load(
    mut chain: Chain,
    (setup, check, plane): (&LoadSetup, Option<&Resistor>, &str),
    heard: &[ElectricalHeard],
    taken_at: String,
) -> Result<ElectricalResult, ElectricalRefused> {
    let (matched, on_headphone) = heard.first().zip(heard.last()).ok_or(ElectricalRefused::Incomplete)?;
    let check_ohm = match (check, heard) {
        (Some(check), [_, on_check, _]) => Some(checked(matched, on_check, setup, check)?),
        (None, [_, _]) => None,
        _ => return Err(ElectricalRefused::Incomplete),
    };
    let points = electrical::load_impedance(&matched.ratio, &on_headphone.ratio, setup);
    let stated = at_1_khz(&points)?;
    if stated.value <= 0.0 {
        return Err(ElectricalRefused::NoImpedance);
    }
    let from = ImpedanceFrom::SeriesResistor { series: setup.series };
    let curve = Impedance { from, plane: plane.into(), taken_at, points };
    let words = electrical::impedance_words(&format!("impedance of {}", chain.headphone), &stated, &curve);
    let json = serde_json::json!({ "at_1_khz_ohm": stated, "check_ohm": check_ohm, "impedance": curve });
    chain.output_side.load_impedance_ohm = Some(stated);
    chain.output_side.load = Some(curve);
    Ok(ElectricalResult { part: ElectricalPart::Load, words, json, chain })
}

/// What the set-up makes of a known resistor; refused where that is not what is stated of it.
fn checked(
    matched: &ElectricalHeard,
    heard: &ElectricalHeard,
    setup: &LoadSetup,
    check: &Resistor,
) -> Result<Estimate, ElectricalRefused> {
    let found = at_1_khz(&electrical::load_impedance(&matched.ratio, &heard.ratio, setup))?;
    let Resistor { ohm, tolerance_percent } = *check;
    let allowed = found.half_width() + 0.01 * tolerance_percent * ohm;
    match (found.value - ohm).abs() <= allowed {
        true => Ok(found),
        false => Err(ElectricalRefused::CheckFailed { ohm, tolerance_percent, read: electrical::ohms_words(&found) }),
    }
}

fn at_1_khz(points: &[ImpedancePoint]) -> Result<Estimate, ElectricalRefused> {
    electrical::at_1_khz(points).ok_or(ElectricalRefused::NothingAt1Khz)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What cannot be is refused before anything is plugged, with its name.
    #[test]
    fn a_procedure_is_checked_before_it_is_played() {
        let chain = Chain::fresh("a", "b");
        let meter = StatedMeter { meter: Meter::Mains, frequency_hz: 1000.0, seconds: 10.0, accuracy_percent: 1.5 };
        let refused = |procedure: ElectricalProcedure| procedure.check(&chain).unwrap_err().to_string();
        assert!(refused(ElectricalProcedure::Volts { meter, loaded: false }).contains("is wrong at 1000 Hz"));
        let r = |ohm| Resistor { ohm, tolerance_percent: 1.0 };
        let source =
            |ohm| ElectricalProcedure::Source { heavier: r(ohm), lighter: None, input: None, plane: "p".into() };
        assert!(refused(source(0.0)).contains("a load of 0 Ω is outside 0.1 to 1000000 Ω"));
        assert_eq!(refused(source(33.0)), "the chain has no witness across the headphone");
        let load =
            ElectricalProcedure::Load { setup: LoadSetup::through(r(100.0)), check: Some(r(50.0)), plane: "p".into() };
        assert_eq!(
            load.steps().iter().map(|s| s.hookup.series_ohm).collect::<Vec<_>>(),
            [None, Some(100.0), Some(100.0)]
        );
        let by_meter = ElectricalProcedure::SourceByMeter {
            readings_v: [2.0, 1.5],
            heavier: r(33.0),
            lighter: None,
            input: None,
            straight_within_percent: 0.1,
            last_digit_v: 0.001,
            plane: "p".into(),
        };
        assert_eq!((by_meter.check(&chain), by_meter.steps().len()), (Ok(()), 0));
        // 33 Ω(2.0 V/1.5 V − 1) = 11 Ω.
        let stated = by_meter.result(&chain, &[], None, "2026-03-01T09:00:00Z").unwrap();
        assert!((stated.chain.output_side.source_impedance_ohm.unwrap().value - 11.0).abs() < 1e-9);
        assert_eq!(stated.chain.output_side.source_taken_on, Some(chain.output_setting()));
    }
}
