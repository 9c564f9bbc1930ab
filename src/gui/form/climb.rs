//! What is asked of a session, on page Climb.

use super::{Form, Messages, keep};
use crate::asked::{Field, plan};
use crate::session::plan::{Ceilings, DEFAULT_CEILING, Extent, Plan, UNCALIBRATED_CEILING};
use crate::signal::{KINDS, Stimulus};
use crate::units::{DbSpl, Dbfs};

impl Form {
    /// The ceiling that acts: dB SPL where the chain is calibrated, else on the drive.
    pub fn ceiling(&self) -> Field {
        if self.is_calibrated() { Field::CeilingSpl } else { Field::CeilingDrive }
    }

    /// Levels at which sines and other sounds are played, likewise.
    pub fn levels(&self) -> Field {
        if self.is_calibrated() { Field::AskedSpl } else { Field::AskedDrive }
    }

    /// True where the ceiling stands above its default, so that it has to be typed again.
    pub fn ceiling_is_raised(&self) -> bool {
        self.typed.number(self.ceiling()).is_ok_and(|value| plan::needs_again(self.ceiling(), value))
    }

    /// The sounds that can be chosen, and those that a plan brought along.
    pub fn sounds(&self) -> Vec<Stimulus> {
        let usual: Vec<Stimulus> =
            KINDS[1..].iter().map(|kind| (kind.make)(self.chain.routing.playback_rate)).collect();
        let brought = self.beside.iter().filter(|s| !usual.contains(s)).cloned().collect::<Vec<_>>();
        usual.into_iter().chain(brought).collect()
    }

    /// Chooses a sound, or leaves it out again.
    pub fn toggle(&mut self, sound: &Stimulus) {
        match self.beside.iter().position(|s| s == sound) {
            Some(at) => drop(self.beside.remove(at)),
            None => self.beside.push(sound.clone()),
        }
    }

    pub(super) fn read_plan(&self, wrong: &mut Messages) -> Option<Plan> {
        let (rate, typed, calibrated) = (self.chain.routing.playback_rate, &self.typed, self.is_calibrated());
        let usual = match self.extent {
            Extent::Session | Extent::Swap => Plan::session(rate),
            Extent::QuickLook => Plan::quick_look(rate),
            Extent::PathCheck => Plan::path_check(rate),
        };
        let listening = keep(wrong, typed.optional(Field::Listening));
        let wanted = keep(wrong, typed.number(Field::Wanted));
        let sines = keep(wrong, typed.numbers(Field::Sines));
        let asked = keep(wrong, plan::levels(typed.text(self.levels()), calibrated));
        let ceiling = keep(wrong, typed.number(self.ceiling()))?;
        let (weighting, field) = self.weighting;
        let base = &self.base;
        let plan = Plan {
            listening: plan::listening(listening?, weighting, field),
            wanted_headroom_db: wanted?,
            sines_hz: sines?,
            beside: self.beside.clone(),
            asked: asked?,
            ceilings: self.ceilings(ceiling),
            rule: base.rule,
            step_db: base.step_db,
            distortion_limit_percent: base.distortion_limit_percent,
            stop_at_ear: base.stop_at_ear,
            from_settings: base.from_settings.clone(),
            seats: if self.extent == base.extent { base.seats } else { usual.seats },
            ..usual
        };
        let again = self.ceiling().read(typed.text(Field::CeilingAgain)).ok();
        let checked = plan::checked(plan, rate, calibrated, again);
        keep(
            wrong,
            checked.map_err(|mut w| {
                w.field = self.shown_at(w.field);
                w
            }),
        )
    }

    fn ceilings(&self, typed: f64) -> Ceilings {
        if self.is_calibrated() {
            return Ceilings { spl: DbSpl(typed), ..self.base.ceilings };
        }
        let drive = Some(Dbfs(typed)).filter(|drive| *drive != UNCALIBRATED_CEILING);
        // Without an offset no level is known, and a ceiling in dB SPL does not act.
        Ceilings { spl: DEFAULT_CEILING, drive, ..self.base.ceilings }
    }

    /// The field of this page that a message stands beside.
    fn shown_at(&self, field: Field) -> Field {
        match field {
            Field::AskedSpl | Field::AskedDrive => self.levels(),
            Field::CeilingAgain | Field::Sines | Field::Wanted => field,
            Field::CeilingSpl | Field::CeilingDrive | Field::CeilingVolts | Field::CeilingMilliwatts => self.ceiling(),
            _ => Field::Listening,
        }
    }
}
