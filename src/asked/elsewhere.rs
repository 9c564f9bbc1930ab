//! A session as a sound, for an output that this computer cannot drive.

use super::Read;
use super::plan::checked;
use crate::session::elsewhere::{Asked, SampleFormat};
use crate::session::plan::{Ceilings, Plan};
use crate::signal::Stimulus;
use crate::units::{Dbfs, SampleRate};

/// What the sound is to hold.
#[derive(Clone, Debug)]
pub struct Sound {
    /// Rate of the file.
    pub rate: SampleRate,
    /// One or two channels.
    pub channels: u16,
    /// Its samples.
    pub format: SampleFormat,
    /// RMS drive of the loudest step, the only ceiling that such a sound keeps.
    pub top: Dbfs,
    /// RMS drive of the quiet reference and of the marks.
    pub reference: Dbfs,
    /// First step of the climb; `None`: one step over the reference.
    pub from: Option<Dbfs>,
    /// Distance between steps, dB.
    pub step_db: f64,
    /// Sines beside the noise, Hz.
    pub sines_hz: Vec<f64>,
    /// Further sounds beside it.
    pub beside: Vec<Stimulus>,
}

impl Sound {
    /// With everything else as in `base`; a loudest step above its default needs the same number in `again`.
    ///
    /// # Errors
    /// The field that is wrong, and why.
    pub fn over(self, base: Plan, again: Option<f64>) -> Read<Asked> {
        let Sound { rate, channels, format, top, reference, from, step_db, sines_hz, beside } = self;
        let ceilings = Ceilings { drive: Some(top), ..Ceilings::default() };
        // How loud it will be nobody knows: no calibration holds for an output that was never heard.
        let plan = checked(Plan { sines_hz, beside, ceilings, step_db, ..base }, rate, false, again)?;
        Ok(Asked { rate, channels, format, reference, from, plan })
    }
}
