//! What tests share.

pub mod card;
pub mod circuit;
pub mod sessions;
pub mod takes;
pub mod truth;
