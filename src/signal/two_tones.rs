//! Two sines at once, for intermodulation.
//!
//! | pair | tones | products read |
//! |---|---|---|
//! | modulation (SMPTE RP 120) | 60 Hz and 7 kHz, amplitudes 4:1 | f2 ± f1, f2 ± 2 f1 |
//! | difference frequency (IEC 60268-3) | 19 kHz and 20 kHz, 1:1 | f2 − f1, 2 f1 − f2, 2 f2 − f1 |
//!
//! Both tones stand on odd lines of the analysis period, so every product falls on a line: second-order ones on even,
//! third-order ones on odd lines. The low tone of the modulation pair keeps more than one line of distance from 60 Hz,
//! where mains hum would be taken for it.

use super::{LineKind, Lines, Peaks, Period};
use crate::units::SampleRate;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Which pair.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "pair", rename_all = "kebab-case")]
pub enum TwoTones {
    /// 60 Hz and 7 kHz, 4:1 (SMPTE RP 120).
    Modulation,
    /// 19 kHz and 20 kHz, 1:1 (difference frequency, IEC 60268-3).
    DifferenceFrequency,
}

impl TwoTones {
    /// Lines of the lower and the higher tone.
    pub fn lines(self, rate: SampleRate, frames: usize) -> [usize; 2] {
        let odd_from = |hz: f64| (hz * frames as f64 / rate.hz()).ceil() as usize | 1;
        match self {
            // The first odd line more than one spacing above 60 Hz.
            TwoTones::Modulation => [odd_from(60.0 + rate.hz() / frames as f64), odd_from(7_000.0)],
            TwoTones::DifferenceFrequency => [odd_from(19_000.0), odd_from(20_000.0)],
        }
    }

    /// Amplitudes of the two; they add up to full scale.
    pub fn amplitudes(self) -> [f64; 2] {
        match self {
            TwoTones::Modulation => [0.8, 0.2],
            TwoTones::DifferenceFrequency => [0.5, 0.5],
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            TwoTones::Modulation => "60 Hz + 7 kHz 4:1",
            TwoTones::DifferenceFrequency => "19 + 20 kHz 1:1",
        }
    }

    pub(super) fn period(self, rate: SampleRate, frames: usize) -> Period {
        let (lines, amplitudes) = (self.lines(rate, frames), self.amplitudes());
        // Phases are reduced in whole numbers first: no error grows with n.
        let tone = |n: usize, k: usize| (TAU * ((n * k % frames) as f64 / frames as f64)).sin();
        let samples =
            (0..frames).map(|n| amplitudes[0] * tone(n, lines[0]) + amplitudes[1] * tone(n, lines[1])).collect();
        let mut kinds: Vec<LineKind> =
            (0..=frames / 2).map(|k| if k % 2 == 0 { LineKind::Even } else { LineKind::Detection }).collect();
        for line in lines {
            kinds[line] = LineKind::Excited;
        }
        Period {
            samples,
            lines: Lines::new(kinds),
            rms: (0.5 * amplitudes.iter().map(|a| a * a).sum::<f64>()).sqrt(),
            // Both crests meet within a thousandth somewhere in the period, and never pass the sum.
            peaks: Peaks { positive: 1.0, negative: 1.0 },
            rate,
        }
    }
}
