//! Integration tests: one binary, one module per question.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // test helpers outside #[test] functions may unwrap and tell figures

mod attribution;
mod calibration;
mod calibration_files;
mod chains;
mod circuits;
mod command_line;
#[path = "../common/mod.rs"]
mod common;
mod comparison;
mod comparison_rates;
mod crash_recovery;
mod curves;
mod damaged;
mod drive;
mod electrical;
mod elsewhere;
mod foreign;
mod foreign_paths;
mod fuzz_corpus;
mod guide;
mod hostile_card;
mod interrupted;
mod json;
mod judged;
mod layering;
mod listeners;
mod log;
mod loudness;
mod music;
mod notebook;
mod old_sessions;
mod other_sounds;
mod own_level;
mod path;
mod properties;
mod protection;
mod rates;
mod reports;
mod seats;
mod series;
mod sessions;
mod settings;
mod simulated_device;
mod standards;
mod stock;
mod stock_histories;
mod stock_sheets;
mod storage_bad_input;
mod stored_session;
mod swap;
