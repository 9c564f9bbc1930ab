//! Is it too loud at a calibrated ear? The bench cannot stop what is played elsewhere, so it says so.

use super::super::super::climb::spl_ceiling;
use super::super::super::protocol::Following;
use super::super::super::record::Record;
use crate::card::InputRole;
use crate::signal::Moving;
use crate::units::{DbSpl, Dbfs, SampleRate};

/// Level that is held against the ceiling: over so long, seconds.
const LEVEL_S: f64 = 0.5;

/// Level of the calibrated ears against the ceiling.
pub(super) struct LevelWatch {
    frames: usize,
    ceiling: DbSpl,
    ears: Vec<Ear>,
    heard: usize,
}

struct Ear {
    input: usize,
    role: InputRole,
    /// Keeps a converter's offset out of the level.
    moving: Moving,
    /// dB SPL that 0 dBFS stands for, at most.
    offset_db: f64,
    energy: f64,
}

impl LevelWatch {
    /// For the ears of this record, captured at `rate`.
    pub(super) fn new(record: &Record, rate: SampleRate) -> LevelWatch {
        let chain = &record.head.chain;
        let ear = |(input, role): (usize, InputRole)| {
            // A curve can only add this much; nothing is louder than is reported.
            let most = chain.correction(role).points().iter().map(|(_, db)| *db).fold(0.0, f64::max);
            let offset_db = chain.acoustic(role)?.offset.value + most;
            Some(Ear { input, role, moving: Moving::from_the_first(rate), offset_db, energy: 0.0 })
        };
        LevelWatch {
            frames: rate.frames_in(LEVEL_S),
            ceiling: spl_ceiling(&record.head.plan, chain),
            ears: chain.ears().filter_map(ear).collect(),
            heard: 0,
        }
    }

    /// The level of the last half second at the louder ear, where one is complete.
    pub(super) fn push(&mut self, block: &[Vec<f32>]) -> Option<Following> {
        for ear in &mut self.ears {
            for sample in block.get(ear.input).into_iter().flatten() {
                // What is no number counts as full scale: it must not hide a level.
                let moving = if sample.is_finite() { ear.moving.next(f64::from(*sample)) } else { 1.0 };
                ear.energy += moving.powi(2);
            }
        }
        self.heard += block.first().map_or(0, Vec::len);
        if self.heard < self.frames {
            return None;
        }
        let frames = std::mem::take(&mut self.heard) as f64;
        let level = |ear: &mut Ear| {
            let mean = std::mem::take(&mut ear.energy) / frames;
            Some((ear.role, DbSpl(Dbfs::from_rms(mean.sqrt())?.db() + ear.offset_db)))
        };
        let (role, level) = self.ears.iter_mut().filter_map(level).max_by(|a, b| a.1.db().total_cmp(&b.1.db()))?;
        Some(Following::Level { role, level, ceiling: self.ceiling })
    }
}
