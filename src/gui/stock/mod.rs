//! What page Stock knows: known outputs and headphones as read last, and what is typed of others.

mod typed;

pub use typed::Typed;

use super::keys::Action;
use super::work::{Lost, Wake, Work};
use crate::account::document::Part;
use crate::account::picture::Picture;
use crate::account::stock::{About, map_picture};
use crate::account::{self, Added};
use crate::session::plan::ListeningLevel;
use crate::stock::folder::{self, PassedOver};
use crate::stock::{Cell, HOW_TO_STATE, KeptListener, Listener, Matrix, OutputName, Stock, reading_words};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Impedances of the map's curves.
const MAP_STEPS: usize = 121;

type Loaded = Result<(Stock, Vec<PassedOver>), String>;

/// What is drawn for: the listener, and the output that is looked at.
type For = (Listener, Option<OutputName>);

/// What was kept, and what it replaced.
#[derive(Debug)]
pub(super) struct Kept {
    /// In words.
    pub words: String,
    /// What can come back.
    pub replaced: Option<Replaced>,
}

/// What was kept before.
#[derive(Debug)]
pub(super) enum Replaced {
    /// The listener.
    Listener {
        /// `None`: nobody was.
        before: Option<Box<KeptListener>>,
        /// The question asks for the new level since.
        asked_too: bool,
    },
    /// An output or a headphone.
    Entry {
        /// Its name.
        name: String,
        /// Its file.
        path: PathBuf,
        /// What that held.
        before: String,
    },
}

impl From<String> for Kept {
    fn from(words: String) -> Kept {
        Kept { words, replaced: None }
    }
}

/// What page Stock knows.
#[derive(Default)]
pub struct StockView {
    /// The stock as read last.
    pub(super) stock: Option<Arc<Stock>>,
    /// Sessions that could not be read.
    pub(super) passed_over: Vec<PassedOver>,
    /// Why it could not be read.
    pub failure: Option<String>,
    /// What was kept last, or why not.
    pub(super) kept: Option<Result<String, String>>,
    reading: Work<Loaded>,
    /// An entry is being written.
    pub(super) writing: Work<Result<Kept, String>>,
    /// The output that is looked at.
    pub looked_at: Option<OutputName>,
    /// What is typed of an output or a headphone.
    pub typed: Typed,
    /// The pairing whose evidence is shown: its output and its headphone.
    pub chosen: Option<(OutputName, String)>,
    drawn: Option<Arc<Drawn>>,
    /// What was read since is not drawn yet.
    stale: bool,
    drawing: Work<Drawn>,
    /// What is being computed.
    drawing_for: Option<For>,
}

/// What is drawn, computed once for a listener.
pub(super) struct Drawn {
    pub(super) listener: Listener,
    pub(super) looked_at: Option<OutputName>,
    pub(super) matrix: Matrix,
    /// Highest clean level of every headphone on it.
    pub(super) levels: Option<Picture>,
    /// Which headphones it drives, or why there is no map.
    pub(super) map: Result<Picture, String>,
    pub(super) lines: Vec<(&'static str, String)>,
    pub(super) invented: bool,
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
        self.stock.as_deref()
    }

    /// True while it is being read, written or computed.
    pub fn is_reading(&self) -> bool {
        self.is_loading() || self.drawing.is_under_way()
    }

    /// True while files of it are being read or written.
    pub(super) fn is_loading(&self) -> bool {
        self.reading.is_under_way() || self.writing.is_under_way()
    }

    /// Takes what was read, once it is there.
    pub fn look(&mut self) {
        self.look_at_drawn();
        match self.reading.look() {
            None => return,
            Some(Err(Lost)) => self.failure = Some("The stock could not be read.".into()),
            Some(Ok(Err(why))) => self.failure = Some(super::form::sentence(&why)),
            Some(Ok(Ok((stock, passed_over)))) => {
                (self.stock, self.passed_over, self.failure) = (Some(Arc::new(stock)), passed_over, None);
            }
        }
        self.stale = true;
    }

    /// The listener's own level, where one is kept.
    pub(super) fn kept_level(&self) -> Option<ListeningLevel> {
        self.stock.as_ref()?.listener.as_ref().map(|kept| kept.listening)
    }

    /// Looks at an output: its pictures and what is known of it.
    pub fn look_at(&mut self, output: &OutputName) {
        self.looked_at = Some(output.clone());
        if self.chosen.as_ref().is_some_and(|(of, _)| of != output) {
            self.chosen = None;
        }
    }

    /// Opens the evidence of a pairing.
    pub fn choose(&mut self, output: &OutputName, headphone: &str) {
        self.chosen = Some((output.clone(), headphone.into()));
        self.look_at(output);
    }

    /// The pairing whose evidence is shown.
    pub(super) fn chosen_cell(&self) -> Option<&Cell> {
        let (output, headphone) = self.chosen.as_ref()?;
        self.drawn.as_ref()?.matrix.cells.iter().find(|c| c.output == *output && c.headphone == *headphone)
    }

    /// The pairing that is chosen, else the best one of the output that is looked at, for the clipboard.
    pub(super) fn answer_words(&self) -> Option<String> {
        let drawn = self.drawn.as_ref()?;
        let cell = self.chosen_cell();
        let cell = cell.or_else(|| drawn.matrix.ranking(drawn.looked_at.as_ref()?).into_iter().next())?;
        Some(super::form::sentence(&cell_words(cell)))
    }

    /// What is drawn; while something newer is being computed, what was drawn before.
    pub(super) fn draw_for(&mut self, listener: &Listener, wake: &Wake) -> Option<Arc<Drawn>> {
        let stock = self.stock.clone()?;
        let still = |d: &Arc<Drawn>| d.listener == *listener && d.looked_at == self.looked_at;
        let wanted = (*listener, self.looked_at.clone());
        let under_way = self.drawing.is_under_way() && self.drawing_for.as_ref() == Some(&wanted);
        if self.stale || !self.drawn.as_ref().is_some_and(still) && !under_way {
            let (listener, output) = wanted.clone();
            let work = move || Drawn::of(&stock, &listener, output);
            (self.stale, self.drawing_for) = (false, Some(wanted));
            if let Err(error) = self.drawing.begin("stock-drawn", wake, work) {
                self.failure = Some(format!("The stock could not be computed: {error}."));
            }
        }
        self.drawn.clone()
    }

    /// Takes what was computed.
    fn look_at_drawn(&mut self) {
        match self.drawing.look() {
            None => {}
            Some(Err(Lost)) => self.failure = Some("The stock could not be computed.".into()),
            Some(Ok(drawn)) => {
                // Another output may have been chosen meanwhile; it is computed next.
                if self.drawing_for.as_ref().is_some_and(|(_, output)| *output == self.looked_at) {
                    self.looked_at.clone_from(&drawn.looked_at);
                }
                self.drawn = Some(Arc::new(drawn));
            }
        }
    }
}

impl Drawn {
    /// Some tens of milliseconds for a large stock.
    fn of(stock: &Stock, listener: &Listener, looked_at: Option<OutputName>) -> Drawn {
        let matrix = Matrix::of(stock, listener);
        let looked_at = looked_at.filter(|o| matrix.outputs.contains(o));
        let looked_at = looked_at.or_else(|| matrix.outputs.first().cloned());
        let map = match &looked_at {
            Some(output) => stock.map(output, listener, MAP_STEPS),
            None => Err("no output is in stock yet".into()),
        };
        let map = map.and_then(|map| map_picture(1, &map, stock).ok_or_else(|| "nothing of it is known".into()));
        let levels = looked_at.as_ref().and_then(|output| levels(stock, output, listener));
        let lines = looked_at.as_ref().map_or(Vec::new(), |output| stock.output(output, |_| true).lines());
        Drawn { listener: *listener, looked_at, matrix, levels, map, lines, invented: stock.is_invented() }
    }
}

/// The picture of an output across headphones, as its report has it.
fn levels(stock: &Stock, output: &OutputName, listener: &Listener) -> Option<Picture> {
    let document = account::stock::document(stock, listener, &About::Output(output.clone()), &Added::default());
    let pictures = document.sections.into_iter().flat_map(|section| section.parts);
    pictures.into_iter().find_map(|part| match part {
        Part::Picture(picture) if picture.name.starts_with("pairings") => Some(*picture),
        _ => None,
    })
}

/// What one pairing says, for people who hear it and for the clipboard.
pub(super) fn cell_words(cell: &Cell) -> String {
    let best = cell.best();
    let why = best.missing().map_or(String::new(), |why| format!(" ({why})"));
    let stopped = best.stopped_by.map_or(String::new(), |by| format!("; stopped by {}", by.words()));
    let remarks = if best.remarks.is_empty() { String::new() } else { format!("; {}", best.remarks.join("; ")) };
    in_window(&format!(
        "{} with {}: {} dB SPL, headroom {} dB, {}{why}; the listening level uses {} of full drive{stopped}; {}{remarks}",
        cell.output.words(),
        cell.headphone,
        reading_words(&best.level_spl),
        reading_words(&best.headroom_db),
        best.verdict,
        best.share_words(),
        cell.from_words(),
    ))
}

/// What is said for the terminal, with the window's own way where a command is named.
pub(super) fn in_window(words: &str) -> String {
    let electrical = format!("{} ({})", Action::Electrical.name(), Action::Electrical.key());
    let mut said = words.replace(HOW_TO_STATE, "type one on page Climb, and keep it here as your own");
    // Commands stand between backticks.
    while let Some((before, rest)) = said.split_once('`') {
        let Some((command, after)) = rest.split_once('`') else { break };
        let here = match command {
            c if c.contains("calibrate") => electrical.as_str(),
            c if c.contains("power") => "the field of the highest power below",
            c if c.contains("judge") || c.contains("run") => "page Climb",
            c if c.contains("listen") => "the question",
            _ => "the fields below",
        };
        said = format!("{before}{here}{after}");
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_names_a_command_names_the_way_of_the_window_instead() {
        for (words, said) in [
            (
                "not known: `loudenough calibrate source`, or type it",
                "not known: Volts and impedances (Ctrl E), or type it",
            ),
            ("type its power with `--power`", "type its power with the field of the highest power below"),
            ("plain", "plain"),
            ("one ` alone", "one ` alone"),
        ] {
            assert_eq!(in_window(words), said);
        }
        assert!(!in_window(&format!("no level: {HOW_TO_STATE}")).contains('`'));
    }
}
