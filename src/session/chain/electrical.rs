//! What is known of the output in volts and ohms: what it was taken on, whether that still stands, and what it makes of a
//! drive. Volts and source impedance hold for one card, its channels, one output and its volume positions, a load impedance
//! for one headphone, an input's volts for one input: when that changes they are not used until taken again or confirmed.

use super::{Chain, ChainCeilings, InputSetting, Supply, Wiring};
use crate::analysis::band;
use crate::calibration::electrical::{AtLoad, Known, volts_and_power};
use crate::card::{CardId, InputRole};
use crate::signal::DriveCeiling;
use crate::stats::Estimate;
use crate::units::{Dbfs, amplitude_from_db, db_from_amplitude, db_from_power};
use serde::{Deserialize, Serialize};

/// The output as it was when its volts or its source impedance were taken.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OutputSetting {
    /// Card that played.
    pub card: CardId,
    /// Its driven channels, from 0.
    pub channels: Vec<u16>,
    /// The output, in words.
    pub output: String,
    /// Volume positions and switches as noted.
    #[serde(default)]
    pub positions: String,
    /// How it was connected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wiring: Option<Wiring>,
    /// What fed it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supply: Option<Supply>,
}

impl OutputSetting {
    /// What is different now, in words; `None` where nothing is.
    fn changed(&self, now: &OutputSetting) -> Option<String> {
        let channels = |all: &[u16]| all.iter().map(|c| (c + 1).to_string()).collect::<Vec<_>>().join(", ");
        let quoted = |words: &str| format!("`{words}`");
        let pairs = [
            ("the card", self.card.to_string(), now.card.to_string()),
            ("the channels", channels(&self.channels), channels(&now.channels)),
            ("the output", quoted(&self.output), quoted(&now.output)),
            ("the volume", quoted(&self.positions), quoted(&now.positions)),
            ("the wiring", format!("{:?}", self.wiring), format!("{:?}", now.wiring)),
            ("the supply", format!("{:?}", self.supply), format!("{:?}", now.supply)),
        ];
        let changes: Vec<String> = pairs
            .into_iter()
            .filter(|(_, before, now)| before != now)
            .map(|(what, before, now)| match what {
                // Kinds have no words worth quoting.
                "the wiring" | "the supply" => format!("{what} has changed"),
                _ => format!("{what} was {before}, now {now}"),
            })
            .collect();
        (!changes.is_empty()).then(|| changes.join("; "))
    }
}

/// Which electrical calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ElectricalPart {
    /// Volts at full scale of the output.
    Volts,
    /// Source impedance.
    Source,
    /// Load impedance.
    Load,
    /// Volts at full scale of an input.
    Input(InputRole),
}

/// An electrical calibration that does not belong to the desk as it is set now.
#[derive(Clone, Debug, PartialEq)]
pub struct ChangedElectrical {
    /// Which.
    pub part: ElectricalPart,
    /// What it said (`2.000 V`).
    pub stated: String,
    /// What changed, in words.
    pub what: String,
}

impl ElectricalPart {
    /// In words.
    pub fn words(self) -> String {
        match self {
            ElectricalPart::Volts => "the output's volts at full scale".into(),
            ElectricalPart::Source => "the source impedance".into(),
            ElectricalPart::Load => "the load impedance".into(),
            ElectricalPart::Input(role) => format!("the volts at full scale of the {}", role.in_words()),
        }
    }
}

/// Shares of pink noise's power: every one-third octave has the same.
pub fn pink_spectrum() -> Vec<(f64, f64)> {
    band::BANDS.map(|x| (band::centre_hz(x), 1.0)).collect()
}

impl Chain {
    /// The output as it is set now.
    pub fn output_setting(&self) -> OutputSetting {
        OutputSetting {
            card: self.routing.playback.clone(),
            channels: self.routing.playback_channels.clone(),
            output: self.output.clone(),
            positions: self.positions(),
            wiring: self.output_side.wiring,
            supply: self.output_side.supply,
        }
    }

    /// An electrical input as it is set now; curves do not act on it.
    pub fn input_setting(&self, role: InputRole) -> Option<InputSetting> {
        self.setting(role).map(|setting| InputSetting { curve_db: 0.0, ..setting })
    }

    /// Electrical calibrations that do not belong to the desk as it is set now. They must not be used.
    pub fn changed_electrical(&self) -> Vec<ChangedElectrical> {
        let side = &self.output_side;
        let now = self.output_setting();
        let of_output = |part, stated: Option<Estimate>, unit: &str, taken: Option<&OutputSetting>| {
            Some(ChangedElectrical { part, stated: stated_words(&stated?, unit), what: taken?.changed(&now)? })
        };
        let volts = of_output(ElectricalPart::Volts, side.volts_per_full_scale, "V", side.volts_taken_on.as_ref());
        let source = of_output(ElectricalPart::Source, side.source_impedance_ohm, "Ω", side.source_taken_on.as_ref());
        let load = side.load_impedance_ohm.zip(side.load_taken_on.as_ref()).filter(|(_, on)| **on != self.headphone);
        let load = load.map(|(stated, on)| ChangedElectrical {
            part: ElectricalPart::Load,
            stated: stated_words(&stated, "Ω"),
            what: format!("the headphone was `{on}`, now `{}`", self.headphone),
        });
        let inputs = self.input_volts.iter().filter_map(|(role, input)| {
            let what = match (self.inputs_taken_on.get(role)?, self.input_setting(*role)) {
                (then, Some(now)) => then.changed(&now)?,
                (_, None) => "that input is no longer recorded".into(),
            };
            let stated = stated_words(&input.volts_per_full_scale, "V");
            Some(ChangedElectrical { part: ElectricalPart::Input(*role), stated, what })
        });
        volts.into_iter().chain(source).chain(load).chain(inputs).collect()
    }

    /// Notes that these calibrations belong to the desk as it is set now.
    pub fn electrical_belongs_here(&mut self, parts: impl IntoIterator<Item = ElectricalPart>) {
        let setting = self.output_setting();
        for part in parts {
            let side = &mut self.output_side;
            match part {
                ElectricalPart::Volts => side.volts_taken_on = Some(setting.clone()),
                ElectricalPart::Source => side.source_taken_on = Some(setting.clone()),
                ElectricalPart::Load => side.load_taken_on = Some(self.headphone.clone()),
                ElectricalPart::Input(role) => {
                    if let Some(now) = self.input_setting(role) {
                        self.inputs_taken_on.insert(role, now);
                    }
                }
            }
        }
    }

    /// A chain that does not say what its electrical figures were taken on: on what it names.
    pub(in crate::session) fn complete_electrical(&mut self) {
        let side = &self.output_side;
        let mut unknown = Vec::new();
        let output_side = [
            (ElectricalPart::Volts, side.volts_per_full_scale.is_some() && side.volts_taken_on.is_none()),
            (ElectricalPart::Source, side.source_impedance_ohm.is_some() && side.source_taken_on.is_none()),
            (ElectricalPart::Load, side.load_impedance_ohm.is_some() && side.load_taken_on.is_none()),
        ];
        unknown.extend(output_side.into_iter().filter(|(_, is)| *is).map(|(part, _)| part));
        let inputs = self.input_volts.keys().filter(|role| !self.inputs_taken_on.contains_key(role));
        unknown.extend(inputs.map(|role| ElectricalPart::Input(*role)));
        self.electrical_belongs_here(unknown);
    }

    /// Takes out of the chain what does not belong to the desk as it is set now, and tells what it was.
    pub fn drop_changed_electrical(&mut self) -> Vec<ChangedElectrical> {
        let changed = self.changed_electrical();
        for one in &changed {
            let side = &mut self.output_side;
            match one.part {
                ElectricalPart::Volts => {
                    (side.volts_per_full_scale, side.volts_from, side.volts_taken_on) = (None, None, None);
                }
                ElectricalPart::Source => {
                    (side.source_impedance_ohm, side.source, side.source_taken_on) = (None, None, None);
                }
                ElectricalPart::Load => (side.load_impedance_ohm, side.load, side.load_taken_on) = (None, None, None),
                ElectricalPart::Input(role) => {
                    self.input_volts.remove(&role);
                    self.inputs_taken_on.remove(&role);
                }
            }
        }
        changed
    }

    /// Volts and milliwatts at the load for a signal of this RMS drive and these shares of power per frequency; `None` while
    /// the output's volts are not known.
    pub fn at_load(&self, drive: Dbfs, spectrum: &[(f64, f64)]) -> Option<AtLoad> {
        let side = &self.output_side;
        let gain = amplitude_from_db(drive.db());
        let volts = side.volts_per_full_scale?;
        let volts = Estimate::symmetric(volts.value * gain, volts.half_width() * gain);
        let loaded = side.volts_from.as_ref().is_some_and(|from| from.loaded);
        let source = side.source_impedance_ohm.map(|stated| Known { magnitude: stated, curve: side.source.as_ref() });
        let load = side.load_impedance_ohm.map(|stated| Known { magnitude: stated, curve: side.load.as_ref() });
        Some(volts_and_power(&volts, loaded, source, load, spectrum))
    }

    /// Upper end of the output's volts at full scale for pink noise, at the load where that is known; `None` while they are
    /// not known.
    pub fn most_volts(&self) -> Option<f64> {
        Some(self.at_load(Dbfs(0.0), &pink_spectrum())?.volts.interval.high)
    }

    /// Volts that a level at an electrical input stands for; `None` while its volts are not known.
    pub fn input_volts_of(&self, role: InputRole, level: &Estimate) -> Option<Estimate> {
        let input = self.input_volts.get(&role)?.volts_per_full_scale;
        let value = input.value * amplitude_from_db(level.value);
        // Small half widths: 1 dB is 11.5 %.
        let relative = (input.half_width() / input.value).hypot(level.half_width() * std::f64::consts::LN_10 / 20.0);
        Some(Estimate::symmetric(value, value * relative))
    }

    /// Highest drives that ceilings in volts and milliwatts leave, this chain's own and `also`, for pink noise and for sines
    /// of these frequencies: the upper ends of the intervals decide. None while the output's volts are not known; milliwatts
    /// need source and load too.
    pub fn electrical_ceilings(&self, also: &ChainCeilings, sines_hz: &[f64]) -> Vec<DriveCeiling> {
        let sines = sines_hz.iter().map(|hz| vec![(*hz, 1.0)]);
        let spectra: Vec<_> = std::iter::once(pink_spectrum()).chain(sines).collect();
        let full: Vec<AtLoad> = spectra.iter().filter_map(|s| self.at_load(Dbfs(0.0), s)).collect();
        let highest = |of: &dyn Fn(&AtLoad) -> Option<f64>| full.iter().filter_map(of).reduce(f64::max);
        let most_v = highest(&|at| Some(at.volts.interval.high));
        let most_mw = highest(&|at| at.milliwatts.map(|p| p.interval.high));
        let open = full.iter().any(|at| at.open);
        let at = if open { "of the open output" } else { "at the load" };
        let mut ceilings = Vec::new();
        for (own, which) in [(&self.output_side.ceilings, ", the chain's own"), (also, "")] {
            let volts = own.volts.zip(most_v).and_then(|(limit, full)| Some((limit, db_from_amplitude(limit / full)?)));
            let power =
                own.milliwatts.zip(most_mw).and_then(|(limit, full)| Some((limit, db_from_power(limit / full)?)));
            ceilings.extend(volts.map(|(v, db)| (db, format!("{v} V {at}{which}"))));
            ceilings.extend(power.map(|(mw, db)| (db, format!("{mw} mW in the load{which}"))));
        }
        ceilings.into_iter().map(|(db, because)| DriveCeiling { rms: Dbfs(db), because }).collect()
    }

    /// Ceilings in volts or milliwatts that cannot act, and what they wait for.
    pub fn idle_ceilings(&self, also: &ChainCeilings) -> Option<String> {
        let at = self.at_load(Dbfs(0.0), &pink_spectrum());
        let any = |of: fn(&ChainCeilings) -> Option<f64>| of(&self.output_side.ceilings).or(of(also)).is_some();
        let volts_wait = any(|c| c.volts) && at.is_none();
        let power_waits = any(|c| c.milliwatts) && at.is_none_or(|at| at.milliwatts.is_none());
        let waiting = match (volts_wait, power_waits) {
            (true, true) => "in volts and milliwatts do",
            (true, false) => "in volts does",
            (false, true) => "in milliwatts does",
            (false, false) => return None,
        };
        let missing = match at {
            None => "the output's volts at full scale are not known: `loudenough calibrate volts`",
            Some(_) => {
                "source or load impedance is not known: `loudenough calibrate source` and `calibrate load`, or type them"
            }
        };
        Some(format!("The ceiling {waiting} not act, because {missing}."))
    }
}

fn stated_words(stated: &Estimate, unit: &str) -> String {
    format!("{:.4} {unit}", stated.value)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2 V open behind 8 Ω into 32 Ω: 1.6 V at full scale, 80 mW.
    fn known() -> Chain {
        let mut chain = Chain::fresh("a", "b");
        chain.output_side.volts_per_full_scale = Some(Estimate::exact(2.0));
        chain.output_side.source_impedance_ohm = Some(Estimate::exact(8.0));
        chain.output_side.load_impedance_ohm = Some(Estimate::exact(32.0));
        chain.complete_electrical();
        chain
    }

    #[test]
    fn a_drive_is_stated_in_volts_and_milliwatts_at_the_load() {
        let at = known().at_load(Dbfs(-20.0), &pink_spectrum()).unwrap();
        assert!((at.volts.value - 0.16).abs() < 1e-12 && (at.milliwatts.unwrap().value - 0.8).abs() < 1e-12);
        assert_eq!(Chain::fresh("a", "b").at_load(Dbfs(-20.0), &pink_spectrum()), None);
    }

    #[test]
    fn ceilings_in_volts_and_milliwatts_become_drives() {
        let mut chain = known();
        chain.output_side.ceilings.volts = Some(0.16);
        let also = ChainCeilings { milliwatts: Some(8.0), ..ChainCeilings::default() };
        let ceilings = chain.electrical_ceilings(&also, &[]);
        assert!((ceilings[0].rms.db() + 20.0).abs() < 1e-9 && ceilings[0].because.contains("0.16 V at the load"));
        assert!((ceilings[1].rms.db() + 10.0).abs() < 1e-9 && ceilings[1].because.contains("8 mW in the load"));
        assert_eq!(chain.idle_ceilings(&also), None);
        chain.output_side.load_impedance_ohm = None;
        // Without the load the open volts count, which are more.
        let open = chain.electrical_ceilings(&also, &[]);
        assert!(open.len() == 1 && (open[0].rms.db() - 20.0 * 0.08f64.log10()).abs() < 1e-9, "{open:?}");
        assert!(chain.idle_ceilings(&also).unwrap().contains("milliwatts does not act"));
    }

    #[test]
    fn another_position_output_or_headphone_invalidates_what_was_taken() {
        let mut chain = known();
        assert!(chain.changed_electrical().is_empty());
        chain.output_side.gain_switch = "high".into();
        let changed = chain.changed_electrical();
        assert_eq!(changed.len(), 2);
        assert!(changed[0].what.contains("the volume was ``, now `gain high`"), "{changed:?}");
        chain.electrical_belongs_here([ElectricalPart::Volts]);
        chain.headphone = "another".into();
        let parts: Vec<_> = chain.drop_changed_electrical().into_iter().map(|c| c.part).collect();
        assert_eq!(parts, [ElectricalPart::Source, ElectricalPart::Load]);
        let side = &chain.output_side;
        assert!(side.volts_per_full_scale.is_some() && side.source_taken_on.is_none() && side.load.is_none());
    }
}
