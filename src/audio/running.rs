//! A take from request to result: the order of events, and what makes it void.
//!
//! ```text
//! Settling ─ gate closed, ring emptied ─► Arming ─ ring filled, pre-roll captured ─► Sounding ─ all captured ─► Take
//!      └───────────── card lost, no callback for a second, stop, guard … ─ gate closed ─────────────► void Take
//! ```

use super::callback::Trip;
use super::capture::Recording;
use super::faults::{CountFinding, judge_counts};
use super::guard::{Guard, GuardWatch};
use super::pump::Pump;
use super::{AudioError, LONGEST_TAKE_S};
use crate::card::{Direction, InputRole, Routing};
use crate::signal::{Drive, Period, Stimulus};
use crate::take::{Gap, GapWitness, Input, Take, TakeHead, VoidReason};
use crate::units::SampleRate;
use std::ops::Range;
use std::sync::Arc;

/// Captured before the gain opens, seconds.
const PRE_ROLL_S: f64 = 0.1;
/// Played after the last period meant for analysis, before the fade, seconds.
const MARGIN_S: f64 = 0.05;
/// Captured after the end of the fade has arrived, seconds.
const TAIL_S: f64 = 0.1;
/// No callback of the playback side for this long: the card has stalled, seconds.
const STALL_S: f64 = 1.0;
/// Nothing captured for this long, while as much was played: nobody hears what sounds, seconds.
const DEAF_S: f64 = 0.3;
/// The same before anything sounds: servers take their time to start.
const START_UP_S: f64 = 5.0;
/// Wait for the gate to close after a trip, seconds; a stalled card closes never.
const CLOSE_S: f64 = 0.5;
/// Steady sound is assumed this much after and before the edges of what was played, seconds.
const EDGE_S: f64 = 0.02;

/// What to play and record.
#[derive(Clone, Debug, PartialEq)]
pub struct TakeRequest {
    /// What is played.
    pub stimulus: Stimulus,
    /// How loud, after the ceilings.
    pub drive: Drive,
    /// Whole periods meant for analysis.
    pub periods: usize,
    /// From the end of the fade-in to the first of them, seconds.
    pub settle_s: f64,
    /// Least and longest delay from gain stage to captured sample that must fit, seconds: what lies between is played, the
    /// longest recorded, beyond what is needed. From 0 where the delay is not known.
    pub delay_s: Range<f64>,
    /// What must not be heard.
    pub guard: Guard,
    /// The one driven channel (from 0) that carries the stimulus; `None`: all of the routing.
    pub only: Option<u16>,
}

/// Lengths of a take, all known before it starts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lengths {
    /// Played frames before the first one meant for analysis.
    pub settle: usize,
    /// Played frames in all.
    pub played: usize,
    /// Captured frames after the opening of the gain.
    pub captured: usize,
    /// Captured frames before it, at least.
    pub pre_roll: usize,
    /// Duration, seconds.
    pub total_s: f64,
}

impl Lengths {
    /// Of this request at these rates; `delay_s` are the least and the longest delay between the frame that was being
    /// captured when the gain opened and the one that hears it.
    pub fn of(request: &TakeRequest, delay_s: &Range<f64>, fade: usize, routing: &Routing) -> Lengths {
        let (playback, capture) = (routing.playback_rate, routing.capture_rate);
        let period = request.stimulus.period_frames(playback);
        let settle = fade + playback.frames_in(request.settle_s);
        let extra = playback.frames_in(MARGIN_S) + playback.frames_in(delay_s.end - delay_s.start);
        let played = settle + period * request.periods + extra + fade;
        let after_s = played as f64 / playback.hz() + delay_s.end.max(0.0) + TAIL_S;
        Lengths {
            settle,
            played,
            captured: capture.frames_in(after_s),
            pre_roll: capture.frames_in(PRE_ROLL_S),
            total_s: PRE_ROLL_S + after_s,
        }
    }
}

enum Phase {
    /// Waiting for a closed gate.
    Settling,
    /// The ring fills, capture has begun.
    Arming,
    /// The gain was ordered open.
    Sounding { order: u64 },
}

/// A take under way.
pub struct Running {
    request: TakeRequest,
    period: Arc<Period>,
    delay_s: Range<f64>,
    largest_capture: usize,
    lengths: Lengths,
    phase: Phase,
    watch: [CallbackWatch; 2],
    stalled: Option<Direction>,
    tripped_s: Option<f64>,
}

/// When a frame counter last moved.
struct CallbackWatch {
    side: Direction,
    frames: u64,
    moved_s: f64,
    /// Frames the other side had moved by then.
    others: u64,
}

impl Running {
    /// Begins recording; the gain opens later.
    ///
    /// # Errors
    /// [`AudioError::TooLong`] over [`LONGEST_TAKE_S`].
    pub fn new(
        request: TakeRequest,
        period: Arc<Period>,
        pump: &Pump,
        routing: &Routing,
    ) -> Result<Running, AudioError> {
        let delay_s = widened(&request.delay_s, blocks_s(pump, routing));
        let roughly_s =
            period.seconds() * request.periods as f64 + request.settle_s + 2.0 * delay_s.end - delay_s.start;
        // Not a number is too long as well, and is caught before it becomes a length.
        let too_long = |asked_s| Err(AudioError::TooLong { asked_s, most_s: LONGEST_TAKE_S });
        if !(0.0..=LONGEST_TAKE_S).contains(&roughly_s) {
            return too_long(roughly_s);
        }
        let lengths = Lengths::of(&request, &delay_s, pump.shared.fade_frames(), routing);
        if lengths.total_s > LONGEST_TAKE_S {
            return too_long(lengths.total_s);
        }
        pump.generator().unload();
        pump.shared.request_flush();
        let now_s = pump.now_s();
        let (played, captured) = (pump.shared.played(), pump.shared.captured());
        let watch = [(Direction::Playback, played, captured), (Direction::Capture, captured, played)]
            .map(|(side, frames, others)| CallbackWatch { side, frames, moved_s: now_s, others });
        let phase = Phase::Settling;
        let largest_capture = usize::MAX;
        Ok(Running { request, period, delay_s, largest_capture, lengths, phase, watch, stalled: None, tripped_s: None })
    }

    /// Seconds recorded so far, and in all.
    pub fn progress(&self, pump: &Pump, captured_rate: SampleRate) -> (f64, f64) {
        let frames = pump.capture().recording().map_or(0, Recording::frames);
        ((frames as f64 / captured_rate.hz()).min(self.lengths.total_s), self.lengths.total_s)
    }

    /// Moves on as far as possible; true when the take has ended, one way or the other.
    pub fn step(&mut self, pump: &Pump, routing: &Routing) -> bool {
        if pump.lost().is_some() {
            return true;
        }
        self.watch_callbacks(pump, routing);
        if matches!(self.phase, Phase::Settling) {
            self.arm(pump, routing);
            return self.stalled.is_some() || pump.shared.stopped();
        }
        if pump.shared.tripped().is_some() || pump.shared.stopped() {
            return self.is_closed(pump);
        }
        match self.phase {
            Phase::Settling | Phase::Arming => self.open(pump, routing),
            Phase::Sounding { order } => self.is_complete(pump, order),
        }
    }

    fn arm(&mut self, pump: &Pump, routing: &Routing) {
        if !pump.shared.is_open() && pump.shared.is_flushed() && pump.shared.captured() > 0 {
            self.largest_capture = pump.shared.largest_blocks().1.max(routing.block_frames as usize);
            // By now both cards have shown their blocks.
            self.delay_s = widened(&self.request.delay_s, blocks_s(pump, routing));
            self.lengths = Lengths::of(&self.request, &self.delay_s, pump.shared.fade_frames(), routing);
            // Not earlier: a gate that still closes for an old reason must not turn back.
            pump.shared.forgive();
            pump.generator().load(Arc::clone(&self.period), self.lengths.played as u64);
            let spare = 2 * self.lengths.pre_roll + 2 * pump.shared.largest_blocks().1;
            pump.capture().begin(self.lengths.captured + spare);
            self.phase = Phase::Arming;
        }
    }

    fn open(&mut self, pump: &Pump, routing: &Routing) -> bool {
        let heard = pump.capture().recording().is_some_and(|r| r.frames() >= self.lengths.pre_roll);
        if heard && pump.generator().is_ahead() {
            // The guard is in place before anything can sound.
            let mut capture = pump.capture();
            let order = pump.shared.order(self.request.drive.gain(), self.lengths.played as u64, self.request.only);
            capture.watch(order, self.guard(pump, routing));
            self.phase = Phase::Sounding { order };
        }
        false
    }

    fn guard(&self, pump: &Pump, routing: &Routing) -> GuardWatch {
        let (steady_from, steady_to) = self.steady(pump.shared.fade_frames(), routing);
        GuardWatch::new(&self.request.guard, &self.period, routing.capture_rate, steady_from..steady_to)
    }

    /// Captured frames after the opening between which full drive is certain, whichever of the delays it is.
    fn steady(&self, fade: usize, routing: &Routing) -> (usize, usize) {
        let played_s = |frames: usize| frames as f64 / routing.playback_rate.hz();
        let from_s = played_s(self.lengths.settle) + self.delay_s.end + EDGE_S;
        let to_s = played_s(self.lengths.played - fade) + self.delay_s.start - EDGE_S;
        (routing.capture_rate.frames_in(from_s), routing.capture_rate.frames_in(to_s.max(from_s)))
    }

    fn is_complete(&self, pump: &Pump, order: u64) -> bool {
        // A card that plays slower than it says may still sound.
        if pump.shared.is_open() {
            return false;
        }
        let capture = pump.capture();
        let Some(recording) = capture.recording() else { return true };
        let pre_roll = recording.pre_roll(&pump.shared, order);
        pre_roll.is_some_and(|pre_roll| recording.frames() >= pre_roll + self.lengths.captured + self.late(pump))
    }

    /// A capture block larger than any before the take delays what is heard by as much.
    fn late(&self, pump: &Pump) -> usize {
        pump.shared.largest_blocks().1.saturating_sub(self.largest_capture)
    }

    /// After a trip: closed, or not to be waited for any longer.
    fn is_closed(&mut self, pump: &Pump) -> bool {
        let since_s = *self.tripped_s.get_or_insert(pump.now_s());
        // An order that no callback has taken up yet comes back closed.
        let pending = match self.phase {
            Phase::Sounding { order } => pump.shared.captured_when_opened(order).is_none(),
            Phase::Settling | Phase::Arming => false,
        };
        (!pump.shared.is_open() && !pending) || pump.now_s() - since_s > CLOSE_S
    }

    fn watch_callbacks(&mut self, pump: &Pump, routing: &Routing) {
        let (playback_block, capture_block) = pump.shared.largest_blocks();
        let (played, captured) = (pump.shared.played(), pump.shared.captured());
        let now_s = pump.now_s();
        let sounding = matches!(self.phase, Phase::Sounding { .. });
        for watch in &mut self.watch {
            let (frames, others, block_s) = match watch.side {
                Direction::Playback => (played, captured, playback_block as f64 / routing.playback_rate.hz()),
                Direction::Capture => (captured, played, capture_block as f64 / routing.capture_rate.hz()),
            };
            if frames != watch.frames {
                (watch.frames, watch.moved_s, watch.others) = (frames, now_s, others);
            }
            let still_s = now_s - watch.moved_s;
            let has_stalled = match watch.side {
                _ if !sounding => still_s > START_UP_S,
                Direction::Playback => still_s > STALL_S.max(2.5 * block_s),
                // Sound that nobody hears counts: a machine that holds up both sides plays nothing either.
                Direction::Capture => {
                    let unheard_s = (others - watch.others) as f64 / routing.playback_rate.hz();
                    still_s.min(unheard_s) > DEAF_S.max(2.5 * block_s) || still_s > STALL_S.max(2.5 * block_s)
                }
            };
            if has_stalled && self.stalled.is_none() {
                self.stalled = Some(watch.side);
                pump.shared.trip(Trip::Stalled);
            }
        }
    }

    /// The take, void or not. Leaves the gate closed or closing.
    pub fn finish(self, pump: &Pump, routing: &Routing) -> Take {
        if pump.shared.is_open() {
            // Only after a stall or a lost card; whatever still runs fades.
            pump.shared.trip(Trip::Card);
        }
        pump.generator().unload();
        let recording = pump.capture().finish();
        let order = match self.phase {
            Phase::Sounding { order } => Some(order),
            Phase::Settling | Phase::Arming => None,
        };
        let pre_roll = recording.as_ref().zip(order).and_then(|(r, order)| r.pre_roll(&pump.shared, order));
        let mut gaps = recording.as_ref().map_or(Vec::new(), |r| r.gaps.clone());
        let counted = recording.as_ref().and_then(|r| count(r, pump, routing, &mut gaps));
        let inputs = self.inputs(recording.as_ref(), pre_roll, pump, routing);
        let void = self
            .trip_reason(pump, recording.as_ref())
            .or(counted)
            .or_else(|| lost_samples(&gaps))
            .or_else(|| self.zero_input(&inputs, pre_roll.unwrap_or(0), pump.shared.fade_frames(), routing));
        let head = TakeHead {
            stimulus: self.request.stimulus,
            drive: self.request.drive,
            played_rate: routing.playback_rate,
            captured_rate: routing.capture_rate,
            driven: self.request.only.map_or_else(|| routing.playback_channels.clone(), |only| vec![only]),
            pre_roll: pre_roll.unwrap_or_else(|| inputs.first().map_or(0, |i| i.samples.len())),
            settle: self.lengths.settle,
            periods: self.request.periods,
            played_frames: self.lengths.played,
            gaps,
            void,
        };
        Take { head, inputs }
    }

    fn inputs(
        &self,
        recording: Option<&Recording>,
        pre_roll: Option<usize>,
        pump: &Pump,
        routing: &Routing,
    ) -> Vec<Input> {
        let wanted = pre_roll.map_or(usize::MAX, |pre_roll| pre_roll + self.lengths.captured + self.late(pump));
        let channels = routing.capture_channels.iter().enumerate();
        channels
            .map(|(i, channel)| {
                let samples = recording.and_then(|r| r.inputs.get(i)).map_or(&[][..], |s| s.as_slice());
                Input { role: channel.role, samples: samples[..samples.len().min(wanted)].to_vec() }
            })
            .collect()
    }

    fn trip_reason(&self, pump: &Pump, recording: Option<&Recording>) -> Option<VoidReason> {
        let card = |what: &str| Some(VoidReason::Card { what: what.into() });
        if let Some(why) = pump.lost() {
            return card(why);
        }
        if pump.shared.stopped() {
            return Some(VoidReason::Stopped);
        }
        if let Some(side) = self.stalled {
            return Some(VoidReason::Stalled { side: super::Side::from(side).to_string() });
        }
        match pump.shared.tripped()? {
            Trip::Stopped => Some(VoidReason::Stopped),
            Trip::AbovePeak => Some(VoidReason::AboveGrantedPeak),
            Trip::Underrun => Some(VoidReason::LostSamples { what: "the program could not deliver in time".into() }),
            Trip::Protection => Some(VoidReason::Protection {
                what: recording.and_then(|r| r.alarm.clone()).unwrap_or_else(|| "the level was wrong".into()),
            }),
            Trip::Stalled | Trip::Card => card("the card failed"),
            Trip::Thread => card("a part of the program failed; please report this"),
        }
    }

    /// A real microphone is never exactly zero for a whole take. Judged on the ears where there are any; not where a
    /// channel is left out, so that an ear may rightly hear nothing.
    fn zero_input(&self, inputs: &[Input], pre_roll: usize, fade: usize, routing: &Routing) -> Option<VoidReason> {
        if self.request.stimulus.is_silent() || self.request.drive.gain() <= 0.0 || self.request.only.is_some() {
            return None;
        }
        let is_ear = |role: InputRole| matches!(role, InputRole::LeftEar | InputRole::RightEar);
        let any_ear = inputs.iter().any(|i| is_ear(i.role));
        let (from, to) = self.steady(fade, routing);
        let silent = |input: &Input| {
            let end = (pre_roll + to).min(input.samples.len());
            input.samples.get((pre_roll + from).min(end)..end).is_some_and(|s| s.iter().all(|x| x.to_bits() << 1 == 0))
        };
        let all = inputs.iter().filter(|i| !any_ear || is_ear(i.role)).all(silent);
        all.then_some(VoidReason::ZeroInput)
    }
}

/// The delays either way by so much; the least is never below none and never above the longest.
fn widened(delay_s: &Range<f64>, by_s: f64) -> Range<f64> {
    (delay_s.start.min(delay_s.end) - by_s).max(0.0)..delay_s.end + by_s
}

/// Duration of one block of each side, the largest seen or asked for. What is being captured is known to a block only,
/// and the gain opens at the start of one.
fn blocks_s(pump: &Pump, routing: &Routing) -> f64 {
    let (playback, capture) = pump.shared.largest_blocks();
    let asked = routing.block_frames as usize;
    playback.max(asked) as f64 / routing.playback_rate.hz() + capture.max(asked) as f64 / routing.capture_rate.hz()
}

/// Holds both frame counters against the clock.
fn count(recording: &Recording, pump: &Pump, routing: &Routing, gaps: &mut Vec<Gap>) -> Option<VoidReason> {
    let blocks = pump.shared.largest_blocks();
    let sides =
        [(Direction::Playback, routing.playback_rate, blocks.0), (Direction::Capture, routing.capture_rate, blocks.1)];
    sides.into_iter().find_map(|(side, rate, block)| match judge_counts(&recording.ticks, side, rate, block)? {
        CountFinding::WrongRate { ppm } => Some(VoidReason::WrongRate { ppm }),
        CountFinding::Lost { frames, near } => {
            let near_frame = near.saturating_sub(recording.first) as usize;
            gaps.push(Gap { seen_by: GapWitness::FrameCount, near_frame, frames: Some(frames) });
            None
        }
    })
}

fn lost_samples(gaps: &[Gap]) -> Option<VoidReason> {
    let gap = gaps.first()?;
    let what = match (gap.seen_by, gap.frames) {
        (GapWitness::Host, _) => "the sound system reported it".into(),
        (_, Some(frames)) if frames > 0 => format!("about {frames} frames are missing"),
        (_, Some(frames)) => format!("about {} frames too many", -frames),
        (_, None) => "the frame counts do not agree".into(),
    };
    Some(VoidReason::LostSamples { what })
}
