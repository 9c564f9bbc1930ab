//! Keeps the playback ring filled from the unit period. The gain is not its business.

use super::callback::Shared;
use super::ring::{CAPACITY_S, Writer};
use crate::signal::Period;
use crate::units::SampleRate;
use std::sync::Arc;

/// Least sound kept ready, seconds.
const AHEAD_S: f64 = 0.5;

/// Writes whole repetitions of a period, from its first sample, until the ordered number of frames is reached.
pub struct Generator {
    ring: Writer<f64>,
    shared: Arc<Shared>,
    rate: SampleRate,
    job: Option<Job>,
}

struct Job {
    period: Arc<Period>,
    position: usize,
    left: u64,
}

impl Generator {
    /// For the playback ring.
    pub fn new(ring: Writer<f64>, shared: Arc<Shared>, rate: SampleRate) -> Generator {
        Generator { ring, shared, rate, job: None }
    }

    /// From now on this period, `frames` in all.
    pub fn load(&mut self, period: Arc<Period>, frames: u64) {
        self.job = Some(Job { period, position: 0, left: frames });
    }

    /// Writes no more.
    pub fn unload(&mut self) {
        self.job = None;
    }

    /// True once as much is ready as will be kept ready.
    pub fn is_ahead(&self) -> bool {
        self.job.as_ref().is_none_or(|job| job.left == 0) || self.ring.held() >= self.target()
    }

    /// Fills up to the larger of [`AHEAD_S`] and two of the card's blocks.
    pub fn fill(&mut self) {
        let mut wanted = self.target().saturating_sub(self.ring.held()).min(self.ring.room());
        let Some(job) = &mut self.job else { return };
        while wanted > 0 && job.left > 0 {
            let rest = &job.period.samples[job.position..];
            let count = rest.len().min(wanted).min(usize::try_from(job.left).unwrap_or(usize::MAX));
            let written = self.ring.write(&rest[..count]);
            if written == 0 {
                return;
            }
            job.position = (job.position + written) % job.period.samples.len();
            job.left -= written as u64;
            wanted -= written;
        }
    }

    fn target(&self) -> usize {
        let (block, _) = self.shared.largest_blocks();
        self.rate.frames_in(AHEAD_S).max(2 * block).min(self.rate.frames_in(CAPACITY_S))
    }
}
