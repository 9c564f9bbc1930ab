//! What tests share.

pub mod sessions;
pub mod truth;
