//! Commands as wanted: what was typed, checked and turned into plans and chains.

use super::args::{Ask, Desk, Listener, TextTable, TypedCeilings};
use super::stimulus;
use crate::asked::{self, Field, Read, Settings};
use crate::calibration::curve::{Column, Stated};
use crate::card::{CaptureChannel, CardId, InputRole};
use crate::session::chain::{Chain, ChangedElectrical, ChangedOffset, Coupler, ElectricalPart};
use crate::session::chain_file;
use crate::session::plan::{AskedLevel, Ceilings, HeadroomRule, ListeningLevel, Plan};
use crate::signal::Stimulus;
use crate::units::{DbSpl, Dbfs, SampleRate};
use anyhow::{Context, Result, anyhow, bail, ensure};
use std::path::PathBuf;

/// A typed offset confirms one that is shown with as many places, dB.
const SAME_OFFSET_DB: f64 = 0.005 + 1e-9;
/// The same of typed volts, relative.
const SAME_VOLTS: f64 = 1e-3;

/// The chain as it stands on the desk, from its file and from what was typed.
pub fn chain(desk: &Desk, now: &str) -> Result<(Chain, PathBuf)> {
    let path = desk.chain.as_deref().map_or_else(chain_file::default_path, chain_file::find);
    let mut chain = if desk.chain.is_some() || path.exists() {
        chain_file::load(&path)?
    } else {
        let (Some(playback), Some(capture)) = (&desk.playback, &desk.capture) else {
            bail!(
                "no chain is kept yet: name the cards with --playback and --capture (`loudenough cards` lists them), or a chain file with --chain"
            );
        };
        Chain::fresh(playback, capture)
    };
    amend(&mut chain, desk, now)?;
    Ok((chain, path))
}

/// Leaves only offsets that belong to the inputs as they are set now, or that were confirmed.
pub fn use_valid_offsets(chain: &mut Chain, desk: &Desk) -> Result<()> {
    let confirmed =
        |offset_db: f64| desk.confirm_offset.is_some_and(|typed| (typed - offset_db).abs() < SAME_OFFSET_DB);
    let changed = chain.changed_offsets();
    chain.offsets_belong_here(changed.iter().filter(|o| confirmed(o.offset_db)).map(|o| o.role));
    if desk.forget_offset {
        chain.drop_changed_offsets();
    }
    match chain.changed_offsets().first() {
        None => Ok(()),
        Some(offset) => bail!(
            "{} Calibrate again; or, if it still holds, type it again with --confirm-offset {:.2}; or measure without it: add --forget-offset.",
            not_used(offset),
            offset.offset_db
        ),
    }
}

/// Leaves only volts and impedances that belong to the desk as it is set now, or that were confirmed. A load impedance of
/// another headphone is left out without being asked about.
pub fn use_valid_electrical(chain: &mut Chain, desk: &Desk) -> Result<()> {
    let stated = chain.output_side.volts_per_full_scale.map(|v| v.value);
    let confirmed =
        desk.confirm_volts.zip(stated).is_some_and(|(typed, stated)| (typed / stated - 1.0).abs() < SAME_VOLTS);
    let output = |part: &ElectricalPart| matches!(part, ElectricalPart::Volts | ElectricalPart::Source);
    let changed: Vec<ElectricalPart> = chain.changed_electrical().iter().map(|c| c.part).collect();
    if confirmed {
        chain.electrical_belongs_here(changed.iter().copied().filter(output));
    }
    let asked = chain.changed_electrical().into_iter().find(|c| output(&c.part));
    match asked.filter(|_| !desk.forget_volts) {
        Some(one) => bail!(
            "{} Take it again with `loudenough calibrate`; or, if it still holds, type the volts at full scale again with --confirm-volts{}; or leave it out with --forget-volts.",
            electrical_not_used(&one),
            stated.map_or(String::new(), |v| format!(" {v:.4}")),
        ),
        None => {
            chain.drop_changed_electrical();
            Ok(())
        }
    }
}

/// Why volts or an impedance are not used.
pub fn electrical_not_used(one: &ChangedElectrical) -> String {
    let what = one.part.words();
    let what = what.strip_prefix("the ").map_or(what.clone(), |rest| format!("The {rest}"));
    format!("{what} ({}) cannot be used, because {}.", one.stated, one.what)
}

/// Why an offset is not used.
pub fn not_used(offset: &ChangedOffset) -> String {
    format!(
        "The calibration offset of the {} ({:.2} dB) is not used, because it was taken on another input: {}.",
        offset.role.in_words(),
        offset.offset_db,
        offset.what
    )
}

fn amend(chain: &mut Chain, desk: &Desk, now: &str) -> Result<()> {
    let routing = &mut chain.routing;
    if let Some(card) = &desk.playback {
        routing.playback = CardId(card.clone());
    }
    if let Some(card) = &desk.capture {
        routing.capture = CardId(card.clone());
    }
    if let Some(channels) = &desk.playback_channels {
        routing.playback_channels.clone_from(channels);
    }
    let inputs = [
        (desk.left_ear, InputRole::LeftEar),
        (desk.right_ear, InputRole::RightEar),
        (desk.witness, InputRole::Witness),
        (desk.source_side, InputRole::SourceSide),
        (desk.loopback, InputRole::Loopback),
    ];
    let typed = inputs.into_iter().filter_map(|(typed, role)| typed.map(|channel| CaptureChannel { channel, role }));
    let typed: Vec<CaptureChannel> = typed.collect();
    if !typed.is_empty() {
        asked::chain::inputs(&typed)?;
        routing.capture_channels = typed;
    }
    if let Some(hz) = desk.rate {
        routing.playback_rate = SampleRate::new(hz)?;
        routing.capture_rate = routing.playback_rate;
    }
    if let Some(hz) = desk.capture_rate {
        routing.capture_rate = SampleRate::new(hz)?;
    }
    if let Some(frames) = desk.block {
        routing.block_frames = frames;
    }
    let words = [
        (&desk.output_name, &mut chain.output),
        (&desk.volume, &mut chain.volume),
        (&desk.headphone_name, &mut chain.headphone),
        (&desk.gain, &mut chain.gain),
    ];
    for (typed, field) in words {
        if let Some(text) = typed {
            field.clone_from(text);
        }
    }
    if let Some(word) = &desk.coupler {
        chain.coupler = coupler(word)?;
    }
    chain.microphone_max_db_spl = desk.microphone_max.or(chain.microphone_max_db_spl);
    chain.card_distortion_db = desk.card_distortion.or(chain.card_distortion_db);
    if let Some(offset) = desk.offset {
        let ears: Vec<_> = chain.ears().map(|(_, role)| role).collect();
        for role in ears {
            chain.take_offset(role, asked::calibration::offset(offset, desk.offset_half_width, now)?);
        }
    }
    Ok(())
}

/// The coupler kind of a word.
pub fn coupler(word: &str) -> Result<Coupler> {
    let known: Vec<&str> = Coupler::ALL.iter().map(|(_, word)| *word).collect();
    Coupler::ALL
        .iter()
        .find(|(_, known)| known.eq_ignore_ascii_case(word))
        .map(|(kind, _)| *kind)
        .with_context(|| format!("no coupler kind is called `{word}`; give one of {}", known.join(", ")))
}

/// What was stated about a text table.
pub fn stated(text: &TextTable, column: Option<Column>) -> Stated {
    Stated { decimal: text.decimal, frequencies: text.frequencies, column }
}

/// The listening level typed, if one was.
pub fn listening(listener: &Listener) -> Option<ListeningLevel> {
    asked::plan::listening(listener.listening, listener.weighting, listener.field)
}

/// The rule typed over `base`.
pub fn rule(listener: &Listener, base: HeadroomRule) -> Result<HeadroomRule> {
    let rule = HeadroomRule {
        ample_db: listener.ample.unwrap_or(base.ample_db),
        borderline_db: listener.borderline.unwrap_or(base.borderline_db),
    };
    ensure!(
        rule.ample_db > rule.borderline_db,
        "--ample {} must be larger than --borderline {}",
        rule.ample_db,
        rule.borderline_db
    );
    Ok(rule)
}

/// The plan asked for, over what the settings say, checked.
pub fn plan(ask: &Ask, chain: &Chain, settings: &Settings, out: &mut dyn std::io::Write) -> Result<Plan> {
    let rate = chain.routing.playback_rate;
    ensure!(
        ask.at.is_empty() || chain.is_calibrated(),
        "--at asks for dB SPL, but no calibration offset is known; calibrate first or ask with --at-drive"
    );
    let mut beside: Vec<Stimulus> = ask.beside.iter().map(|kind| (kind.make)(rate)).collect();
    beside.extend(stimulus::shaped(&ask.spectrum, out)?);
    let spl = ask.at.iter().map(|db| AskedLevel::Spl(DbSpl(*db)));
    let asked = spl.chain(ask.at_drive.iter().map(|db| AskedLevel::Drive(Dbfs(*db)))).collect();
    let base = settings.under(if ask.quick { Plan::quick_look(rate) } else { Plan::session(rate) });
    let plan = Plan {
        sines_hz: sines(ask)?,
        beside,
        asked,
        listening: listening(&ask.listener).or(base.listening),
        wanted_headroom_db: ask.wanted.unwrap_or(base.wanted_headroom_db),
        rule: rule(&ask.listener, base.rule)?,
        ceilings: ceilings(&ask.ceilings, base.ceilings),
        seats: ask.seats.unwrap_or(base.seats),
        step_db: ask.step,
        distortion_limit_percent: ask.distortion_limit,
        stop_at_ear: ask.stop_at_ear,
        ..base
    };
    checked(plan, chain, confirmed(&ask.ceilings, settings))
}

/// The ceilings as typed, over `base`.
pub fn ceilings(typed: &TypedCeilings, base: Ceilings) -> Ceilings {
    Ceilings {
        spl: typed.ceiling.map_or(base.spl, DbSpl),
        drive: typed.ceiling_drive.map(Dbfs).or(base.drive),
        volts: typed.ceiling_volts.or(base.volts),
        milliwatts: typed.ceiling_milliwatts.or(base.milliwatts),
    }
}

/// A raised ceiling a second time: as typed, or as the settings repeat their own.
pub fn confirmed(typed: &TypedCeilings, settings: &Settings) -> Option<f64> {
    let is_typed = typed.ceiling.is_some() || typed.ceiling_drive.is_some();
    typed.confirm_ceiling.or(settings.confirm_ceiling.filter(|_| !is_typed))
}

/// A plan that may run on this chain; a raised ceiling was typed twice.
pub fn checked(plan: Plan, chain: &Chain, confirmed: Option<f64>) -> Result<Plan> {
    may_run(plan, chain.routing.playback_rate, chain.is_calibrated(), confirmed)
}

/// The same for a chain that is calibrated or not.
pub fn may_run(plan: Plan, rate: SampleRate, calibrated: bool, confirmed: Option<f64>) -> Result<Plan> {
    confirmable(asked::plan::checked(plan, rate, calibrated, confirmed))
}

/// Says by which option a raised ceiling is confirmed.
pub fn confirmable<T>(read: Read<T>) -> Result<T> {
    read.map_err(|wrong| match wrong.field {
        Field::CeilingAgain => {
            anyhow!("{wrong} Add --confirm-ceiling with that number, or `confirm-ceiling` to the settings that it comes from.")
        }
        _ => wrong.into(),
    })
}

/// The sines listed, or the series.
fn sines(ask: &Ask) -> Result<Vec<f64>> {
    let Some([from, to, per_octave]) = ask.sine_series else { return Ok(ask.sines.clone()) };
    ensure!(
        to > from,
        "--sine-series {from},{to},{per_octave} is no series: give two rising frequencies in Hz and 1 to 48 per octave"
    );
    let count = ((to / from).log2() * per_octave + 1e-9).floor() as usize;
    Ok((0..=count).map(|i| from * 2f64.powf(i as f64 / per_octave)).collect())
}
