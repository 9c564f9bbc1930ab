//! Two outputs by turns on one seat of the headphone, as the window guides it: both halves, and how one that was left off is
//! taken up. Everything here that reads files runs on a thread.

use super::super::form::sentence;
use super::super::text;
use crate::asked::plan::checked;
use crate::judgement::comparison::MatchedOn;
use crate::session::chain::Chain;
use crate::session::chain_file;
use crate::session::plan::{Order, Plan, Swap};
use crate::session::protocol::{RoundOf, SessionRequest};
use crate::session::record::Record;
use crate::session::storage::{Storage, all_sessions, name_of_time};
use crate::session::swap::{DEFAULT_ROUNDS, folder_of, next_output, played};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// One output of a swap.
#[derive(Clone, Debug)]
pub enum Half {
    /// Not heard yet.
    New(Box<SessionRequest>),
    /// Its session so far.
    Begun(Arc<Record>, PathBuf),
}

impl Half {
    /// The chain it stands on.
    pub fn chain(&self) -> &Chain {
        match self {
            Half::New(request) => &request.chain,
            Half::Begun(record, _) => &record.head.chain,
        }
    }

    /// Its folder, once it was heard.
    pub fn folder(&self) -> Option<&Path> {
        match self {
            Half::New(_) => None,
            Half::Begun(_, folder) => Some(folder),
        }
    }

    fn record(&self) -> Option<&Record> {
        match self {
            Half::New(_) => None,
            Half::Begun(record, _) => Some(record),
        }
    }

    /// What a round of it asks the bench for.
    pub fn round(&self) -> RoundOf {
        match self {
            Half::New(request) => RoundOf::New(request.clone()),
            Half::Begun(_, folder) => RoundOf::Again { folder: folder.clone(), confirmed: None },
        }
    }
}

/// A swap that is under way, between its rounds.
#[derive(Clone, Debug)]
pub struct Turns {
    /// First and second output.
    pub halves: [Half; 2],
}

impl Turns {
    /// Whose round comes next; `None` once all were played.
    pub fn next(&self) -> Option<Order> {
        next_output(self.halves[0].record(), self.halves[1].record(), DEFAULT_ROUNDS)
    }

    /// Rounds that were played.
    pub fn played(&self) -> usize {
        let (ones, others) = played(self.halves[0].record(), self.halves[1].record());
        ones + others
    }

    /// The half of an output, and the other one.
    pub fn of(&self, order: Order) -> (&Half, &Half) {
        match order {
            Order::First => (&self.halves[0], &self.halves[1]),
            Order::Second => (&self.halves[1], &self.halves[0]),
        }
    }

    /// A round came back: its session so far.
    pub fn heard(&mut self, record: Arc<Record>, folder: PathBuf) {
        let Some(swap) = &record.head.plan.swap else { return };
        let at = usize::from(swap.order == Order::Second);
        self.halves[at] = Half::Begun(record, folder);
    }
}

/// A swap that was left off.
#[derive(Clone, Debug, PartialEq)]
pub struct LeftOff {
    /// Folder of its first session.
    pub folder: PathBuf,
    /// Both outputs and when.
    pub words: String,
}

/// What can be chosen from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Known {
    /// Names of kept chains.
    pub chains: Vec<String>,
    /// Swaps that can be taken up, the latest first.
    pub left_off: Vec<LeftOff>,
}

/// Kept chains, and swaps in `sessions` that were left off.
pub fn known(sessions: &Path) -> Known {
    let chains = chain_file::list().unwrap_or_default().into_iter().map(|kept| kept.name).collect();
    let ending = format!("-{}", Order::First.word());
    let firsts = all_sessions(sessions).into_iter().rev().filter(|folder| folder.to_string_lossy().ends_with(&ending));
    let left_off = firsts.filter_map(|folder| {
        let first = open(&folder).ok()?;
        let beside = folder.with_file_name(folder_of(&first_half(&first)?.pair, Order::Second));
        let second = open(&beside).ok();
        next_output(Some(&first), second.as_ref(), DEFAULT_ROUNDS)?;
        let (ones, others) = played(Some(&first), second.as_ref());
        let other = second.map_or("a second one not heard yet".into(), |second| second.head.chain.output);
        let (one, when) = (&first.head.chain.output, text::moment(&first.head.started_at));
        Some(LeftOff {
            words: format!("{one} and {other}, {when}: {} of {DEFAULT_ROUNDS} rounds played", ones + others),
            folder,
        })
    });
    Known { chains, left_off: left_off.collect() }
}

/// Both outputs as named: a kept chain of that name, else the desk's chain with this output.
pub fn begin(names: [&str; 2], desk: &Chain, asked: &Plan, sessions: &Path, now: &str) -> Result<Turns, String> {
    let [first, second] = [chain(names[0], desk)?, chain(names[1], desk)?];
    fit_together(&first, &second)?;
    let pair = name_of_time(now);
    let new = |chain: Chain, order| {
        let swap = Swap { pair: pair.clone(), order, at: None, on: MatchedOn::Pink };
        let rate = chain.routing.playback_rate;
        let plan = Plan::swap(rate, swap);
        let plan = Plan { listening: asked.listening, rule: asked.rule, ceilings: asked.ceilings, ..plan };
        half(plan, chain, &pair, order, sessions)
    };
    Ok(Turns { halves: [new(first, Order::First)?, new(second, Order::Second)?] })
}

/// An offset of an input that was set otherwise is refused; volts and impedances of another output are left out.
fn chain(name: &str, desk: &Chain) -> Result<Chain, String> {
    let name = name.trim();
    if name.is_empty() {
        return Err("Name both outputs: a kept chain, or an output that stands on this desk.".into());
    }
    let kept = chain_file::named(name).ok().filter(|path| path.exists());
    let mut chain = match kept {
        Some(path) => chain_file::load(&path).map_err(|error| sentence(&error.to_string()))?,
        None => Chain { output: name.into(), ..desk.clone() },
    };
    if let Some(offset) = chain.changed_offsets().first() {
        return Err(format!(
            "The offset of the {} of {name} is not used: {}. Calibrate this input anew.",
            offset.role.in_words(),
            offset.what
        ));
    }
    chain.drop_changed_electrical();
    Ok(chain)
}

/// Both sessions of a swap that was left off; a second output that was not heard yet is the one named here.
pub fn take_up(folder: &Path, second: &str, desk: &Chain) -> Result<Turns, String> {
    let first = open(folder)?;
    let swap = first_half(&first).ok_or_else(|| format!("{} is not the first session of a swap.", folder.display()))?;
    let beside = folder.with_file_name(folder_of(&swap.pair, Order::Second));
    let other = match beside.exists() {
        true => Half::Begun(Arc::new(open(&beside)?), beside),
        false => {
            let chain =
                chain(second, desk).map_err(|why| format!("The second output was not heard yet; name it. {why}"))?;
            fit_together(&first.head.chain, &chain)?;
            let plan = Plan { swap: Some(Swap { order: Order::Second, ..swap.clone() }), ..first.head.plan.clone() };
            let sessions = folder.parent().map_or_else(PathBuf::new, Path::to_path_buf);
            half(plan, chain, &swap.pair, Order::Second, &sessions)?
        }
    };
    Ok(Turns { halves: [Half::Begun(Arc::new(first), folder.into()), other] })
}

fn open(folder: &Path) -> Result<Record, String> {
    Storage::open(folder).map(|(_, record)| record).map_err(|e| sentence(&e.to_string()))
}

fn first_half(record: &Record) -> Option<Swap> {
    record.head.plan.swap.clone().filter(|swap| swap.order == Order::First)
}

fn fit_together(first: &Chain, second: &Chain) -> Result<(), String> {
    if first.headphone.trim() != second.headphone.trim() {
        return Err(format!(
            "The chains have different headphones ({} and {}); a swap needs one, which stays on the coupler.",
            first.headphone, second.headphone
        ));
    }
    match first.output.trim() == second.output.trim() {
        true => Err(format!("Both outputs are called {}; give them two names.", first.output)),
        false => Ok(()),
    }
}

/// An output that was not heard yet. A raised ceiling was typed twice where the question is asked; the plan came from there.
fn half(plan: Plan, chain: Chain, pair: &str, order: Order, sessions: &Path) -> Result<Half, String> {
    let (rate, calibrated) = (chain.routing.playback_rate, chain.is_calibrated());
    let again = plan.ceilings.raised(calibrated);
    let plan = checked(plan, rate, calibrated, again).map_err(|wrong| wrong.to_string())?;
    let id = Some(folder_of(pair, order));
    Ok(Half::New(Box::new(SessionRequest { plan, chain, sessions: sessions.into(), id })))
}
