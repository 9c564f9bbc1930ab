//! Page Stock: known outputs × headphones, measured solid and predicted outlined; under it the map of the output that is
//! looked at and what is known of it; then fields for what a data sheet says.

mod matrix;
mod typed;

pub use typed::Typed;

use super::account;
use super::app::Desk;
use super::keys::Action;
use super::parts;
use super::theme::STEP;
use super::work::{Lost, Work};
use crate::account::stock::map_picture;
use crate::stock::folder::{self, PassedOver};
use crate::stock::{Cell, Listener, Map, Matrix, OutputName, Stock};
use eframe::egui::{CentralPanel, Context, Frame, Margin, ScrollArea, Spinner, Ui};
use std::path::Path;

/// Impedances of the map's curves.
const MAP_STEPS: usize = 121;
/// Height of the map, points.
const MAP: f32 = 44.0 * STEP;
/// Narrower than this the map's words stand under it, points.
const NARROW: f32 = 110.0 * STEP;

type Loaded = Result<(Stock, Vec<PassedOver>), String>;

/// What page Stock knows.
#[derive(Default)]
pub struct StockView {
    /// The stock as read last.
    stock: Option<Stock>,
    /// Sessions that could not be read.
    passed_over: Vec<PassedOver>,
    /// Why it could not be read.
    pub failure: Option<String>,
    /// What was kept last, or why not.
    kept: Option<Result<String, String>>,
    reading: Work<Loaded>,
    /// The output that is looked at.
    pub looked_at: Option<OutputName>,
    /// What is typed of an output or a headphone.
    pub typed: Typed,
    drawn: Option<Drawn>,
}

/// What is drawn, computed once for a listener.
struct Drawn {
    listener: Listener,
    looked_at: Option<OutputName>,
    matrix: Matrix,
    map: Result<Map, String>,
    lines: Vec<(&'static str, String)>,
}

impl StockView {
    /// Reads folder and sessions on a thread of its own; `woken` is told when it is done.
    pub fn read(&mut self, sessions: &Path, woken: impl FnOnce() + Send + 'static) {
        let (typed, sessions) = (folder::beside(sessions), sessions.to_path_buf());
        let work = move || folder::load(&typed, &sessions).map_err(|error| error.to_string());
        if let Err(error) = self.reading.begin("stock", woken, work) {
            self.failure = Some(format!("The stock could not be read: {error}."));
        }
    }

    /// The stock as read last.
    pub fn stock(&self) -> Option<&Stock> {
        self.stock.as_ref()
    }

    /// True while it is being read.
    pub fn is_reading(&self) -> bool {
        self.reading.is_under_way()
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

    fn draw_for(&mut self, listener: &Listener) -> Option<&Drawn> {
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

impl Desk {
    /// Opens page Stock and reads it anew.
    pub(super) fn read_stock(&mut self, ctx: &Context) {
        let (sessions, woken) = (self.form.sessions().to_path_buf(), ctx.clone());
        self.stock.read(&sessions, move || woken.request_repaint());
    }

    pub(super) fn listener(&self) -> Listener {
        let plan = self.form.ready().map(|(plan, _)| plan);
        Listener {
            level: plan.and_then(|p| p.listening),
            level_from: Default::default(),
            rule: plan.map(|p| p.rule).unwrap_or_default(),
        }
    }
}

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let listener = desk.listener();
    desk.stock.look();
    let frame = Frame::central_panel(ui.style()).inner_margin(Margin::same(2 * STEP as i8));
    CentralPanel::default().frame(frame).show(ui, |ui| {
        ScrollArea::vertical().id_salt("stock").auto_shrink(false).show(ui, |ui| {
            head(desk, &listener, ui);
            let picked = match desk.stock.draw_for(&listener) {
                None => None,
                Some(drawn) if drawn.matrix.cells.is_empty() => {
                    parts::quiet(
                        ui,
                        format!("Nothing in stock yet: run a session ({}), or type below what a data sheet says of an output and a headphone.", Action::Start.key()),
                    );
                    None
                }
                Some(drawn) => {
                    let picked = matrix::show(drawn, ui);
                    ui.add_space(2.0 * STEP);
                    below(drawn, ui);
                    picked
                }
            };
            if let Some(output) = picked {
                desk.stock.look_at(&output);
            }
            ui.add_space(2.0 * STEP);
            typed::show(desk, ui);
        });
    });
}

fn head(desk: &mut Desk, listener: &Listener, ui: &mut Ui) {
    let ctx = ui.ctx().clone();
    ui.horizontal_wrapped(|ui| {
        let level = listener.level.map_or("no listening level stated: headroom is not determined".into(), |l| {
            format!(
                "listening level {l}, ample from {} dB, borderline from {} dB (common practice, no source)",
                listener.rule.ample_db, listener.rule.borderline_db
            )
        });
        parts::quiet(ui, format!("Highest clean level of pink noise, Z at the point, dB SPL; {level}"));
        if desk.stock.is_reading() {
            ui.add(Spinner::new());
            parts::quiet(ui, "reading the sessions");
        } else if ui.button("Read again").clicked() {
            desk.read_stock(&ctx);
        }
    });
    if let Some(failure) = &desk.stock.failure {
        parts::wrong(ui, failure);
    }
    if desk.stock.stock.as_ref().is_some_and(Stock::is_invented) {
        parts::quiet(ui, "Sessions of the simulated bench: these devices are invented.");
    }
    for (path, why) in &desk.stock.passed_over {
        parts::quiet(ui, format!("Passed over: {}: {why}", path.display()));
    }
    ui.add_space(STEP);
}

fn below(drawn: &Drawn, ui: &mut Ui) {
    let Some(output) = &drawn.looked_at else { return };
    parts::heading(ui, &format!("Map of {}", output.words()));
    let words = |ui: &mut Ui| {
        for (name, line) in &drawn.lines {
            parts::quiet(ui, if name.is_empty() { line.clone() } else { format!("{name}: {line}") });
        }
    };
    let picture = |ui: &mut Ui| match &drawn.map {
        Ok(map) => {
            if let Some(picture) = map_picture(1, map) {
                account::picture(ui, &picture, MAP);
            }
        }
        Err(why) => {
            parts::quiet(ui, format!("No map: {why}."));
        }
    };
    if ui.available_width() < NARROW {
        picture(ui);
        words(ui);
        return;
    }
    ui.columns(2, |columns| {
        picture(&mut columns[0]);
        words(&mut columns[1]);
    });
}

/// What one pairing says, for people who hear it and for the hover.
fn cell_words(cell: &Cell) -> String {
    let best = cell.best();
    let why = best.missing().map_or(String::new(), |why| format!(" ({why})"));
    let stopped = best.stopped_by.map_or(String::new(), |by| format!("; stopped by {}", by.words()));
    let remarks = if best.remarks.is_empty() { String::new() } else { format!("; {}", best.remarks.join("; ")) };
    format!(
        "{} with {}: {} dB SPL, headroom {} dB, {}{why}; the listening level takes {} of the full drive{stopped}; {}{remarks}",
        cell.output.words(),
        cell.headphone,
        crate::stock::reading_words(&best.level_spl),
        crate::stock::reading_words(&best.headroom_db),
        best.verdict,
        best.share_words(),
        cell.from_words(),
    )
}
