//! Both outputs of a swap between its rounds: how they begin, how a swap that was left off is taken up, and whose round comes
//! next. The command line and the window guide the same pair.

use super::chain::Chain;
use super::plan::{Order, Plan, Swap};
use super::protocol::{RoundOf, RoundRequest, SessionRequest};
use super::record::Record;
use super::storage::{Storage, StorageError};
use super::swap::{folder_of, next_output, played, rounds};
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
}

/// Why two outputs cannot be swapped.
#[derive(Debug, thiserror::Error)]
pub enum PairRefused {
    /// A folder.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// Some other session.
    #[error("{} is not the first session of a swap", .0.display())]
    NotTheFirst(PathBuf),
    /// Two headphones.
    #[error("the chains have different headphones ({0} and {1}); a swap needs one, which stays on the coupler")]
    Headphones(String, String),
    /// One name.
    #[error("both outputs are called {0}; give them two names")]
    OneName(String),
}

/// Both outputs of a swap.
#[derive(Clone, Debug)]
pub struct Pair {
    /// First and second output.
    pub halves: [Half; 2],
}

impl Pair {
    /// Two outputs that were not heard yet, each with its checked plan; their folders are named after the pair in `sessions`.
    ///
    /// # Errors
    /// [`PairRefused`] where their chains do not fit together.
    pub fn new(first: (Plan, Chain), second: (Plan, Chain), sessions: &Path) -> Result<Pair, PairRefused> {
        fit_together(&first.1, &second.1)?;
        Ok(Pair { halves: [first, second].map(|(plan, chain)| not_heard_yet(plan, chain, sessions)) })
    }

    /// Whose round comes next; `None` once `wanted` were played.
    pub fn next(&self, wanted: usize) -> Option<Order> {
        next_output(self.halves[0].record(), self.halves[1].record(), wanted)
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

    /// What the bench is asked for a round of this output. `confirmed`: the raised ceiling, typed again. With `knob` that of the
    /// second output is turned to the level before its first round.
    pub fn round(&self, order: Order, confirmed: Option<f64>, knob: bool) -> RoundRequest {
        let (own, other) = self.of(order);
        let output = match own {
            Half::New(request) => RoundOf::New(request.clone()),
            Half::Begun(_, folder) => RoundOf::Again { folder: folder.clone(), confirmed },
        };
        // A first round that did not finish is played anew, its knob with it.
        let first = own.record().is_none_or(|record| rounds(record).is_empty());
        let by_hand = knob && order == Order::Second && first;
        RoundRequest { output, other: other.folder().map(Path::to_path_buf), by_hand }
    }

    /// A round began: its folder is there from now on, whatever becomes of the round. A half that was begun before knows more.
    pub fn began(&mut self, record: Arc<Record>, folder: PathBuf) {
        let Some(swap) = &record.head.plan.swap else { return };
        let half = &mut self.halves[usize::from(swap.order == Order::Second)];
        if half.folder().is_none() {
            *half = Half::Begun(record, folder);
        }
    }

    /// A round came back: its session so far.
    pub fn heard(&mut self, record: Arc<Record>, folder: PathBuf) {
        let Some(swap) = &record.head.plan.swap else { return };
        let at = usize::from(swap.order == Order::Second);
        self.halves[at] = Half::Begun(record, folder);
    }
}

/// A swap that was left off, as it lies on disk.
#[derive(Clone, Debug)]
pub struct LeftOff {
    folder: PathBuf,
    first: Record,
    swap: Swap,
    second: Option<(Record, PathBuf)>,
}

impl LeftOff {
    /// From the folder of its first session.
    ///
    /// # Errors
    /// [`PairRefused`], also where the second session cannot be read.
    pub fn open(folder: &Path) -> Result<LeftOff, PairRefused> {
        let (_, first) = Storage::open(folder)?;
        let swap = first.head.plan.swap.clone().filter(|swap| swap.order == Order::First);
        let swap = swap.ok_or_else(|| PairRefused::NotTheFirst(folder.into()))?;
        let beside = folder.with_file_name(folder_of(&swap.pair, Order::Second));
        let second = if beside.exists() { Some((Storage::open(&beside)?.1, beside)) } else { None };
        Ok(LeftOff { folder: folder.into(), first, swap, second })
    }

    /// The first output's session.
    pub fn first(&self) -> &Record {
        &self.first
    }

    /// The second one's; `None` where it was not heard yet.
    pub fn second(&self) -> Option<&Record> {
        self.second.as_ref().map(|(record, _)| record)
    }

    /// What a second output that was not heard yet is asked, still to be checked on its chain.
    fn second_plan(&self) -> Plan {
        let swap = Some(Swap { order: Order::Second, ..self.swap.clone() });
        Plan { swap, ..self.first.head.plan.clone() }
    }

    /// Taken up; `second` is the second output where it was not heard yet.
    ///
    /// # Errors
    /// What `second` says, or [`PairRefused`].
    pub fn taken_up<E: From<PairRefused>>(
        self,
        second: impl FnOnce(Plan) -> Result<(Plan, Chain), E>,
    ) -> Result<Pair, E> {
        let plan = self.second_plan();
        let other = match self.second {
            Some((record, folder)) => Half::Begun(Arc::new(record), folder),
            None => {
                let (plan, chain) = second(plan)?;
                fit_together(&self.first.head.chain, &chain)?;
                not_heard_yet(plan, chain, self.folder.parent().unwrap_or(Path::new("")))
            }
        };
        Ok(Pair { halves: [Half::Begun(Arc::new(self.first), self.folder), other] })
    }
}

fn fit_together(first: &Chain, second: &Chain) -> Result<(), PairRefused> {
    if first.headphone.trim() != second.headphone.trim() {
        return Err(PairRefused::Headphones(first.headphone.clone(), second.headphone.clone()));
    }
    match first.output.trim() == second.output.trim() {
        true => Err(PairRefused::OneName(first.output.clone())),
        false => Ok(()),
    }
}

fn not_heard_yet(plan: Plan, chain: Chain, sessions: &Path) -> Half {
    let id = plan.swap.as_ref().map(|swap| folder_of(&swap.pair, swap.order));
    Half::New(Box::new(SessionRequest { plan, chain, sessions: sessions.into(), id }))
}
