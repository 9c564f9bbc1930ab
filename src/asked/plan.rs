//! What was typed of a session → a plan that can run.

use super::settings::still_from_settings;
use super::text::{shown, words};
use super::{Field, Read, Wrong};
use crate::calibration;
use crate::session::plan::{
    AskedLevel, Ceilings, DEFAULT_CEILING, ListeningLevel, Plan, PlanError, PlanValue, UNCALIBRATED_CEILING, Weighting,
};
use crate::units::{DbSpl, Dbfs, SampleRate};

/// Marks a drive among levels in dB SPL.
const DRIVE_UNIT: &str = "dBFS";
/// Two numbers that were typed are the same.
const SAME: f64 = 1e-9;

/// The field at fault.
fn field_of(error: &PlanError) -> Option<Field> {
    Some(match error {
        PlanError::OutOfRange { what, .. } => match what {
            PlanValue::Listening => Field::Listening,
            PlanValue::Wanted => Field::Wanted,
            PlanValue::Ample => Field::Ample,
            PlanValue::Borderline => Field::Borderline,
            PlanValue::CeilingSpl => Field::CeilingSpl,
            PlanValue::CeilingDrive => Field::CeilingDrive,
            PlanValue::CeilingVolts => Field::CeilingVolts,
            PlanValue::CeilingMilliwatts => Field::CeilingMilliwatts,
            PlanValue::Step => Field::Step,
            PlanValue::DistortionLimit => Field::DistortionLimit,
            PlanValue::Seats => Field::Seats,
            PlanValue::Sine => Field::Sines,
            PlanValue::AskedSpl => Field::AskedSpl,
            PlanValue::AskedDrive => Field::AskedDrive,
            PlanValue::Periods => return None,
        },
        PlanError::CeilingAboveFullScale { .. } => Field::CeilingDrive,
        PlanError::RuleUpsideDown { .. } => Field::Ample,
        PlanError::NotBeside(_) => Field::AskedSpl,
        PlanError::NotPink => return None,
    })
}

impl From<PlanError> for Wrong {
    fn from(error: PlanError) -> Wrong {
        // What no field holds comes from a stored plan: beside the first field of the session.
        Wrong::says(field_of(&error).unwrap_or(Field::Listening), error.to_string())
    }
}

/// The plan, if it can run at `rate`. A ceiling above its default needs the same number in `again`. What was typed over the
/// settings is no longer said to come from them.
pub fn checked(mut plan: Plan, rate: SampleRate, calibrated: bool, again: Option<f64>) -> Read<Plan> {
    plan.check(rate)?;
    still_from_settings(&mut plan);
    let Ceilings { spl, drive, .. } = plan.ceilings;
    let drive = drive.filter(|_| !calibrated).map(|drive| (Field::CeilingDrive, drive.db()));
    for (field, value) in drive.into_iter().chain([(Field::CeilingSpl, spl.db())]) {
        if needs_again(field, value) && again.is_none_or(|again| (again - value).abs() > SAME) {
            let (unit, default) = (field.row().unit, default_ceiling(field));
            let message = format!(
                "a ceiling of {} is above the default of {}: such levels destroy hearing and can destroy the headphone. To allow it, type {} again",
                unit.after(value),
                unit.after(default),
                shown(value)
            );
            return Err(Wrong::says(Field::CeilingAgain, message));
        }
    }
    Ok(plan)
}

/// True where a ceiling, in dB SPL or on the drive, is above its default, so that it has to be typed again.
pub fn needs_again(ceiling: Field, value: f64) -> bool {
    value > default_ceiling(ceiling)
}

fn default_ceiling(field: Field) -> f64 {
    if field == Field::CeilingSpl { DEFAULT_CEILING.db() } else { UNCALIBRATED_CEILING.db() }
}

/// Levels to play at, as typed: dB SPL where the chain is calibrated, else drives; `−30 dBFS` is always a drive.
pub fn levels(typed: &str, calibrated: bool) -> Read<Vec<AskedLevel>> {
    let level = |word: &String| {
        if calibrated && !word.ends_with(DRIVE_UNIT) {
            Field::AskedSpl.read(word).map(|db| AskedLevel::Spl(DbSpl(db)))
        } else {
            Field::AskedDrive.read(word).map(|db| AskedLevel::Drive(Dbfs(db)))
        }
    };
    words(typed).iter().map(level).collect()
}

/// The same as they stand in a field.
pub fn levels_shown(levels: &[AskedLevel]) -> String {
    let one = |level: &AskedLevel| match level {
        AskedLevel::Spl(spl) => shown(spl.db()),
        AskedLevel::Drive(drive) => shown(drive.db()) + DRIVE_UNIT,
    };
    levels.iter().map(one).collect::<Vec<_>>().join(" ")
}

/// The listening level, where one is stated.
pub fn listening(
    level: Option<f64>,
    weighting: Weighting,
    field: Option<calibration::SoundField>,
) -> Option<ListeningLevel> {
    level.map(|level| ListeningLevel { level: DbSpl(level), weighting, field })
}
