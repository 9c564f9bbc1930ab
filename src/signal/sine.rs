//! A sine on an odd line of the analysis period, so that it repeats exactly and its harmonics fall on lines.

use super::{LineKind, Lines, Peaks, Period};
use crate::units::SampleRate;
use serde::{Deserialize, Serialize};

/// A sine near `frequency_hz`, moved to the nearest odd line (AES17 asks for 997 Hz; the line at 48 kHz is 996.8 Hz).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sine {
    /// Frequency asked for, Hz.
    pub frequency_hz: f64,
    /// Doubled period.
    pub doubled: bool,
}

impl Sine {
    /// The odd line played: nearest to the frequency asked for, at least line 1 and under Nyquist.
    pub fn line(&self, rate: SampleRate, frames: usize) -> usize {
        let exact = self.frequency_hz * frames as f64 / rate.hz();
        let odd = 2.0 * ((exact - 1.0) / 2.0).round() + 1.0;
        let highest = (frames / 2 - 1) | 1;
        (odd.max(1.0) as usize).min(highest - 2)
    }

    pub(super) fn period(&self, rate: SampleRate, frames: usize) -> Period {
        let line = self.line(rate, frames);
        let samples = (0..frames)
            .map(|n| {
                // The phase is reduced in whole numbers first: no error grows with n.
                let turn = (n * line % frames) as f64 / frames as f64;
                (std::f64::consts::TAU * turn).sin()
            })
            .collect();
        let mut kinds: Vec<LineKind> =
            (0..=frames / 2).map(|k| if k % 2 == 0 { LineKind::Even } else { LineKind::Detection }).collect();
        kinds[line] = LineKind::Excited;
        Period {
            samples,
            lines: Lines::new(kinds),
            rms: std::f64::consts::FRAC_1_SQRT_2,
            peaks: Peaks { positive: 1.0, negative: 1.0 },
            rate,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nine_hundred_and_ninety_seven_hertz_moves_to_an_odd_line_less_than_a_spacing_away() {
        for hz in [44_100, 48_000, 96_000, 192_000] {
            let rate = SampleRate::new(hz).unwrap();
            let frames = super::super::period_frames(rate, false);
            let line = Sine { frequency_hz: 997.0, doubled: false }.line(rate, frames);
            assert_eq!(line % 2, 1);
            assert!((line as f64 * rate.hz() / frames as f64 - 997.0).abs() < 0.75);
        }
    }

    #[test]
    fn the_sine_has_unit_peak_and_closes_on_itself() {
        let rate = SampleRate::DEFAULT;
        let sine = Sine { frequency_hz: 997.0, doubled: false };
        let period = sine.period(rate, 65_536);
        let mean_square = period.samples.iter().map(|x| x * x).sum::<f64>() / 65_536.0;
        assert!((mean_square - 0.5).abs() < 1e-12);
        assert!(period.samples[0].abs() < 1e-12);
    }
}
