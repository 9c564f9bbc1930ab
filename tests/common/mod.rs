//! What tests share.

pub mod sessions;
pub mod takes;
pub mod truth;
