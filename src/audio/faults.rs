//! What went wrong with the cards: the hosts' own reports, and what the frame counts say.
//!
//! An error callback may be called a million times a second by a server that died. It costs one atomic increment; the
//! first message is kept, and the pump drops the streams at the first fatal kind or at more than [`STORM_PER_S`].

use crate::card::Direction;
use crate::units::SampleRate;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

/// More reports than this within a second: the card is given up.
pub const STORM_PER_S: u64 = 10;

/// What a host may report, as far as the bench treats it differently.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FaultKind {
    /// Samples were lost or repeated; the stream goes on.
    Xrun,
    /// Worth knowing, changes nothing (no real-time priority).
    Harmless,
    /// The stream is over, or goes somewhere else.
    Fatal,
    /// Anything else: fails the take, and the card if it goes on.
    Other,
}

/// Counters that error callbacks write and the pump reads.
#[derive(Default)]
pub struct Faults {
    xruns: AtomicU64,
    others: AtomicU64,
    fatal: AtomicBool,
    message_taken: AtomicBool,
    message: OnceLock<String>,
}

impl Faults {
    /// Called by the host, on any thread, any number of times. `message` is asked for once in a lifetime.
    pub fn report(&self, kind: FaultKind, message: impl FnOnce() -> String) {
        match kind {
            FaultKind::Harmless => return,
            FaultKind::Xrun => {
                self.xruns.fetch_add(1, Ordering::Relaxed);
                return;
            }
            FaultKind::Other => {}
            FaultKind::Fatal => self.fatal.store(true, Ordering::Release),
        }
        self.others.fetch_add(1, Ordering::Relaxed);
        if !self.message_taken.swap(true, Ordering::AcqRel) {
            // Only the first caller comes here, so nobody ever waits.
            let _ = self.message.set(message());
        }
    }

    /// Overruns and underruns reported so far.
    pub fn xruns(&self) -> u64 {
        self.xruns.load(Ordering::Relaxed)
    }

    /// Everything that can have cost samples.
    pub fn reports(&self) -> u64 {
        self.xruns() + self.others()
    }

    /// All other errors reported so far.
    pub fn others(&self) -> u64 {
        self.others.load(Ordering::Relaxed)
    }

    /// True after a report that ends the stream.
    pub fn is_fatal(&self) -> bool {
        self.fatal.load(Ordering::Acquire)
    }

    /// First message of anything but an xrun.
    pub fn message(&self) -> &str {
        self.message.get().map_or("the host reported an error", |m| m)
    }
}

/// Watches how fast reports come.
pub struct StormWatch {
    since_s: f64,
    count: u64,
}

impl StormWatch {
    /// Starts counting now.
    pub fn new(now_s: f64) -> StormWatch {
        StormWatch { since_s: now_s, count: 0 }
    }

    /// Why the card must be given up, if it must.
    pub fn check(&mut self, faults: &Faults, now_s: f64) -> Option<String> {
        if faults.is_fatal() {
            return Some(format!("the sound card or its server was lost ({})", faults.message()));
        }
        let count = faults.reports();
        if count - self.count > STORM_PER_S {
            return Some(match faults.others() {
                0 => "the sound card lost samples over and over; ask for larger blocks or close other programs".into(),
                _ => format!("the sound card or its server failed over and over ({})", faults.message()),
            });
        }
        if now_s - self.since_s >= 1.0 {
            *self = StormWatch { since_s: now_s, count };
        }
        None
    }
}

/// Both frame counters at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tick {
    /// When, seconds.
    pub t_s: f64,
    /// Frames asked for by the playback card.
    pub played: u64,
    /// Frames delivered by the capture card.
    pub captured: u64,
}

/// What a frame counter that does not agree with the clock means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CountFinding {
    /// A step: frames are missing (negative: there are too many).
    Lost {
        /// How many.
        frames: i64,
        /// Captured frames at that moment.
        near: u64,
    },
    /// A slope: the card does not run at the rate it granted.
    WrongRate {
        /// Difference, ppm.
        ppm: f64,
    },
}

/// Late callbacks on a busy machine: least deviation that counts, seconds.
const COUNT_SLACK_S: f64 = 0.05;
/// Allowed difference between a card's clock and the computer's.
const COUNT_SLOPE: f64 = 500e-6;
/// Least slope that is a rate: the nearest usual ones, 44.1 and 48 kHz, differ by 8.1 %. Less over a few seconds is how a
/// busy machine's blocks come later and later (−2 % seen); the clock itself is read from the sound, and far better.
const LEAST_RATE_SLOPE: f64 = 0.05;
/// Shortest window over which a counter's staircase is reduced to its upper edge, seconds.
const WINDOW_S: f64 = 0.25;

/// Compares a frame counter with the clock. A counter is a staircase of blocks; its upper edge over windows of some
/// blocks is steady within the scheduler's lateness, so losses of about a block and more show, however quietly they
/// happened. Smaller ones are left to the continuity of the signal.
pub fn judge_counts(ticks: &[Tick], side: Direction, rate: SampleRate, largest_block: usize) -> Option<CountFinding> {
    let first = ticks.first()?;
    let span_s = ticks.last()?.t_s - first.t_s;
    let block_s = largest_block as f64 / rate.hz();
    let window_s = WINDOW_S.max(2.5 * block_s);
    let windows = (span_s / window_s).floor() as usize;
    if windows < 3 {
        return None;
    }
    let edges = upper_edges(ticks, side, rate, window_s, windows);
    let (start, end) = (edges.first()?.1, edges.last()?.1);
    let moved_s = end - start;
    if moved_s.abs() <= block_s + COUNT_SLACK_S + COUNT_SLOPE * span_s {
        return None;
    }
    let last = (edges.len() - 1) as f64;
    let off_line_s = |i: usize| (edges[i].1 - start - moved_s * i as f64 / last).abs();
    let farthest_s = (0..edges.len()).map(off_line_s).fold(0.0, f64::max);
    // A loss strays from the straight line between both ends by half its size at least; a slope by its blocks only.
    if farthest_s > 0.2 * moved_s.abs() + 0.6 * block_s {
        let steepest = edges.windows(2).max_by(|a, b| (a[1].1 - a[0].1).abs().total_cmp(&(b[1].1 - b[0].1).abs()))?;
        return Some(CountFinding::Lost { frames: (-moved_s * rate.hz()).round() as i64, near: steepest[1].0 });
    }
    let slope = moved_s / (last * window_s);
    (slope.abs() >= LEAST_RATE_SLOPE).then_some(CountFinding::WrongRate { ppm: 1e6 * slope })
}

/// Per window: captured frames at its end, and the largest deviation of the counter from the clock in it, seconds.
fn upper_edges(ticks: &[Tick], side: Direction, rate: SampleRate, window_s: f64, windows: usize) -> Vec<(u64, f64)> {
    let Some(first) = ticks.first() else { return Vec::new() };
    let count = |tick: &Tick| match side {
        Direction::Playback => tick.played - first.played,
        Direction::Capture => tick.captured - first.captured,
    };
    let mut edges = vec![(0u64, f64::NEG_INFINITY); windows];
    for tick in ticks {
        let elapsed_s = tick.t_s - first.t_s;
        let window = (elapsed_s / window_s) as usize;
        if let Some(edge) = edges.get_mut(window) {
            edge.0 = tick.captured;
            edge.1 = edge.1.max(count(tick) as f64 / rate.hz() - elapsed_s);
        }
    }
    edges.retain(|edge| edge.1.is_finite());
    edges
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ticks of two cards at 48 kHz; `at(t)` says how many seconds of sound the capture counter shows.
    fn ticks(at: impl Fn(f64) -> f64) -> Vec<Tick> {
        let blocks = |s: f64| (s * 48_000.0 / 2048.0).floor() as u64 * 2048;
        (0..400)
            .map(|i| {
                let t_s = f64::from(i) * 0.01;
                Tick { t_s, played: blocks(t_s), captured: blocks(at(t_s)) }
            })
            .collect()
    }

    fn judge(ticks: &[Tick], side: Direction) -> Option<CountFinding> {
        judge_counts(ticks, side, SampleRate::DEFAULT, 2048)
    }

    #[test]
    fn a_clean_staircase_and_cards_two_hundred_ppm_apart_are_left_alone() {
        for ppm in [-200.0, 0.0, 200.0] {
            let clean = ticks(|t| t * (1.0 + ppm * 1e-6));
            assert_eq!(judge(&clean, Direction::Capture), None);
            assert_eq!(judge(&clean, Direction::Playback), None);
        }
    }

    #[test]
    fn a_lost_period_is_a_step_and_a_wrong_rate_is_a_slope() {
        let lost = ticks(|t| if t > 1.5 { (t - 65_536.0 / 48_000.0).max(1.5) } else { t });
        let Some(CountFinding::Lost { frames, .. }) = judge(&lost, Direction::Capture) else {
            panic!("{:?}", judge(&lost, Direction::Capture))
        };
        assert!((frames - 65_536).abs() <= 2048, "known to a block: {frames}");
        assert_eq!(judge(&lost, Direction::Playback), None, "the other side is clean");
        let slow = ticks(|t| t * 44_100.0 / 48_000.0);
        let Some(CountFinding::WrongRate { ppm }) = judge(&slow, Direction::Capture) else { panic!() };
        assert!((ppm + 81_250.0).abs() < 10_000.0, "44.1 instead of 48 kHz is −8.1 %: {ppm}");
    }

    /// A busy machine delivered its blocks later and later, 20 ms a second; nothing was lost. It was called another rate.
    #[test]
    fn blocks_that_come_later_and_later_are_no_other_rate() {
        for late_per_s in [0.015, 0.02, 0.03] {
            let late = ticks(|t| t * (1.0 - late_per_s));
            assert_eq!(judge(&late, Direction::Capture), None, "{late_per_s}");
        }
    }

    #[test]
    fn a_million_errors_cost_one_message_and_are_a_storm() {
        let faults = Faults::default();
        let mut watch = StormWatch::new(0.0);
        let mut asked = 0;
        for _ in 0..1_000_000 {
            faults.report(FaultKind::Other, || {
                asked += 1;
                "gone".into()
            });
        }
        assert_eq!((asked, faults.others()), (1, 1_000_000));
        assert!(watch.check(&faults, 0.1).unwrap().contains("gone"));
    }

    #[test]
    fn ten_overruns_in_ten_seconds_are_no_storm_and_one_fatal_report_is_the_end() {
        let faults = Faults::default();
        let mut watch = StormWatch::new(0.0);
        for second in 0..10 {
            faults.report(FaultKind::Xrun, String::new);
            faults.report(FaultKind::Harmless, String::new);
            assert_eq!(watch.check(&faults, f64::from(second)), None);
        }
        faults.report(FaultKind::Fatal, || "unplugged".into());
        assert!(watch.check(&faults, 10.0).unwrap().contains("unplugged"));
    }
}
