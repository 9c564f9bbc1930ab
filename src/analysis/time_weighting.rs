//! Time weightings F and S: the running mean square through one real pole (IEC 61672-1, 3.8: time constants 125 ms and
//! 1 s). For the live picture; results are energy averages.

/// Time constant of F, seconds.
pub const FAST_S: f64 = 0.125;
/// Time constant of S, seconds.
pub const SLOW_S: f64 = 1.0;
/// Below any converter's resolution it is silence, not a level.
const SILENT: f64 = 1e-20;

/// A running mean square.
#[derive(Clone, Copy, Debug)]
pub struct TimeWeighting {
    keep: f64,
    mean_square: f64,
}

impl TimeWeighting {
    /// With this time constant.
    pub fn new(time_constant_s: f64, rate_hz: f64) -> TimeWeighting {
        TimeWeighting { keep: (-1.0 / (time_constant_s * rate_hz)).exp(), mean_square: 0.0 }
    }

    /// Takes one (frequency-weighted) sample.
    pub fn take(&mut self, x: f64) {
        self.mean_square = self.keep * self.mean_square + (1.0 - self.keep) * x * x;
    }

    /// Root of the running mean square; 0 for silence.
    pub fn rms(&self) -> f64 {
        if self.mean_square < SILENT { 0.0 } else { self.mean_square.sqrt() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{SQRT_2, TAU};

    /// Asked of bursts of 5 ms and longer, dB.
    const TOLERANCE_DB: f64 = 0.02;

    /// Largest level during a 4 kHz burst re the steady level: 10 lg(1 − e^(−Tb/τ)) (IEC 61672-1, toneburst response).
    #[test]
    fn tone_bursts_reach_the_levels_of_the_formula() {
        let rate = 48_000.0;
        for tau in [FAST_S, SLOW_S] {
            for burst_s in [1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005] {
                let mut weighting = TimeWeighting::new(tau, rate);
                let frames = (burst_s * rate) as usize;
                let largest = (0..2 * frames)
                    .map(|n| {
                        let x = SQRT_2 * (TAU * 4000.0 * n as f64 / rate).sin();
                        weighting.take(if n < frames { x } else { 0.0 });
                        weighting.rms()
                    })
                    .fold(0.0, f64::max);
                let formula = 10.0 * (1.0 - (-burst_s / tau).exp()).log10();
                let stated = 20.0 * largest.log10();
                assert!((stated - formula).abs() < TOLERANCE_DB, "{burst_s} s at {tau}: {stated:.3} for {formula:.3}");
            }
        }
    }

    /// 10 lg e / τ: 34.74 and 4.343 dB a second (closed form).
    #[test]
    fn levels_fall_at_the_rate_of_their_time_constant() {
        for (tau, per_s) in [(FAST_S, 34.743_56), (SLOW_S, 4.342_945)] {
            let mut weighting = TimeWeighting::new(tau, 48_000.0);
            (0..480_000).for_each(|_| weighting.take(0.5));
            let before = weighting.rms();
            (0..24_000).for_each(|_| weighting.take(0.0));
            let fall = 40.0 * (before / weighting.rms()).log10();
            assert!((fall / per_s - 1.0).abs() < 0.005, "{fall}");
        }
    }
}
