//! Integration tests: one binary, one module per question.

#![allow(clippy::unwrap_used)] // test helpers outside #[test] functions may unwrap too

#[path = "../common/mod.rs"]
mod common;
mod layering;
mod simulated_device;
