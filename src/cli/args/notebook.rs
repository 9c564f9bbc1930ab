//! `notebook` as typed: what is listed, and what is written into a session.

use clap::{Args, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Options of `notebook`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = false, subcommand_precedence_over_arg = true)]
pub struct NotebookArguments {
    /// What to do; without it the sessions are listed.
    #[command(subcommand)]
    pub what: Option<NotebookCommand>,
    /// Only sessions that contain every one of these words: name, date, output, volume, headphone, ear, kind, verdict, notes.
    #[arg(value_name = "WORD")]
    pub words: Vec<String>,
    /// What comes first.
    #[arg(long, value_enum, default_value = "date")]
    pub sort: Sort,
    /// All of them; otherwise the first 40.
    #[arg(long)]
    pub all: bool,
    /// Print JSON: all of them.
    #[arg(long)]
    pub json: bool,
    /// Print the names alone, one a line, the latest first: for scripts and for the shell.
    #[arg(long, conflicts_with = "json")]
    pub names: bool,
    /// Folder that sessions are kept in.
    #[arg(long, value_name = "FOLDER", global = true)]
    pub sessions: Option<PathBuf>,
}

/// What the list is sorted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Sort {
    /// The latest first.
    Date,
    /// By output.
    Output,
    /// By headphone.
    Headphone,
    /// The most headroom first.
    Headroom,
    /// The best verdict first.
    Verdict,
    /// The most doubts first.
    Doubts,
}

/// What is written into a session, or shown of it. Nothing that was measured is ever changed or removed.
#[derive(Debug, Subcommand)]
pub enum NotebookCommand {
    /// Write a note beside a session.
    Note {
        /// Session, by name, `last` or path.
        session: PathBuf,
        /// The note.
        #[arg(required = true, value_name = "TEXT")]
        text: Vec<String>,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Correct a name: another output, headphone or volume was measured than the session says.
    Rename {
        /// Session, by name, `last` or path.
        session: PathBuf,
        /// The output's right name.
        #[arg(long, value_name = "NAME", required_unless_present_any = ["headphone", "volume"])]
        output: Option<String>,
        /// The headphone's right name.
        #[arg(long, value_name = "NAME")]
        headphone: Option<String>,
        /// The right note on volume positions.
        #[arg(long, value_name = "POSITION")]
        volume: Option<String>,
        /// Only the spelling was wrong: volts and impedances that were taken under the old name still hold. Otherwise they are
        /// left out, because they belong to another device.
        #[arg(long)]
        spelling: bool,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Set a session aside: it no longer counts in stock and reports of many; everything of it is kept.
    SetAside {
        /// Session, by name, `last` or path.
        session: PathBuf,
        /// Why.
        #[arg(value_name = "WHY")]
        because: Vec<String>,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Take a session back that was set aside.
    TakeBack {
        /// Session, by name or path.
        session: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Undo what was written last into a session: note, corrected name, set aside or taken back.
    Undo {
        /// Session, by name, `last` or path.
        session: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// The pairing of a session over months: its level per drive, and what the calibration did.
    Trend {
        /// Session, by name, `last` or path.
        session: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
}

impl NotebookCommand {
    /// The session that it is about.
    pub fn session(&mut self) -> &mut PathBuf {
        match self {
            NotebookCommand::Note { session, .. }
            | NotebookCommand::Rename { session, .. }
            | NotebookCommand::SetAside { session, .. }
            | NotebookCommand::TakeBack { session, .. }
            | NotebookCommand::Undo { session, .. }
            | NotebookCommand::Trend { session, .. } => session,
        }
    }
}
