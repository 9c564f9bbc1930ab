//! `calibrate`: the calibration offset, from a sound calibrator, from the microphone's sensitivity or typed, kept in the
//! chain file; and its check after a session.

use super::args::{Calibrate, Desk, StatedCalibrator};
use super::{Environment, electrical, follow, request, show};
use crate::account;
use crate::asked::{self, Field, Read};
use crate::calibration::{CLASS_1_HALF_WIDTH_DB, Calibrator, SENSITIVITY_HALF_WIDTH_DB};
use crate::card::InputRole;
use crate::judgement;
use crate::session::chain_file;
use crate::session::protocol::Command;
use crate::units::tidy_signed;
use anyhow::{Result, bail, ensure};
use std::path::Path;

pub(super) fn calibrate(what: &Calibrate, env: &mut Environment) -> Result<()> {
    match what {
        Calibrate::Level { desk, calibrator, another_fit, typed, sensitivity, input_volts, ear, json } => {
            let half_width_db = |usual_db| half_width(calibrator, Field::OffsetHalfWidth, usual_db);
            let given = if let Some(calibrator) = stated(calibrator)? {
                Given::Calibrator { calibrator, another_fit: *another_fit }
            } else if let Some(offset_db) = *typed {
                Given::Typed { offset_db, half_width_db: half_width_db(CLASS_1_HALF_WIDTH_DB)? }
            } else if let (Some(mv_per_pa), Some(input_volts)) = (*sensitivity, *input_volts) {
                let half_width_db = half_width_db(SENSITIVITY_HALF_WIDTH_DB)?;
                Given::Sensitivity { mv_per_pa, input_volts, half_width_db }
            } else {
                bail!(
                    "give --calibrator with the calibrator's level, --sensitivity with --input-volts, or --typed with the offset"
                )
            };
            level(desk, given, *ear, *json, env)
        }
        Calibrate::Volts(wanted) => electrical::volts(wanted, env),
        Calibrate::InputVolts(wanted) => electrical::input_volts(wanted, env),
        Calibrate::Source(wanted) => electrical::source(wanted, env),
        Calibrate::Load(wanted) => electrical::load(wanted, env),
        Calibrate::Check { session, calibrator, ear, json } => check(session, stated(calibrator)?, *ear, *json, env),
    }
}

/// What the offset is taken from.
enum Given {
    Calibrator { calibrator: Calibrator, another_fit: bool },
    Typed { offset_db: f64, half_width_db: f64 },
    Sensitivity { mv_per_pa: f64, input_volts: f64, half_width_db: f64 },
}

/// The calibrator as typed; `None` where no level is.
fn stated(typed: &StatedCalibrator) -> Read<Option<Calibrator>> {
    let Some(level) = typed.calibrator else { return Ok(None) };
    let half_width = half_width(typed, Field::CalibratorHalfWidth, CLASS_1_HALF_WIDTH_DB)?;
    Ok(Some(asked::calibration::calibrator(level, half_width, typed.frequency, typed.level_correction)))
}

/// The half width typed, which stands for that of a calibrator or of an offset.
fn half_width(typed: &StatedCalibrator, field: Field, usual_db: f64) -> Read<f64> {
    typed.half_width.as_deref().map_or(Ok(usual_db), |typed| field.read(typed))
}

fn level(desk: &Desk, given: Given, role: InputRole, json: bool, env: &mut Environment) -> Result<()> {
    let (mut chain, path) = request::chain(desk, &(env.now)())?;
    if !chain.ears().any(|(_, ear)| ear == role) {
        bail!("the chain records no such ear; name its capture channel with --left-ear or --right-ear");
    }
    let now = (env.now)();
    let acoustic = match given {
        Given::Calibrator { calibrator, another_fit } => {
            let before = chain.acoustic(role).cloned().filter(|_| another_fit);
            if let Some(changed) = chain.changed_offsets().iter().find(|o| another_fit && o.role == role) {
                bail!(
                    "{} A further fitting cannot be added to it; leave --another-fit out",
                    request::not_used(changed)
                );
            }
            ensure!(before.is_some() || !another_fit, "there is no earlier fitting to add to; leave --another-fit out");
            let bench = env.bench();
            follow::stop_on_ctrl_c(&bench);
            bench.commands.send(Command::Calibrate { chain: Box::new(chain.clone()), role, calibrator })?;
            let heard = follow::calibration(&bench, json)?;
            before.map_or(Ok(heard.clone()), |before| before.with_fit(&heard))?
        }
        Given::Typed { offset_db, half_width_db } => asked::calibration::offset(offset_db, half_width_db, &now)?,
        Given::Sensitivity { mv_per_pa, input_volts, half_width_db } => {
            asked::calibration::from_sensitivity(mv_per_pa, input_volts, half_width_db, &now)?
        }
    };
    chain.take_offset(role, acoustic.clone());
    chain_file::save(&path, &chain)?;
    if json {
        show::json(&acoustic, env.out)?;
    } else {
        let words = account::chain::offset_words(&acoustic.offset);
        writeln!(env.out, "{}: {words} ({}), kept in {}", role.in_words(), acoustic.source, path.display())?;
        for offset in chain.changed_offsets() {
            writeln!(env.out, "{}", request::not_used(&offset))?;
        }
    }
    Ok(())
}

fn check(
    session: &Path,
    calibrator: Option<Calibrator>,
    role: InputRole,
    json: bool,
    env: &mut Environment,
) -> Result<()> {
    let bench = env.bench();
    follow::stop_on_ctrl_c(&bench);
    bench.commands.send(Command::CheckCalibration { folder: session.to_path_buf(), role, calibrator })?;
    let record = follow::calibration_check(&bench, json)?;
    let drift = record.calibration_drift_db(role);
    if json {
        writeln!(env.out, "{}", serde_json::json!({ "role": role, "drift_db": drift }))?;
        return Ok(());
    }
    let drift = drift.unwrap_or(0.0);
    writeln!(env.out, "{}: the offset has moved by {} dB since the session", role.in_words(), tidy_signed(drift, 2))?;
    let stated = |f: &&crate::analysis::Flaw| f.code.starts_with("calibration-");
    for flaw in judgement::judge(&record).flaws.iter().filter(stated) {
        writeln!(env.out, "{}", flaw.text)?;
    }
    Ok(())
}
