//! All code that runs on the audio thread: the one gain stage, format conversion, and frame counting.
//!
//! ```text
//! playback ring ─► unit sample ─► × fade × gain ─► card format ─► CARD ─► units ─► capture ring
//!                  (|x| ≤ 1)       ▲
//!     order (gain, frames) ────────┤   trip, stop: atomics any thread may set; the fade begins in the next callback
//! ```
//!
//! Nothing here allocates, locks, prints or waits. The gain changes only by a raised cosine of [`FADE_S`]: at the
//! start and end of a take, and whenever something trips. A sample that is missing or larger than the granted true
//! peak is neither played nor clipped: the last good one is held while the gain fades, and the take is void.

mod format;

pub use format::{CardSample, DITHERED_UP_TO_BITS, code_of, unit_of};

use super::ring::{Reader, Writer};
use crate::signal::{FADE_S, raised_cosine};
use crate::units::SampleRate;
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};

/// Rounding allowed on the unit period's largest sample.
const UNIT_PEAK: f64 = 1.0 + 1e-9;
/// Frames worked on at a time, so that no scratch space grows with the card's block.
const CHUNK: usize = 1024;
/// Seed of the dither; recorded here because a take must be repeatable on the simulated card.
const DITHER_SEED: u64 = 0x6c6f_7564;

/// Why the gain was closed before its time. The first reason stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Trip {
    /// Somebody asked for it.
    Stopped = 1,
    /// A sample above the granted true peak.
    AbovePeak = 2,
    /// The playback ring ran dry.
    Underrun = 3,
    /// The live level was wrong.
    Protection = 4,
    /// No callback for too long.
    Stalled = 5,
    /// The card failed.
    Card = 6,
    /// One of our own threads died.
    Thread = 7,
}

impl Trip {
    fn from_code(code: u8) -> Option<Trip> {
        use Trip::{AbovePeak, Card, Protection, Stalled, Stopped, Thread, Underrun};
        [Stopped, AbovePeak, Underrun, Protection, Stalled, Card, Thread].into_iter().find(|trip| *trip as u8 == code)
    }
}

/// What the audio thread and the others tell each other, all atomics.
pub struct Shared {
    fade_frames: u32,
    order: AtomicU64,
    order_gain: AtomicU64,
    order_frames: AtomicU64,
    /// 0: all driven channels; else one more than the channel that sounds alone.
    order_only: AtomicU64,
    trip: AtomicU8,
    stop: AtomicBool,
    flush: AtomicBool,
    opened: AtomicU64,
    open: AtomicBool,
    captured_at_open: AtomicU64,
    played: AtomicU64,
    captured: AtomicU64,
    capture_lost: AtomicU64,
    underrun: AtomicU64,
    largest_playback: AtomicU64,
    largest_capture: AtomicU64,
}

impl Shared {
    /// For a playback card of this rate.
    pub fn new(playback_rate: SampleRate) -> Shared {
        let zero = || AtomicU64::new(0);
        Shared {
            fade_frames: playback_rate.frames_in(FADE_S).max(1) as u32,
            order: zero(),
            order_gain: zero(),
            order_frames: zero(),
            order_only: zero(),
            trip: AtomicU8::new(0),
            stop: AtomicBool::new(false),
            flush: AtomicBool::new(false),
            opened: zero(),
            open: AtomicBool::new(false),
            captured_at_open: zero(),
            played: zero(),
            captured: zero(),
            capture_lost: zero(),
            underrun: zero(),
            largest_playback: zero(),
            largest_capture: zero(),
        }
    }

    /// Frames of one fade.
    pub fn fade_frames(&self) -> usize {
        self.fade_frames as usize
    }

    /// Orders the gate to open at `gain` for `frames` in all, on all driven channels or on one `only`; one order at a
    /// time, only while the gate is closed. Returns the order's number.
    pub fn order(&self, gain: f64, frames: u64, only: Option<u16>) -> u64 {
        self.order_gain.store(gain.to_bits(), Ordering::Relaxed);
        self.order_frames.store(frames, Ordering::Relaxed);
        self.order_only.store(only.map_or(0, |channel| u64::from(channel) + 1), Ordering::Relaxed);
        self.order.fetch_add(1, Ordering::Release) + 1
    }

    /// Closes the gain for this reason; a reason given before stands.
    pub fn trip(&self, why: Trip) {
        // Failing means that an earlier reason stands, which is what we want.
        let _ = self.trip.compare_exchange(0, why as u8, Ordering::AcqRel, Ordering::Relaxed);
    }

    /// What tripped since [`Shared::forgive`].
    pub fn tripped(&self) -> Option<Trip> {
        Trip::from_code(self.trip.load(Ordering::Acquire))
    }

    /// Forgets the last trip, before a new take. A stop stays.
    pub fn forgive(&self) {
        self.trip.store(0, Ordering::Release);
    }

    /// Stop: closes the gain now and keeps it closed until [`Shared::clear_stop`].
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Release);
        self.trip(Trip::Stopped);
    }

    /// True from [`Shared::stop`] to [`Shared::clear_stop`].
    pub fn stopped(&self) -> bool {
        self.stop.load(Ordering::Acquire)
    }

    /// Allows takes again.
    pub fn clear_stop(&self) {
        self.stop.store(false, Ordering::Release);
    }

    /// Asks the callback to empty the playback ring as soon as the gate is closed.
    pub fn request_flush(&self) {
        self.flush.store(true, Ordering::Release);
    }

    /// True once that has been done.
    pub fn is_flushed(&self) -> bool {
        !self.flush.load(Ordering::Acquire)
    }

    /// Frames captured when order `number` opened the gate; `None` before that.
    pub fn captured_when_opened(&self, number: u64) -> Option<u64> {
        (self.opened.load(Ordering::Acquire) >= number).then(|| self.captured_at_open.load(Ordering::Relaxed))
    }

    /// True while anything may sound.
    pub fn is_open(&self) -> bool {
        self.open.load(Ordering::Acquire)
    }

    /// Frames asked for by the playback card so far.
    pub fn played(&self) -> u64 {
        self.played.load(Ordering::Acquire)
    }

    /// Frames delivered by the capture card so far.
    pub fn captured(&self) -> u64 {
        self.captured.load(Ordering::Acquire)
    }

    /// Captured frames that found the ring full.
    pub fn capture_lost(&self) -> u64 {
        self.capture_lost.load(Ordering::Relaxed)
    }

    /// Frames that the playback card asked for in vain.
    pub fn underrun(&self) -> u64 {
        self.underrun.load(Ordering::Relaxed)
    }

    /// Largest blocks seen, frames: playback, capture.
    pub fn largest_blocks(&self) -> (usize, usize) {
        let get = |a: &AtomicU64| a.load(Ordering::Relaxed) as usize;
        (get(&self.largest_playback), get(&self.largest_capture))
    }
}

/// The gain stage: closed, or open with a position on the fade.
struct Gate {
    open: bool,
    gain: f64,
    /// The one channel that sounds; `None`: all driven ones.
    only: Option<usize>,
    position: u32,
    left: u64,
    last_good: f64,
    withheld: bool,
    order_seen: u64,
}

impl Gate {
    /// Takes up a waiting order, if the gate is closed.
    fn take_up_order(&mut self, ring: &mut Reader<f64>, shared: &Shared) {
        if self.open {
            return;
        }
        if !shared.is_flushed() {
            ring.discard();
            shared.flush.store(false, Ordering::Release);
        }
        let order = shared.order.load(Ordering::Acquire);
        if order == self.order_seen {
            return;
        }
        let frames = shared.order_frames.load(Ordering::Relaxed);
        let gain = f64::from_bits(shared.order_gain.load(Ordering::Relaxed));
        // No gain above full scale, whatever was ordered; NaN stays closed.
        let allowed = (0.0..=1.0).contains(&gain) && shared.tripped().is_none() && !shared.stopped();
        let only = shared.order_only.load(Ordering::Relaxed).checked_sub(1).map(|channel| channel as usize);
        *self = Gate { open: allowed && frames > 0, gain, only, left: frames, order_seen: order, ..Gate::closed() };
        shared.captured_at_open.store(shared.captured(), Ordering::Relaxed);
        shared.open.store(self.open, Ordering::Release);
        shared.opened.store(order, Ordering::Release);
    }

    fn closed() -> Gate {
        Gate {
            open: false,
            gain: 0.0,
            only: None,
            position: 0,
            left: 0,
            last_good: 0.0,
            withheld: false,
            order_seen: 0,
        }
    }

    /// Fills `out`; returns how many frames, from the first, the gate was open.
    fn fill(&mut self, out: &mut [f64], ring: &mut Reader<f64>, shared: &Shared) -> usize {
        if !self.open {
            out.fill(0.0);
            return 0;
        }
        let tripped = shared.tripped().is_some() || shared.stopped();
        let supply = if self.withheld { 0 } else { ring.read(out) };
        for i in 0..out.len() {
            let unit = self.next_unit((i < supply).then_some(out[i]), shared);
            let closing = tripped || self.withheld || self.left <= u64::from(shared.fade_frames);
            self.position = if closing { self.position.saturating_sub(1) } else { self.position + 1 };
            self.position = self.position.min(shared.fade_frames);
            self.left = self.left.saturating_sub(1);
            if closing && self.position == 0 {
                self.close(ring, shared);
                out[i..].fill(0.0);
                return i;
            }
            out[i] = unit * self.fade(shared.fade_frames) * self.gain;
        }
        out.len()
    }

    /// The next sample, or the last good one from the moment a sample was missing or too large.
    fn next_unit(&mut self, sample: Option<f64>, shared: &Shared) -> f64 {
        if !self.withheld {
            match sample {
                // NaN fails the comparison, too.
                Some(x) if x.abs() <= UNIT_PEAK => self.last_good = x.clamp(-1.0, 1.0),
                Some(_) => self.withhold(Trip::AbovePeak, shared),
                None => {
                    shared.underrun.fetch_add(1, Ordering::Relaxed);
                    self.withhold(Trip::Underrun, shared);
                }
            }
        }
        self.last_good
    }

    fn withhold(&mut self, why: Trip, shared: &Shared) {
        self.withheld = true;
        shared.trip(why);
    }

    fn fade(&self, fade_frames: u32) -> f64 {
        if self.position == fade_frames {
            1.0
        } else {
            raised_cosine(f64::from(self.position) / f64::from(fade_frames))
        }
    }

    fn close(&mut self, ring: &mut Reader<f64>, shared: &Shared) {
        ring.discard();
        self.open = false;
        shared.open.store(false, Ordering::Release);
    }
}

/// What the card calls when it wants sound.
pub struct PlaybackCallback {
    gate: Gate,
    ring: Reader<f64>,
    driven: Box<[usize]>,
    shared: Arc<Shared>,
    dither: Pcg32,
    mono: Box<[f64; CHUNK]>,
}

impl PlaybackCallback {
    /// Plays the ring on the `driven` channels (from 0), or on the one of them that an order names; all others stay
    /// silent.
    pub fn new(shared: Arc<Shared>, ring: Reader<f64>, driven: &[u16]) -> PlaybackCallback {
        PlaybackCallback {
            gate: Gate::closed(),
            ring,
            driven: driven.iter().map(|c| usize::from(*c)).collect(),
            shared,
            dither: Pcg32::seed_from_u64(DITHER_SEED),
            mono: Box::new([0.0; CHUNK]),
        }
    }

    /// Fills one block of interleaved frames.
    pub fn render<S: CardSample>(&mut self, out: &mut [S], channels: usize) {
        let channels = channels.max(1);
        self.gate.take_up_order(&mut self.ring, &self.shared);
        for block in out.chunks_mut(CHUNK * channels) {
            let frames = block.len() / channels;
            let sounding = self.gate.fill(&mut self.mono[..frames], &mut self.ring, &self.shared);
            self.write(block, channels, sounding);
        }
        let frames = (out.len() / channels) as u64;
        self.shared.largest_playback.fetch_max(frames, Ordering::Relaxed);
        self.shared.played.fetch_add(frames, Ordering::Release);
    }

    fn write<S: CardSample>(&mut self, block: &mut [S], channels: usize, sounding: usize) {
        block.fill(S::SILENCE);
        // Silence stays digital zero: dither only where something sounds.
        let dithered = S::DITHERED && self.gate.gain > 0.0;
        for (frame, value) in block.chunks_exact_mut(channels).zip(&self.mono[..sounding]) {
            for channel in self.driven.iter().filter(|channel| self.gate.only.is_none_or(|only| only == **channel)) {
                let dither = if dithered { tpdf(&mut self.dither) } else { 0.0 };
                if let Some(sample) = frame.get_mut(*channel) {
                    *sample = S::from_unit(*value, dither);
                }
            }
        }
    }
}

/// Sum of two uniform draws, −1 to 1 codes, triangular.
fn tpdf(random: &mut Pcg32) -> f64 {
    let mut uniform = || f64::from(random.next_u32()) / 4_294_967_296.0 - 0.5;
    uniform() + uniform()
}

/// What the card calls when it has sound.
pub struct CaptureCallback {
    ring: Writer<f32>,
    kept: Box<[usize]>,
    shared: Arc<Shared>,
    scratch: Box<[f32]>,
}

impl CaptureCallback {
    /// Keeps these channels (from 0), interleaved in this order.
    pub fn new(shared: Arc<Shared>, ring: Writer<f32>, kept: &[u16]) -> CaptureCallback {
        CaptureCallback {
            ring,
            kept: kept.iter().map(|c| usize::from(*c)).collect(),
            shared,
            scratch: vec![0.0; CHUNK * kept.len()].into(),
        }
    }

    /// Takes one block of interleaved frames.
    pub fn accept<S: CardSample>(&mut self, data: &[S], channels: usize) {
        let channels = channels.max(1);
        for block in data.chunks(CHUNK * channels) {
            let frames = block.len() / channels;
            let room = self.ring.room() / self.kept.len().max(1);
            let fitting = frames.min(room);
            let mut filled = 0;
            for frame in block.chunks_exact(channels).take(fitting) {
                for channel in &self.kept {
                    self.scratch[filled] = frame.get(*channel).map_or(0.0, |s| s.to_unit() as f32);
                    filled += 1;
                }
            }
            let written = self.ring.write(&self.scratch[..filled]);
            let lost = frames - written / self.kept.len().max(1);
            self.shared.capture_lost.fetch_add(lost as u64, Ordering::Relaxed);
        }
        let frames = (data.len() / channels) as u64;
        self.shared.largest_capture.fetch_max(frames, Ordering::Relaxed);
        self.shared.captured.fetch_add(frames, Ordering::Release);
    }
}

#[cfg(test)]
mod tests;
