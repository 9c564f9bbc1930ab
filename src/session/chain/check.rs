//! Is a chain one that can be used? Asked once, where it is read.

use super::Chain;
use crate::calibration::electrical::Impedance;
use crate::calibration::{OFFSET_DB, is_date};
use crate::session::plan::PlanValue;
use crate::stats::Estimate;
use std::collections::BTreeSet;

/// Lowest and highest of what a chain states; its ceilings have the limits of a plan's.
pub mod limits {
    /// Highest level of a microphone, dB SPL peak.
    pub const MICROPHONE_MAX_DB_SPL: (f64, f64) = (60.0, 200.0);
    /// Volts RMS of an output at full scale.
    pub const OUTPUT_VOLTS: (f64, f64) = (1e-6, 1000.0);
    /// Source impedance, ohm.
    pub const SOURCE_OHM: (f64, f64) = (0.0, 1e6);
    /// Load impedance, ohm.
    pub const LOAD_OHM: (f64, f64) = (1e-3, 1e6);
    /// Volts RMS of an input at full scale, its divider included.
    pub const INPUT_VOLTS: (f64, f64) = (1e-6, 10_000.0);
}

impl Chain {
    /// Checks what a file or a hand may have got wrong.
    ///
    /// # Errors
    /// The first thing that cannot be, in words, with what to do.
    pub fn check(&self) -> Result<(), String> {
        self.check_channels()?;
        self.check_calibration()?;
        self.check_output_side()?;
        if !self.ages.are_limits() {
            return Err("the limits of age must be from 1 month and over 0 hours to a century".into());
        }
        let instruments = self.microphones.values().chain(&self.calibrator);
        match instruments.filter_map(|i| i.certificate.as_deref()).find(|date| !is_date(date)) {
            Some(date) => Err(format!("`{date}` is not a date; write the certificate's date as 2025-06-30")),
            None => Ok(()),
        }
    }

    fn check_channels(&self) -> Result<(), String> {
        let captured = &self.routing.capture_channels;
        let channels: BTreeSet<u16> = captured.iter().map(|c| c.channel).collect();
        let roles: BTreeSet<_> = captured.iter().map(|c| c.role).collect();
        if channels.len() != captured.len() || roles.len() != captured.len() {
            return Err("each capture channel and each role can be used once".into());
        }
        let driven: BTreeSet<&u16> = self.routing.playback_channels.iter().collect();
        if driven.len() != self.routing.playback_channels.len() {
            return Err("each playback channel can be used once".into());
        }
        Ok(())
    }

    fn check_calibration(&self) -> Result<(), String> {
        for acoustic in self.acoustic.values() {
            check_estimate("the calibration offset", &acoustic.offset, OFFSET_DB)?;
        }
        if self.taken_on.values().any(|setting| !setting.curve_db.is_finite()) {
            return Err("a correction at the calibrator's frequency is not a number".into());
        }
        check("the microphone's highest level in dB SPL", self.microphone_max_db_spl, limits::MICROPHONE_MAX_DB_SPL)
    }

    fn check_output_side(&self) -> Result<(), String> {
        let side = &self.output_side;
        if let Some(volts) = &side.volts_per_full_scale {
            check_estimate("the output's volts at full scale", volts, limits::OUTPUT_VOLTS)?;
        }
        if let Some(ohms) = &side.source_impedance_ohm {
            check_estimate("the source impedance in ohms", ohms, limits::SOURCE_OHM)?;
        }
        if let Some(ohms) = &side.load_impedance_ohm {
            check_estimate("the load impedance in ohms", ohms, limits::LOAD_OHM)?;
        }
        for input in self.input_volts.values() {
            check_estimate("an input's volts at full scale", &input.volts_per_full_scale, limits::INPUT_VOLTS)?;
        }
        for curve in side.source.iter().chain(&side.load) {
            check_curve(curve)?;
        }
        check("the ceiling in dB SPL", side.ceilings.spl.map(|l| l.db()), PlanValue::CeilingSpl.limits())?;
        check("the ceiling in dBFS", side.ceilings.drive.map(|l| l.db()), PlanValue::CeilingDrive.limits())?;
        check("the ceiling in volts", side.ceilings.volts, PlanValue::CeilingVolts.limits())?;
        check("the ceiling in milliwatts", side.ceilings.milliwatts, PlanValue::CeilingMilliwatts.limits())
    }
}

/// Frequencies of an impedance rise, and its numbers are numbers.
fn check_curve(curve: &Impedance) -> Result<(), String> {
    let rise = curve.points.windows(2).all(|pair| pair[0].frequency_hz < pair[1].frequency_hz);
    let first = curve.points.first().is_none_or(|p| p.frequency_hz > 0.0);
    let numbers = curve.points.iter().all(|p| <[f64; 6]>::from(*p).iter().all(|x| x.is_finite()));
    if rise && first && numbers {
        return Ok(());
    }
    Err("the frequencies of an impedance do not rise, or one of its numbers is none".into())
}

fn check(what: &str, value: Option<f64>, (low, high): (f64, f64)) -> Result<(), String> {
    match value.filter(|v| !(low..=high).contains(v)) {
        Some(value) => Err(format!("{what} is {value}, outside {low} to {high}")),
        None => Ok(()),
    }
}

fn check_estimate(what: &str, estimate: &Estimate, limits: (f64, f64)) -> Result<(), String> {
    check(what, Some(estimate.value), limits)?;
    let interval = estimate.interval;
    if interval.low.is_finite() && interval.high.is_finite() && estimate.holds(estimate.value) {
        return Ok(());
    }
    Err(format!(
        "the interval of {what}, {} to {}, does not contain its value {}",
        interval.low, interval.high, estimate.value
    ))
}
