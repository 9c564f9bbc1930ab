//! `report` as typed.

use super::Listener;
use clap::Args;
use std::path::PathBuf;

/// Options of `report`.
#[derive(Debug, Args)]
pub struct Report {
    /// Session folder.
    pub session: PathBuf,
    /// Folder to write, made here; without it `report` in the session's folder, or `report-2`, … where one is there.
    #[arg(long, value_name = "FOLDER")]
    pub to: Option<PathBuf>,
    /// Text of your own to add, from a plain text file; empty lines part its paragraphs.
    #[arg(long, value_name = "FILE")]
    pub text: Option<PathBuf>,
    /// Who listens how loud and what headroom is called, where it differs from the session's.
    #[command(flatten)]
    pub listener: Listener,
}
