//! Source impedance from what its voltage does under two loads.
//!
//! `V = E/(1 + Zs·Y)`, `Y` the admittance of the load with the input's own across it (open: the input's alone). The ratio
//! `r = V₁/V₂` of two loads gives `Zs = (r − 1)/(Y₂ − r·Y₁)`; open and loaded that is `R(V_open/V_loaded − 1)`. Each `V` is
//! taken over the loopback of the same take, so that level, clock and phase of the takes fall out.

use super::{CONTACT_LIMIT_OHM, DRAWS, ImpedancePoint, MOVES_DB, Resistor, drawn_input};
use crate::analysis::RatioPoint;
use crate::stats::{Draws, Estimate, estimate_from_draws};
use crate::units::amplitude_from_db;
use realfft::num_complex::Complex;

/// What the output drove in one take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loading {
    /// The load; `None`: open.
    pub load: Option<Resistor>,
    /// Resistance of the input that sees the voltage, where known: it loads too.
    pub input: Option<Resistor>,
}

/// Why two loads tell no source impedance.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SourceRefused {
    /// Twice the same load.
    #[error("both voltages were taken on the same load; leave it open once, or take another resistor")]
    SameLoad,
    /// The voltage does not fall.
    #[error(
        "the voltage rises from {lighter_v} V to {heavier_v} V under the heavier load, which no output does; were the readings exchanged?"
    )]
    Rises {
        /// On the lighter load.
        lighter_v: f64,
        /// On the heavier one.
        heavier_v: f64,
    },
    /// The takes have no frequency in common.
    #[error("the two takes have no line in common that is above the noise; play them louder")]
    NothingInCommon,
}

impl Loading {
    fn admittance(&self) -> f64 {
        self.load.map_or(0.0, |r| 1.0 / r.ohm) + self.input.map_or(0.0, |r| 1.0 / r.ohm)
    }

    fn draw(&self, random: &mut Draws) -> f64 {
        // Contacts lie in series with the resistor.
        let contact = CONTACT_LIMIT_OHM * random.uniform();
        self.load.map_or(0.0, |r| 1.0 / (r.draw(random) + contact)) + drawn_input(self.input.as_ref(), random)
    }
}

/// Source impedance as a resistance from two readings of one meter, volts, each with its loading; `limit_percent` is how far
/// the meter's scale may deviate from linear between them, and `last_digit_v` the worth of its last digit.
///
/// # Errors
/// [`SourceRefused`].
pub fn from_voltages(
    (first_v, first): (f64, Loading),
    (second_v, second): (f64, Loading),
    limit_percent: f64,
    last_digit_v: f64,
) -> Result<Estimate, SourceRefused> {
    let (y1, y2) = (first.admittance(), second.admittance());
    if (y1 - y2).abs() <= 1e-9 * y1.max(y2) {
        return Err(SourceRefused::SameLoad);
    }
    let z = |r: f64, y1: f64, y2: f64| (r - 1.0) / (y2 - r * y1);
    let value = z(first_v / second_v, y1, y2);
    if !value.is_finite() || value < 0.0 {
        let (lighter_v, heavier_v) = if y1 < y2 { (first_v, second_v) } else { (second_v, first_v) };
        return Err(SourceRefused::Rises { lighter_v, heavier_v });
    }
    let mut random = Draws::new(4);
    let draws = (0..DRAWS).map(|_| {
        let read = |v: f64, random: &mut Draws| v + random.within(0.5 * last_digit_v);
        let bend = 1.0 + random.within(0.01 * limit_percent);
        let r = read(first_v, &mut random) / read(second_v, &mut random) * bend;
        z(r, first.draw(&mut random), second.draw(&mut random))
    });
    let draws = draws.collect();
    Ok(estimate_from_draws(value, draws))
}

/// Source impedance over frequency from the voltage over the loopback, on two loads.
///
/// # Errors
/// [`SourceRefused`].
pub fn source_impedance(
    (first, on_first): (&[RatioPoint], Loading),
    (second, on_second): (&[RatioPoint], Loading),
) -> Result<Vec<ImpedancePoint>, SourceRefused> {
    let (y1, y2) = (on_first.admittance(), on_second.admittance());
    if (y1 - y2).abs() <= 1e-9 * y1.max(y2) {
        return Err(SourceRefused::SameLoad);
    }
    let z = |r: Complex<f64>, y1: f64, y2: f64| (r - 1.0) / (y2 - r * y1);
    let loads = drawn_loads(&on_first, &on_second);
    let mut random = Draws::new(6);
    let mut points = Vec::new();
    for (a, b) in common(first, second) {
        let draws: Vec<Complex<f64>> = loads
            .iter()
            .map(|(y1, y2, moved)| z(noisy(a, &mut random) / noisy(b, &mut random) * moved, *y1, *y2))
            .collect();
        points.push(ImpedancePoint::drawn(a.frequency_hz, z(a.ratio / b.ratio, y1, y2), &draws));
    }
    if points.is_empty() { Err(SourceRefused::NothingInCommon) } else { Ok(points) }
}

/// Draws of both loads and of what moved between the takes: the same at every frequency.
fn drawn_loads(first: &Loading, second: &Loading) -> Vec<(f64, f64, f64)> {
    let mut random = Draws::new(5);
    (0..DRAWS)
        .map(|_| (first.draw(&mut random), second.draw(&mut random), amplitude_from_db(random.within(MOVES_DB))))
        .collect()
}

/// A ratio with its noise drawn.
pub(super) fn noisy(point: &RatioPoint, random: &mut Draws) -> Complex<f64> {
    point.ratio + Complex::new(random.normal(), random.normal()) * point.deviation
}

/// Points of both that stand at one frequency.
pub(super) fn common<'a>(
    first: &'a [RatioPoint],
    second: &'a [RatioPoint],
) -> impl Iterator<Item = (&'a RatioPoint, &'a RatioPoint)> {
    /// Points of one cell lie this near, relative: the power within it weighs them a little differently.
    const SAME_CELL: f64 = 0.004;
    first.iter().filter_map(|a| {
        let at = second.partition_point(|b| b.frequency_hz < a.frequency_hz * (1.0 - SAME_CELL));
        second.get(at).filter(|b| (b.frequency_hz / a.frequency_hz - 1.0).abs() < SAME_CELL).map(|b| (a, b))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(ohm: f64) -> Loading {
        Loading { load: Some(Resistor { ohm, tolerance_percent: 1.0 }), input: None }
    }

    const OPEN: Loading = Loading { load: None, input: None };

    /// 2.0 V open, 1.5 V on 33 Ω: 11.000 Ω. From two loads of 33 and 100 Ω behind the same 11 Ω: 1.5 V and 2·100/111 V.
    #[test]
    fn voltages_open_and_loaded_give_the_source_impedance() {
        let z = from_voltages((2.0, OPEN), (1.5, on(33.0)), 0.0, 0.0).unwrap();
        assert!((z.value - 11.0).abs() < 1e-9);
        // The limit of the resistor alone: 95 % within 0.95 of 1 %; its contacts add 0.01 Ω of 33 at most.
        assert!((z.half_width() / (0.95 * 0.11) - 1.0).abs() < 0.06, "{z:?}");
        let exchanged = from_voltages((1.5, on(33.0)), (2.0, OPEN), 0.0, 0.0).unwrap();
        assert!((exchanged.value - 11.0).abs() < 1e-9);
        let two = from_voltages((1.5, on(33.0)), (200.0 / 111.0, on(100.0)), 0.0, 0.0).unwrap();
        assert!((two.value - 11.0).abs() < 1e-9);
    }

    /// A meter of 10 kΩ is itself a load: 2 V behind 1 kΩ read 2/1.1 V open and 2·(1/(1 + 1.1)) V on another 1 kΩ.
    #[test]
    fn the_meters_own_resistance_is_allowed_for() {
        let input = Some(Resistor { ohm: 10e3, tolerance_percent: 0.0 });
        let (open, loaded) = (Loading { load: None, input }, Loading { input, ..on(1e3) });
        let z = from_voltages((2.0 / 1.1, open), (2.0 / 2.1, loaded), 0.0, 0.0).unwrap();
        assert!((z.value - 1e3).abs() < 1e-9, "{z:?}");
    }

    #[test]
    fn what_no_output_does_is_refused() {
        assert_eq!(from_voltages((2.0, on(33.0)), (1.5, on(33.0)), 1.0, 0.001), Err(SourceRefused::SameLoad));
        let exchanged = from_voltages((1.5, OPEN), (2.0, on(33.0)), 1.0, 0.001).unwrap_err();
        assert!(exchanged.to_string().contains("exchanged"), "{exchanged}");
        assert_eq!(source_impedance((&[], OPEN), (&[], on(33.0))), Err(SourceRefused::NothingInCommon));
    }
}
