//! `swap`: two outputs by turns on one seat of the headphone, then what differs.

use super::args::Swap as Typed;
use super::{Environment, Unfinished, compare, follow, request, show};
use crate::asked::Settings;
use crate::card::CardId;
use crate::judgement::comparison::Ask;
use crate::session::chain::Chain;
use crate::session::chain_file;
use crate::session::matching::MatchedOn;
use crate::session::pair::{Half, LeftOff, Pair};
use crate::session::plan::{AskedLevel, Order, Plan, Swap};
use crate::session::protocol::Command;
use crate::session::runner::Bench;
use crate::session::step::StopReason;
use crate::session::storage::{self, name_of_time};
use crate::session::swap::DEFAULT_ROUNDS;
use crate::stock::side_by_side::Wanted;
use crate::units::{DbSpl, Dbfs};
use anyhow::{Context, Result, bail, ensure};
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::Arc;

pub(super) fn swap(wanted: &Typed, env: &mut Environment) -> Result<()> {
    let now = (env.now)();
    let mut pair = match &wanted.carry_on {
        Some(folder) => taken_up(wanted, folder, &now)?,
        None => new(wanted, &env.settings()?, &now)?,
    };
    let in_all = wanted.rounds.map_or(DEFAULT_ROUNDS, |rounds| rounds as usize);
    let bench = env.bench();
    while let Some(order) = pair.next(in_all) {
        round(&bench, wanted, &mut pair, order, &mut show::aside(wanted.keep.shown.json, &mut *env.out))?;
    }
    let [Some(first), Some(second)] = pair.halves.each_ref().map(Half::folder) else { bail!("nothing was played") };
    let ask = Ask {
        within_db: wanted.within,
        distortion_within_db: wanted.distortion_within,
        hears: wanted.hears.into(),
        ..Ask::default()
    };
    let asked = Wanted { ask, hide_labels: false, subtract: false };
    let stated = compare::Details { all: false, json: wanted.keep.shown.json, report: wanted.report.as_deref() };
    compare::stored([first, second], &asked, &stated, env)?;
    if !wanted.keep.shown.json {
        let (first, second) = (first.display(), second.display());
        writeln!(env.out, "\nEverything is kept in {first} and {second}.")?;
    }
    Ok(())
}

/// Both outputs as typed.
fn new(wanted: &Typed, settings: &Settings, now: &str) -> Result<Pair> {
    let (Some(first), Some(second)) = (&wanted.first, &wanted.second) else { bail!("name both outputs") };
    let (first, second) = (chain(wanted, first, now)?, second_chain(wanted, second, now)?);
    let on = if wanted.at_1_khz { MatchedOn::OneKilohertz } else { MatchedOn::Pink };
    let spl = wanted.at.map(|db| AskedLevel::Spl(DbSpl(db)));
    ensure!(
        spl.is_none() || first.is_calibrated(),
        "--at asks for dB SPL, but no calibration offset is known; calibrate first or ask with --at-drive"
    );
    let pair = wanted.keep.id.clone().unwrap_or_else(|| name_of_time(now));
    let at = spl.or(wanted.at_drive.map(|db| AskedLevel::Drive(Dbfs(db))));
    let swap = |order| Swap { pair: pair.clone(), order, at, on };
    let plan = |chain: &Chain, order| -> Result<Plan> {
        let base = settings.under(Plan::swap(chain.routing.playback_rate, swap(order)));
        let plan = Plan {
            listening: request::listening(&wanted.listener).or(base.listening),
            rule: request::rule(&wanted.listener, base.rule)?,
            ceilings: request::ceilings(&wanted.ceilings, base.ceilings),
            ..base
        };
        request::checked(plan, chain, request::confirmed(&wanted.ceilings, settings))
    };
    let sessions = wanted.keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir);
    let (one, other) = (plan(&first, Order::First)?, plan(&second, Order::Second)?);
    Ok(Pair::new((one, first), (other, second), &sessions)?)
}

/// Both outputs of a swap that was left off.
fn taken_up(wanted: &Typed, folder: &Path, now: &str) -> Result<Pair> {
    LeftOff::open(folder)?.taken_up(|plan| {
        let name = wanted.second.as_ref().or(wanted.first.as_ref());
        let chain = second_chain(wanted, name.context("the second output was not heard yet: name it")?, now)?;
        Ok((request::checked(plan, &chain, wanted.ceilings.confirm_ceiling)?, chain))
    })
}

/// A kept chain of this name, else the desk's with this output.
fn chain(wanted: &Typed, name: &str, now: &str) -> Result<Chain> {
    let chain = match chain_file::kept(name)? {
        Some(chain) => chain,
        None => Chain { output: name.into(), ..request::chain(&wanted.desk, now)?.0 },
    };
    valid(chain, wanted)
}

fn second_chain(wanted: &Typed, name: &str, now: &str) -> Result<Chain> {
    match &wanted.second_chain {
        Some(file) => {
            let chain = chain_file::load(&chain_file::find(file))?;
            valid(Chain { output: name.into(), ..chain }, wanted)
        }
        None => {
            let mut chain = chain(wanted, name, now)?;
            if let Some(card) = &wanted.second_playback {
                chain.routing.playback = CardId(card.clone());
                chain.drop_changed_electrical();
            }
            Ok(chain)
        }
    }
}

/// Volts and impedances of another output are left out; an offset of another input is refused.
fn valid(mut chain: Chain, wanted: &Typed) -> Result<Chain> {
    request::use_valid_offsets(&mut chain, &wanted.desk)?;
    chain.drop_changed_electrical();
    Ok(chain)
}

/// One round, asked for again where the wrong output was plugged in.
fn round(bench: &Bench, wanted: &Typed, pair: &mut Pair, order: Order, out: &mut dyn Write) -> Result<()> {
    let own = pair.of(order).0;
    let (output, is_new) = (own.chain().output.clone(), own.folder().is_none());
    let simulated = own.chain().routing.playback == CardId::simulated();
    loop {
        let request = pair.round(order, wanted.ceilings.confirm_ceiling, wanted.turn);
        if !simulated {
            plugged_in(&output, pair.played() + 1, out)?;
        }
        if request.by_hand {
            ensure!(!simulated, "a simulated output has no knob to turn; leave `--turn` out");
            writeln!(
                out,
                "When quiet noise plays, turn the knob of {output} until 0.0 dB is shown; then press Enter."
            )?;
            follow::ready_on_enter(bench);
        }
        bench.commands.send(Command::Round(Box::new(request)))?;
        match follow::session(bench, &wanted.keep.shown, out) {
            Ok((record, folder)) => {
                let ended = record.stop().cloned();
                pair.heard(Arc::new(record), folder);
                let why = match ended {
                    Some(StopReason::RoundPlayed) => return Ok(()),
                    Some(reason) => reason.to_string(),
                    None => "it was left off".into(),
                };
                bail!(Unfinished(format!("the round did not finish: {why}. {}", how_to_go_on(&pair.halves[0]))));
            }
            // Somebody is there to plug in the right one.
            Err(error) if !simulated && !is_new => writeln!(out, "{error:#}")?,
            Err(error) => return Err(error).with_context(|| how_to_go_on(&pair.halves[0])),
        }
    }
}

fn how_to_go_on(first: &Half) -> String {
    first.folder().map_or("nothing was kept".into(), |folder| {
        format!("What was played is kept; go on with `loudenough swap --continue \"{}\"`", folder.display())
    })
}

/// Waits until somebody says that this output is plugged in.
fn plugged_in(output: &str, number: usize, out: &mut dyn Write) -> Result<()> {
    ensure!(
        std::io::stdin().is_terminal(),
        "a swap needs a person to plug in {output} and press Enter: run it in a terminal or in the window"
    );
    writeln!(
        out,
        "Round {number}: nothing plays now. Plug in {output}, leave the headphone on the coupler as it is, press Enter."
    )?;
    let mut line = String::new();
    ensure!(std::io::stdin().read_line(&mut line)? > 0, "the input ended before Enter was pressed");
    Ok(())
}
