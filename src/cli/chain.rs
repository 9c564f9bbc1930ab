//! `chain list|show|new|check`: the desk described once, kept under a name, and looked at.

use super::args::{ChainCommand, NewChain, TypedOutputSide};
use super::{Environment, request, show as shown};
use crate::account;
use crate::asked::chain::type_electrical;
use crate::calibration::Curve;
use crate::session::chain::{Chain, ChainCeilings, Curves, ElectricalPart, Instrument, OutputSide};
use crate::session::chain_file::{self, Kept};
use crate::session::plain_file;
use crate::units::{DbSpl, Dbfs};
use anyhow::{Context, Result};
use std::io::Write;
use std::path::{Path, PathBuf};

pub(super) fn chain(command: ChainCommand, env: &mut Environment) -> Result<()> {
    let now = (env.now)();
    match command {
        ChainCommand::List { json } => list(json, &now, env.out),
        ChainCommand::Show { chain, json } => {
            let path = chain.as_deref().map_or_else(chain_file::default_path, chain_file::find);
            show(&chain_file::load(&path)?, &path, json, &now, env.out)
        }
        ChainCommand::New(wanted) => new(&wanted, &now, env.out),
        ChainCommand::Check(wanted) => super::path::check(&wanted, env),
    }
}

fn list(json: bool, now: &str, out: &mut dyn Write) -> Result<()> {
    let kept = chain_file::list()?;
    if json {
        let one = |k: &Kept| match &k.chain {
            Ok(chain) => {
                serde_json::json!({ "name": k.name, "path": k.path, "chain": chain, "wrong": wrong(chain, now) })
            }
            Err(error) => serde_json::json!({ "name": k.name, "path": k.path, "error": error.to_string() }),
        };
        let all: Vec<_> = kept.iter().map(one).collect();
        return shown::json(&all, out);
    }
    if kept.is_empty() {
        writeln!(out, "no chain is kept in {}; `loudenough chain new` makes one", chain_file::folder().display())?;
    }
    for k in &kept {
        match &k.chain {
            Ok(chain) => {
                let state = match (chain.is_calibrated(), wrong(chain, now).len()) {
                    (false, _) => "not calibrated".to_string(),
                    (true, 0) => "calibrated".into(),
                    (true, count) => format!("calibrated, {count} to check"),
                };
                writeln!(out, "{:20} {}: {} on {}, {state}", k.name, chain.name, chain.output, chain.coupler)?;
            }
            Err(error) => writeln!(out, "{:20} cannot be used: {error}", k.name)?,
        }
    }
    Ok(())
}

/// What of a chain's calibration does not hold at `now`, a sentence each.
fn wrong(chain: &Chain, now: &str) -> Vec<String> {
    let changed = chain.changed_offsets();
    let aged = chain.aged(now).into_iter().map(|aged| aged.text);
    let electrical = chain.changed_electrical();
    let idle = chain.idle_ceilings(&ChainCeilings::default());
    let electrical = electrical.iter().map(request::electrical_not_used).chain(idle);
    changed.iter().map(request::not_used).chain(electrical).chain(aged).collect()
}

fn show(chain: &Chain, path: &Path, json: bool, now: &str, out: &mut dyn Write) -> Result<()> {
    let wrong = wrong(chain, now);
    if json {
        let all = serde_json::json!({ "path": path, "chain": chain, "wrong": wrong });
        return shown::json(&all, out);
    }
    writeln!(out, "{} ({})", chain.name, path.display())?;
    for (name, words) in account::chain::rows(chain) {
        writeln!(out, "{name:18} {words}")?;
    }
    for sentence in wrong {
        writeln!(out, "{:18} {sentence}", "check")?;
    }
    Ok(())
}

fn new(wanted: &NewChain, now: &str, out: &mut dyn Write) -> Result<()> {
    let (mut chain, _) = request::chain(&wanted.desk, now)?;
    if let Some(title) = &wanted.title {
        chain.name.clone_from(title);
    } else if wanted.desk.chain.is_none() {
        chain.name.clone_from(&wanted.name);
    }
    let role = wanted.ear;
    chain.point = wanted.point.or(chain.point);
    amend(
        chain.microphones.entry(role).or_default(),
        [&wanted.microphone, &wanted.microphone_serial, &wanted.microphone_certificate],
    );
    chain.microphones.retain(|_, microphone| *microphone != Instrument::default());
    let mut calibrator = chain.calibrator.take().unwrap_or_default();
    amend(&mut calibrator, [&wanted.calibrator, &wanted.calibrator_serial, &wanted.calibrator_certificate]);
    chain.calibrator = Some(calibrator).filter(|c| *c != Instrument::default());
    chain.fitted = wanted.fitted.or(chain.fitted);
    chain.ages.certificate_months = wanted.certificate_months.unwrap_or(chain.ages.certificate_months);
    chain.ages.offset_hours = wanted.offset_hours.unwrap_or(chain.ages.offset_hours);
    amend_side(&mut chain.output_side, &wanted.side);
    typed_by_hand(&mut chain, &wanted.side);
    if wanted.desk.confirm_volts.is_some() || wanted.desk.forget_volts {
        request::use_valid_electrical(&mut chain, &wanted.desk)?;
    }
    let curves = curves(wanted)?;
    if !wanted.json {
        for curve in &curves {
            for remark in curve.remarks() {
                writeln!(out, "{}: {remark}", curve.name)?;
            }
        }
    }
    if !curves.is_empty() {
        chain.curves.insert(role, Curves(curves));
    }
    if wanted.desk.confirm_offset.is_some() || wanted.desk.forget_offset {
        request::use_valid_offsets(&mut chain, &wanted.desk)?;
    }
    let path = chain_file::keep(&wanted.name, &chain, wanted.replace)?;
    show(&chain, &path, wanted.json, now, out)
}

/// Name, serial number and certificate where they were typed.
fn amend(instrument: &mut Instrument, [name, serial, certificate]: [&Option<String>; 3]) {
    for (typed, field) in [(name, &mut instrument.name), (serial, &mut instrument.serial)] {
        if let Some(text) = typed {
            field.clone_from(text);
        }
    }
    if certificate.is_some() {
        instrument.certificate.clone_from(certificate);
    }
}

fn curves(wanted: &NewChain) -> Result<Vec<Curve>> {
    let stated = request::stated(&wanted.text, wanted.column);
    let read = |path: &PathBuf| -> Result<Curve> {
        let bytes = plain_file::read(path, plain_file::LARGEST_TEXT)
            .with_context(|| format!("cannot read {}", path.display()))?;
        let name = path.file_name().map_or_else(|| path.to_string_lossy(), |name| name.to_string_lossy());
        let curve = Curve::read(&name, &bytes, &stated)
            .with_context(|| format!("{} is not read as a curve", path.display()))?;
        Ok(Curve { half_width_db: wanted.curve_half_width, ..curve })
    };
    wanted.curves.iter().map(read).collect()
}

/// What was typed replaces what was measured, and belongs to the desk as it is now.
fn typed_by_hand(chain: &mut Chain, typed: &TypedOutputSide) {
    let parts = [
        (ElectricalPart::Volts, typed.volts),
        (ElectricalPart::Source, typed.source_impedance),
        (ElectricalPart::Load, typed.load_impedance),
    ];
    for (part, value) in parts {
        if value.is_some() {
            type_electrical(chain, part, value);
        }
    }
}

fn amend_side(side: &mut OutputSide, typed: &TypedOutputSide) {
    let words = [
        (&typed.system_volume, &mut side.system_volume),
        (&typed.hardware_volume, &mut side.hardware_volume),
        (&typed.knob, &mut side.knob),
        (&typed.gain_switch, &mut side.gain_switch),
    ];
    for (typed, field) in words {
        if let Some(text) = typed {
            field.clone_from(text);
        }
    }
    side.wiring = typed.wiring.or(side.wiring);
    side.driven = typed.driven.or(side.driven);
    side.supply = typed.supply.or(side.supply);
    side.replugged_with_load = typed.replugged.or(side.replugged_with_load);
    side.ceilings.spl = typed.ceiling.map(DbSpl).or(side.ceilings.spl);
    side.ceilings.drive = typed.ceiling_drive.map(Dbfs).or(side.ceilings.drive);
    side.ceilings.volts = typed.ceiling_volts.or(side.ceilings.volts);
    side.ceilings.milliwatts = typed.ceiling_milliwatts.or(side.ceilings.milliwatts);
}
