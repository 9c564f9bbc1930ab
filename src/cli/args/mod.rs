//! Commands as typed: one file per group of commands.

mod calibrate;
mod chain;
mod desk;
mod electrical;
mod elsewhere;
mod examples;
mod judge;
mod notebook;
mod report;
mod session;
mod stimulus;
mod stock;
mod swap;
mod typed;

use crate::session::program;
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;
use std::sync::LazyLock;

pub use calibrate::{Calibrate, StatedCalibrator};
pub use chain::{ChainCommand, CheckChain, NewChain, TypedOutputSide};
pub use desk::Desk;
pub use electrical::{CalibrateInputVolts, CalibrateLoad, CalibrateSource, CalibrateVolts, Electrical, StatedMeter};
pub use elsewhere::{Ingest, Listen, PlanFile};
pub use examples::{EXAMPLES, command};
pub use judge::{Compare, Judge, Listener, TypedHears};
pub use notebook::{NotebookArguments, NotebookCommand, Sort};
pub use report::Report;
pub use session::{Ask, Match, OutsideEar, Rehearse, Run, TypedCeilings};
pub use stimulus::{Spectrum, StimulusFile, TextTable};
pub use stock::{
    KeepHeadphone, KeepOutput, MeasureBy, SensitivityPer, StatedFigures, StockArguments, StockCommand, StockKept,
    WhoListens,
};
pub use swap::Swap;

/// What `--version` says; built once, because the parser keeps a reference.
static VERSION: LazyLock<String> = LazyLock::new(program::version);

/// Will this output drive these headphones loud enough, with headroom, without audible distortion?
///
/// Without a command the window opens. Do not wear the headphones while a session runs.
#[derive(Debug, Parser)]
#[command(name = "loudenough", version = VERSION.as_str(), about, long_about = None)]
pub struct Arguments {
    /// What to do; without a command the window opens.
    #[command(subcommand)]
    pub command: Option<Command>,
    /// Say on standard error what the program does, line by line.
    #[arg(long, short, global = true)]
    pub verbose: bool,
    /// Write the same into a file, for a report of a problem; names that you typed are left out.
    #[arg(long, global = true, value_name = "FILE")]
    pub log: Option<PathBuf>,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run a whole session on the simulated bench, faster than real time, without hardware.
    Rehearse(Box<Rehearse>),
    /// List the sound cards.
    Cards {
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// List, show, make and check chains: the desk described once, from card to microphone, with its calibration.
    Chain {
        /// What to do.
        #[command(subcommand)]
        what: ChainCommand,
    },
    /// Calibrate a chain: the offset to dB SPL, volts of output and inputs, source and load impedance.
    Calibrate {
        /// What to calibrate.
        #[command(subcommand)]
        what: Calibrate,
    },
    /// Run a session on real cards.
    Run(Box<Run>),
    /// Hold quiet noise while the headphone is taken off and put on again, then add that seat to a finished session; or
    /// while the output's own volume control is turned; or play the level of another session (`--match`).
    Hold {
        /// Session, by name, `last` or path.
        session: PathBuf,
        /// Measure the seat at once, without holding noise for it.
        #[arg(long)]
        at_once: bool,
        /// Turn the output's volume control step by step instead: each position is found by itself and added.
        #[arg(long, conflicts_with = "at_once")]
        taper: bool,
        /// The level of another session.
        #[command(flatten)]
        level: Match,
        /// How results are shown.
        #[command(flatten)]
        keep: Shown,
    },
    /// Listen while something else plays: a sound that `plan` wrote, played on an output that this computer cannot drive
    /// (`--plan`); or an outside source at the open ear and with the headphone on, added to a finished session (`--ear`).
    Listen(Box<Listen>),
    /// Write a whole session as one sound file, for an output that this computer cannot drive: a telephone, another
    /// computer. Play it there, and follow it by `listen --plan` or from a recording by `ingest`.
    Plan(PlanFile),
    /// A session from a recording of a sound that `plan` wrote.
    Ingest(Box<Ingest>),
    /// Two outputs swapped while the headphone stays on the coupler, first, second, first again: what differs at matched
    /// level, how small a difference could have been seen, and whether it matters.
    Swap(Box<Swap>),
    /// Write a stimulus to a WAV.
    Stimulus(StimulusFile),
    /// Judge stored sessions again: for another listening level, by another rule, for the listener's own music.
    Judge(Judge),
    /// Two stored sessions of one headphone side by side, at matched level: what differs, and by how much.
    Compare(Compare),
    /// Known outputs and headphones: what each output drives, measured or predicted.
    Stock(Box<StockArguments>),
    /// All sessions: list, filter, sort, note, correct names, set aside, and the trend of a pairing over months.
    Notebook(Box<NotebookArguments>),
    /// Write a report of a session, of several, or of the stock: HTML, Markdown, CSV tables and pictures.
    Report(Box<Report>),
    /// Print the user guide: its topics, or one of them.
    Guide {
        /// Which topic; without it the list of topics.
        topic: Option<String>,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Write manual pages and shell completions, for packages.
    #[cfg(feature = "pages")]
    #[command(hide = true)]
    Pages {
        /// Folder that they are written below, as `share`.
        #[arg(long, value_name = "FOLDER")]
        to: PathBuf,
    },
    /// Print the names of all sessions, for shells that complete them.
    #[command(hide = true)]
    SessionNames,
    /// Recompute a stored session from its WAVs.
    Reanalyse {
        /// Session, by name, `last` or path.
        session: PathBuf,
        /// Replace the stored numbers where they differ.
        #[arg(long)]
        write: bool,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
}

/// How results are shown.
#[derive(Debug, Clone, Copy, Args)]
pub struct Shown {
    /// Print the record and the judgement as JSON.
    #[arg(long)]
    pub json: bool,
    /// No progress bar.
    #[arg(long)]
    pub no_progress: bool,
    /// Print the steps and every figure after the answer.
    #[arg(long)]
    pub details: bool,
}

/// Where results are kept and how they are shown.
#[derive(Debug, Args)]
pub struct Keep {
    /// Folder that sessions are kept in.
    #[arg(long, value_name = "FOLDER")]
    pub sessions: Option<PathBuf>,
    /// Name of the session's folder.
    #[arg(long, value_name = "NAME")]
    pub id: Option<String>,
    /// How results are shown.
    #[command(flatten)]
    pub shown: Shown,
}
