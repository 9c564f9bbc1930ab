//! What a user types of an output or a headphone: figures with where they come from. One TOML file each.

use super::OutputName;
use super::sensitivity::Per;
use crate::asked::Field;
use crate::calibration::electrical::ImpedancePoint;
use crate::judgement::comparison::Hears;
use crate::session::chain::Chain;
use crate::session::own_level::{How, OwnLevel};
use crate::session::plan::ListeningLevel;
use crate::stats::Estimate;
use serde::{Deserialize, Serialize};

/// A typed figure, in the unit its key names.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Figure {
    /// Value.
    pub value: f64,
    /// 95 % half width, as stated; each use names what counts where none is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub half_width: Option<f64>,
    /// Where it comes from, in words (`data sheet`, `own measurement`).
    pub source: String,
    /// When it was stated or measured (`2026-03-01`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
}

impl Figure {
    /// With this half width where none is stated.
    pub fn estimate(&self, otherwise: f64) -> Estimate {
        Estimate::symmetric(self.value, self.half_width.unwrap_or(otherwise))
    }
}

/// How loud the listener listens, kept as theirs: not with a session, an output or a headphone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptListener {
    /// When they stated it (RFC 3339).
    pub stated_at: String,
    /// Their listening level.
    pub listening: ListeningLevel,
    /// What they state that they hear.
    #[serde(default, skip_serializing_if = "Hears::is_empty")]
    pub hears: Hears,
    /// How it was measured; `None` where it was stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<MeasuredLevel>,
}

/// How a listening level was measured at the listener's own volume position.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeasuredLevel {
    /// Half width of its interval, dB, 95 %.
    pub half_width_db: f64,
    /// `pink noise` or `own music`.
    pub by: String,
    /// Seconds that it was listened to.
    pub listened_s: f64,
    /// Output with its volume position.
    pub output: String,
    /// Headphone.
    pub headphone: String,
}

impl MeasuredLevel {
    /// What was heard at the listener's own volume position, on this chain.
    pub fn of(own: &OwnLevel, chain: &Chain) -> MeasuredLevel {
        let by = match own.how {
            How::Pink { .. } => "pink noise",
            How::Music { .. } => "own music",
        };
        MeasuredLevel {
            half_width_db: own.listening().1,
            by: by.into(),
            listened_s: own.listened_s,
            output: OutputName::of(chain).words(),
            headphone: chain.headphone.trim().into(),
        }
    }
}

impl KeptListener {
    /// Checks what a file may have got wrong.
    ///
    /// # Errors
    /// What cannot be, in words.
    pub fn check(&self) -> Result<(), String> {
        between("listening.level", self.listening.level.db(), Field::Listening)?;
        let stated = [
            ("hears.response_db", self.hears.response_db, Field::HearsResponse),
            ("hears.distortion_db", self.hears.distortion_db, Field::HearsDistortion),
            ("hears.noise_db_spl", self.hears.noise_db_spl, Field::HearsNoise),
        ];
        stated.into_iter().try_for_each(|(name, value, field)| value.map_or(Ok(()), |v| between(name, v, field)))
    }
}

/// An output as typed. What is not known is absent.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutputEntry {
    /// In words, as in the chain of its sessions.
    pub name: String,
    /// Volume positions and switches that the figures hold for, in words, as in the chain of its sessions.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub positions: String,
    /// Volts RMS of the open output for a sine at 0 dBFS.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volts_per_full_scale: Option<Figure>,
    /// Source impedance, ohm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source_ohm: Option<Figure>,
    /// Highest peak of the open output, volts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub voltage_limit_v: Option<Figure>,
    /// Highest peak of the current, milliamperes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_limit_ma: Option<Figure>,
    /// Highest sine powers into resistances, as data sheets state them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub power: Vec<RatedPower>,
}

/// The highest power of a sine into a resistance.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RatedPower {
    /// The resistance, ohm.
    pub ohm: f64,
    /// Milliwatts RMS.
    pub milliwatts: Figure,
}

/// A headphone as typed. What is not known is absent.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HeadphoneEntry {
    /// In words, as in the chain of its sessions.
    pub name: String,
    /// How loud it is for what it is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sensitivity: Option<Sensitivity>,
    /// Magnitude of its impedance, ohm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub impedance_ohm: Option<Figure>,
    /// The same over frequency: rows of frequency, real and imaginary part and their half widths and that of the
    /// magnitude, as in a chain file.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub impedance: Vec<ImpedancePoint>,
    /// What it keeps out of an A-weighted room, dB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub isolation_db: Option<Figure>,
}

/// A stated sensitivity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sensitivity {
    /// dB SPL.
    pub level: Figure,
    /// For what.
    pub per: Per,
    /// Frequency of the sine, Hz (500 in IEC 60268-7, often 1000).
    pub at_hz: f64,
}

impl OutputEntry {
    /// Checks what a file or a hand may have got wrong.
    ///
    /// # Errors
    /// The first thing that cannot be, in words.
    pub fn check(&self) -> Result<(), String> {
        named(&self.name, "output")?;
        within("volts_per_full_scale", self.volts_per_full_scale.as_ref(), Field::SheetVolts)?;
        within("source_ohm", self.source_ohm.as_ref(), Field::SheetSource)?;
        within("voltage_limit_v", self.voltage_limit_v.as_ref(), Field::LimitVolts)?;
        within("current_limit_ma", self.current_limit_ma.as_ref(), Field::LimitMilliamperes)?;
        for power in &self.power {
            within("power.milliwatts", Some(&power.milliwatts), Field::SheetPower)?;
            between("power.ohm", power.ohm, Field::SheetPowerInto)?;
        }
        Ok(())
    }
}

impl HeadphoneEntry {
    /// Checks what a file or a hand may have got wrong.
    ///
    /// # Errors
    /// The first thing that cannot be, in words.
    pub fn check(&self) -> Result<(), String> {
        named(&self.name, "headphone")?;
        if let Some(sensitivity) = &self.sensitivity {
            within("sensitivity.level", Some(&sensitivity.level), Field::HeadphoneSensitivity)?;
            between("sensitivity.at_hz", sensitivity.at_hz, Field::SensitivityFrequency)?;
        }
        within("impedance_ohm", self.impedance_ohm.as_ref(), Field::HeadphoneImpedance)?;
        within("isolation_db", self.isolation_db.as_ref(), Field::Isolation)?;
        let rising = self.impedance.windows(2).all(|pair| pair[0].frequency_hz < pair[1].frequency_hz);
        let possible =
            |p: &ImpedancePoint| p.frequency_hz > 0.0 && p.z().re.is_finite() && p.z().im.is_finite() && p.z().re > 0.0;
        if !rising || !self.impedance.iter().all(possible) {
            return Err("the frequencies of `impedance` must rise, and every resistance must be above zero".into());
        }
        Ok(())
    }
}

fn named(name: &str, what: &str) -> Result<(), String> {
    if name.trim().is_empty() { Err(format!("the {what} has no name")) } else { Ok(()) }
}

fn within(key: &str, figure: Option<&Figure>, field: Field) -> Result<(), String> {
    let Some(figure) = figure else { return Ok(()) };
    between(key, figure.value, field)?;
    let half = figure.half_width.unwrap_or(0.0);
    if half >= 0.0 && half.is_finite() { Ok(()) } else { Err(format!("the half width of `{key}` is {half}")) }
}

fn between(key: &str, value: f64, field: Field) -> Result<(), String> {
    let range = field.row().range_in_words();
    field.within(value).map(drop).map_err(|_| format!("`{key}` is {value}; it must lie {range}"))
}
