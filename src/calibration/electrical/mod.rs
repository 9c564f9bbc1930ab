//! The road from full scale to volts, and the impedances of output and headphone.
//!
//! ```text
//! voltmeter reading ──► volts per full scale of output and inputs
//! open and loaded, or two loads ──► source impedance      V = E / (1 + Zs·Y), Y of each load with the input on it
//! series resistor, two inputs ──► load impedance          Z = R·ρ/(1 − ρ), ρ = V(load)/V(source side), inputs matched
//! ```
//!
//! All over frequency and complex; every result carries the interval that noise, resistors, inputs, cable and contacts
//! leave, drawn (JCGM 101:2008), because most of them are limits.

mod divide;
mod impedance;
mod load;
mod source;
mod volts;
mod words;

pub use divide::{AtLoad, Known, loss_db, volts_and_power};
pub use impedance::{Impedance, ImpedanceFrom, ImpedancePoint, at_1_khz};
pub use load::{LoadSetup, load_impedance};
pub use source::{Loading, SourceRefused, from_voltages, source_impedance};
pub use volts::{
    HIGHEST_ACCURACY_PERCENT, InputVolts, METER_LIMIT_PERCENT, Meter, OutputVolts, READING_V, VoltsRefused,
    divider_factor, input_volts, output_volts, usable,
};
pub use words::{impedance_words, level_words, ohms_words, power_words, volts_words};

use crate::stats::Draws;
use serde::{Deserialize, Serialize};

/// Draws of each Monte Carlo: half widths are good to about 3 %.
const DRAWS: usize = 2_000;
/// Cable and contacts between where a voltage is seen and the plug, ohm, as a limit, where nothing is stated (common
/// practice, no source).
pub const CONTACT_LIMIT_OHM: f64 = 0.01;
/// What an input's gain and an output's level may move between two takes some seconds apart, dB, as a limit (common
/// practice, no source).
pub const MOVES_DB: f64 = 0.001;

/// Lowest and highest of what is stated of a procedure.
pub mod limits {
    /// Frequency of the tone, Hz.
    pub const TONE_HZ: (f64, f64) = (20.0, 20_000.0);
    /// Its length, seconds.
    pub const TONE_S: (f64, f64) = (2.0, 100.0);
    /// Factor of a divider.
    pub const DIVIDER: (f64, f64) = (1.0, 10_000.0);
    /// A resistor that loads an output, ohm.
    pub const LOAD_OHM: (f64, f64) = (0.1, 1e6);
    /// A resistor in series with a headphone, or in its place, ohm.
    pub const SERIES_OHM: (f64, f64) = (0.1, 1e5);
}

/// A resistor as stated.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Resistor {
    /// Its value.
    pub ohm: f64,
    /// Limit of what it may be off, percent.
    pub tolerance_percent: f64,
}

impl Resistor {
    fn draw(&self, random: &mut Draws) -> f64 {
        self.ohm * (1.0 + random.within(0.01 * self.tolerance_percent))
    }
}

/// What the witness itself puts in parallel with what it sees; `None`: nothing is allowed for it.
fn drawn_input(input: Option<&Resistor>, random: &mut Draws) -> f64 {
    input.map_or(0.0, |r| 1.0 / r.draw(random))
}
