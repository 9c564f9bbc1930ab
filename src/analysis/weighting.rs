//! Frequency weightings A, C and Z as exact gains at any frequency (IEC 61672-1:2013 Annex E; the same equations as
//! 5.4.6 to 5.4.11 of the 2002 edition). Applied to lines, so there is no filter whose error grows towards Nyquist.

use serde::{Deserialize, Serialize};

/// Which weighting.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Weighting {
    /// Z: flat.
    #[default]
    Z,
    /// A: field-related loudness of quiet sound, the one used for exposure.
    A,
    /// C: nearly flat.
    C,
}

/// f1 to f4 of the standard, Hz.
struct Poles {
    f1: f64,
    f2: f64,
    f3: f64,
    f4: f64,
}

/// The pole frequencies, computed once.
fn poles() -> &'static Poles {
    static POLES: std::sync::OnceLock<Poles> = std::sync::OnceLock::new();
    POLES.get_or_init(define_poles)
}

/// The pole frequencies from their definition rather than from rounded constants.
fn define_poles() -> Poles {
    let (fr, fl, fh, fa) = (1000.0f64, 10f64.powf(1.5), 10f64.powf(3.9), 10f64.powf(2.45));
    let d = std::f64::consts::FRAC_1_SQRT_2;
    let b = (fr * fr + (fl * fh / fr).powi(2) - d * (fl * fl + fh * fh)) / (1.0 - d);
    let c = (fl * fh).powi(2);
    let root = (b * b - 4.0 * c).sqrt();
    let five = 5f64.sqrt();
    Poles {
        f1: (0.5 * (-b - root)).sqrt(),
        f2: 0.5 * (3.0 - five) * fa,
        f3: 0.5 * (3.0 + five) * fa,
        f4: (0.5 * (-b + root)).sqrt(),
    }
}

/// f1 to f4 of the standard, Hz: double, single, single and double pole of A; C has the first and the last.
pub fn pole_frequencies_hz() -> [f64; 4] {
    let Poles { f1, f2, f3, f4 } = poles();
    [*f1, *f2, *f3, *f4]
}

impl Weighting {
    /// Power gain at `f_hz`, 1 at 1 kHz.
    pub fn power_at(self, f_hz: f64) -> f64 {
        match self {
            Weighting::Z => 1.0,
            _ => self.raw_power(f_hz) / self.at_1_khz(),
        }
    }

    /// Gain in dB at `f_hz`, 0 at 1 kHz; minus infinity at DC.
    pub fn db_at(self, f_hz: f64) -> f64 {
        10.0 * self.power_at(f_hz).log10()
    }

    /// Raw power at 1 kHz, computed once.
    fn at_1_khz(self) -> f64 {
        static REFERENCES: std::sync::OnceLock<[f64; 3]> = std::sync::OnceLock::new();
        REFERENCES.get_or_init(|| [Weighting::Z, Weighting::A, Weighting::C].map(|w| w.raw_power(1000.0)))
            [self as usize]
    }

    fn raw_power(self, f_hz: f64) -> f64 {
        let Poles { f1, f2, f3, f4 } = poles();
        let f2_hz = f_hz * f_hz;
        let c = (f4 * f4 * f2_hz / ((f2_hz + f1 * f1) * (f2_hz + f4 * f4))).powi(2);
        match self {
            Weighting::A => c * f2_hz * f2_hz / ((f2_hz + f2 * f2) * (f2_hz + f3 * f3)),
            Weighting::C => c,
            Weighting::Z => 1.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// (n, A, C) at the exact frequencies 1000·10^((n−30)/10), computed independently from the equations of
    /// IEC 61672-1 (they round to all 68 entries of the standard's table).
    const TABLE: [(i32, f64, f64); 34] = [
        (10, -70.4304, -14.3300),
        (11, -63.3711, -11.2486),
        (12, -56.6881, -8.5307),
        (13, -50.4522, -6.2401),
        (14, -44.7030, -4.4055),
        (15, -39.4400, -3.0103),
        (16, -34.6303, -1.9987),
        (17, -30.2282, -1.2940),
        (18, -26.1943, -0.8180),
        (19, -22.5038, -0.5038),
        (20, -19.1428, -0.2996),
        (21, -16.0984, -0.1685),
        (22, -13.3503, -0.0851),
        (23, -10.8704, -0.0325),
        (24, -8.6303, -0.0000),
        (25, -6.6110, 0.0193),
        (26, -4.8084, 0.0294),
        (27, -3.2327, 0.0326),
        (28, -1.9005, 0.0294),
        (29, -0.8239, 0.0193),
        (30, 0.0000, 0.0000),
        (31, 0.5912, -0.0325),
        (32, 0.9807, -0.0851),
        (33, 1.1999, -0.1685),
        (34, 1.2707, -0.2996),
        (35, 1.1987, -0.5038),
        (36, 0.9699, -0.8180),
        (37, 0.5487, -1.2940),
        (38, -0.1212, -1.9987),
        (39, -1.1107, -3.0103),
        (40, -2.4918, -4.4055),
        (41, -4.3175, -6.2401),
        (42, -6.6026, -8.5307),
        (43, -9.3169, -11.2486),
    ];
    /// The table above is printed to four decimals.
    const PRINTED: f64 = 6e-5;

    #[test]
    fn weightings_hold_at_the_thirty_four_exact_frequencies() {
        for (n, a, c) in TABLE {
            let f = 1000.0 * 10f64.powf(0.1 * f64::from(n - 30));
            assert!((Weighting::A.db_at(f) - a).abs() < PRINTED, "A at {f}: {}", Weighting::A.db_at(f));
            assert!((Weighting::C.db_at(f) - c).abs() < PRINTED, "C at {f}: {}", Weighting::C.db_at(f));
            assert!(Weighting::Z.db_at(f).abs() < 1e-15);
        }
    }

    /// IEC 61672-1: C is 3.0103 dB down at 10^1.5 and 10^3.9 Hz by construction.
    #[test]
    fn the_pole_frequencies_follow_from_their_definition() {
        let p = poles();
        assert!((p.f1 - 20.598_997_057_568).abs() < 1e-9 && (p.f4 - 12_194.217_147_998).abs() < 1e-6);
        assert!((p.f2 - 107.652_648_643_046).abs() < 1e-9 && (p.f3 - 737.862_230_736_29).abs() < 1e-8);
    }

    /// Integral of the weighting over 1/f, band limits of the 31 third octaves: −2.9875 (A) and −1.2286 dB (C), computed
    /// independently by adaptive quadrature.
    #[test]
    fn ideal_pink_noise_reads_its_known_weighted_level() {
        let (low, high) = (1000.0 * 10f64.powf(-1.75), 1000.0 * 10f64.powf(1.35));
        let steps = 20_000;
        let mean = |w: Weighting| {
            let at = |i: i32| low * (high / low).powf((f64::from(i) + 0.5) / f64::from(steps));
            10.0 * ((0..steps).map(|i| w.power_at(at(i))).sum::<f64>() / f64::from(steps)).log10()
        };
        assert!((mean(Weighting::A) + 2.9875).abs() < 1e-4 && (mean(Weighting::C) + 1.2286).abs() < 1e-4);
    }
}
