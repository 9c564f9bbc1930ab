//! What of an open output's volts arrives at the load, and how many milliwatts that makes.
//!
//! `V = E·√(Σ w |Z/(Z + Zs)|²)` and `P = E²·Σ w·Re Z/|Z + Zs|²` over the shares `w` of the signal's power at each frequency
//! (the complex divider). Where the volts were read with the headphone connected they are those at it.

use super::Impedance;
use crate::stats::Estimate;
use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};

/// Frequency at which a meter read an output that was loaded, as far as this matters, Hz.
const READ_AT_HZ: f64 = 1000.0;

/// An impedance as far as it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known<'a> {
    /// Its magnitude in one number, ohm.
    pub magnitude: Estimate,
    /// Over frequency, where measured.
    pub curve: Option<&'a Impedance>,
}

impl Known<'_> {
    /// At a frequency, ohm; the single number is a resistance where there is no curve.
    pub fn z(&self, f_hz: f64) -> Complex<f64> {
        self.curve.and_then(|c| c.z_at(f_hz)).unwrap_or(Complex::new(self.magnitude.value, 0.0))
    }

    /// Half width over value: how far all of it may be off together.
    fn relative(&self) -> f64 {
        if self.magnitude.value > 0.0 { self.magnitude.half_width() / self.magnitude.value } else { 0.0 }
    }
}

/// Volts and milliwatts at the load.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AtLoad {
    /// Volts RMS.
    pub volts: Estimate,
    /// In the load; `None` where its impedance is not known.
    pub milliwatts: Option<Estimate>,
    /// True where these are the volts of the open output: source or load is not known.
    pub open: bool,
}

/// dB by which a load lowers the open voltage.
pub fn loss_db(load: Complex<f64>, source: Complex<f64>) -> f64 {
    20.0 * (load / (load + source)).norm().log10()
}

/// At the load, for `volts` at the output's full scale times the drive; `loaded` where they were read at the load itself.
/// `spectrum`: frequencies and their shares of the signal's power.
pub fn volts_and_power(
    volts: &Estimate,
    loaded: bool,
    source: Option<Known>,
    load: Option<Known>,
    spectrum: &[(f64, f64)],
) -> AtLoad {
    let open = !loaded && (source.is_none() || load.is_none());
    let all: f64 = spectrum.iter().map(|(_, w)| w).sum();
    // Share of the volts at the load and milliwatts per volt squared, with source and load scaled.
    let shares = |source_by: f64, load_by: f64| -> (f64, Option<f64>) {
        let Some(load) = load else { return (1.0, None) };
        let divided = |f_hz: f64| {
            let z = load.z(f_hz) * load_by;
            source.map_or(Complex::new(1.0, 0.0), |source| z / (z + source.z(f_hz) * source_by))
        };
        let at_reading = if loaded { divided(READ_AT_HZ).norm() } else { 1.0 };
        let mut sums = (0.0, 0.0);
        for (f_hz, w) in spectrum {
            let power = divided(*f_hz).norm_sqr() / at_reading.powi(2) * w / all;
            let z = load.z(*f_hz) * load_by;
            sums = (sums.0 + power, sums.1 + 1000.0 * power * z.re / z.norm_sqr());
        }
        (sums.0.sqrt(), Some(sums.1).filter(|_| !open))
    };
    let (share, milliwatts) = shares(1.0, 1.0);
    let share = if open { 1.0 } else { share };
    let by_source = shares(1.0 + source.map_or(0.0, |s| s.relative()), 1.0);
    let by_load = shares(1.0, 1.0 + load.map_or(0.0, |l| l.relative()));
    let relative = volts.half_width() / volts.value;
    let moved = |x: f64| if open { 0.0 } else { x };
    let half = relative.hypot(moved(by_source.0 / share - 1.0)).hypot(moved(by_load.0 / share - 1.0));
    let value = volts.value * share;
    AtLoad {
        volts: Estimate::symmetric(value, value * half),
        milliwatts: milliwatts.map(|mw| {
            let change = |other: Option<f64>| other.map_or(0.0, |o| o / mw - 1.0);
            let half = (2.0 * relative).hypot(change(by_source.1)).hypot(change(by_load.1));
            let value = mw * volts.value * volts.value;
            Estimate::symmetric(value, value * half)
        }),
        open,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(ohm: f64) -> Known<'static> {
        Known { magnitude: Estimate::exact(ohm), curve: None }
    }

    /// Loss of a divider of resistances, dB: 20 lg(Z/(Z + Zs)), computed from the algebra.
    #[test]
    fn the_dividers_table_comes_out() {
        for (source, losses) in [
            (0.5, [-0.2673, -0.1347, -0.0676, -0.0289, -0.0145, -0.0072]),
            (1.0, [-0.5266, -0.2673, -0.1347, -0.0577, -0.0289, -0.0145]),
            (2.0, [-1.0231, -0.5266, -0.2673, -0.1150, -0.0577, -0.0289]),
            (10.0, [-4.2171, -2.3620, -1.2610, -0.5606, -0.2848, -0.1436]),
            (33.0, [-9.7215, -6.1553, -3.6118, -1.7272, -0.9065, -0.4650]),
            (75.0, [-15.0984, -10.4847, -6.7367, -3.5218, -1.9382, -1.0231]),
            (120.0, [-18.5884, -13.5339, -9.1728, -5.1055, -2.9226, -1.5836]),
        ] {
            for (load, loss) in [16.0, 32.0, 64.0, 150.0, 300.0, 600.0].into_iter().zip(losses) {
                let of = loss_db(Complex::new(load, 0.0), Complex::new(source, 0.0));
                assert!((of - loss).abs() < 5e-5, "{source} into {load}: {of}");
            }
        }
    }

    /// 5 V behind 120 Ω (IEC 61938): volts and milliwatts into the usual impedances, computed from the definitions.
    #[test]
    fn five_volts_behind_120_ohm() {
        for (ohm, volts, mw) in [
            (8.0, 0.3125, 12.207),
            (16.0, 0.588_235, 21.626),
            (32.0, 1.052_632, 34.626),
            (64.0, 1.739_130, 47.259),
            (120.0, 2.5, 52.083),
            (150.0, 2.777_778, 51.440),
            (300.0, 3.571_429, 42.517),
            (600.0, 4.166_667, 28.935),
        ] {
            let at = volts_and_power(&Estimate::exact(5.0), false, Some(plain(120.0)), Some(plain(ohm)), &[(1e3, 1.0)]);
            assert!((at.volts.value - volts).abs() < 1e-6 && !at.open, "{ohm}: {at:?}");
            assert!((at.milliwatts.unwrap().value - mw).abs() < 1e-3, "{ohm}: {at:?}");
        }
    }

    /// Voltage for 1 mW is √(Z/1000): 8 Ω 89.4427 mV, 300 Ω 547.7226 mV. Read at the load, no divider is in it.
    #[test]
    fn one_milliwatt() {
        for (ohm, mv) in [(8.0, 89.4427), (32.0, 178.8854), (300.0, 547.7226)] {
            let at = volts_and_power(&Estimate::exact(1e-3 * mv), true, None, Some(plain(ohm)), &[(1e3, 1.0)]);
            assert!((at.milliwatts.unwrap().value - 1.0).abs() < 1e-6, "{ohm}: {at:?}");
        }
    }

    #[test]
    fn without_the_load_the_open_volts_are_stated_as_such() {
        let open = volts_and_power(&Estimate::symmetric(2.0, 0.02), false, Some(plain(10.0)), None, &[(1e3, 1.0)]);
        assert_eq!((open.open, open.milliwatts), (true, None));
        assert!((open.volts.value - 2.0).abs() < 1e-12 && (open.volts.half_width() - 0.02).abs() < 1e-12);
    }

    /// 32 Ω ±10 % behind 32 Ω: the share 1/2 moves by 0.1/(2.1) relative where the load grows, the volts' own 1 % beside it.
    #[test]
    fn intervals_of_source_and_load_reach_the_volts() {
        let load = Known { magnitude: Estimate::symmetric(32.0, 3.2), curve: None };
        let at = volts_and_power(&Estimate::symmetric(2.0, 0.02), false, Some(plain(32.0)), Some(load), &[(1e3, 1.0)]);
        let grown = 1.1 / 2.1 / 0.5 - 1.0;
        assert!((at.volts.value - 1.0).abs() < 1e-12);
        assert!((at.volts.half_width() - 0.01f64.hypot(grown)).abs() < 1e-9, "{at:?}");
    }
}
