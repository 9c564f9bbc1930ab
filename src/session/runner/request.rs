//! What a step asks of the cards: a drive that has passed the ceilings, for how long, and what trips the gain.

use super::super::climb::Climb;
use super::super::path;
use super::super::plan::{DELAY_UNKNOWN_S, Extent, SETTLE_S};
use super::super::record::StepResult;
use super::super::step::{Purpose, Step};
use super::known::Known;
use super::step::{DELAY_MARGIN_S, LONG_DELAY_UNKNOWN_S, StepRunner};
use super::{RunError, loudness};
use crate::analysis;
use crate::analysis::live::{Expected, NoiseFloor};
use crate::audio::{Guard, GuardedInput, TakeRequest};
use crate::card::InputRole;
use crate::signal::{Drive, Stimulus};
use crate::units::{Dbfs, db_from_power, power_from_db};
use std::collections::BTreeMap;

/// Distortion is about the same within so much drive, dB.
const NEAR_DRIVE_DB: f64 = 6.0;

impl StepRunner<'_> {
    pub(super) fn request(&self, step: &Step, stimulus: &Stimulus) -> Result<TakeRequest, RunError> {
        let climb = self.climb();
        let mut ceiling = climb.ceiling();
        // How loud another sound than the stepped noise will be, at each ear.
        let is_other = step.drive.is_some() && *stimulus != self.record.head.plan.pink;
        let gains_db = if is_other {
            loudness::gains_db(&climb, &self.known, &stimulus.period(self.rate()))
        } else {
            BTreeMap::new()
        };
        let drive = match step.drive {
            None => Drive::SILENT,
            Some(asked) => {
                let period = stimulus.period(self.rate());
                // A sound of higher crest factor than the stepped noise reaches full scale at a lower drive.
                let full = period.full_drive().filter(|_| is_other);
                let mut asked = Dbfs(asked.db().min(full.map_or(f64::INFINITY, |full| full.db())));
                if let Some(own) = loudness::ceiling(&climb, stimulus, &gains_db) {
                    asked = Dbfs(asked.db().min(own.rms.db()));
                    ceiling = if own.rms.db() < ceiling.rms.db() { own } else { ceiling };
                }
                Drive::grant(asked, &period, &ceiling)?
            }
        };
        let (_, delay) = Known::pooled(&self.record);
        let delay = delay.filter(|_| !self.reopened);
        // A session takes a delay from under the noise as well, which may be too long: its takes may be heard earlier.
        let (unknown, least_s) = match self.record.head.plan.extent {
            Extent::PathCheck => (path::DELAY_ALLOWED_S, delay.map_or(0.0, |d| d - DELAY_MARGIN_S)),
            Extent::Session | Extent::QuickLook | Extent::Swap => (DELAY_UNKNOWN_S, 0.0),
        };
        let unknown = if self.late { LONG_DELAY_UNKNOWN_S } else { unknown };
        Ok(TakeRequest {
            stimulus: stimulus.clone(),
            drive,
            periods: stimulus.periods_for(step.periods),
            settle_s: SETTLE_S,
            delay_s: least_s..delay.map_or(unknown, |d| d + DELAY_MARGIN_S),
            guard: self.guard(&climb, &drive, (stimulus, &gains_db), step.purpose),
            only: self.only(step.purpose),
        })
    }

    /// The one channel that a step of this purpose drives.
    fn only(&self, purpose: Purpose) -> Option<u16> {
        self.record.head.chain.routing.playback_channels.get(purpose.channel_alone()?).copied()
    }

    /// What the live picture needs to tell distortion; `None` before the clocks are known.
    pub(super) fn expected(&self, stimulus: &Stimulus) -> Option<Expected> {
        if stimulus.is_silent() {
            return None;
        }
        let clock_ppm = Known::pooled(&self.record).0?.value;
        let silence = self.record.last(Purpose::Silence);
        let inputs = self.record.head.chain.routing.capture_channels.len();
        let noise = (0..inputs).map(|input| Some(NoiseFloor::of(silence?.silence(input)?))).collect();
        Some(Expected { period: stimulus.period(self.rate()), clock_ppm, noise })
    }

    /// What the capture thread trips the gain at.
    fn guard(
        &self,
        climb: &Climb,
        drive: &Drive,
        (stimulus, gains_db): (&Stimulus, &BTreeMap<usize, f64>),
        purpose: Purpose,
    ) -> Guard {
        let chain = &self.record.head.chain;
        let silence = self.record.steps.iter().find(|s| s.step.purpose == Purpose::Silence);
        let inputs = chain.ears().map(|(input, role)| {
            let noise_dbfs = silence.and_then(|s| s.silence(input)?.everything_dbfs());
            // How loud another seat or volume position is, or what an ear hears of one channel alone, nobody knows; it is quiet, and the
            // ceiling still holds.
            let unknown = purpose.is_of_unknown_level();
            let known = matches!(stimulus, Stimulus::Pink(_)) && !unknown;
            let curve_db = self.curve_effect_db(input, role);
            let expected = drive.rms().filter(|_| known).zip(climb.gain_db(input));
            let products_db = drive.rms().map_or(0.0, |drive| self.products_db(input, drive));
            let steady = matches!(stimulus, Stimulus::Sine(_) | Stimulus::TwoTones(_)) && !unknown;
            let of_tones = drive.rms().filter(|_| steady).zip(gains_db.get(&input)).map(|(d, gain)| d.db() + gain);
            GuardedInput {
                input,
                name: role.in_words(),
                roughly_dbfs: of_tones.map(|dbfs| dbfs - curve_db),
                expected_dbfs: expected.map(|(d, gain)| d.db() + gain + products_db - curve_db),
                ceiling_dbfs: chain.acoustic(role).map(|a| a.dbfs(climb.spl_ceiling()).db() - curve_db),
                noise_dbfs,
            }
        });
        Guard { inputs: inputs.collect() }
    }

    /// What distortion added to the level of the lines when they were heard last, dB: the capture thread hears all of it. At a
    /// drive far from that nobody knows.
    fn products_db(&self, input: usize, drive: Dbfs) -> f64 {
        let near =
            |step: &&StepResult| step.step.drive.is_some_and(|then| (then.db() - drive.db()).abs() < NEAR_DRIVE_DB);
        let last = self.record.steps.iter().rev().find(|step| step.pink(input).is_some());
        let Some((pink, _)) = last.filter(near).and_then(|step| step.pink(input)) else { return 0.0 };
        let stated = [&pink.even, &pink.odd].into_iter().filter_map(|reading| reading.determined());
        db_from_power(1.0 + stated.map(|e| power_from_db(e.value)).sum::<f64>()).unwrap_or(0.0)
    }

    /// What the correction curves add to the level of pink noise at this input, dB: the capture thread hears without
    /// them. Before a take has shown the spectrum it is the most that they can add.
    fn curve_effect_db(&self, input: usize, role: InputRole) -> f64 {
        let correction = self.record.head.chain.correction(role);
        let last = self.record.steps.iter().rev().find_map(|step| step.pink(input));
        let most = correction.points().iter().map(|(_, db)| *db).reduce(f64::max).unwrap_or(0.0);
        let Some((pink, _)) = last.filter(|_| !correction.is_none()) else { return most };
        let bands =
            || pink.bands.iter().filter_map(|band| Some((analysis::band::centre_hz(band.x), band.level?.value)));
        let corrected: f64 = bands().map(|(_, db)| power_from_db(db)).sum();
        let heard: f64 = bands().map(|(f_hz, db)| power_from_db(db - correction.db_at(f_hz))).sum();
        db_from_power(corrected / heard).unwrap_or(most)
    }
}
