//! What was typed, and what it means: text → plan, chain, calibrator, procedure.
//!
//! [`Field`] is the one table of fields: name, unit, range, example, and why the range is what it is. The command line
//! and the window both read it, so that limits, examples and messages are the same in both. What cannot be is a
//! [`Wrong`]: it carries its field as a value.
//!
//! ```text
//!   text ──► Field::read ──► numbers ──► plan · chain · calibration · electrical ──► Plan, Chain, Calibrator, procedure
//!   settings.toml ──► Settings ──► under the plan
//! ```

pub mod calibration;
pub mod chain;
pub mod choice;
pub mod electrical;
pub mod elsewhere;
mod field;
mod number;
pub mod plan;
pub mod settings;
pub mod sheet;
mod text;
mod typed;
mod wrong;

pub use field::{Field, Row, Takes, Unit};
pub use settings::Settings;
pub use text::{could_be_thousands, shown, words};
pub use typed::Typed;
pub use wrong::{Read, Why, Wrong, sentence};

#[cfg(test)]
mod tests;
