//! Flat tops of a piece of music: places where its samples stand still at its highest level, as a limit leaves them.
//!
//! ```text
//!       ┌──┐  <- three samples or more that are equal, at the highest level of the piece
//!      ╱    ╲
//!     ╱      ╲   <- the step up to them is large: the crest of a slow sine stands still too, but is
//!                   reached in steps of one code
//! ```
//!
//! Common practice, no source.

/// So many equal samples make a flat top.
const EQUAL: u64 = 3;
/// The step up to it is larger than so much of full scale: eight codes of 16 bits.
const STEP: f64 = 8.0 / 32_768.0;
/// Flat tops lie within this share of the highest of them.
const NEAR: f64 = 0.99;

/// Counts flat tops while a piece goes by.
#[derive(Clone, Debug, Default)]
pub(super) struct FlatTops {
    channels: Vec<Run>,
    top: f64,
    count: u64,
}

/// Samples that are equal so far.
#[derive(Clone, Copy, Debug, Default)]
struct Run {
    last: f64,
    step: f64,
    equal: u64,
}

impl FlatTops {
    /// The next samples: one slice per channel, in units of full scale.
    pub(super) fn push(&mut self, channels: &[Vec<f64>]) {
        self.channels.resize(self.channels.len().max(channels.len()), Run::default());
        for (i, samples) in channels.iter().enumerate() {
            for x in samples {
                let run = &mut self.channels[i];
                if (x - run.last).abs() > 0.0 {
                    *run = Run { last: *x, step: x.abs() - run.last.abs(), equal: 1 };
                    continue;
                }
                run.equal += 1;
                let (height, step) = (run.last.abs(), run.step);
                if run.equal == EQUAL && step > STEP {
                    self.found(height);
                }
            }
        }
    }

    fn found(&mut self, height: f64) {
        match height {
            _ if height * NEAR > self.top => (self.top, self.count) = (height, 1),
            _ if height >= NEAR * self.top => (self.top, self.count) = (self.top.max(height), self.count + 1),
            _ => {}
        }
    }

    /// How many there are at the level of the highest sample.
    pub(super) fn count(&self, highest_sample: f64) -> u64 {
        if self.top >= NEAR * highest_sample { self.count } else { 0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Draws;
    use std::f64::consts::TAU;

    const RATE: f64 = 48_000.0;
    const SECONDS: usize = 3;

    fn sine(hz: f64, of: impl Fn(f64) -> f64) -> Vec<f64> {
        let samples = 0..SECONDS * RATE as usize;
        samples.map(|n| ((of((TAU * hz * (n as f64 + 0.3) / RATE).sin()) * 32_767.0).round()) / 32_767.0).collect()
    }

    fn counted(channels: &[Vec<f64>]) -> u64 {
        let mut tops = FlatTops::default();
        for at in (0..channels[0].len()).step_by(1_000) {
            tops.push(&channels.iter().map(|c| c[at..(at + 1_000).min(c.len())].to_vec()).collect::<Vec<_>>());
        }
        let highest = channels.iter().flatten().fold(0.0f64, |m, x| m.max(x.abs()));
        tops.count(highest)
    }

    /// A sine that is limited has two flat tops a cycle, at full scale or turned down afterwards.
    #[test]
    fn a_limited_sine_has_two_a_cycle() {
        for gain in [1.0, 0.3] {
            let limited = sine(500.0, |x| gain * (1.4 * x).clamp(-1.0, 1.0));
            let count = counted(&[limited.clone(), limited]);
            assert_eq!(count, 2 * 2 * 500 * SECONDS as u64, "times {gain}");
        }
    }

    #[test]
    fn nothing_else_has_any() {
        assert_eq!(counted(&[sine(20.0, |x| x)]), 0);
        assert_eq!(counted(&[sine(997.0, |x| 0.9 * x)]), 0);
        let mut draws = Draws::new(11);
        let noise = (0..200_000).map(|_| (draws.normal() * 4_000.0).round() / 32_768.0).collect();
        assert_eq!(counted(&[noise]), 0);
        // Silence, and a limit that only a quiet part has.
        assert_eq!(counted(&[vec![0.0; 10_000]]), 0);
        let mut quiet = sine(500.0, |x| (0.5 * x).clamp(-0.2, 0.2));
        quiet.push(0.9);
        assert_eq!(counted(&[quiet]), 0);
    }
}
