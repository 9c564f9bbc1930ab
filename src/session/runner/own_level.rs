//! Hears what the listener's own volume position gives: pink noise at it, or the listener's music while the bench is silent.

use super::super::own_level::{How, OwnLevel, OwnLevelAsk, not_calibrated, of_music};
use super::super::plan::{Plan, SETTLE_S};
use super::super::protocol::{Event, SessionRequest};
use super::super::step::{Purpose, Step};
use super::added::Looked;
use super::step::StepError;
use super::{RunError, Worker, check_request};
use crate::audio::{Guard, TakeRequest};
use crate::card::InputRole;
use crate::signal::{Drive, Stimulus};
use crate::stats::Estimate;
use crate::units::Dbfs;

/// The first look stands this far under the drive asked for, dB: how loud the position is, nobody knows.
const FIRST_BELOW_DB: f64 = 20.0;
/// Periods of a look, and of the take.
const LOOK_PERIODS: usize = 2;
const TAKE_PERIODS: usize = 4;
/// Looks at the most where a take was void.
const LOOKS: usize = 3;

impl Worker {
    pub(super) fn own_level(&self, asked: &OwnLevelAsk) -> Result<(), RunError> {
        let chain = &asked.chain;
        let (input, role) = chain.ears().next().ok_or(RunError::NoEar)?;
        if chain.acoustic(role).is_none() {
            return Err(RunError::OwnLevel(not_calibrated(role)));
        }
        let heard = match asked.how {
            How::Pink { drive, music } => self.pink_at_the_knob(asked, drive, music, (input, role))?,
            How::Music { seconds } => self.music_at_the_knob(asked, seconds, (input, role))?,
        };
        self.tell(Event::OwnLevel(Box::new(heard)));
        Ok(())
    }

    /// Two takes of pink noise: one far under what was asked for, from which the other is predicted.
    fn pink_at_the_knob(
        &self,
        asked: &OwnLevelAsk,
        drive: Dbfs,
        music: Dbfs,
        (input, role): (usize, InputRole),
    ) -> Result<OwnLevel, RunError> {
        let chain = &asked.chain;
        let scratch = tempfile::tempdir().map_err(RunError::Scratch)?;
        let plan = Plan::quick_look(chain.routing.playback_rate);
        let request = SessionRequest { plan, chain: chain.clone(), sessions: scratch.path().into(), id: None };
        check_request(&request)?;
        let opened = self.open_chain(chain)?;
        let (storage, record) = self.begin_on(&opened, &request)?;
        let mut steps = self.runner_of(opened, storage, record, chain.clone())?;
        let ceiling = steps.climb().spl_ceiling().db();
        let limit = steps.climb().limit().0.db();
        let stimuli = vec![steps.record.head.plan.pink.clone()];
        let mut look = |drive: f64, periods: usize| -> Result<(Estimate, Option<Estimate>), RunError> {
            let step =
                Step { number: 1, purpose: Purpose::Seat, drive: Some(Dbfs(drive)), stimuli: stimuli.clone(), periods };
            for _ in 0..LOOKS {
                steps.begin(&step);
                match steps.look(&step) {
                    Ok(Looked::Heard(_, inputs)) => {
                        let sound = inputs.get(input).and_then(|i| i.sound);
                        let z = sound.and_then(|s| s.z).ok_or(RunError::NothingHeard)?;
                        return Ok((z, sound.and_then(|s| s.a)));
                    }
                    Ok(Looked::Void | Looked::CardsReopened) => {}
                    Err(StepError::Stopped | StepError::NotAsPredicted) => return Err(RunError::Stopped),
                    Err(StepError::Card(what)) => return Err(RunError::CardFailed(what)),
                    Err(StepError::Run(error)) => return Err(error),
                }
            }
            Err(RunError::NothingHeard)
        };
        // What is known before anything is heard bounds both; what the first look tells of dB SPL bounds the second.
        let first = (drive.db() - FIRST_BELOW_DB).min(limit);
        let (quiet, _) = look(first, LOOK_PERIODS)?;
        let most = ceiling - (quiet.interval.high - first);
        let drive = drive.db().min(most).min(limit);
        let (z, a) = look(drive, TAKE_PERIODS)?;
        let as_loud = music.db() - drive;
        Ok(OwnLevel {
            how: How::Pink { drive: Dbfs(drive), music },
            role,
            z: z.shifted(as_loud),
            a: a.map(|a| a.shifted(as_loud)),
            diffuse_a: None,
            listened_s: TAKE_PERIODS as f64 * request.plan.pink.period_frames(chain.routing.playback_rate) as f64
                / chain.routing.playback_rate.hz(),
            steadiness_db: None,
            flaws: Vec::new(),
        })
    }

    /// The capture side alone; what the playback card gets is silence.
    fn music_at_the_knob(
        &self,
        asked: &OwnLevelAsk,
        seconds: f64,
        (input, role): (usize, InputRole),
    ) -> Result<OwnLevel, RunError> {
        let chain = &asked.chain;
        let rate = chain.routing.playback_rate;
        let backend = self.backend(&chain.routing)?;
        // A simulated bench has no player: a source outside stands for it.
        let playing = backend.with_outside_source(false);
        let (mut engine, _) = self.open(playing.as_deref().unwrap_or(backend), &chain.routing)?;
        let stimulus = Stimulus::silence();
        let period_s = stimulus.period_frames(rate) as f64 / rate.hz();
        let request = TakeRequest {
            periods: (seconds / period_s).ceil() as usize,
            stimulus,
            drive: Drive::SILENT,
            settle_s: SETTLE_S,
            delay_s: 0.0..0.0,
            guard: Guard::default(),
            only: None,
        };
        let take = self.one_take(&mut engine, request)?;
        let samples = take.inputs.get(input).map_or(&[][..], |input| &input.samples);
        of_music(samples, take.head.captured_rate, chain, role).map_err(RunError::OwnLevel)
    }
}
