//! `calibrate level`: the calibration offset, from a sound calibrator or typed, kept in the chain file.

use super::args::Desk;
use super::{Surroundings, follow, request};
use crate::calibration::{Acoustic, Calibrator};
use crate::card::InputRole;
use crate::session::chain_file;
use crate::session::protocol::Command;
use crate::session::runner::Bench;
use crate::stats::Estimate;
use anyhow::{Result, bail, ensure};

/// What was asked for.
pub(super) struct Wanted {
    pub(super) tone: Option<Calibrator>,
    pub(super) typed: Option<f64>,
    pub(super) half_width: f64,
    pub(super) role: InputRole,
    pub(super) json: bool,
}

/// The calibrator as typed.
pub(super) fn tone(level: f64, half_width: f64, frequency_hz: f64) -> Result<Calibrator> {
    ensure!(
        (60.0..=140.0).contains(&level),
        "--calibrator {level} dB SPL is no level of a sound calibrator; usual are 94 and 114"
    );
    ensure!((20.0..=20_000.0).contains(&frequency_hz), "--frequency {frequency_hz} Hz is outside 20 Hz to 20 kHz");
    ensure!((0.0..=5.0).contains(&half_width), "--half-width {half_width} dB is outside 0 to 5");
    Ok(Calibrator { level: Estimate::symmetric(level, half_width), frequency_hz })
}

pub(super) fn level(desk: &Desk, wanted: Wanted, surroundings: &mut Surroundings) -> Result<()> {
    let (mut chain, path) = request::chain(desk, &(surroundings.now)())?;
    if !chain.ears().any(|(_, role)| role == wanted.role) {
        bail!("the chain records no such ear; name its capture channel with --left-ear or --right-ear");
    }
    let acoustic = match (wanted.tone, wanted.typed) {
        (Some(calibrator), _) => {
            let bench = Bench::spawn(std::mem::take(&mut surroundings.backends), surroundings.now);
            follow::stop_on_ctrl_c(&bench);
            bench.commands.send(Command::Calibrate {
                chain: Box::new(chain.clone()),
                role: wanted.role,
                calibrator,
            })?;
            follow::calibration(&bench)?
        }
        (None, Some(offset)) => Acoustic::typed(offset, wanted.half_width, &(surroundings.now)())?,
        (None, None) => bail!("give --calibrator with the calibrator's level, or --typed with the offset"),
    };
    chain.take_offset(wanted.role, acoustic.clone());
    chain_file::save(&path, &chain)?;
    if wanted.json {
        writeln!(surroundings.out, "{}", serde_json::to_string_pretty(&acoustic)?)?;
    } else {
        let offset = acoustic.offset;
        writeln!(
            surroundings.out,
            "0 dBFS = {:.2} dB SPL ±{:.2}, kept in {}",
            offset.value,
            offset.half_width(),
            path.display()
        )?;
        for offset in chain.changed_offsets() {
            writeln!(surroundings.out, "{}", request::not_used(&offset))?;
        }
    }
    Ok(())
}
