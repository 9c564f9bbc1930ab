//! What tests share.

pub mod truth;
