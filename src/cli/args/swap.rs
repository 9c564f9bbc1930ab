//! `swap` as typed: two outputs by turns on one seat of the headphone.

use super::typed::{number, whole};
use super::{Desk, Keep, Listener, TypedCeilings, TypedHears};
use crate::asked::Field;
use crate::judgement::comparison::{DISTORTION_WITHIN_DB, SAME_WITHIN_DB};
use clap::Args;
use std::path::PathBuf;

/// What a swap that is taken up keeps from when it was begun.
const KEPT_BY_A_SWAP: [&str; 6] = ["at", "at_drive", "at_1_khz", "listening", "ceiling", "id"];

/// Options of `swap`.
#[derive(Debug, Args)]
pub struct Swap {
    /// The first output: the name of a chain that is kept, or of an output on the desk's chain.
    #[arg(value_name = "FIRST_OUTPUT", required_unless_present = "carry_on")]
    pub first: Option<String>,
    /// The second output, likewise; it is compared with the first. With `--continue` it is needed where the second was not
    /// measured yet.
    #[arg(value_name = "SECOND_OUTPUT", required_unless_present = "carry_on")]
    pub second: Option<String>,
    /// Continue a swap that was interrupted: its first session.
    #[arg(long = "continue", value_name = "SESSION", conflicts_with_all = KEPT_BY_A_SWAP)]
    pub carry_on: Option<PathBuf>,
    /// The desk of both outputs; `--second-chain` replaces it for the second.
    #[command(flatten)]
    pub desk: Desk,
    /// Chain file, or the name of a kept chain, of the second output, where it is another card.
    #[arg(long, value_name = "FILE|NAME")]
    pub second_chain: Option<PathBuf>,
    /// Card that plays the second output, as `cards` lists it, where it is not the first's.
    #[arg(long, value_name = "CARD", conflicts_with = "second_chain")]
    pub second_playback: Option<String>,
    /// Who listens how loud: both are compared at this level, where no other is asked for.
    #[command(flatten)]
    pub listener: Listener,
    /// Level of pink noise to match at, dB SPL; without it the listening level, else 75 dB SPL.
    #[arg(long, value_name = "DB_SPL", value_parser = number(Field::AskedSpl))]
    pub at: Option<f64>,
    /// The same as RMS drive of the first output, dBFS.
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, conflicts_with = "at", value_parser = number(Field::AskedDrive))]
    pub at_drive: Option<f64>,
    /// Match the one-third octave at 1 kHz instead of all the noise.
    #[arg(long = "at-1-khz")]
    pub at_1_khz: bool,
    /// Rounds in all, first and second output by turns: three or more.
    #[arg(long, value_name = "N", value_parser = whole(Field::Rounds))]
    pub rounds: Option<u32>,
    /// The second output has a knob: hold quiet noise first while it is turned until the level is right.
    #[arg(long)]
    pub turn: bool,
    /// What must not be exceeded.
    #[command(flatten)]
    pub ceilings: TypedCeilings,
    /// Differences of response within this are the same, dB.
    #[arg(long, value_name = "DB", default_value_t = SAME_WITHIN_DB, value_parser = number(Field::SameWithin))]
    pub within: f64,
    /// Differences of distortion and noise within this are the same, dB.
    #[arg(long, value_name = "DB", default_value_t = DISTORTION_WITHIN_DB, value_parser = number(Field::DistortionWithin))]
    pub distortion_within: f64,
    /// What the listener hears.
    #[command(flatten)]
    pub hears: TypedHears,
    /// Write a report into this folder, which must not exist.
    #[arg(long, value_name = "FOLDER")]
    pub report: Option<PathBuf>,
    /// Where results are kept and how they are shown; the folders of both sessions are named after `--id`.
    #[command(flatten)]
    pub keep: Keep,
}
