//! How does the window reach the bench? By commands, events, the latest live picture and the stop handle, and by
//! nothing else. A helper thread digests each new record (judging costs some tens of milliseconds), so that drawing
//! never waits, and asks for a new picture only when there is news.
//!
//! ```text
//!   bench ── events ──► digester thread ── news ──► Desk::logic ──► View ──► pages
//!     ▲                      └ wakes the window, at most 30 times a second
//!     └── commands, stop ◄──────────────────────── keys and buttons
//! ```

use super::digest::Digest;
use crate::session::protocol::{Command, Event};
use crate::session::runner::Bench;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, unbounded};
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

/// Most pictures a second that live news may ask for.
const PICTURES_PER_SECOND: u64 = 30;

/// Progress that brings nothing else is drawn this seldom.
const PROGRESS_SHOWN: Duration = Duration::from_millis(250);

pub use crate::analysis::live::{Live, LiveInput};

/// Reads the latest live picture; `None` while nothing is heard.
pub type ReadLive = Box<dyn Fn() -> Option<Arc<Live>> + Send>;

/// Everything the window holds of the bench.
pub struct BenchLink {
    /// What is asked.
    pub commands: Sender<Command>,
    /// What is said.
    pub events: Receiver<Event>,
    /// The latest live picture.
    pub live: ReadLive,
    /// Fades out at once.
    pub stop: Box<dyn Fn() + Send>,
    /// Says that the headphone sits.
    pub ready: Box<dyn Fn() + Send>,
    /// True once the program is asked to end from outside (Ctrl-C in its terminal).
    pub leave: Box<dyn Fn() -> bool + Send>,
    /// The time as RFC 3339, for what the user types in (the program reads the clock in one place only).
    pub now: Box<dyn Fn() -> String + Send>,
}

impl BenchLink {
    /// To a bench on its thread.
    pub fn to(bench: &Bench, now: fn() -> String, leave: impl Fn() -> bool + Send + 'static) -> BenchLink {
        let (stop, live, ready) = (bench.stop.clone(), bench.live.clone(), bench.ready.clone());
        BenchLink {
            commands: bench.commands.clone(),
            events: bench.events.clone(),
            live: Box::new(move || live.get()),
            stop: Box::new(move || stop.now()),
            ready: Box::new(move || ready.now()),
            leave: Box::new(leave),
            now: Box::new(now),
        }
    }
}

/// What reaches the window.
pub enum News {
    /// An event; where it carries a record, the record digested.
    Event(Box<Event>, Option<Arc<Digest>>),
    /// The live picture changed.
    Live(Option<Arc<Live>>),
    /// The program is asked to end.
    Leave,
    /// A command did not reach the bench, for this reason.
    NotSent(String),
    /// The bench's thread is gone.
    BenchGone,
}

/// Digests the record of an event, where there is one.
pub(super) fn digest(event: Event) -> News {
    let digest = match &event {
        Event::Began { record, .. }
        | Event::Ended { record, .. }
        | Event::StepDone(record)
        | Event::CalibrationChecked(record) => Some(Arc::new(Digest::of(record))),
        _ => None,
    };
    News::Event(Box::new(event), digest)
}

/// Starts the digester. It ends when the bench's events end or the window drops the receiver.
///
/// The queue of news is not bounded: it carries a few messages a second, and a bound would let a window that is not
/// drawn (minimised) hold up the bench.
///
/// # Errors
/// Where the system grants no thread.
pub(super) fn spawn_digester(
    events: Receiver<Event>,
    live: ReadLive,
    leave: Box<dyn Fn() -> bool + Send>,
    wake: impl Fn() + Send + 'static,
) -> std::io::Result<Receiver<News>> {
    let (news, inbox) = unbounded();
    thread::Builder::new().name("window-news".into()).spawn(move || {
        let tick = Duration::from_millis(1000 / PICTURES_PER_SECOND);
        let mut shown: Option<Arc<Live>> = None;
        let mut woken = Instant::now();
        loop {
            let sent = match events.recv_timeout(tick) {
                // Progress alone moves a count of seconds: it need not have the whole picture drawn each time.
                Ok(event @ Event::Playing { .. }) if woken.elapsed() < PROGRESS_SHOWN => {
                    if news.send(digest(event)).is_err() {
                        return;
                    }
                    continue;
                }
                Ok(event) => news.send(digest(event)),
                Err(RecvTimeoutError::Timeout) if leave() => {
                    // The answer does not matter: whether anybody hears it or not, this thread is done.
                    let _ = news.send(News::Leave);
                    wake();
                    return;
                }
                Err(RecvTimeoutError::Timeout) => {
                    let latest = live();
                    if same(&latest, &shown) {
                        continue;
                    }
                    shown.clone_from(&latest);
                    news.send(News::Live(latest))
                }
                Err(RecvTimeoutError::Disconnected) => {
                    let _ = news.send(News::BenchGone);
                    wake();
                    return;
                }
            };
            if sent.is_err() {
                return;
            }
            wake();
            woken = Instant::now();
        }
    })?;
    Ok(inbox)
}

fn same(a: &Option<Arc<Live>>, b: &Option<Arc<Live>>) -> bool {
    match (a, b) {
        (None, None) => true,
        (Some(a), Some(b)) => Arc::ptr_eq(a, b),
        _ => false,
    }
}
