//! Levels that were asked for: the next one, and those that were not played as asked.

use super::{Climb, Next, SAME_DB};
use crate::session::plan::AskedLevel;
use crate::session::record::StepResult;
use crate::session::step::Purpose;
use crate::units::Dbfs;

/// Drives of one level asked for, predicted before and after steps in between, agree within this, dB.
const SAME_LEVEL_DB: f64 = 0.2;

/// A level asked for that was not played as asked.
#[derive(Clone, Debug, PartialEq)]
pub struct NotAsAsked {
    /// As asked.
    pub level: AskedLevel,
    /// The drive it would have taken; `None` where no sound level is known.
    pub wanted: Option<Dbfs>,
    /// The drive played instead; `None`: it was not played.
    pub played: Option<Dbfs>,
    /// Why.
    pub because: String,
}

impl Climb<'_> {
    /// The next level that was asked for, in rising order and never above the limit; `None` after the last, or once the
    /// one before clipped or left no room: what is louder waits for the climb.
    pub(super) fn asked(&self) -> Option<Next> {
        let done = self.results.iter().filter(|r| r.step.purpose == Purpose::Asked).count();
        if done > 0 && (self.results.last().is_some_and(|last| self.clips(last)) || self.blocked().is_some()) {
            return None;
        }
        let (limit, _) = self.limit();
        let mut drives: Vec<f64> =
            self.plan.asked.iter().filter_map(|level| self.drive_for(level)).map(|d| d.db().min(limit.db())).collect();
        drives.sort_by(f64::total_cmp);
        drives.dedup_by(|a, b| (*a - *b).abs() < SAME_DB);
        drives.get(done).map(|drive| self.step(Purpose::Asked, Some(Dbfs(*drive))))
    }

    /// Levels asked for that were not played, or not as asked. Nothing is said of those that may still come.
    pub fn not_as_asked(&self) -> Vec<NotAsAsked> {
        let is_asked = |r: &&StepResult| r.step.purpose == Purpose::Asked;
        let before = |r: &StepResult| r.step.purpose.leads_up();
        let known = self.results.iter().take_while(|r| before(r)).count();
        let then = Climb { results: &self.results[..known], ..*self };
        let over = self.results.last().is_some_and(|r| !before(r) && r.step.purpose != Purpose::Asked);
        let (limit, reason) = then.limit();
        let stopped_at = self.results.iter().rev().find(is_asked);
        self.plan
            .asked
            .iter()
            .filter_map(|level| {
                let Some(wanted) = then.drive_for(level) else {
                    return over.then(|| NotAsAsked {
                        level: *level,
                        wanted: None,
                        played: None,
                        because: "no sound level is known without a calibration offset".into(),
                    });
                };
                let held = Dbfs(wanted.db().min(limit.db()));
                let near = |r: &&StepResult| r.step.drive.is_some_and(|d| (d.db() - held.db()).abs() < SAME_LEVEL_DB);
                let played = self.results.iter().filter(is_asked).find(near).and_then(|r| r.step.drive);
                let because = match played {
                    Some(_) if wanted.db() - limit.db() <= SAME_DB => return None,
                    Some(_) => reason.to_string(),
                    None if !over => return None,
                    None if stopped_at.is_some_and(|last| self.clips(last)) => "it clips at a lower one".into(),
                    None => {
                        let last = stopped_at.map_or(known, |r| r.step.number);
                        let then = Climb { results: &self.results[..last.min(self.results.len())], ..*self };
                        then.blocked().map_or("the session ended before".into(), |why| why.to_string())
                    }
                };
                Some(NotAsAsked { level: *level, wanted: Some(wanted), played, because })
            })
            .collect()
    }

    /// A level as RMS drive; `None` while the sound level is not known.
    pub(in crate::session) fn drive_for(&self, level: &AskedLevel) -> Option<Dbfs> {
        match level {
            AskedLevel::Drive(drive) => Some(*drive),
            AskedLevel::Spl(spl) => {
                let (_, role) = self.chain.ears().next()?;
                let offset = self.chain.acoustic(role)?.offset.value;
                Some(Dbfs(spl.db() - offset - self.gain_db(self.deciding())?))
            }
        }
    }
}
