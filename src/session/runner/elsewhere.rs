//! Follows a sound that is played elsewhere, live on the capture side or in a recording, and keeps it as a session.
//!
//! The cards are open for their capture side: nothing is played, and no take is asked of them. What they capture goes to the
//! follower on this thread; what it cuts out is analysed, stored and judged as any take ([`keeper`]).

mod keeper;
mod level_watch;

use super::super::audio_file::AudioFile;
use super::super::chain::Chain;
use super::super::elsewhere::{ElsewhereRequest, HeardElsewhere, HeardFrom, SoundPlan};
use super::super::plain_file;
use super::super::plan::Plan;
use super::super::protocol::Event;
use super::super::record::{Record, SCHEMA, SessionHead};
use super::super::storage::name_of_time;
use super::known::Known;
use super::{RunError, Worker};
use crate::analysis::live::LiveAnalyser;
use crate::audio::{Engine, Heard};
use crate::card::{CardId, Granted, Routing};
use crate::fingerprint;
use crossbeam_channel::{Receiver, bounded};
use keeper::Keeper;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Captured blocks that may wait while a take is analysed: more than a minute of them.
const BLOCKS_WAITING: usize = 2048;
/// The simulated player begins so long after the bench, seconds.
const PLAYER_AFTER_S: f64 = 3.0;

/// What comes in, piece by piece.
enum Source {
    Live(Box<Listening>),
    Recording(Box<AudioFile>, Routing),
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
        let period = head.plan.pink.period(sound.rate);
        let keeper = Keeper {
            worker: self,
            request,
            sound,
            storage: None,
            kept,
            record: Record::new(head),
            known: Known::new(),
            heard,
            period,
            running: None,
            lost: None,
        };
        let (record, folder) = keeper.follow(source)?;
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

    fn source(&self, request: &ElsewhereRequest, chain: &mut Chain) -> Result<(Source, Granted, HeardFrom), RunError> {
        let Some(path) = &request.recording else {
            let listening = self.listening(request)?;
            let capture = listening.engine.granted().1.clone();
            return Ok((Source::Live(Box::new(listening)), capture, HeardFrom::Live));
        };
        let recording = open(path)?;
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
            id: CardId(format!("recording:{}", recording.name)),
            rate: recording.rate,
            channels: recording.channels as u16,
            block_frames: None,
            format: recording.format.clone(),
            may_resample: None,
            simulates: None,
        };
        let from = HeardFrom::Recording {
            file: recording.name.clone(),
            hash: hash_of(path)?,
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

fn open(path: &Path) -> Result<AudioFile, RunError> {
    AudioFile::open(path).map_err(|e| RunError::Elsewhere(format!("{}: {e}", path.display())))
}

fn hash_of(path: &Path) -> Result<String, RunError> {
    let hash = plain_file::open(path).and_then(fingerprint::of_reader);
    hash.map_err(|e| RunError::Elsewhere(format!("{}: it cannot be read ({e})", path.display())))
}

/// The frames that a simulated player plays.
fn player_of(sound: &SoundPlan) -> Vec<[f32; 2]> {
    let left = sound.samples(0);
    let right = if sound.channels > 1 { sound.samples(1) } else { left.clone() };
    let wait = std::iter::repeat_n([0.0; 2], sound.rate.frames_in(PLAYER_AFTER_S));
    wait.chain(left.into_iter().zip(right).map(|(l, r)| [l as f32, r as f32])).collect()
}
