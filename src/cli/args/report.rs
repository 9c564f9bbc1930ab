//! `report` as typed.

use super::{Listener, StockKept};
use clap::Args;
use std::path::PathBuf;

/// Options of `report`.
#[derive(Debug, Args)]
pub struct Report {
    /// Sessions, by name, `last` or path: one is reported in full, several side by side; without any, everything in stock.
    #[arg(value_name = "SESSION")]
    pub reported: Vec<PathBuf>,
    /// Report the pairings of this output alone.
    #[arg(long = "of-output", value_name = "NAME", conflicts_with = "of_headphone")]
    pub of_output: Option<String>,
    /// Report the pairings of this headphone alone.
    #[arg(long = "of-headphone", value_name = "NAME")]
    pub of_headphone: Option<String>,
    /// Folder to write, which must not exist; without it `report` (or `report-2`, …) in the session's folder, or in this one
    /// for several sessions.
    #[arg(long, value_name = "FOLDER")]
    pub to: Option<PathBuf>,
    /// Pieces of the listener's own music, WAV or FLAC, as `judge --music`.
    #[arg(long, value_name = "FILE", num_args = 1..)]
    pub music: Vec<PathBuf>,
    /// Text of your own to add, from a plain text file; empty lines separate its paragraphs.
    #[arg(long, value_name = "FILE")]
    pub text: Option<PathBuf>,
    /// Who listens how loud and what headroom is called, where it differs from what was planned.
    #[command(flatten)]
    pub listener: Listener,
    /// Where the stock is kept.
    #[command(flatten)]
    pub kept: StockKept,
    /// Print the answer and where the report lies as JSON.
    #[arg(long)]
    pub json: bool,
}
