//! Cards and threads; knows nothing of sessions or analysis.

pub mod simulated;
