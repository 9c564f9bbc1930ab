//! Keeps what is heard of a sound plan as a session: each take is analysed, stored and committed as one that this computer
//! played, and void where the marks beside it say that it is not whole or not at the gain of the quiet reference.

use super::super::super::audio_file::AudioFile;
use super::super::super::clean;
use super::super::super::climb::{Climb, drive_at_clip};
use super::super::super::elsewhere::{
    ElsewhereRequest, Follower, HeardElsewhere, HeardFrom, MarkHeard, News, SlotKind, SlotTake, SoundPlan, SpeedFinder,
};
use super::super::super::program::ARITHMETIC;
use super::super::super::protocol::{Event, Following};
use super::super::super::record::{Happening, Record, SessionEvent, StepResult, TakeResult};
use super::super::super::step::{Purpose, Step, StopReason};
use super::super::super::storage::Storage;
use super::super::known::Known;
use super::super::{RunError, Worker, named_by_time};
use super::level_watch::LevelWatch;
use super::{Listening, Source, open};
use crate::audio::AudioError;
use crate::card::{InputRole, Routing};
use crate::signal::Period;
use crate::take::{Take, VoidReason};
use crate::units::{Dbfs, SampleRate, tidy_signed};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Longest wait for news from the cards.
const POLL: Duration = Duration::from_millis(50);
/// A step this far above the clip level shows it best; a lower one sees too little of it, dB.
const OVER_CLIP_DB: f64 = 0.5;
/// Without any mark for so long, a bench whose time is not the wall's stops listening, seconds.
const NOTHING_HEARD_S: f64 = 120.0;

/// What is said of it.
const ANOTHER_PLAN: &str = "this is the sound of another plan: its steps do not come when this plan says, so its levels are not known. Name the plan file that was written beside the sound";

/// Keeps what is heard as a session.
pub(super) struct Keeper<'a> {
    pub(super) worker: &'a Worker,
    pub(super) request: &'a ElsewhereRequest,
    pub(super) sound: &'a SoundPlan,
    /// Made once a mark is heard: what is none of this plan leaves no session.
    pub(super) storage: Option<Storage>,
    pub(super) kept: &'a mut Option<PathBuf>,
    pub(super) record: Record,
    pub(super) known: Known,
    pub(super) heard: HeardElsewhere,
    pub(super) period: Arc<Period>,
    /// The step whose takes come in, with its number in the plan.
    pub(super) running: Option<(usize, Step, Vec<TakeResult>)>,
    /// Why the card stopped delivering, if it did.
    pub(super) lost: Option<String>,
}

impl Keeper<'_> {
    pub(super) fn follow(mut self, source: Source) -> Result<(Record, PathBuf), RunError> {
        let roles = self.roles();
        let rate = self.record.head.capture.rate;
        let mut follower = Follower::new(self.sound.clone(), rate, roles.clone());
        match source {
            Source::Recording(mut recording, routing) => {
                self.through(&mut recording, &routing, &mut follower)?;
            }
            Source::Live(listening) => self.listen(*listening, &mut follower, rate)?,
        }
        for news in follower.finish() {
            self.take_in(news)?;
        }
        if !follower.has_begun() {
            return Err(RunError::Elsewhere(self.not_found()?));
        }
        self.commit()?;
        self.end()
    }

    fn roles(&self) -> Vec<InputRole> {
        self.record.head.chain.routing.capture_channels.iter().map(|c| c.role).collect()
    }

    /// Why nothing was found: another speed, where a second look at the recording shows one.
    fn not_found(&self) -> Result<String, RunError> {
        if let Some(path) = &self.request.recording {
            let mut recording = open(path)?;
            let mut speeds = SpeedFinder::new(recording.rate, self.record.head.chain.routing.capture_channels.len());
            while let Some(inputs) = next_of(&mut recording, &self.record.head.chain.routing)? {
                if self.worker.stop.is_asked() {
                    return Err(RunError::Stopped);
                }
                if let Some(speed) = speeds.push(&inputs) {
                    return Ok(wrong_speed(speed));
                }
            }
        }
        let what = match &self.heard.from {
            HeardFrom::Live => "what was captured".into(),
            HeardFrom::Recording { file, .. } => file.clone(),
        };
        Ok(format!(
            "no mark of this plan was found in {what}. Is it the sound that this plan file was written with? Was it loud enough to hear, and does the chain name the channels that hear it?"
        ))
    }

    fn through(
        &mut self,
        recording: &mut AudioFile,
        routing: &Routing,
        follower: &mut Follower,
    ) -> Result<(), RunError> {
        let rate = recording.rate.hz();
        let (mut done, total) = (0usize, recording.stated_frames.map_or(0.0, |frames| frames as f64 / rate));
        while !follower.is_over() && !self.worker.stop.is_asked() {
            let Some(inputs) = next_of(recording, routing)? else { break };
            done += inputs.first().map_or(0, Vec::len);
            self.worker.tell(Event::Playing { done_s: done as f64 / rate, total_s: total });
            for news in follower.push(&inputs) {
                self.take_in(news)?;
            }
        }
        Ok(())
    }

    fn listen(&mut self, mut listening: Listening, follower: &mut Follower, rate: SampleRate) -> Result<(), RunError> {
        let mut watch = LevelWatch::new(&self.record, rate);
        let mut speeds = SpeedFinder::new(rate, self.roles().len());
        let (mut frames, mut stated) = (0usize, 0usize);
        while !follower.is_over() && !self.worker.stop.is_asked() {
            match listening.engine.poll(POLL) {
                // What was heard before counts.
                Err(AudioError::Lost(what)) if follower.has_begun() => {
                    self.lost = Some(what);
                    break;
                }
                Err(AudioError::Lost(what)) => return Err(RunError::CardFailed(what)),
                other => other?,
            };
            for block in listening.blocks.try_iter() {
                frames += block.first().map_or(0, Vec::len);
                if let Some(following) = watch.push(&block) {
                    self.worker.tell(Event::Elsewhere(following));
                }
                for news in follower.push(&block) {
                    self.take_in(news)?;
                }
                if !follower.has_begun()
                    && let Some(speed) = speeds.push(&block)
                {
                    return Err(RunError::Elsewhere(wrong_speed(speed)));
                }
            }
            let seconds = frames / rate.get() as usize;
            if seconds > stated {
                stated = seconds;
                let begun = follower.has_begun();
                self.worker.tell(Event::Elsewhere(Following::Listening { seconds: seconds as f64, begun }));
            }
            if listening.simulated && !follower.has_begun() && seconds as f64 > NOTHING_HEARD_S {
                break;
            }
        }
        self.heard.dropped = listening.dropped.load(Ordering::Relaxed);
        Ok(())
    }

    /// Makes the session's folder at the first mark.
    fn begin(&mut self) -> Result<(), RunError> {
        if self.storage.is_some() {
            return Ok(());
        }
        let head = &mut self.record.head;
        let storage = match &self.request.id {
            Some(_) => Storage::create(&self.request.sessions, head)?,
            None => named_by_time(&self.request.sessions, head)?,
        };
        let folder = storage.folder().to_path_buf();
        *self.kept = Some(folder.clone());
        self.storage = Some(storage);
        let granted = (self.record.head.playback.clone(), self.record.head.capture.clone());
        self.worker.tell(Event::Began { record: Arc::new(self.record.clone()), folder, granted });
        Ok(())
    }

    fn storage(&mut self) -> Result<&mut Storage, RunError> {
        self.storage.as_mut().ok_or_else(|| RunError::Elsewhere("nothing was heard".into()))
    }

    fn take_in(&mut self, news: News) -> Result<(), RunError> {
        self.begin()?;
        match news {
            News::Mark(mark) => {
                self.worker.tell(Event::Elsewhere(Following::Mark(mark.clone())));
                self.heard.marks.push(mark);
                if self.heard.is_of_another_plan() {
                    // Its drives are not those of this plan: nothing of it counts.
                    self.note(Happening::HeardElsewhere(Box::new(self.heard.clone())))?;
                    self.note(Happening::Ended { stop: StopReason::PlayedNoFurther })?;
                    *self.kept = None;
                    return Err(RunError::Elsewhere(ANOTHER_PLAN.into()));
                }
            }
            News::Channels(channels) => self.heard.channels = channels,
            News::Again => self.heard.again = true,
            News::Missed { slot } => {
                if let Some(SlotKind::Take(take)) = self.sound.slots.get(slot).map(|slot| &slot.kind) {
                    self.heard.missed.push(take.drive.rms());
                }
            }
            News::Take(taken) => self.take(*taken)?,
        }
        Ok(())
    }

    fn take(&mut self, taken: SlotTake) -> Result<(), RunError> {
        if self.running.as_ref().is_some_and(|(planned, ..)| *planned != taken.step) {
            self.commit()?;
        }
        let Some(planned) = self.sound.step(taken.step) else { return Ok(()) };
        let step = Step { number: self.record.steps.len() + 1, ..planned.clone() };
        if self.running.is_none() {
            let left = self.sound.steps.iter().filter(|s| s.number > taken.step).count();
            let expected_steps = step.number + left;
            self.worker.tell(Event::StepBegan { step: step.clone(), expected_steps, left_s: self.left_s(taken.slot) });
        }
        let void = self.moved(&taken, step.purpose);
        let mut take = taken.take;
        take.head.void = void;
        let result = self.result(&step, take)?;
        let running = self.running.get_or_insert((taken.step, step, Vec::new()));
        running.2.push(result);
        Ok(())
    }

    /// Sound still to come after this slot, by plan, seconds.
    fn left_s(&self, slot: usize) -> f64 {
        let end = self.sound.slots.get(slot).map_or(0, |slot| self.sound.end_of(slot));
        self.sound.frames.saturating_sub(end) as f64 / self.sound.rate.hz()
    }

    /// The marks on both sides of a take show whether it is whole and at the gain of the quiet reference.
    fn moved(&self, taken: &SlotTake, purpose: Purpose) -> Option<VoidReason> {
        if let Some(late_s) = taken.after.as_ref().and_then(|mark| mark.late_s) {
            let what = if late_s > 0.0 { "were inserted" } else { "are missing" };
            let what = format!("{:.2} s {what} between the marks on either side of it", late_s.abs());
            return Some(VoidReason::LostSamples { what });
        }
        if taken.unconfirmed {
            let what = "the mark after it did not come in time".into();
            return Some(VoidReason::LostSamples { what });
        }
        let base = self.heard.base().filter(|_| purpose != Purpose::Silence)?;
        let ears = || self.record.head.chain.ears().map(|(input, _)| input);
        let most = |mark: &MarkHeard| {
            ears().filter_map(|input| mark.moved_db(base, input)).max_by(|a, b| a.abs().total_cmp(&b.abs()))
        };
        let sides = [("before", &taken.mark), ("after", &taken.after)];
        let (side, by) = sides.into_iter().find_map(|(side, mark)| Some((side, most(mark.as_ref()?)?)))?;
        Some(VoidReason::GainMoves {
            what: format!(
                "the mark {side} it is {} dB from that of the quiet reference: the volume was changed, or a gain moves by itself",
                tidy_signed(by, 1)
            ),
        })
    }

    fn result(&mut self, step: &Step, take: Take) -> Result<TakeResult, RunError> {
        let period = take.head.stimulus.period(self.sound.rate);
        let storage = self.storage()?;
        storage.save_period(&take.head.stimulus, &period)?;
        let file = storage.save_take(step, &take)?;
        let pooled = Known::pooled(&self.record);
        let (inputs, void) = match take.head.void.clone() {
            Some(void) => (Vec::new(), Some(void)),
            None => self.known.analyse(&self.record, step.purpose, &take, pooled)?,
        };
        Ok(TakeResult { file, head: take.head, void, pooled_ppm: pooled.0, route_delay_s: pooled.1, inputs })
    }

    fn commit(&mut self) -> Result<(), RunError> {
        let Some((_, step, takes)) = self.running.take() else { return Ok(()) };
        let result =
            StepResult { step, seat: 1, finished_at: (self.worker.now)(), arithmetic: Some(ARITHMETIC), takes };
        self.record.steps.push(result);
        let clip = self.clip_drive();
        if let Some(last) = self.record.steps.last_mut()
            && let (Some(clip), Some(drive)) = (clip, last.step.drive)
        {
            if last.step.purpose == Purpose::Climb && drive - clip > OVER_CLIP_DB {
                last.step.purpose = Purpose::Threshold;
            }
            self.worker.tell(Event::Elsewhere(Following::Clips { drive }));
        }
        if let (Some(storage), Some(last)) = (&mut self.storage, self.record.steps.last()) {
            storage.commit_step(last, &self.record)?;
        }
        self.worker.tell(Event::StepDone(Arc::new(self.record.clone())));
        Ok(())
    }

    /// Drive at which the last step says that it clips; `None` where it does not, or where one before it said so well.
    fn clip_drive(&self) -> Option<Dbfs> {
        let (steps, chain) = (&self.record.steps, &self.record.head.chain);
        let last = steps.last()?;
        let shown = steps.iter().any(|step| step.step.purpose == Purpose::Threshold);
        if shown || !clean::clip_evident(steps, last, chain) {
            return None;
        }
        let drives = clean::limit_levels(steps, last, chain).filter_map(|level| drive_at_clip(level, &self.period));
        drives.min_by(|a, b| a.db().total_cmp(&b.db()))
    }

    fn end(mut self) -> Result<(Record, PathBuf), RunError> {
        let heard = Happening::HeardElsewhere(Box::new(self.heard.clone()));
        self.note(heard)?;
        let stop = self.stop();
        self.note(Happening::Ended { stop })?;
        let folder = self.storage()?.folder().to_path_buf();
        Ok((self.record, folder))
    }

    fn note(&mut self, what: Happening) -> Result<(), RunError> {
        let event = SessionEvent { at: (self.worker.now)(), what };
        self.storage()?.append_event(&event)?;
        self.record.events.push(event);
        Ok(())
    }

    fn stop(&self) -> StopReason {
        if let Some(what) = self.lost.clone() {
            return StopReason::Card { what };
        }
        let head = &self.record.head;
        let climb = Climb { plan: &head.plan, chain: &head.chain, period: &self.period, results: &self.record.steps };
        // What the plan asked for last was used, or it was not.
        let top = self.sound.highest_drive();
        let used =
            |step: &StepResult| step.step.purpose.climbs() && step.step.drive == top && step.given_up().is_none();
        match climb.reason() {
            StopReason::Ceiling { .. } | StopReason::FullScale | StopReason::WantedHeadroom | StopReason::NoSignal
                if !self.record.steps.iter().any(used) =>
            {
                StopReason::PlayedNoFurther
            }
            reason => reason,
        }
    }
}

/// The next piece of a recording, one vector per input of the chain.
fn next_of(recording: &mut AudioFile, routing: &Routing) -> Result<Option<Vec<Vec<f32>>>, RunError> {
    let piece = recording.next_piece().map_err(|e| RunError::Elsewhere(format!("{}: {e}", recording.name)))?;
    let chosen = |piece: &Vec<Vec<f64>>, channel: u16| -> Vec<f32> {
        piece.get(usize::from(channel)).map_or_else(Vec::new, |samples| samples.iter().map(|x| *x as f32).collect())
    };
    let inputs = |piece| routing.capture_channels.iter().map(|c| chosen(&piece, c.channel)).collect();
    Ok(piece.map(inputs))
}

fn wrong_speed(speed: f64) -> String {
    let (by, word) = if speed > 1.0 { (speed - 1.0, "faster") } else { (1.0 - speed, "slower") };
    format!(
        "the sound is played {:.1} % {word} than it should be: a file of one rate is played at another one. Nothing was measured. Write the plan at the rate that the player plays, or set the player to the file's rate.",
        100.0 * by
    )
}
