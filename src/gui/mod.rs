//! The window: what people see of the bench and what they ask of it. It owns no measurement state: it sends commands,
//! reads events and the latest live picture, and draws them.
//!
//! ```text
//!   app ── keys, news ──► desk ── reduce(Action) ──► Commands ──► app ── link ──► bench
//!    └── draws: top, then one page (climb, chain_page, side_by_side, stock_page), which ask for Actions
//!   desk holds: view (what the bench said) · form (what was typed) · side, stock, electrical, music, series, own_level, elsewhere, report
//! ```
//!
//! [`remembered`] is what comes back at the next start. [`desk`] imports no page: state knows nothing of how it is drawn. Threads of `work` read and write files.

mod account;
pub mod app;
mod calibration_box;
mod chain_page;
mod climb;
mod closing;
pub mod desk;
pub mod digest;
pub mod electrical;
mod electrical_page;
pub mod elsewhere;
pub mod followed;
pub mod form;
mod help;
pub mod keys;
pub mod link;
mod music;
pub mod notebook;
mod notebook_page;
mod open;
pub mod own_level;
mod particulars;
mod parts;
mod path;
pub mod plot;
pub mod remembered;
mod report;
pub mod series;
pub mod side;
mod side_by_side;
mod start;
pub mod stock;
mod stock_page;
mod text;
pub mod theme;
mod top;
pub mod view;
mod wish;
mod work;

pub use app::App;
pub use desk::{Desk, Page};
pub use link::{BenchLink, Live, LiveInput, News};
pub use start::StartState;

use eframe::egui::{ViewportBuilder, vec2};

/// Smallest window, points.
const SMALLEST: [f32; 2] = [640.0, 480.0];
/// Window at the start, points.
const ORDINARY: [f32; 2] = [1280.0, 800.0];

/// The window could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum WindowError {
    /// No display, no OpenGL.
    #[error(
        "the window could not be opened: {0}. Without a display use the command line: `loudenough rehearse`, `loudenough run --help`"
    )]
    Display(String),
}

/// Opens the window and returns when it is closed; the sound is faded out on every way out.
///
/// # Errors
/// [`WindowError`] where there is no display or no OpenGL.
pub fn open_window(link: BenchLink, start: StartState) -> Result<(), WindowError> {
    let options = eframe::NativeOptions {
        viewport: viewport(&start.remembered),
        renderer: eframe::Renderer::Glow,
        ..Default::default()
    };
    eframe::run_native(
        "loudenough",
        options,
        Box::new(move |creation| {
            theme::install(&creation.egui_ctx);
            Ok(Box::new(App::awake(link, start, &creation.egui_ctx)?))
        }),
    )
    .map_err(|e| WindowError::Display(last_words(&e.to_string())))
}

/// As large as it was, and where it stood.
fn viewport(last: &remembered::Remembered) -> ViewportBuilder {
    let size = last.size.map_or(ORDINARY, |[width, height]| [width as f32, height as f32]);
    let viewport = ViewportBuilder::default()
        .with_title("loudenough")
        .with_app_id("loudenough")
        .with_inner_size([size[0].max(SMALLEST[0]), size[1].max(SMALLEST[1])])
        .with_min_inner_size(vec2(SMALLEST[0], SMALLEST[1]))
        .with_maximized(last.maximized);
    match last.place {
        Some([x, y]) => viewport.with_position([x as f32, y as f32]),
        None => viewport,
    }
}

/// The reason at the end of a chain of messages: what stands before it names source files of the libraries.
fn last_words(message: &str) -> String {
    message.rsplit(": ").next().unwrap_or(message).trim_end_matches('.').into()
}
