//! Whole takes through the analysis, held against the desk's set values.

mod coverage;
mod desk;
mod faults;
mod known;
mod sounds;

use super::{Context, Correction, Finding, Measured, PinkFinding, Reference, measure};
use crate::signal::LineKind;
use crate::stats::{Estimate, Reading};
use crate::units::db_from_power;
use desk::Desk;

fn pink(desk: &Desk) -> (PinkFinding, Measured) {
    pink_with(desk, None)
}

fn pink_with(desk: &Desk, reference: Option<&Reference>) -> (PinkFinding, Measured) {
    let none = Correction::none();
    let measured = measure(&desk.take(), 0, &Context { reference, ..Context::alone(&none) }).unwrap();
    let Finding::Pink(finding) = &measured.finding else { panic!("pink in, pink out") };
    ((**finding).clone(), measured)
}

fn stated(reading: &Reading) -> Estimate {
    *reading.determined().unwrap_or_else(|| panic!("{reading:?}"))
}

/// Even-order distortion of the noise-free period, summed plainly, dB re its stimulus lines.
fn even_truth_db(desk: &Desk) -> f64 {
    let period = desk.period();
    db_from_power(desk.true_power(period.lines.of(LineKind::Even)) / desk.signal_rms().powi(2)).unwrap()
}

/// Odd-order distortion of the noise-free period, measured the same way: detection lines scaled per one-third octave
/// (edges 1000·10^((2x∓1)/20) Hz) from the 63 Hz band up.
fn odd_truth_db(desk: &Desk) -> f64 {
    let (period, lines) = (desk.period(), desk.true_lines());
    let mut sum = 0.0;
    for x in -12..=13 {
        let edge = |x: i32| 1000.0 * 10f64.powf(f64::from(2 * x - 1) / 20.0);
        let inside = |k: &usize| {
            let f = *k as f64 * period.line_spacing_hz();
            edge(x) <= f && f < edge(x + 1)
        };
        let silent: Vec<usize> = period.lines.of(LineKind::Detection).filter(inside).collect();
        let odd = silent.len() + period.lines.of(LineKind::Excited).filter(inside).count();
        let power: f64 = silent.iter().map(|k| lines[*k].norm_sqr()).sum();
        sum += power * odd as f64 / silent.len() as f64;
    }
    db_from_power(sum / desk.signal_rms().powi(2)).unwrap()
}
