//! `loudenough`: a live measurement bench that answers whether an output drives headphones loud enough, with headroom
//! for peaks and without audible distortion.
//!
//! ```text
//!   asked: typed text → Plan, Chain
//!   Plan → Step → Stimulus → generator → card → capture        (clocks, threads, hardware)
//!                                 │
//!                    ═══════════ Take ═══════════               (the narrow waist)
//!                                 │
//!   analysis: Finding → session::evaluate: StepResult → session::record: Record → judgement: Verdict → account → cli, gui
//! ```
//!
//! Start reading at [`take`], then [`units`], [`analysis`], `session`.

pub mod account;
pub mod analysis;
pub mod asked;
pub mod audio;
pub mod calibration;
pub mod card;
pub mod cli;
pub mod figure;
pub mod fingerprint;
#[cfg(feature = "gui")]
pub mod gui;
pub mod judgement;
pub mod palette;
pub mod session;
pub mod signal;
pub mod stats;
pub mod stock;
pub mod take;
pub mod units;
pub mod words;
