//! Drains the capture ring: hands blocks to the live picture, watches the guard, appends to the running take.

use super::callback::{Shared, Trip};
use super::faults::{Faults, Tick};
use super::guard::GuardWatch;
use super::ring::Reader;
use crate::take::{Gap, GapWitness};
use std::sync::Arc;

/// What the live picture is fed with.
#[derive(Clone, Copy, Debug)]
pub struct Heard<'a> {
    /// Samples, one vector per kept channel.
    pub inputs: &'a [Vec<f32>],
    /// So many frames up to the last one hear a take's stimulus at full drive without a break (0: none is certain to).
    pub steady: usize,
}

/// Called on the capture thread with whatever has come.
pub type Live = Box<dyn FnMut(Heard) + Send>;

/// Frames drained at a time.
const CHUNK: usize = 4096;
/// Time between two looks at the frame counters, seconds.
const TICK_S: f64 = 0.01;

/// The reading end of the capture side.
pub struct Capture {
    ring: Reader<f32>,
    shared: Arc<Shared>,
    faults: Arc<Faults>,
    live: Live,
    interleaved: Vec<f32>,
    chunk: Vec<Vec<f32>>,
    read: u64,
    recording: Option<Recording>,
}

/// A take in the making.
pub struct Recording {
    /// One per kept channel.
    pub inputs: Vec<Vec<f32>>,
    /// Number, among all frames delivered by the card, of the first one recorded.
    pub first: u64,
    /// What hosts and rings reported meanwhile.
    pub gaps: Vec<Gap>,
    /// Both frame counters over time.
    pub ticks: Vec<Tick>,
    /// What the guard said.
    pub alarm: Option<String>,
    guard: Option<(u64, GuardWatch)>,
    seen: Seen,
}

/// Counters as last looked at.
#[derive(Clone, Copy)]
struct Seen {
    reports: u64,
    capture_lost: u64,
    underrun: u64,
}

impl Recording {
    /// Frames so far.
    pub fn frames(&self) -> usize {
        self.inputs.first().map_or(0, Vec::len)
    }

    /// Frames up to the last one that certainly hear the stimulus at full drive.
    fn steady(&self, shared: &Shared) -> usize {
        let Some((order, guard)) = &self.guard else { return 0 };
        let Some(pre_roll) = self.pre_roll(shared, *order) else { return 0 };
        let (span, heard) = (guard.steady(), self.frames().saturating_sub(pre_roll));
        if heard > span.end { 0 } else { heard.saturating_sub(span.start) }
    }

    /// Recorded frames before the gain opened under this order, once it has.
    pub fn pre_roll(&self, shared: &Shared, order: u64) -> Option<usize> {
        shared.captured_when_opened(order).map(|at| at.saturating_sub(self.first) as usize)
    }
}

impl Capture {
    /// For a ring of `channels` interleaved channels.
    pub fn new(ring: Reader<f32>, channels: usize, shared: Arc<Shared>, faults: Arc<Faults>, live: Live) -> Capture {
        Capture {
            ring,
            shared,
            faults,
            live,
            interleaved: vec![0.0; CHUNK * channels],
            chunk: vec![Vec::with_capacity(CHUNK); channels],
            read: 0,
            recording: None,
        }
    }

    /// Records from the next frame on; `expected` frames are reserved for.
    pub fn begin(&mut self, expected: usize) {
        self.recording = Some(Recording {
            inputs: self.chunk.iter().map(|_| Vec::with_capacity(expected)).collect(),
            first: self.read + self.shared.capture_lost(),
            gaps: Vec::new(),
            ticks: Vec::new(),
            alarm: None,
            guard: None,
            seen: self.seen(),
        });
    }

    /// Sets the guard to watch from the opening of the gain under this order.
    pub fn watch(&mut self, order: u64, guard: GuardWatch) {
        if let Some(recording) = &mut self.recording {
            recording.guard = Some((order, guard));
        }
    }

    /// The running recording.
    pub fn recording(&self) -> Option<&Recording> {
        self.recording.as_ref()
    }

    /// Ends the recording and hands it over.
    pub fn finish(&mut self) -> Option<Recording> {
        self.recording.take()
    }

    /// Takes all there is. `now_s` is the time on the engine's clock.
    pub fn drain(&mut self, now_s: f64) {
        self.note(now_s);
        let channels = self.chunk.len().max(1);
        loop {
            let count = self.ring.read(&mut self.interleaved);
            if count == 0 {
                return;
            }
            for (channel, samples) in self.chunk.iter_mut().enumerate() {
                samples.clear();
                samples.extend(self.interleaved[..count].iter().skip(channel).step_by(channels));
            }
            self.read += (count / channels) as u64;
            let mut steady = 0;
            if let Some(recording) = &mut self.recording {
                keep(recording, &self.chunk, &self.shared);
                steady = recording.steady(&self.shared);
            }
            (self.live)(Heard { inputs: &self.chunk, steady });
        }
    }

    fn seen(&self) -> Seen {
        Seen {
            reports: self.faults.reports(),
            capture_lost: self.shared.capture_lost(),
            underrun: self.shared.underrun(),
        }
    }

    /// Notes what hosts and counters say at this moment.
    fn note(&mut self, now_s: f64) {
        let seen = self.seen();
        let Some(recording) = &mut self.recording else { return };
        let before = std::mem::replace(&mut recording.seen, seen);
        let near_frame = recording.frames();
        let mut gap = |seen_by, frames| recording.gaps.push(Gap { seen_by, near_frame, frames });
        if seen.reports > before.reports {
            gap(GapWitness::Host, None);
        }
        if seen.capture_lost > before.capture_lost {
            gap(GapWitness::FrameCount, Some((seen.capture_lost - before.capture_lost) as i64));
        }
        if seen.underrun > before.underrun {
            gap(GapWitness::FrameCount, None);
        }
        if recording.ticks.last().is_none_or(|tick| now_s - tick.t_s >= TICK_S) {
            let (played, captured) = (self.shared.played(), self.shared.captured());
            recording.ticks.push(Tick { t_s: now_s, played, captured });
        }
    }
}

/// Appends a chunk, and closes the gain where the guard does not like it.
fn keep(recording: &mut Recording, chunk: &[Vec<f32>], shared: &Shared) {
    let start = recording.frames();
    for (input, samples) in recording.inputs.iter_mut().zip(chunk) {
        input.extend_from_slice(samples);
    }
    let Some((order, guard)) = &mut recording.guard else { return };
    let Some(opened) = shared.captured_when_opened(*order).map(|at| at.saturating_sub(recording.first) as usize) else {
        return;
    };
    // The chunk in which the gain opened is left out: at most one block, before anything can have arrived.
    if let Some(first) = start.checked_sub(opened)
        && recording.alarm.is_none()
        && let Some(what) = guard.feed(chunk, first)
    {
        shared.trip(Trip::Protection);
        recording.alarm = Some(what);
    }
}
