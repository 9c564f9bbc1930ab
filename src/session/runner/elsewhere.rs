//! Follows a sound that is played elsewhere, live on the capture side or in a recording, and keeps it as a session.
//!
//! The cards are open for their capture side: nothing is played, and no take is asked of them. What they capture goes to the
//! [`Follower`] on this thread; what it cuts out is analysed, stored and judged as any take.

use super::super::chain::Chain;
use super::super::clean;
use super::super::climb::{Climb, drive_at_clip};
use super::super::elsewhere::{
    ElsewhereRequest, Follower, HeardElsewhere, HeardFrom, News, Recording, SlotKind, SlotTake, SoundPlan,
};
use super::super::plan::Plan;
use super::super::protocol::{Event, Following};
use super::super::record::{Happening, Record, SCHEMA, SessionEvent, SessionHead, StepResult, TakeResult};
use super::super::step::{Purpose, Step, StopReason};
use super::super::storage::{Storage, name_of_time};
use super::known::Known;
use super::{RunError, Worker, named_by_time};
use crate::analysis::live::LiveAnalyser;
use crate::audio::{AudioError, Engine, Heard};
use crate::card::{CardId, Granted, InputRole, Routing};
use crate::signal::{Moving, Period};
use crate::take::{Take, VoidReason};
use crate::units::{DbSpl, Dbfs, SampleRate};
use crossbeam_channel::{Receiver, bounded};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// Captured blocks that may wait while a take is analysed: more than a minute of them.
const BLOCKS_WAITING: usize = 2048;
/// Longest wait for news from the cards.
const POLL: Duration = Duration::from_millis(50);
/// Level that is held against the ceiling: over so long, seconds.
const LEVEL_S: f64 = 0.5;
/// A step this far above the clip level shows it best; a lower one sees too little of it, dB (method 4).
const OVER_CLIP_DB: f64 = 0.5;
/// The simulated player begins so long after the bench, seconds.
const PLAYER_AFTER_S: f64 = 3.0;
/// Without any mark for so long, a bench whose time is not the wall's stops listening, seconds.
const NOTHING_HEARD_S: f64 = 120.0;

/// What comes in, piece by piece.
enum Source {
    Live(Box<Listening>),
    Recording(Box<Recording>, Routing),
}

/// The capture side at work.
struct Listening {
    engine: Engine,
    blocks: Receiver<Vec<Vec<f32>>>,
    dropped: Arc<AtomicUsize>,
    /// True for a bench whose time is not the wall's: it does not wait for a player for ever.
    simulated: bool,
}

impl Worker {
    /// Follows a sound plan to its end and keeps what was heard.
    pub(super) fn elsewhere(&self, request: &ElsewhereRequest, kept: &mut Option<PathBuf>) -> Result<(), RunError> {
        let mut chain = request.chain_of_session();
        if chain.ears().next().is_none() {
            return Err(RunError::NoEar);
        }
        let (source, capture, from) = self.source(request, &mut chain)?;
        let sound = &request.sound;
        let plan = Plan { listening: request.listening, rule: request.rule, ..sound.plan.clone() };
        plan.check(sound.rate)?;
        let head = self.head(request, plan, chain, capture);
        let mut head = head;
        let storage = match &request.id {
            Some(_) => Storage::create(&request.sessions, &head)?,
            None => named_by_time(&request.sessions, &mut head)?,
        };
        let folder = storage.folder().to_path_buf();
        *kept = Some(folder.clone());
        let heard = HeardElsewhere {
            from,
            plan_hash: sound.hash.clone(),
            sound_hash: sound.sound_hash.clone(),
            marks: Vec::new(),
            channels: Vec::new(),
            missed: Vec::new(),
            again: false,
            dropped: 0,
        };
        let granted = (head.playback.clone(), head.capture.clone());
        let record = Record::new(head);
        self.tell(Event::Began { record: Arc::new(record.clone()), folder: folder.clone(), granted });
        let period = record.head.plan.pink.period(sound.rate);
        let running = None;
        let keeper =
            Keeper { worker: self, sound, storage, record, known: Known::new(), heard, period, running };
        let record = keeper.follow(source)?;
        self.tell(Event::Ended { record: Arc::new(record), folder });
        Ok(())
    }

    fn head(&self, request: &ElsewhereRequest, plan: Plan, chain: Chain, capture: Granted) -> SessionHead {
        let started_at = (self.now)();
        let sound = &request.sound;
        SessionHead {
            schema: SCHEMA.into(),
            id: request.id.clone().unwrap_or_else(|| name_of_time(&started_at)),
            started_at,
            program: format!("loudenough {}", env!("CARGO_PKG_VERSION")),
            plan,
            chain,
            playback: Granted {
                id: CardId::elsewhere(),
                rate: sound.rate,
                channels: sound.channels,
                block_frames: None,
                format: format!("a file of {}", sound.format.in_words()),
                may_resample: Some("what plays it elsewhere is not known".into()),
                simulates: None,
            },
            capture,
        }
    }

    fn source(
        &self,
        request: &ElsewhereRequest,
        chain: &mut Chain,
    ) -> Result<(Source, Granted, HeardFrom), RunError> {
        let Some(path) = &request.recording else {
            let listening = self.listening(request)?;
            let capture = listening.engine.granted().1.clone();
            return Ok((Source::Live(Box::new(listening)), capture, HeardFrom::Live));
        };
        let recording = Recording::open(path).map_err(|e| RunError::Elsewhere(e.to_string()))?;
        let routing = &mut chain.routing;
        let missing = routing.capture_channels.iter().find(|c| usize::from(c.channel) >= recording.channels);
        if let Some(channel) = missing {
            return Err(RunError::Elsewhere(format!(
                "{} has {} channels, but the chain names channel {} for the {}; name the channels of the recording",
                path.display(),
                recording.channels,
                channel.channel + 1,
                channel.role.in_words()
            )));
        }
        routing.capture_rate = recording.rate;
        if let Some(offset) = chain.changed_offsets().first() {
            return Err(RunError::Elsewhere(format!(
                "the calibration offset of the {} was taken on another input ({}); type it again for this recording, or leave it out",
                offset.role.in_words(),
                offset.what
            )));
        }
        let capture = Granted {
            id: CardId(format!("recording:{}", recording.file)),
            rate: recording.rate,
            channels: recording.channels as u16,
            block_frames: None,
            format: recording.format.clone(),
            may_resample: None,
            simulates: None,
        };
        let from = HeardFrom::Recording {
            file: recording.file.clone(),
            hash: recording.hash.clone(),
            format: recording.format.clone(),
        };
        let routing = chain.routing.clone();
        Ok((Source::Recording(Box::new(recording), routing), capture, from))
    }

    /// Opens the cards of the chain for their capture side. A simulated bench has the sound played beside it.
    fn listening(&self, request: &ElsewhereRequest) -> Result<Listening, RunError> {
        let chain = &request.chain;
        let backend = self.backend(&chain.routing)?;
        let named = backend.with_devices(&chain.output, &chain.headphone);
        let backend = named.as_deref().unwrap_or(backend);
        let player = backend.with_player(&|| player_of(&request.sound));
        let mut routing = chain.routing.clone();
        if player.is_some() {
            routing.playback_rate = request.sound.rate;
        }
        let (tell, blocks) = bounded(BLOCKS_WAITING);
        let dropped = Arc::new(AtomicUsize::new(0));
        let lost = Arc::clone(&dropped);
        let live = self.live.clone();
        let mut analyser = LiveAnalyser::new(routing.capture_rate, routing.capture_channels.iter().map(|c| c.role));
        let on_block = Box::new(move |heard: Heard| {
            // A full channel means that this program is too slow: the capture thread never waits.
            if tell.try_send(heard.inputs.to_vec()).is_err() {
                lost.fetch_add(heard.inputs.first().map_or(0, Vec::len), Ordering::Relaxed);
            }
            if let Some(picture) = analyser.push(heard.inputs, heard.steady) {
                live.set(picture);
            }
        });
        let engine = Engine::open(player.as_deref().unwrap_or(backend), &routing, on_block)?;
        self.stop.arm(engine.stop_handle());
        Ok(Listening { engine, blocks, dropped, simulated: player.is_some() })
    }
}

/// The frames that a simulated player plays.
fn player_of(sound: &SoundPlan) -> Vec<[f32; 2]> {
    let left = sound.samples(0);
    let right = if sound.channels > 1 { sound.samples(1) } else { left.clone() };
    let wait = std::iter::repeat_n([0.0; 2], sound.rate.frames_in(PLAYER_AFTER_S));
    wait.chain(left.into_iter().zip(right).map(|(l, r)| [l as f32, r as f32])).collect()
}

/// Keeps what is heard as a session.
struct Keeper<'a> {
    worker: &'a Worker,
    sound: &'a SoundPlan,
    storage: Storage,
    record: Record,
    known: Known,
    heard: HeardElsewhere,
    period: Arc<Period>,
    /// The step whose takes come in, with its number in the plan.
    running: Option<(usize, Step, Vec<TakeResult>)>,
}

impl Keeper<'_> {
    fn follow(mut self, source: Source) -> Result<Record, RunError> {
        let routing = &self.record.head.chain.routing;
        let roles: Vec<InputRole> = routing.capture_channels.iter().map(|c| c.role).collect();
        let rate = self.record.head.capture.rate;
        let mut follower = Follower::new(self.sound.clone(), rate, roles);
        match source {
            Source::Recording(recording, routing) => self.through(*recording, &routing, &mut follower)?,
            Source::Live(listening) => self.listen(*listening, &mut follower, rate)?,
        }
        for news in follower.finish() {
            self.take_in(news)?;
        }
        if !follower.has_begun() {
            return Err(RunError::Elsewhere(self.not_found()));
        }
        self.commit()?;
        self.end()
    }

    fn not_found(&self) -> String {
        let what = match &self.heard.from {
            HeardFrom::Live => "what was captured".into(),
            HeardFrom::Recording { file, .. } => file.clone(),
        };
        format!(
            "no mark of this plan was found in {what}. Is it the sound that this plan file was written with (its fingerprint is {})? Was it played at its own rate and speed, loud enough to hear, and recorded to the end?",
            self.heard.sound_hash
        )
    }

    fn through(&mut self, mut recording: Recording, routing: &Routing, follower: &mut Follower) -> Result<(), RunError> {
        let rate = recording.rate.hz();
        let (mut done, total) = (0usize, recording.frames.map_or(0.0, |frames| frames as f64 / rate));
        while !follower.is_over() && !self.worker.stop.is_asked() {
            let piece = recording.next_piece().map_err(|e| RunError::Elsewhere(e.to_string()))?;
            let Some(piece) = piece else { break };
            done += piece[0].len();
            let chosen = |c: &crate::card::CaptureChannel| piece.get(usize::from(c.channel)).cloned().unwrap_or_default();
            let inputs: Vec<Vec<f32>> = routing.capture_channels.iter().map(chosen).collect();
            self.worker.tell(Event::Playing { done_s: done as f64 / rate, total_s: total });
            for news in follower.push(&inputs) {
                self.take_in(news)?;
            }
        }
        Ok(())
    }

    fn listen(&mut self, mut listening: Listening, follower: &mut Follower, rate: SampleRate) -> Result<(), RunError> {
        let mut watch = LevelWatch::new(&self.record, rate);
        let (mut frames, mut told) = (0usize, 0usize);
        while !follower.is_over() && !self.worker.stop.is_asked() {
            match listening.engine.poll(POLL) {
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
            }
            let seconds = frames / rate.get() as usize;
            if seconds > told {
                told = seconds;
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

    fn take_in(&mut self, news: News) -> Result<(), RunError> {
        match news {
            News::Mark(mark) => {
                self.worker.tell(Event::Elsewhere(Following::Mark(mark.clone())));
                self.heard.marks.push(mark);
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

    /// The gain is not that of the quiet reference: what such a take shows belongs to another volume.
    fn moved(&self, taken: &SlotTake, purpose: Purpose) -> Option<VoidReason> {
        let (base, own) = (self.heard.base()?, taken.mark.as_ref()?);
        let inputs = self.record.head.chain.ears().map(|(input, _)| input);
        let by = inputs.filter_map(|input| own.moved_db(base, input)).max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
        (purpose != Purpose::Silence).then(|| VoidReason::GainMoves {
            what: format!(
                "the mark before it is {by:+.1} dB from that of the quiet reference: the volume was changed, or a gain moves by itself"
            ),
        })
    }

    fn result(&mut self, step: &Step, take: Take) -> Result<TakeResult, RunError> {
        self.storage.save_period(&take.head.stimulus, &take.head.stimulus.period(self.sound.rate))?;
        let file = self.storage.save_take(step, &take)?;
        let pooled = Known::pooled(&self.record);
        let (inputs, void) = match take.head.void.clone() {
            Some(void) => (Vec::new(), Some(void)),
            None => self.known.analyse(&self.record, step.purpose, &take, pooled)?,
        };
        Ok(TakeResult { file, head: take.head, void, pooled_ppm: pooled.0, route_delay_s: pooled.1, inputs })
    }

    fn commit(&mut self) -> Result<(), RunError> {
        let Some((_, step, takes)) = self.running.take() else { return Ok(()) };
        let result = StepResult { step, seat: 1, finished_at: (self.worker.now)(), takes };
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
        if let Some(last) = self.record.steps.last() {
            self.storage.commit_step(last, &self.record)?;
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

    fn end(mut self) -> Result<Record, RunError> {
        let heard = Happening::HeardElsewhere(Box::new(self.heard.clone()));
        self.note(heard)?;
        let stop = self.stop();
        self.note(Happening::Ended { stop })?;
        Ok(self.record)
    }

    fn note(&mut self, what: Happening) -> Result<(), RunError> {
        let event = SessionEvent { at: (self.worker.now)(), what };
        self.storage.append_event(&event)?;
        self.record.events.push(event);
        Ok(())
    }

    fn stop(&self) -> StopReason {
        let head = &self.record.head;
        let climb = Climb { plan: &head.plan, chain: &head.chain, period: &self.period, results: &self.record.steps };
        // What the plan asked for last was used, or it was not.
        let top = self.sound.highest_drive();
        let used = |step: &StepResult| step.step.purpose.climbs() && step.step.drive == top && step.given_up().is_none();
        match climb.reason() {
            StopReason::Ceiling { .. } | StopReason::FullScale | StopReason::WantedHeadroom
                if !self.record.steps.iter().any(used) =>
            {
                StopReason::PlayedNoFurther
            }
            reason => reason,
        }
    }
}

/// Is it too loud at a calibrated ear? The bench cannot stop it, so it says so.
struct LevelWatch {
    frames: usize,
    ceiling: DbSpl,
    ears: Vec<(usize, InputRole, Moving, f64, f64)>,
    heard: usize,
}

impl LevelWatch {
    fn new(record: &Record, rate: SampleRate) -> LevelWatch {
        let chain = &record.head.chain;
        let ear = |(input, role): (usize, InputRole)| {
            // A curve can only add this much; nothing is too loud by more than is told.
            let most = chain.correction(role).points().iter().map(|(_, db)| *db).fold(0.0, f64::max);
            Some((input, role, Moving::from_the_first(rate), chain.acoustic(role)?.offset.value + most, 0.0))
        };
        LevelWatch {
            frames: rate.frames_in(LEVEL_S),
            ceiling: super::super::climb::spl_ceiling(&record.head.plan, chain),
            ears: chain.ears().filter_map(ear).collect(),
            heard: 0,
        }
    }

    /// The level of the last half second, where one is complete.
    fn push(&mut self, block: &[Vec<f32>]) -> Option<Following> {
        let frames = block.first().map_or(0, Vec::len);
        for (input, _, moving, _, energy) in &mut self.ears {
            for sample in block.get(*input).into_iter().flatten() {
                *energy += if sample.is_finite() { moving.next(f64::from(*sample)).powi(2) } else { 1.0 };
            }
        }
        self.heard += frames;
        if self.heard < self.frames {
            return None;
        }
        let over = self.heard as f64;
        self.heard = 0;
        let levels = self.ears.iter_mut().filter_map(|(_, role, _, offset, energy)| {
            let mean = std::mem::take(energy) / over;
            Some((*role, DbSpl(Dbfs::from_rms(mean.sqrt())?.db() + *offset)))
        });
        let (role, level) = levels.max_by(|a, b| a.1.db().total_cmp(&b.1.db()))?;
        Some(Following::Level { role, level, ceiling: self.ceiling })
    }
}
