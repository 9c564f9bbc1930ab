//! An account in a format. A writer knows a format and nothing else; whatever a user typed or a file held is text to every
//! writer: each has one place that makes text harmless in its format.

pub mod columns;
mod csv;
pub mod folder;
mod html;
mod markdown;
#[cfg(feature = "pictures")]
mod png;
mod svg;
pub mod terminal;

pub use csv::csv;
pub use html::html;
pub use markdown::markdown;
#[cfg(feature = "pictures")]
pub use png::pixels;
pub use svg::{Frame, Look, svg};
