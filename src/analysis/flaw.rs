//! What is wrong or limited about a measurement, how much it matters, and what it is about.

use crate::card::InputRole;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How much a flaw matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// A limit of validity; the verdict stays firm.
    Note,
    /// The number is widened or one-sided, and the verdict follows.
    Doubt,
    /// The take is repeated or left out.
    Void,
}

impl Weight {
    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            Weight::Note => "note",
            Weight::Doubt => "doubt",
            Weight::Void => "void",
        }
    }
}

/// Measured, but. Not an error (could not measure) and not a verdict (about the device).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Flaw {
    /// How much it matters.
    pub weight: Weight,
    /// Stable word for machines, e.g. `clock-drift`.
    pub code: String,
    /// What it is about.
    #[serde(default, skip_serializing_if = "About::is_session")]
    pub about: About,
    /// What, so what, what to try: one or two plain sentences.
    pub text: String,
}

/// What a flaw is about: the same flaw of two things is two flaws.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum About {
    /// The session as a whole.
    #[default]
    Session,
    /// A card in one direction, in words.
    Card(String),
    /// An input.
    Input(InputRole),
    /// A step, by its number.
    Step(usize),
    /// A level that was asked for, in words.
    Level(String),
}

impl About {
    fn is_session(&self) -> bool {
        *self == About::Session
    }
}

impl fmt::Display for About {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            About::Session => f.write_str("session"),
            About::Card(card) => f.write_str(card),
            About::Input(role) => f.write_str(role.in_words()),
            About::Step(number) => write!(f, "step {number}"),
            About::Level(level) => f.write_str(level),
        }
    }
}

impl Flaw {
    fn new(weight: Weight, code: &str, text: String) -> Flaw {
        Flaw { weight, code: code.into(), about: About::Session, text }
    }

    /// The same, about this.
    pub fn about(self, about: About) -> Flaw {
        Flaw { about, ..self }
    }

    /// A limit of validity.
    pub fn note(code: &str, text: impl Into<String>) -> Flaw {
        Flaw::new(Weight::Note, code, text.into())
    }

    /// Widens a number.
    pub fn doubt(code: &str, text: impl Into<String>) -> Flaw {
        Flaw::new(Weight::Doubt, code, text.into())
    }

    /// The take must not be used.
    pub fn void(code: &str, text: impl Into<String>) -> Flaw {
        Flaw::new(Weight::Void, code, text.into())
    }
}
