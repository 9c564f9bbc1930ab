//! Impedances of the simulated desk by their closed forms, and the voltages that they divide.

use loudenough::audio::simulated::{BenchSpec, PluggedIn};
use realfft::num_complex::Complex;
use std::f64::consts::TAU;

type C = Complex<f64>;

/// Of the source.
pub fn source(spec: &BenchSpec, f_hz: f64) -> C {
    let capacitor = spec.output.coupling_f.map_or(0.0, |farad| -1.0 / (TAU * f_hz * farad));
    C::new(spec.output.source_ohm, capacitor)
}

/// Of the headphone.
pub fn headphone(spec: &BenchSpec, f_hz: f64) -> C {
    let h = &spec.headphone;
    let coil = C::new(h.load_ohm, TAU * f_hz * h.inductance_h);
    h.resonances.iter().fold(coil, |z, r| {
        let detuned = f_hz / r.frequency_hz - r.frequency_hz / f_hz;
        z + C::new(r.peak_ohm, 0.0) / C::new(1.0, r.q * detuned)
    })
}

/// Volts before the series resistor and across the load, per volt of the open source: nodal equations by conductances.
pub fn volts(spec: &BenchSpec, f_hz: f64) -> [C; 2] {
    let input = C::new(spec.lines_in.input_ohm.map_or(0.0, |ohm| 1.0 / ohm), 0.0);
    let cable = spec.hookup.cable_ohm;
    let load = match spec.hookup.load {
        PluggedIn::Nothing => C::new(0.0, 0.0),
        PluggedIn::Resistor { ohm } => 1.0 / C::new(ohm + cable, 0.0),
        PluggedIn::Headphone => 1.0 / (headphone(spec, f_hz) + cable),
    };
    let given = 1.0 / source(spec, f_hz);
    if spec.hookup.series_ohm == 0.0 {
        let v = given / (given + 2.0 * input + load);
        return [v, v];
    }
    let between = C::new(1.0 / spec.hookup.series_ohm, 0.0);
    // (given + input + between)·v1 − between·v2 = given;  −between·v1 + (between + input + load)·v2 = 0.
    let (a, d) = (given + input + between, between + input + load);
    let v2 = between * given / (a * d - between * between);
    [v2 * d / between, v2]
}
