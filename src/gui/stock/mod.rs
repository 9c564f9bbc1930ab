//! What page Stock knows: known outputs and headphones as read last, and what is typed of others.

mod typed;

pub use typed::Typed;

use super::work::{Lost, Wake, Work};
use crate::stock::folder::{self, PassedOver};
use crate::stock::{Listener, Map, Matrix, OutputName, Stock};
use std::path::Path;

/// Impedances of the map's curves.
const MAP_STEPS: usize = 121;

type Loaded = Result<(Stock, Vec<PassedOver>), String>;

/// What page Stock knows.
#[derive(Default)]
pub struct StockView {
    /// The stock as read last.
    pub(super) stock: Option<Stock>,
    /// Sessions that could not be read.
    pub(super) passed_over: Vec<PassedOver>,
    /// Why it could not be read.
    pub failure: Option<String>,
    /// What was kept last, or why not.
    pub(super) kept: Option<Result<String, String>>,
    reading: Work<Loaded>,
    /// An entry is being written.
    pub(super) writing: Work<Result<String, String>>,
    /// The output that is looked at.
    pub looked_at: Option<OutputName>,
    /// What is typed of an output or a headphone.
    pub typed: Typed,
    drawn: Option<Drawn>,
}

/// What is drawn, computed once for a listener.
pub(super) struct Drawn {
    pub(super) listener: Listener,
    pub(super) looked_at: Option<OutputName>,
    pub(super) matrix: Matrix,
    pub(super) map: Result<Map, String>,
    pub(super) lines: Vec<(&'static str, String)>,
}

impl StockView {
    /// Reads folder and sessions on a thread of its own; the window is woken when it is done.
    pub(super) fn read(&mut self, sessions: &Path, wake: &Wake) {
        let (typed, sessions) = (folder::beside(sessions), sessions.to_path_buf());
        let work = move || folder::load(&typed, &sessions).map_err(|error| error.to_string());
        if let Err(error) = self.reading.begin("stock", wake, work) {
            self.failure = Some(format!("The stock could not be read: {error}."));
        }
    }

    /// The stock as read last.
    pub fn stock(&self) -> Option<&Stock> {
        self.stock.as_ref()
    }

    /// True while it is being read.
    pub fn is_reading(&self) -> bool {
        self.reading.is_under_way() || self.writing.is_under_way()
    }

    /// Takes what was read, once it is there.
    pub fn look(&mut self) {
        match self.reading.look() {
            None => return,
            Some(Err(Lost)) => self.failure = Some("The stock could not be read.".into()),
            Some(Ok(Err(why))) => self.failure = Some(super::form::sentence(&why)),
            Some(Ok(Ok((stock, passed_over)))) => {
                (self.stock, self.passed_over, self.failure) = (Some(stock), passed_over, None);
            }
        }
        self.drawn = None;
    }

    /// Looks at an output: its map and what is known of it.
    pub fn look_at(&mut self, output: &OutputName) {
        self.looked_at = Some(output.clone());
    }

    pub(super) fn draw_for(&mut self, listener: &Listener) -> Option<&Drawn> {
        let stock = self.stock.as_ref()?;
        let still = self.drawn.as_ref().is_some_and(|d| d.listener == *listener && d.looked_at == self.looked_at);
        if !still {
            let matrix = Matrix::of(stock, listener);
            let looked_at = self.looked_at.clone().filter(|o| matrix.outputs.contains(o));
            let looked_at = looked_at.or_else(|| matrix.outputs.first().cloned());
            let map = match &looked_at {
                Some(output) => stock.map(output, listener, MAP_STEPS),
                None => Err("no output is in stock yet".into()),
            };
            let lines = looked_at.as_ref().map_or(Vec::new(), |output| stock.output(output, |_| true).lines());
            self.looked_at = looked_at.clone();
            self.drawn = Some(Drawn { listener: *listener, looked_at, matrix, map, lines });
        }
        self.drawn.as_ref()
    }
}
