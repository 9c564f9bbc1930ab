//! The command line: typed → wanted → done.

mod args;
mod calibrate;
mod cards;
mod chain;
mod compare;
mod electrical;
mod elsewhere;
mod exit;
mod follow;
mod guide;
mod hold;
mod judge;
mod known_json;
mod log;
mod named;
mod notebook;
mod own_level;
#[cfg(feature = "pages")]
mod pages;
mod path;
mod printable;
mod reanalyse;
mod rehearse;
mod report;
mod request;
mod run;
mod series;
mod settings;
mod show;
mod stimulus;
mod stock;
mod swap;

pub use args::{Arguments, Command, EXAMPLES, command};
pub use exit::{Exit, Unfinished};
pub use log::Log;
pub use printable::Printable;
pub use settings::settings;

use crate::asked::Settings;
use crate::audio::Backend;
use crate::session::runner::Bench;
use anyhow::Result;
use std::io::Write;

/// What a command needs from outside: where it writes, the cards, the time of day.
pub struct Environment<'a> {
    /// Results.
    pub out: &'a mut dyn Write,
    /// All back ends, the simulated bench among them.
    pub backends: Vec<Box<dyn Backend>>,
    /// RFC 3339 time of day.
    pub now: fn() -> String,
    /// What a person says once, or why the file with it is not understood.
    pub settings: Result<Settings, String>,
    /// What happens, for a report of a problem.
    pub log: Log,
    /// What the program ends with where nothing fails.
    pub exit: Exit,
}

impl Environment<'_> {
    /// The bench over these cards, watched by the log. Called once: it takes the back ends.
    fn bench(&mut self) -> Bench {
        self.log.watched(Bench::spawn(std::mem::take(&mut self.backends), self.now))
    }

    /// What a person says once. A file that is not understood stops whoever needs it: it may hold a ceiling.
    fn settings(&self) -> Result<Settings> {
        self.settings.clone().map_err(|why| anyhow::anyhow!(why))
    }
}

/// Carries out one command.
///
/// # Errors
/// What went wrong, where, and what to do, as one message.
pub fn carry_out(mut command: Command, env: &mut Environment) -> Result<()> {
    named::resolve(&mut command)?;
    match command {
        Command::Rehearse(wanted) => rehearse::rehearse(&wanted, env),
        Command::Cards { json } => cards::cards(json, env),
        Command::Chain { what } => chain::chain(what, env),
        Command::Calibrate { what } => calibrate::calibrate(&what, env),
        Command::Run(wanted) => run::run(&wanted, env),
        Command::Hold { session, taper: true, keep, .. } => hold::taper(&session, &keep, env),
        Command::Hold { session, at_once, level, keep, .. } => hold::hold(&session, at_once, &level, &keep, env),
        Command::Listen(wanted) => match (&wanted.plan, &wanted.session, wanted.ear) {
            (None, Some(session), Some(ear)) => hold::listen(session, ear, &wanted.keep.shown, env),
            (None, ..) => anyhow::bail!("name a session and --ear, or the plan of a sound that is played elsewhere"),
            (Some(plan), ..) => elsewhere::listen(plan.clone(), *wanted, env),
        },
        Command::Plan(wanted) => elsewhere::plan(&wanted, env),
        Command::Ingest(wanted) => elsewhere::ingest(*wanted, env),
        Command::Swap(wanted) => swap::swap(&wanted, env),
        Command::Stimulus(wanted) => stimulus::write(&wanted, env),
        Command::Judge(wanted) => judge::judge(&wanted, env),
        Command::Compare(wanted) => compare::compare(&wanted, env),
        Command::Stock(wanted) => stock::stock(&wanted, env),
        Command::Notebook(wanted) => notebook::notebook(&wanted, env),
        Command::Report(wanted) => report::report(&wanted, env),
        Command::Guide { topic, json } => guide::guide(topic.as_deref(), json, env),
        Command::SessionNames => named::list(env),
        #[cfg(feature = "pages")]
        Command::Pages { to } => pages::write(&to, env),
        Command::Reanalyse { session, write, json } => reanalyse::reanalyse(&session, write, json, env),
    }
}
