//! The simulated card: the real callbacks, rings and counters around the simulated desk, driven by its caller.
//!
//! Deterministic and faster than time: nothing here looks at a clock unless the pace says so. Faults come at a frame
//! number of the playback card, never by a race.

use super::bench::BenchSpec;
use super::device::{CAPTURE_CHANNELS, Device};
use crate::audio::FaultKind;
use crate::audio::backend::{Advance, Callbacks, OpenCards};
use crate::audio::callback::CardSample;
use crate::card::{CardId, Direction, Granted, Routing};
use crate::units::{SampleRate, amplitude_from_db};
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Channels of the simulated output.
pub(super) const PLAYBACK_CHANNELS: u16 = 2;
/// A caller who was busy for longer than this does not make the bench run to catch up, seconds.
const CATCH_UP_S: f64 = 0.5;

/// How the card behaves, apart from the desk around it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SimulatedCardSpec {
    /// Block sizes of the playback side.
    pub playback_blocks: Blocks,
    /// Block sizes of the capture side.
    pub capture_blocks: Blocks,
    /// Sample format of the playback side.
    pub playback_format: Format,
    /// Sample format of the capture side.
    pub capture_format: Format,
    /// Rate at which the playback side really runs, where it lies about it.
    pub true_playback_rate: Option<SampleRate>,
    /// The same of the capture side.
    pub true_capture_rate: Option<SampleRate>,
    /// What goes wrong, and when.
    pub faults: Vec<Fault>,
    /// A straight digital wire instead of the desk: every input hears the left channel this many frames later,
    /// sample for sample (both sides then run on one clock at one rate).
    pub wire_frames: Option<usize>,
    /// Frames that a player of its own adds to what the program plays, from the moment at which the card is opened.
    pub player: Option<Arc<[[f32; 2]]>>,
}

/// Sizes of callback blocks.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Blocks {
    /// As the routing asks.
    #[default]
    AsAsked,
    /// Always this many frames.
    Fixed(u32),
    /// Any size from `least` to `most` frames.
    Random {
        /// Smallest, at least 1.
        least: u32,
        /// Largest.
        most: u32,
        /// Seed of the sizes.
        seed: u64,
    },
}

/// Sample formats the simulated card can speak.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Format {
    /// 32-bit float.
    #[default]
    F32,
    /// 16-bit integer; dithered when played.
    I16,
    /// 32-bit integer.
    I32,
}

/// Something that goes wrong once.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// When the playback card has played this many frames since it was opened.
    pub at_frame: u64,
    /// What.
    pub what: FaultAction,
}

/// What can go wrong.
#[derive(Clone, Debug, PartialEq)]
pub enum FaultAction {
    /// The host reports an overrun or underrun; nothing is lost.
    Xrun,
    /// Captured frames vanish, unreported.
    LoseCaptured(usize),
    /// The last captured frames come again, unreported.
    RepeatCaptured(usize),
    /// Frames that were handed over are never played, unreported.
    LosePlayed(usize),
    /// The card is unplugged: one report, no more callbacks.
    Unplug,
    /// No callbacks on one side for this many seconds; sound goes on without them.
    Stall(Direction, f64),
    /// The input is digital zero from now on.
    Mute,
    /// Somebody turns the input gain: from now on it is so many dB higher.
    TurnInput(f64),
    /// The host reports this many errors at once.
    Storm(u64),
}

/// How fast bench time passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// As fast as the computer can.
    AsFastAsPossible,
    /// As fast as the clock on the wall.
    WallClock,
}

/// What lies between played and captured frames.
enum Desk {
    Bench(Box<Device>),
    Wire(VecDeque<f32>),
}

impl Desk {
    fn play(&mut self, frames: &[[f32; 2]]) {
        match self {
            Desk::Bench(device) => device.play(frames),
            Desk::Wire(queue) => queue.extend(frames.iter().map(|f| f[0])),
        }
    }

    fn capture(&mut self, keep: usize, out: &mut Vec<[f32; CAPTURE_CHANNELS]>) {
        match self {
            Desk::Bench(device) => device.capture(out),
            Desk::Wire(queue) => {
                let ready = queue.len().saturating_sub(keep);
                out.extend(queue.drain(..ready).map(|x| [x; CAPTURE_CHANNELS]));
            }
        }
    }
}

struct BlockSizes {
    blocks: Blocks,
    asked: u32,
    random: Pcg32,
}

impl BlockSizes {
    fn new(blocks: Blocks, asked: u32) -> BlockSizes {
        let seed = match blocks {
            Blocks::Random { seed, .. } => seed,
            Blocks::AsAsked | Blocks::Fixed(_) => 0,
        };
        BlockSizes { blocks, asked, random: Pcg32::seed_from_u64(seed) }
    }

    fn next(&mut self) -> usize {
        let frames = match self.blocks {
            Blocks::AsAsked => self.asked,
            Blocks::Fixed(frames) => frames,
            Blocks::Random { least, most, .. } => least + self.random.next_u32() % (most.max(least) - least + 1),
        };
        frames.max(1) as usize
    }
}

pub(super) struct SimulatedCards {
    callbacks: Callbacks,
    spec: SimulatedCardSpec,
    granted: [Granted; 2],
    desk: Desk,
    true_rate: SampleRate,
    sizes: [BlockSizes; 2],
    next_capture: usize,
    played: u64,
    pending: Vec<[f32; CAPTURE_CHANNELS]>,
    recent: Vec<[f32; CAPTURE_CHANNELS]>,
    lose_captured: usize,
    lose_played: usize,
    stalled_until: [u64; 2],
    /// Factor of the input, zero where it is muted.
    input: f64,
    unplugged: bool,
    pace: Pace,
    origin: Option<(Instant, f64)>,
}

impl SimulatedCards {
    pub(super) fn new(
        bench: &BenchSpec,
        spec: &SimulatedCardSpec,
        pace: Pace,
        routing: &Routing,
        callbacks: Callbacks,
    ) -> SimulatedCards {
        let true_rate = spec.true_playback_rate.unwrap_or(routing.playback_rate);
        let capture_rate = spec.true_capture_rate.unwrap_or(routing.capture_rate);
        let wanted = std::array::from_fn(|i| routing.capture_channels.iter().any(|c| usize::from(c.channel) == i));
        let desk = match spec.wire_frames {
            Some(frames) => Desk::Wire(std::iter::repeat_n(0.0, frames).collect()),
            None => Desk::Bench(Box::new(Device::new(bench, true_rate, capture_rate).wanting(wanted))),
        };
        let granted = |rate, channels, blocks: Blocks, format: Format| Granted {
            id: CardId::simulated(),
            rate,
            channels,
            block_frames: match blocks {
                Blocks::AsAsked => Some(routing.block_frames),
                Blocks::Fixed(frames) => Some(frames),
                Blocks::Random { .. } => None,
            },
            format: format.words().into(),
            may_resample: None,
            simulates: Some(bench.name.clone()),
        };
        let mut sizes =
            [spec.playback_blocks, spec.capture_blocks].map(|blocks| BlockSizes::new(blocks, routing.block_frames));
        SimulatedCards {
            granted: [
                granted(routing.playback_rate, PLAYBACK_CHANNELS, spec.playback_blocks, spec.playback_format),
                granted(routing.capture_rate, CAPTURE_CHANNELS as u16, spec.capture_blocks, spec.capture_format),
            ],
            next_capture: sizes[1].next(),
            callbacks,
            spec: spec.clone(),
            desk,
            true_rate,
            sizes,
            played: 0,
            pending: Vec::new(),
            recent: Vec::new(),
            lose_captured: 0,
            lose_played: 0,
            stalled_until: [0; 2],
            input: 1.0,
            unplugged: false,
            pace,
            origin: None,
        }
    }

    fn now_s(&self) -> f64 {
        self.played as f64 / self.true_rate.hz()
    }

    /// How far the bench is ahead of the wall, if it must not be.
    fn ahead(&mut self) -> Option<Duration> {
        if self.pace == Pace::AsFastAsPossible {
            return None;
        }
        let now_s = self.now_s();
        let (began, from_s) = *self.origin.get_or_insert_with(|| (Instant::now(), now_s));
        let ahead_s = now_s - from_s - began.elapsed().as_secs_f64();
        if ahead_s < -CATCH_UP_S {
            self.origin = None;
        }
        (ahead_s > 0.0).then(|| Duration::from_secs_f64(ahead_s))
    }

    fn begin_faults(&mut self) {
        let played = self.played;
        let (due, later): (Vec<_>, Vec<_>) = self.spec.faults.drain(..).partition(|f| f.at_frame <= played);
        self.spec.faults = later;
        for fault in due {
            self.begin(fault.what);
        }
    }

    fn begin(&mut self, what: FaultAction) {
        let faults = &self.callbacks.faults;
        match what {
            FaultAction::Xrun => faults.report(FaultKind::Xrun, String::new),
            FaultAction::LoseCaptured(frames) => self.lose_captured += frames,
            FaultAction::LosePlayed(frames) => self.lose_played += frames,
            FaultAction::RepeatCaptured(frames) => {
                let again = self.recent.len().saturating_sub(frames);
                self.pending.extend_from_slice(&self.recent[again..]);
            }
            FaultAction::Unplug => {
                self.unplugged = true;
                faults.report(FaultKind::Fatal, || "the simulated card was unplugged".into());
            }
            FaultAction::Stall(side, seconds) => {
                let until = self.played + self.true_rate.frames_in(seconds) as u64;
                self.stalled_until[usize::from(side == Direction::Capture)] = until;
            }
            FaultAction::Mute => self.input = 0.0,
            FaultAction::TurnInput(db) => self.input *= amplitude_from_db(db),
            FaultAction::Storm(count) => {
                for _ in 0..count {
                    faults.report(FaultKind::Other, || "the simulated server failed".into());
                }
            }
        }
    }

    fn playback_block(&mut self) {
        let frames = self.sizes[0].next();
        let silent = self.unplugged || self.played < self.stalled_until[0];
        let mut block = if silent { vec![[0.0; 2]; frames] } else { self.render(frames) };
        self.add_player(&mut block);
        let lost = self.lose_played.min(block.len());
        self.lose_played -= lost;
        self.desk.play(&block[lost..]);
        self.played += (block.len() - lost) as u64;
    }

    fn add_player(&self, block: &mut [[f32; 2]]) {
        let player = self.spec.player.iter().flat_map(|frames| frames.iter().skip(self.played as usize));
        for (to, from) in block.iter_mut().zip(player) {
            *to = [to[0] + from[0], to[1] + from[1]];
        }
    }

    fn render(&mut self, frames: usize) -> Vec<[f32; 2]> {
        match self.spec.playback_format {
            Format::F32 => self.render_as::<f32>(frames),
            Format::I16 => self.render_as::<i16>(frames),
            Format::I32 => self.render_as::<i32>(frames),
        }
    }

    fn render_as<S: CardSample>(&mut self, frames: usize) -> Vec<[f32; 2]> {
        let channels = usize::from(PLAYBACK_CHANNELS);
        let mut out = vec![S::SILENCE; frames * channels];
        let playback = &mut self.callbacks.playback;
        (self.callbacks.around)(&mut || playback.render(&mut out, channels));
        out.chunks_exact(channels).map(|f| [f[0].to_unit() as f32, f[1].to_unit() as f32]).collect()
    }

    fn capture_blocks(&mut self) {
        let from = self.pending.len();
        self.desk.capture(self.spec.wire_frames.unwrap_or(0), &mut self.pending);
        let lost = self.lose_captured.min(self.pending.len() - from);
        self.lose_captured -= lost;
        self.pending.drain(from..from + lost);
        while self.pending.len() >= self.next_capture {
            let block: Vec<_> = self.pending.drain(..self.next_capture).collect();
            self.next_capture = self.sizes[1].next();
            if !self.unplugged && self.played >= self.stalled_until[1] {
                self.deliver(&block);
            }
            self.remember(&block);
        }
    }

    /// Keeps the last two seconds, for a fault that repeats them.
    fn remember(&mut self, block: &[[f32; CAPTURE_CHANNELS]]) {
        if self.spec.faults.iter().any(|f| matches!(f.what, FaultAction::RepeatCaptured(_))) {
            self.recent.extend_from_slice(block);
            let most = self.true_rate.frames_in(2.0);
            self.recent.drain(..self.recent.len().saturating_sub(most));
        }
    }

    fn deliver(&mut self, block: &[[f32; CAPTURE_CHANNELS]]) {
        match self.spec.capture_format {
            Format::F32 => self.deliver_as::<f32>(block),
            Format::I16 => self.deliver_as::<i16>(block),
            Format::I32 => self.deliver_as::<i32>(block),
        }
    }

    fn deliver_as<S: CardSample>(&mut self, block: &[[f32; CAPTURE_CHANNELS]]) {
        let input = self.input;
        let heard = |x: &f32| if input > 0.0 { S::from_unit(f64::from(*x) * input, 0.0) } else { S::SILENCE };
        let data: Vec<S> = block.iter().flatten().map(heard).collect();
        let capture = &mut self.callbacks.capture;
        (self.callbacks.around)(&mut || capture.accept(&data, CAPTURE_CHANNELS));
    }
}

impl Format {
    fn words(self) -> &'static str {
        match self {
            Format::F32 => "f32",
            Format::I16 => "i16 dithered",
            Format::I32 => "i32",
        }
    }
}

impl OpenCards for SimulatedCards {
    fn playback(&self) -> &Granted {
        &self.granted[0]
    }

    fn capture(&self) -> &Granted {
        &self.granted[1]
    }

    fn is_caller_driven(&self) -> bool {
        true
    }

    fn advance(&mut self) -> Advance {
        if let Some(wait) = self.ahead() {
            return Advance::Wait(wait);
        }
        self.begin_faults();
        self.playback_block();
        self.capture_blocks();
        Advance::Moved { t_s: self.now_s() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn random_blocks_stay_within_their_bounds_and_repeat_with_their_seed() {
        let draw = || {
            let mut sizes = BlockSizes::new(Blocks::Random { least: 1, most: 96_000, seed: 3 }, 2048);
            (0..1000).map(|_| sizes.next()).collect::<Vec<_>>()
        };
        let sizes = draw();
        assert_eq!(sizes, draw());
        assert!(sizes.iter().all(|n| (1..=96_000).contains(n)));
        assert!(sizes.iter().any(|n| *n < 1_000) && sizes.iter().any(|n| *n > 90_000));
    }
}
