//! How far may the drive go? Ceilings, full scale, and what forbids one more step although they would allow it.

use super::{Climb, OVER_NOISE_DB, SAME_DB, UNHEARD_DRIVE, is_coarse, over_noise_db};
use crate::analysis::PinkFinding;
use crate::session::chain::{Chain, ChainCeilings};
use crate::session::plan::{Ceilings, Plan, UNCALIBRATED_CEILING};
use crate::session::step::StopReason;
use crate::signal::DriveCeiling;
use crate::units::{DbSpl, Dbfs, db_from_amplitude};

/// Loudest plausible sound of one volt, dB SPL: a sensitive in-ear (common practice, no source).
const LOUDEST_PER_VOLT_DB: f64 = 130.0;
/// Loudest plausible output, volts RMS at full scale (common practice, no source).
const LOUDEST_OUTPUT_V: f64 = 10.0;
/// The input keeps this much room, dB: enough for what noise adds to a peak, and less than a drive counts as full scale by.
pub const INPUT_ROOM_DB: f64 = 0.02;
/// The peak keeps this far from the microphone's stated maximum, dB.
pub const MICROPHONE_ROOM_DB: f64 = 6.0;

/// Ceiling at the calibrated point: the lower of the plan's and the chain's own.
pub fn spl_ceiling(plan: &Plan, chain: &Chain) -> DbSpl {
    let asked = plan.ceilings.spl;
    chain.output_side.ceilings.spl.filter(|own| own.db() < asked.db()).unwrap_or(asked)
}

/// Ceilings of the drive that are known before anything is heard: the plan's and the chain's own, on the drive itself, in
/// volts and in milliwatts.
fn drive_ceilings(plan: &Plan, chain: &Chain) -> Vec<DriveCeiling> {
    let Ceilings { drive, volts, milliwatts, .. } = plan.ceilings;
    let asked = drive.map(|drive| DriveCeiling { rms: drive, because: format!("{drive} of drive") });
    let own = chain.output_side.ceilings.drive;
    let own = own.map(|drive| DriveCeiling { rms: drive, because: format!("{drive} of drive, the chain's own") });
    let also = ChainCeilings { volts, milliwatts, ..ChainCeilings::default() };
    let electrical = chain.electrical_ceilings(&also, &plan.sines_hz);
    asked.into_iter().chain(own).chain(electrical).collect()
}

/// The lowest of them; `None` where there is none.
pub fn drive_ceiling(plan: &Plan, chain: &Chain) -> Option<DriveCeiling> {
    drive_ceilings(plan, chain).into_iter().min_by(|a, b| a.rms.db().total_cmp(&b.rms.db()))
}

impl Climb<'_> {
    /// Ceiling at the calibrated point.
    pub fn spl_ceiling(&self) -> DbSpl {
        spl_ceiling(self.plan, self.chain)
    }

    /// Highest drive allowed now and which limit it is; before the gain is known only the drive's own ceiling holds.
    pub fn ceiling(&self) -> DriveCeiling {
        // The chain's own never raises anything.
        let mut ceilings = drive_ceilings(self.plan, self.chain);
        match self.highest_spl_per_drive() {
            Some(offset_plus_gain) => ceilings.push(DriveCeiling {
                rms: Dbfs(self.spl_ceiling().db() - offset_plus_gain),
                because: format!("{} at the {}", self.spl_ceiling(), self.chain.point()),
            }),
            None if self.chain.ears().any(|(_, role)| self.chain.acoustic(role).is_some()) => {
                ceilings.push(self.unheard())
            }
            None if self.plan.ceilings.drive.is_none() => ceilings.push(DriveCeiling {
                rms: UNCALIBRATED_CEILING,
                because: format!("{UNCALIBRATED_CEILING} while no sound level is known"),
            }),
            None => {}
        }
        let lowest = ceilings.into_iter().min_by(|a, b| a.rms.db().total_cmp(&b.rms.db()));
        lowest.unwrap_or(DriveCeiling { rms: UNCALIBRATED_CEILING, because: "no sound level is known".into() })
    }

    /// Calibrated, but nothing is heard yet: the microphone may be dead or on the other side, and the ear that is driven is
    /// not the one that is watched. The loudest plausible headphone at this output, or at the loudest plausible one where its
    /// volts are not known, stays under the ceiling.
    fn unheard(&self) -> DriveCeiling {
        let volts = self.chain.most_volts();
        let loudest = LOUDEST_PER_VOLT_DB + db_from_amplitude(volts.unwrap_or(LOUDEST_OUTPUT_V)).unwrap_or(0.0);
        let most = if volts.is_some() { UNCALIBRATED_CEILING } else { UNHEARD_DRIVE };
        let rms = Dbfs((self.spl_ceiling().db() - loudest).min(most.db()));
        DriveCeiling {
            rms,
            because: format!("{rms} while nothing is heard; check that the microphone sits at the ear that is driven"),
        }
    }

    /// Drive that gives this level at the loudest calibrated ear; `None` while no sound level is known.
    pub(super) fn drive_at(&self, level: DbSpl) -> Option<Dbfs> {
        Some(Dbfs(level.db() - self.highest_spl_per_drive()?))
    }

    /// Gain of input `input`, captured over played in dB, from the latest step that stood over the noise.
    pub fn gain_db(&self, input: usize) -> Option<f64> {
        self.results.iter().rev().find_map(|r| {
            let pink = r.pink(input)?.0;
            Some(pink.gain_db?.value).filter(|_| over_noise_db(pink) >= OVER_NOISE_DB && !is_coarse(pink, r.step.drive))
        })
    }

    /// dB SPL minus dBFS of drive at the louder calibrated ear.
    fn highest_spl_per_drive(&self) -> Option<f64> {
        self.chain
            .ears()
            .filter_map(|(input, role)| Some(self.gain_db(input)? + self.chain.acoustic(role)?.offset.value))
            .reduce(f64::max)
    }

    fn full(&self) -> Dbfs {
        self.period.full_drive().unwrap_or(UNCALIBRATED_CEILING)
    }

    /// The lower of ceiling and full scale.
    pub(in crate::session) fn limit(&self) -> (Dbfs, StopReason) {
        let ceiling = self.ceiling();
        if ceiling.rms.db() < self.full().db() {
            (ceiling.rms, StopReason::Ceiling { which: ceiling.because })
        } else {
            (self.full(), StopReason::FullScale)
        }
    }

    /// What forbids one more step upward although ceiling and full scale would allow it.
    pub(super) fn blocked(&self) -> Option<StopReason> {
        let (pink, result) = self.last_pink()?;
        let ears = self.chain.ears().filter_map(|(input, _)| self.results.last()?.pink(input));
        let overloads = ears
            .into_iter()
            .any(|(pink, _)| pink.common.overload.samples_at_limit > 0 || input_room_db(pink) < SAME_DB);
        let factor = self.period.true_peak_factor_db().unwrap_or(0.0);
        if overloads {
            return Some(StopReason::InputOverload);
        }
        if let (Some(max), Some(sound)) = (self.chain.microphone_max_db_spl, result.sound) {
            let peak = sound.peak.or_else(|| Some(sound.z?.value + factor))?;
            if peak + self.plan.step_db > max - MICROPHONE_ROOM_DB {
                return Some(StopReason::MicrophoneLimit);
            }
        }
        if self.plan.stop_at_ear
            && self.distortion_at_ear_percent(pink).is_some_and(|d| d > self.plan.distortion_limit_percent)
        {
            return Some(StopReason::DistortionAtEar);
        }
        None
    }

    fn distortion_at_ear_percent(&self, pink: &PinkFinding) -> Option<f64> {
        let parts = [pink.even.determined(), pink.odd.determined()];
        let power: f64 = parts.iter().flatten().map(|e| 10f64.powf(e.value / 10.0)).sum();
        (power > 0.0).then(|| 100.0 * power.sqrt())
    }
}

/// How much louder the sound may become before the capture card's input is full, dB.
pub(super) fn input_room_db(pink: &PinkFinding) -> f64 {
    pink.common.overload.room_db - INPUT_ROOM_DB
}
