//! Follows a sound plan in what is captured: from the first mark that is heard, each stretch is cut out by its own mark, so
//! that a pause, a cut or another clock moves nothing but itself. Pure: samples in, news out, however they are cut.

use super::heard::{ChannelHeard, MarkHeard};
use super::sound_plan::{Slot, SlotKind, SlotOfTake, SoundPlan};
use crate::analysis::WRONG_RATE_PPM;
use crate::analysis::marks::{Chirp, Mark, MarkFinder, amplitude_near, apart_s, mark_s};
use crate::card::InputRole;
use crate::take::{Input, Take, TakeHead};
use crate::units::{SampleRate, db_from_amplitude};

/// A mark alone is believed from this normalised height on; a lower one with another that fits it.
const SURE: f64 = 0.4;
/// Two marks fit each other within this beside what their clocks may do, seconds.
const FITS_S: f64 = 0.01;
/// A clock is read from marks at least so far apart, seconds.
const CLOCK_S: f64 = 10.0;
/// Captured before a sound opens and after it ends, seconds.
const PRE_ROLL_S: f64 = 0.1;
const TAIL_S: f64 = 0.15;
/// Kept while no mark is believed, seconds.
const KEPT_S: f64 = 30.0;
/// Kept before the last mark, seconds.
const BEFORE_MARK_S: f64 = 1.0;
/// After so long without the next mark the sound has ended, seconds: a pause may be a telephone call.
const LOST_S: f64 = 180.0;
/// A mark that is due is waited for so much longer, seconds.
const NEXT_MARK_S: f64 = 0.5;
/// The channels' chirps are looked for this near to where they should be, seconds.
const CHANNELS_WITHIN_S: f64 = 0.006;

/// What became known.
#[derive(Clone, Debug)]
pub enum News {
    /// A mark was heard.
    Mark(MarkHeard),
    /// A take is complete.
    Take(Box<SlotTake>),
    /// What each input hears of either channel alone.
    Channels(Vec<ChannelHeard>),
    /// A stretch was not heard, or not to its end.
    Missed {
        /// Place of its slot.
        slot: usize,
    },
    /// A mark came again that was heard before: the sound was started again. What comes then is not used.
    Again,
}

/// A take cut out of what was captured.
#[derive(Clone, Debug)]
pub struct SlotTake {
    /// Place of its slot.
    pub slot: usize,
    /// Number of its step in the plan.
    pub step: usize,
    /// Its own mark; `None` where others said where it lies.
    pub mark: Option<MarkHeard>,
    /// The mark that was heard next; `None` where none was, or what was captured ends before.
    pub after: Option<MarkHeard>,
    /// A mark was due after it and did not come, although something was captured then.
    pub unconfirmed: bool,
    /// Samples and all.
    pub take: Take,
}

/// Follows a plan.
pub struct Follower {
    plan: SoundPlan,
    rate: SampleRate,
    roles: Vec<InputRole>,
    finder: MarkFinder,
    kept: Vec<Vec<f32>>,
    /// Captured frame of the first one kept.
    kept_from: usize,
    /// Frames pushed.
    total: usize,
    /// Marks that alone are not believed.
    doubtful: Vec<Mark>,
    /// Per slot.
    heard: Vec<Option<MarkHeard>>,
    /// Marks between which nothing was cut out or put in: the first of them and the last, plan frame and captured frame.
    run: Option<[(usize, f64); 2]>,
    ppm: f64,
    next: usize,
    ended: bool,
}

impl Follower {
    /// Follows `plan` in what inputs of these roles capture at `rate`.
    pub fn new(plan: SoundPlan, rate: SampleRate, roles: Vec<InputRole>) -> Follower {
        Follower {
            finder: MarkFinder::new(rate, roles.len(), 1.0),
            kept: vec![Vec::new(); roles.len()],
            heard: vec![None; plan.slots.len()],
            plan,
            rate,
            roles,
            kept_from: 0,
            total: 0,
            doubtful: Vec::new(),
            run: None,
            ppm: 0.0,
            next: 0,
            ended: false,
        }
    }

    /// True once a mark is believed.
    pub fn has_begun(&self) -> bool {
        self.run.is_some()
    }

    /// True after the last stretch, or where the sound has ended before.
    pub fn is_over(&self) -> bool {
        self.next == self.plan.slots.len() || self.ended
    }

    /// The plan's clock against the captured one so far, ppm (positive: the capture takes more samples per second).
    pub fn ppm(&self) -> f64 {
        self.ppm
    }

    /// Takes the next frames, one vector per input.
    pub fn push(&mut self, inputs: &[Vec<f32>]) -> Vec<News> {
        let mut news = Vec::new();
        for (kept, samples) in self.kept.iter_mut().zip(inputs) {
            kept.extend_from_slice(samples);
        }
        self.total += inputs.first().map_or(0, Vec::len);
        for mark in self.finder.push(inputs) {
            self.hear(mark, &mut news);
        }
        self.advance(&mut news);
        self.forget();
        news
    }

    /// Nothing more comes.
    pub fn finish(&mut self) -> Vec<News> {
        let mut news = Vec::new();
        for mark in self.finder.finish() {
            // Of a mark that is cut off the gain is too low.
            if mark.at + mark_s(mark.number) * self.rate.hz() <= self.total as f64 {
                self.hear(mark, &mut news);
            }
        }
        self.ended = true;
        self.advance(&mut news);
        news
    }

    /// Captured frames per frame of the file.
    fn ratio(&self) -> f64 {
        self.rate.hz() / self.plan.rate.hz() * (1.0 + 1e-6 * self.ppm)
    }

    /// Where a frame of the file should be captured, by the last mark.
    fn expected(&self, frame: usize) -> Option<f64> {
        let [_, (at_frame, at)] = self.run?;
        Some(at + (frame as f64 - at_frame as f64) * self.ratio())
    }

    /// What two marks so far apart may be off by, captured frames.
    fn allowed(&self, apart: f64) -> f64 {
        FITS_S * self.rate.hz() + WRONG_RATE_PPM * 1e-6 * apart.abs()
    }

    fn hear(&mut self, mark: Mark, news: &mut Vec<News>) {
        let Some(slot) = self.plan.slots.get(mark.number).filter(|slot| slot.kind != SlotKind::Channels) else {
            return;
        };
        let frame = slot.mark_at;
        let Some(expected) = self.expected(frame) else { return self.begin(mark, news) };
        let last = self.heard.iter().rposition(Option::is_some).unwrap_or(0);
        if mark.number <= last {
            if mark.height >= SURE {
                news.push(News::Again);
            }
            return;
        }
        let off = mark.at - expected;
        let fits = off.abs() < self.allowed(mark.at - self.run.map_or(0.0, |[_, (_, at)]| at));
        if fits || mark.height >= SURE {
            self.believe(&mark, off, fits, news);
        }
    }

    /// No mark is believed yet.
    fn begin(&mut self, mark: Mark, news: &mut Vec<News>) {
        let frame = |mark: &Mark| self.plan.slots[mark.number].mark_at as f64;
        let fits = |earlier: &&Mark| {
            let apart = (frame(&mark) - frame(earlier)) * self.ratio();
            earlier.number < mark.number && (mark.at - earlier.at - apart).abs() < self.allowed(apart)
        };
        let earlier = self.doubtful.iter().find(fits).cloned();
        if let Some(earlier) = &earlier {
            self.believe(earlier, 0.0, true, news);
            return self.hear(mark, news);
        }
        if mark.height >= SURE {
            return self.believe(&mark, 0.0, true, news);
        }
        let oldest = mark.at - KEPT_S * self.rate.hz();
        self.doubtful.retain(|earlier| earlier.at > oldest);
        self.doubtful.push(mark);
    }

    fn believe(&mut self, mark: &Mark, off: f64, fits: bool, news: &mut Vec<News>) {
        let slot = &self.plan.slots[mark.number];
        let here = (slot.mark_at, mark.at);
        self.run = Some(match self.run {
            Some([first, _]) if fits => [first, here],
            _ => [here, here],
        });
        if let Some([(first_frame, first_at), _]) = self.run {
            let frames = (here.0 - first_frame) as f64;
            if frames > CLOCK_S * self.plan.rate.hz() {
                let nominal = frames * self.rate.hz() / self.plan.rate.hz();
                self.ppm = ((here.1 - first_at) / nominal - 1.0) * 1e6;
            }
        }
        let played = self.plan.mark_amplitude();
        let step = match &slot.kind {
            SlotKind::Take(take) => self.plan.step(take.step),
            SlotKind::Channels | SlotKind::End => None,
        };
        let heard = MarkHeard {
            slot: mark.number,
            purpose: step.map(|step| step.purpose),
            drive: step.and_then(|step| step.drive),
            at_s: mark.at / self.rate.hz(),
            late_s: (!fits).then_some(off / self.rate.hz()),
            height: mark.height,
            gains_db: mark.amplitudes.iter().map(|a| db_from_amplitude(a / played)).collect(),
            scatter_db: 20.0 / std::f64::consts::LN_10 * mark.scatter(),
        };
        self.heard[mark.number] = Some(heard.clone());
        news.push(News::Mark(heard));
    }

    /// Hands over what is complete.
    fn advance(&mut self, news: &mut Vec<News>) {
        while let Some(slot) = self.plan.slots.get(self.next).cloned() {
            let Some([_, (last_frame, last_at)]) = self.run else { break };
            let passed = last_frame > slot.mark_at;
            let waited_s = (self.total as f64 - last_at) / self.rate.hz()
                - slot.mark_at.saturating_sub(last_frame) as f64 / self.plan.rate.hz();
            if !self.ended && !passed && waited_s > LOST_S {
                self.ended = true;
            }
            let Some(begins) = self.begins(&slot) else {
                // Its own mark may still come, late; what a later one does not confirm was not heard.
                if !passed && !self.ended {
                    break;
                }
                self.miss(news);
                continue;
            };
            let end = begins + (self.plan.end_of(&slot) - slot.mark_at) as f64 * self.ratio() + TAIL_S * self.rate.hz();
            if ((self.total as f64) < end || !self.knows_what_follows(&slot, end)) && !self.ended {
                break;
            }
            match &slot.kind {
                SlotKind::Take(take) => match self.cut(&slot, take, begins) {
                    Some(take) => news.push(News::Take(Box::new(take))),
                    None => {
                        self.miss(news);
                        continue;
                    }
                },
                SlotKind::Channels => news.push(News::Channels(self.channels(&slot, begins))),
                SlotKind::End => {}
            }
            self.next += 1;
        }
    }

    /// The next mark shows whether anything was cut out or put in, or the gain was moved, since this one: it is waited for.
    fn knows_what_follows(&self, slot: &Slot, end: f64) -> bool {
        let Some(next) = self.next_mark(slot) else { return true };
        if self.heard[next.number..].iter().any(Option::is_some) {
            return true;
        }
        self.total as f64 > self.due(slot, next, end)
    }

    /// Captured frame by which the mark of `next` is heard, where it comes in time after the `end` of `slot`.
    fn due(&self, slot: &Slot, next: &Slot, end: f64) -> f64 {
        let between_s = next.mark_at.saturating_sub(self.plan.end_of(slot)) as f64 / self.plan.rate.hz();
        let seconds = between_s + mark_s(next.number) + NEXT_MARK_S;
        end + seconds * self.rate.hz() + 2.0 * self.finder.latency_frames() as f64
    }

    /// The next slot whose mark is heard in every channel.
    fn next_mark(&self, slot: &Slot) -> Option<&Slot> {
        self.plan.slots[slot.number + 1..].iter().find(|next| next.kind != SlotKind::Channels)
    }

    fn miss(&mut self, news: &mut Vec<News>) {
        news.push(News::Missed { slot: self.next });
        self.next += 1;
    }

    /// Captured frame at which a slot's mark begins: its own, or where its neighbours put it.
    fn begins(&self, slot: &Slot) -> Option<f64> {
        if let Some(own) = &self.heard[slot.number] {
            return Some(own.at_s * self.rate.hz());
        }
        let before = self.heard[..slot.number].iter().rev().flatten().next()?;
        let at =
            before.at_s * self.rate.hz() + (slot.mark_at - self.plan.slots[before.slot].mark_at) as f64 * self.ratio();
        // A stretch without a mark of its own waits for nothing but its end; the next one confirms that nothing was moved.
        let after = self.heard[slot.number..].iter().flatten().next();
        let confirmed = slot.kind == SlotKind::Channels || self.ended || after.is_some();
        (confirmed && after.is_none_or(|after| after.late_s.is_none())).then_some(at)
    }

    fn cut(&self, slot: &Slot, take: &SlotOfTake, begins: f64) -> Option<SlotTake> {
        let ratio = self.ratio();
        let opens = begins + (take.opens_at - slot.mark_at) as f64 * ratio;
        let pre_roll = self.rate.frames_in(PRE_ROLL_S);
        let from = (opens.round() as usize).checked_sub(pre_roll)?;
        let wanted = opens + take.played as f64 * ratio + TAIL_S * self.rate.hz();
        let to = (wanted.ceil() as usize).min(self.total);
        let period = take.stimulus.period_frames(self.plan.rate);
        let needed = opens + (take.settle + take.periods * period) as f64 * ratio;
        if (to as f64) < needed || from < self.kept_from {
            return None;
        }
        let part = |samples: &Vec<f32>| samples.get(from - self.kept_from..to - self.kept_from).map(<[f32]>::to_vec);
        let inputs = self
            .roles
            .iter()
            .zip(&self.kept)
            .map(|(role, samples)| Some(Input { role: *role, samples: part(samples)? }));
        let head = TakeHead {
            stimulus: take.stimulus.clone(),
            drive: take.drive,
            played_rate: self.plan.rate,
            captured_rate: self.rate,
            driven: (0..self.plan.channels).collect(),
            pre_roll,
            settle: take.settle,
            periods: take.periods,
            played_frames: take.played,
            gaps: Vec::new(),
            void: None,
        };
        let mark = self.heard[slot.number].clone();
        let next = self.next_mark(slot);
        let after = next.and_then(|next| self.heard[next.number..].iter().flatten().next().cloned());
        let unconfirmed = after.is_none() && next.is_some_and(|next| self.total as f64 > self.due(slot, next, wanted));
        let take_ = Take { head, inputs: inputs.collect::<Option<_>>()? };
        Some(SlotTake { slot: slot.number, step: take.step, mark, after, unconfirmed, take: take_ })
    }

    /// What each input hears of left and right alone, against the mark before, which both carry.
    fn channels(&self, slot: &Slot, begins: f64) -> Vec<ChannelHeard> {
        let rate_hz = self.rate.hz();
        let within = self.rate.frames_in(CHANNELS_WITHIN_S);
        let Some(both) = self.heard[..slot.number].iter().rev().flatten().next() else { return Vec::new() };
        let kept: Vec<&[f32]> = self.kept.iter().map(Vec::as_slice).collect();
        let alone = |chirp: Chirp, later_s: f64| {
            let near = begins + later_s * rate_hz - self.kept_from as f64;
            amplitude_near(&kept, chirp, self.rate, near, within)
        };
        let sides = alone(Chirp::Rising, 0.0).zip(alone(Chirp::Falling, apart_s(slot.number)));
        let Some((left, right)) = sides else { return Vec::new() };
        let played = self.plan.mark_amplitude();
        let one = |(input, role): (usize, &InputRole)| {
            let both_db = *both.gains_db.get(input)?;
            let re_both = |amplitude: f64| Some(db_from_amplitude(amplitude / played)? - both_db?);
            Some(ChannelHeard { role: *role, left_db: re_both(left[input]), right_db: re_both(right[input]) })
        };
        self.roles.iter().enumerate().filter_map(one).collect()
    }

    /// Lets go of what no stretch needs any more.
    fn forget(&mut self) {
        let keep_from = match self.run {
            None => self.total as f64 - KEPT_S * self.rate.hz(),
            Some(_) => {
                let place = self.next.min(self.heard.len().saturating_sub(1));
                let own = self.heard[place].as_ref().or_else(|| self.heard[..place].iter().rev().flatten().next());
                own.map_or(0.0, |mark| mark.at_s * self.rate.hz()) - BEFORE_MARK_S * self.rate.hz()
            }
        };
        let drop = (keep_from.max(0.0) as usize).saturating_sub(self.kept_from);
        // Moving what is kept costs as much as it holds: not for a few frames.
        if drop > self.rate.frames_in(BEFORE_MARK_S) {
            let drop = drop.min(self.kept.first().map_or(0, Vec::len));
            self.kept.iter_mut().for_each(|kept| std::mem::drop(kept.drain(..drop)));
            self.kept_from += drop;
        }
    }
}

/// Played so many times as fast as it should be: a file of one usual rate played at another one.
const WRONG_SPEEDS: [f64; 4] = [48.0 / 44.1, 44.1 / 48.0, 2.0, 0.5];

/// Looks for a plan that is played at another speed than its own.
pub struct SpeedFinder(Vec<(f64, MarkFinder)>);

impl SpeedFinder {
    /// In so many inputs that capture at `rate`.
    pub fn new(rate: SampleRate, inputs: usize) -> SpeedFinder {
        SpeedFinder(WRONG_SPEEDS.map(|speed| (speed, MarkFinder::new(rate, inputs, speed))).into())
    }

    /// Takes the next frames; how many times as fast as it should be the sound is, once that is seen.
    pub fn push(&mut self, inputs: &[Vec<f32>]) -> Option<f64> {
        self.0
            .iter_mut()
            .find_map(|(speed, finder)| finder.push(inputs).iter().any(|mark| mark.height >= SURE).then_some(*speed))
    }
}
