//! Tone bursts: 1 kHz, about 20 ms at full peak, then about 480 ms 20 dB lower, raised-cosine edges. Shows whether an
//! output gives for a moment what it cannot give steadily. One burst is one period of 24 576 frames at 48 kHz (512 ms),
//! which holds a whole number of cycles; it repeats as often as whole periods are played.

use super::{LineKind, Lines, Peaks, Period, raised_cosine};
use crate::units::SampleRate;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// The tone, Hz, moved to a line of the period.
pub const BURST_HZ: f64 = 1000.0;
/// Loud part, its edges included half, seconds.
pub const LOUD_S: f64 = 0.02;
/// Edges, seconds: two cycles.
pub const EDGE_S: f64 = 0.002;
/// The quiet part stands this far under the loud one, dB.
pub const QUIET_DB: f64 = -20.0;
/// Lines this far either side of the tone carry the burst, Hz: beyond, its raised-cosine edges leave under −70 dB.
const WIDTH_HZ: f64 = 700.0;

/// Frames of one burst: three eighths of an analysis period.
pub(super) fn frames(rate: SampleRate) -> usize {
    super::period_frames(rate, false) / 8 * 3
}

/// 1 kHz bursts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Burst {}

impl Burst {
    /// Line of the tone.
    pub fn line(rate: SampleRate, frames: usize) -> usize {
        (BURST_HZ * frames as f64 / rate.hz()).round() as usize
    }

    pub(super) fn period(rate: SampleRate, frames: usize) -> Period {
        let line = Burst::line(rate, frames);
        let samples: Vec<f64> = (0..frames)
            .map(|n| {
                let turn = (n * line % frames) as f64 / frames as f64;
                envelope(n as f64 / rate.hz()) * (TAU * turn).sin()
            })
            .collect();
        let spacing = rate.hz() / frames as f64;
        let kinds = (0..=frames / 2)
            .map(|k| {
                let near = (k as f64 - line as f64).abs() * spacing < WIDTH_HZ;
                if near { LineKind::Excited } else { LineKind::Outside }
            })
            .collect();
        let rms = (samples.iter().map(|x| x * x).sum::<f64>() / frames as f64).sqrt();
        Period { samples, lines: Lines::new(kinds), rms, peaks: Peaks { positive: 1.0, negative: 1.0 }, rate }
    }
}

/// Amplitude at `t` seconds into the period.
pub fn envelope(t: f64) -> f64 {
    let quiet = crate::units::amplitude_from_db(QUIET_DB);
    let starts = loud_from_s();
    let up = raised_cosine((t - starts + 0.5 * EDGE_S) / EDGE_S);
    let down = raised_cosine((starts + LOUD_S + 0.5 * EDGE_S - t) / EDGE_S);
    quiet + (1.0 - quiet) * up * down
}

/// Where the loud part begins (middle of its edge), seconds into the period: after the fade-in of the take.
pub fn loud_from_s() -> f64 {
    0.1
}
