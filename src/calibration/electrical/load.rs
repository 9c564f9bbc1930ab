//! Load impedance with a known series resistor between two inputs.
//!
//! ```text
//!  output ──●──[R]──●──[cable]── plug ──[Z]── return        ρ = V(witness) / V(source side), mismatch taken out
//!           │       │
//!     source side  witness ([Rin] across)                   Z = 1/((1 − ρ)/(R·ρ) − 1/Rin) − cable
//! ```
//!
//! The mismatch is the ratio of the same two inputs on one signal, measured first and over frequency.

use super::source::{common, noisy};
use super::{CONTACT_LIMIT_OHM, DRAWS, ImpedancePoint, MOVES_DB, Resistor, drawn_input};
use crate::analysis::RatioPoint;
use crate::stats::{Draws, Estimate};
use crate::units::amplitude_from_db;
use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};

/// What stands between the inputs and the load.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LoadSetup {
    /// Between source side and witness.
    pub series: Resistor,
    /// Resistance of the witness' input, where known: it lies across the load.
    pub input: Option<Resistor>,
    /// Cable and contacts from the witness to the plug, ohm, and their limits.
    pub cable_ohm: Estimate,
}

impl LoadSetup {
    /// With this series resistor and contacts only.
    pub fn through(series: Resistor) -> LoadSetup {
        LoadSetup { series, input: None, cable_ohm: Estimate::symmetric(0.0, CONTACT_LIMIT_OHM) }
    }
}

fn impedance(rho: Complex<f64>, series: f64, input: f64, cable: f64) -> Complex<f64> {
    1.0 / ((1.0 - rho) / (series * rho) - input) - cable
}

/// Load impedance at the plug from both ratios witness over source side: on one signal, and with the resistor between.
pub fn load_impedance(matched: &[RatioPoint], measured: &[RatioPoint], setup: &LoadSetup) -> Vec<ImpedancePoint> {
    let mut random = Draws::new(7);
    // Resistors, inputs and contacts are the same at every frequency.
    let drawn: Vec<(f64, f64, f64, f64)> = (0..DRAWS)
        .map(|_| {
            let series = setup.series.draw(&mut random) + CONTACT_LIMIT_OHM * random.uniform();
            let input = drawn_input(setup.input.as_ref(), &mut random);
            let cable = setup.cable_ohm.value + random.within(setup.cable_ohm.half_width());
            (series, input, cable, amplitude_from_db(random.within(MOVES_DB)))
        })
        .collect();
    let known_input = setup.input.map_or(0.0, |r| 1.0 / r.ohm);
    common(matched, measured)
        .map(|(one, through)| {
            let z = impedance(through.ratio / one.ratio, setup.series.ohm, known_input, setup.cable_ohm.value);
            let draws: Vec<Complex<f64>> = drawn
                .iter()
                .map(|(series, input, cable, moved)| {
                    let rho = noisy(through, &mut random) / noisy(one, &mut random) * moved;
                    impedance(rho, *series, *input, *cable)
                })
                .collect();
            ImpedancePoint::drawn(through.frequency_hz, z, &draws)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Share of seeded measurements whose interval holds the truth; 500 of them, so ±2 % (two standard deviations).
    const COVERED: std::ops::RangeInclusive<f64> = 0.93..=0.995;

    /// The resonant load of the worked examples, 32 + 68/(1 + 2j(f/80 − 80/f)) Ω: magnitude and phase.
    #[test]
    fn the_resonant_loads_table_comes_out() {
        let table = [
            (10.0, 32.5582, 7.5895),
            (20.0, 34.3626, 15.0252),
            (31.5, 38.5513, 22.9433),
            (50.0, 53.7869, 30.8862),
            (63.0, 75.3213, 26.8148),
            (80.0, 100.0, 0.0),
            (125.0, 55.3366, -30.9845),
            (1000.0, 32.2261, -4.8651),
            (10_000.0, 32.0022, -0.4870),
        ];
        let setup = LoadSetup::through(Resistor { ohm: 47.0, tolerance_percent: 0.1 });
        let mismatch = Complex::new(1.02, 0.003);
        let point = |frequency_hz, ratio| RatioPoint { frequency_hz, ratio, deviation: 1e-6 };
        let z = |f: f64| 32.0 + 68.0 / Complex::new(1.0, 2.0 * (f / 80.0 - 80.0 / f));
        let matched: Vec<_> = table.iter().map(|(f, ..)| point(*f, mismatch)).collect();
        let measured: Vec<_> = table.iter().map(|(f, ..)| point(*f, mismatch * z(*f) / (z(*f) + 47.0))).collect();
        let found = load_impedance(&matched, &measured, &setup);
        assert_eq!(found.len(), table.len());
        for ((f, magnitude, degrees), p) in table.iter().zip(&found) {
            assert!((p.magnitude.value - magnitude).abs() < 1e-4, "{f} Hz: {p:?}");
            assert!((p.z().arg().to_degrees() - degrees).abs() < 1e-3, "{f} Hz: {p:?}");
            // 0.1 % of the resistor and 0.01 Ω of contacts, at least.
            assert!(p.magnitude.half_width() > 0.95e-3 * magnitude, "{f} Hz: {p:?}");
        }
    }

    /// Resistors, inputs, contacts, noise and drift drawn as they are stated: the intervals hold as often as they say. Both
    /// ends of the range: 0.1 Ω through 10 Ω, 600 Ω through 100 Ω with an input of 10 kΩ across it.
    #[test]
    fn intervals_hold_the_truth() {
        const SEEDS: u64 = 500;
        for (ohm, series, input) in [(0.1, 10.0, None), (32.0, 33.0, None), (600.0, 100.0, Some(10e3))] {
            let series = Resistor { ohm: series, tolerance_percent: 0.5 };
            let input = input.map(|ohm| Resistor { ohm, tolerance_percent: 2.0 });
            let setup = LoadSetup { input, cable_ohm: Estimate::symmetric(0.02, 0.01), ..LoadSetup::through(series) };
            let held = (0..SEEDS).filter(|seed| {
                let mut random = Draws::new(1_000 + seed);
                let (r, g) =
                    (series.draw(&mut random) + 0.01 * random.uniform(), drawn_input(input.as_ref(), &mut random));
                let z = Complex::new(ohm, 0.1 * ohm);
                let across = 1.0 / (1.0 / (z + 0.02 + random.within(0.01)) + g);
                let moved = amplitude_from_db(random.within(MOVES_DB));
                let point = |ratio: Complex<f64>, random: &mut Draws| {
                    let p = RatioPoint { frequency_hz: 1000.0, ratio, deviation: 3e-5 };
                    RatioPoint { ratio: noisy(&p, random), ..p }
                };
                let matched = [point(Complex::new(0.99, 0.0), &mut random)];
                let measured = [point(0.99 * across / (across + r) * moved, &mut random)];
                let found = &load_impedance(&matched, &measured, &setup)[0];
                found.magnitude.holds(z.norm()) && found.re.holds(z.re)
            });
            let share = held.count() as f64 / SEEDS as f64;
            println!("{ohm} Ω: {share}");
            assert!(COVERED.contains(&share), "{ohm} Ω: {share}");
        }
    }
}
