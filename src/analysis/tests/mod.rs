//! Whole takes through the analysis, held against the desk's set values.

mod desk;
mod known;
