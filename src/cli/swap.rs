//! `swap`: two outputs by turns on one seat of the headphone, then what differs.

use super::args::Swap as Typed;
use super::{Surroundings, compare, follow, request};
use crate::card::CardId;
use crate::judgement::comparison::Ask;
use crate::session::chain::Chain;
use crate::session::chain_file;
use crate::session::matching::MatchedOn;
use crate::session::plan::{AskedLevel, HeadroomRule, Order, Plan, Swap};
use crate::session::protocol::{Command, RoundOf, RoundRequest, SessionRequest};
use crate::session::record::Record;
use crate::session::runner::Bench;
use crate::session::step::StopReason;
use crate::session::storage::{self, Storage, name_of_time};
use crate::session::swap::{DEFAULT_ROUNDS, folder_of, next_output, played};
use crate::stock::side_by_side::Wanted;
use crate::units::{DbSpl, Dbfs};
use anyhow::{Context, Result, bail, ensure};
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

/// One output of the swap.
enum Half {
    /// Not heard yet.
    New(Box<SessionRequest>),
    /// Its session so far.
    Begun(Box<Record>, PathBuf),
}

impl Half {
    fn record(&self) -> Option<&Record> {
        match self {
            Half::New(_) => None,
            Half::Begun(record, _) => Some(record),
        }
    }

    fn folder(&self) -> Option<&Path> {
        match self {
            Half::New(_) => None,
            Half::Begun(_, folder) => Some(folder),
        }
    }

    fn chain(&self) -> &Chain {
        match self {
            Half::New(request) => &request.chain,
            Half::Begun(record, _) => &record.head.chain,
        }
    }
}

pub(super) fn swap(wanted: &Typed, surroundings: &mut Surroundings) -> Result<()> {
    let now = (surroundings.now)();
    let mut halves = match &wanted.carry_on {
        Some(folder) => taken_up(wanted, folder, &now)?,
        None => new(wanted, &now)?,
    };
    let in_all = wanted.rounds.map_or(DEFAULT_ROUNDS, |rounds| rounds as usize);
    let bench = Bench::spawn(std::mem::take(&mut surroundings.backends), surroundings.now);
    while let Some(order) = next_output(halves[0].record(), halves[1].record(), in_all) {
        round(&bench, wanted, &mut halves, order, surroundings.out)?;
    }
    let [Some(first), Some(second)] = [halves[0].folder(), halves[1].folder()] else { bail!("nothing was played") };
    let ask = Ask { within_db: wanted.within, distortion_within_db: wanted.distortion_within, ..Ask::default() };
    let asked = Wanted { ask, hide_labels: false, subtract: false };
    let told = compare::Told { all: false, json: wanted.keep.shown.json, report: wanted.report.as_deref() };
    compare::stored([first, second], &asked, &told, surroundings)?;
    if !wanted.keep.shown.json {
        let (first, second) = (first.display(), second.display());
        writeln!(surroundings.out, "\nEverything is kept in {first} and {second}.")?;
    }
    Ok(())
}

/// Both outputs as typed.
fn new(wanted: &Typed, now: &str) -> Result<[Half; 2]> {
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
        let plan = Plan {
            listening: request::listening(&wanted.listener),
            rule: request::rule(&wanted.listener, HeadroomRule::default())?,
            ceilings: request::ceilings(&wanted.ceilings),
            ..Plan::swap(chain.routing.playback_rate, swap(order))
        };
        request::checked(plan, chain, &wanted.ceilings)
    };
    fit_together(&first, &second)?;
    let sessions = wanted.keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir);
    let half = |plan, chain, order| {
        let id = Some(folder_of(&pair, order));
        Half::New(Box::new(SessionRequest { plan, chain, sessions: sessions.clone(), id }))
    };
    let (one, other) = (plan(&first, Order::First)?, plan(&second, Order::Second)?);
    Ok([half(one, first, Order::First), half(other, second, Order::Second)])
}

/// Both sessions of a swap that was left off.
fn taken_up(wanted: &Typed, folder: &Path, now: &str) -> Result<[Half; 2]> {
    let (_, first) = Storage::open(folder)?;
    let swap = first.head.plan.swap.clone().filter(|swap| swap.order == Order::First);
    let swap = swap.with_context(|| format!("{} is not the first session of a swap", folder.display()))?;
    let beside = folder.with_file_name(folder_of(&swap.pair, Order::Second));
    let second = match beside.exists() {
        true => Half::Begun(Box::new(Storage::open(&beside)?.1), beside),
        false => {
            let name = wanted.second.as_ref().or(wanted.first.as_ref());
            let name = name.context("the second output was not heard yet: name it")?;
            let chain = second_chain(wanted, name, now)?;
            fit_together(&first.head.chain, &chain)?;
            let plan = Plan { swap: Some(Swap { order: Order::Second, ..swap.clone() }), ..first.head.plan.clone() };
            let plan = request::checked(plan, &chain, &wanted.ceilings)?;
            let sessions = folder.parent().map_or_else(storage::default_sessions_dir, Path::to_path_buf);
            let id = Some(folder_of(&swap.pair, Order::Second));
            Half::New(Box::new(SessionRequest { plan, chain, sessions, id }))
        }
    };
    Ok([Half::Begun(Box::new(first), folder.to_path_buf()), second])
}

fn fit_together(first: &Chain, second: &Chain) -> Result<()> {
    ensure!(
        first.headphone.trim() == second.headphone.trim(),
        "the chains have different headphones ({} and {}); a swap needs one, which stays on the coupler",
        first.headphone,
        second.headphone
    );
    ensure!(
        first.output.trim() != second.output.trim(),
        "both outputs are called {}; give them two names",
        first.output
    );
    Ok(())
}

/// A kept chain of this name, else the desk's with this output.
fn chain(wanted: &Typed, name: &str, now: &str) -> Result<Chain> {
    let kept = chain_file::named(name).ok().filter(|path| path.exists());
    let chain = match kept {
        Some(path) => chain_file::load(&path)?,
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
fn round(bench: &Bench, wanted: &Typed, halves: &mut [Half; 2], order: Order, out: &mut dyn Write) -> Result<()> {
    let (own, other) = if order == Order::First { (0, 1) } else { (1, 0) };
    let simulated = halves[own].chain().routing.playback == CardId::simulated();
    let (ones, others) = played(halves[0].record(), halves[1].record());
    let output = halves[own].chain().output.clone();
    loop {
        let by_hand = wanted.turn && order == Order::Second && halves[own].folder().is_none();
        if !simulated {
            plugged_in(&output, ones + others + 1, out)?;
        }
        if by_hand {
            ensure!(!simulated, "a simulated output has no knob to turn; leave `--turn` out");
            writeln!(
                out,
                "When quiet noise plays, turn the knob of {output} until 0.0 dB is shown; then press Enter."
            )?;
            follow::ready_on_enter(bench);
        }
        let of = match &halves[own] {
            Half::New(request) => RoundOf::New(request.clone()),
            Half::Begun(_, folder) => {
                RoundOf::Again { folder: folder.clone(), confirmed: wanted.ceilings.confirm_ceiling }
            }
        };
        let request = RoundRequest { output: of, other: halves[other].folder().map(Path::to_path_buf), by_hand };
        bench.commands.send(Command::Round(Box::new(request)))?;
        match follow::session(bench, &wanted.keep.shown, out) {
            Ok((record, folder)) => {
                let ended = record.stop().cloned();
                halves[own] = Half::Begun(Box::new(record), folder);
                let why = match ended {
                    Some(StopReason::RoundPlayed) => return Ok(()),
                    Some(reason) => reason.to_string(),
                    None => "it was left off".into(),
                };
                bail!("the round did not finish: {why}. {}", how_to_go_on(&halves[0]));
            }
            // Somebody is there to plug in the right one.
            Err(error) if !simulated && halves[own].folder().is_some() => writeln!(out, "{error:#}")?,
            Err(error) => return Err(error).with_context(|| how_to_go_on(&halves[0])),
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
