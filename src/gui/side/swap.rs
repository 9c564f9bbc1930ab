//! Two outputs by turns on one seat of the headphone, as the window guides it: both halves, and how one that was left off is
//! taken up. Everything here that reads files runs on a thread.

use super::super::form::sentence;
use super::super::text;
use crate::asked::plan::checked;
use crate::judgement::comparison::MatchedOn;
use crate::session::chain::Chain;
use crate::session::chain_file;
use crate::session::pair::{self, Pair, PairRefused};
use crate::session::plan::{Order, Plan, Swap};
use crate::session::storage::{all_sessions, name_of_time};
use crate::session::swap::{DEFAULT_ROUNDS, next_output, played};
use std::path::{Path, PathBuf};

/// So many of the latest swaps are looked through for those that were left off: each has to be read whole.
const LOOKED_THROUGH: usize = 12;

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
    let firsts = firsts.take(LOOKED_THROUGH);
    let left_off = firsts.filter_map(|folder| {
        let found = pair::LeftOff::open(&folder).ok()?;
        next_output(Some(found.first()), found.second(), DEFAULT_ROUNDS)?;
        let (ones, others) = played(Some(found.first()), found.second());
        let other = found.second().map_or("a second one not heard yet", |second| &second.head.chain.output);
        let (one, when) = (&found.first().head.chain.output, text::moment(&found.first().head.started_at));
        let words = format!("{one} and {other}, {when}: {} of {DEFAULT_ROUNDS} rounds played", ones + others);
        Some(LeftOff { words, folder })
    });
    Known { chains, left_off: left_off.collect() }
}

/// Both outputs as named: a kept chain of that name, else the desk's chain with this output.
pub fn begin(names: [&str; 2], desk: &Chain, asked: &Plan, sessions: &Path, now: &str) -> Result<Pair, String> {
    let pair = name_of_time(now);
    let half = |name: &str, order| {
        let chain = chain(name, desk)?;
        let swap = Swap { pair: pair.clone(), order, at: None, on: MatchedOn::Pink };
        let plan = Plan::swap(chain.routing.playback_rate, swap);
        let plan = Plan { listening: asked.listening, rule: asked.rule, ceilings: asked.ceilings, ..plan };
        Ok::<_, String>((may_run(plan, &chain)?, chain))
    };
    Pair::new(half(names[0], Order::First)?, half(names[1], Order::Second)?, sessions).map_err(|error| why(&error))
}

/// An offset of an input that was set otherwise is refused; volts and impedances of another output are left out.
fn chain(name: &str, desk: &Chain) -> Result<Chain, String> {
    let name = name.trim();
    if name.is_empty() {
        return Err("Name both outputs: a kept chain, or an output that stands on this desk.".into());
    }
    let mut chain = match chain_file::kept(name).map_err(|error| why(&error))? {
        Some(chain) => chain,
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

/// Both outputs of a swap that was left off; a second one that was not heard yet is the one named here.
pub fn take_up(folder: &Path, second: &str, desk: &Chain) -> Result<Pair, String> {
    let left_off = pair::LeftOff::open(folder).map_err(|error| why(&error))?;
    let second = |plan: Plan| {
        let named = chain(second, desk);
        let chain = named.map_err(|why| Said(format!("The second output was not heard yet; name it. {why}")))?;
        Ok((may_run(plan, &chain).map_err(Said)?, chain))
    };
    left_off.taken_up(second).map_err(|Said(why)| why)
}

/// Why not, as a sentence.
struct Said(String);

impl From<PairRefused> for Said {
    fn from(refused: PairRefused) -> Said {
        Said(why(&refused))
    }
}

fn why(error: &dyn std::fmt::Display) -> String {
    sentence(&error.to_string())
}

/// A raised ceiling was typed twice on page Climb; the plan came from there.
fn may_run(plan: Plan, chain: &Chain) -> Result<Plan, String> {
    let calibrated = chain.is_calibrated();
    let again = plan.ceilings.raised(calibrated);
    checked(plan, chain.routing.playback_rate, calibrated, again).map_err(|wrong| wrong.to_string())
}
