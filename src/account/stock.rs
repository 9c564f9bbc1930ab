//! Many pairings: the whole stock, one output across headphones, or one headphone across outputs; and the map of an output.

mod map;
mod pairings;
mod pictures;

pub use map::sections as map;
pub use pictures::map as map_picture;

use super::document::{Cell, Column, Document, Part, Section, Table};
use super::session::cautions;
use super::{Added, capital, imprint};
use crate::analysis::band;
use crate::stats::Estimate;
use crate::stock::{HOW_TO_STATE, KnownHeadphone, Learnt, Listener, Matrix, Ohms, OutputName, Stock, response_change};

/// What a report is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum About {
    /// Every pairing.
    All,
    /// One output with every headphone.
    Output(OutputName),
    /// One headphone on every output.
    Headphone(String),
}

impl About {
    /// What a few sessions have in common: one output or one headphone, else nothing.
    pub fn of(stock: &Stock) -> About {
        match (stock.output_names().as_slice(), stock.headphone_names().as_slice()) {
            ([output], _) => About::Output(output.clone()),
            (_, [headphone]) => About::Headphone(headphone.clone()),
            _ => About::All,
        }
    }

    fn title(&self) -> String {
        match self {
            About::All => "Outputs and headphones".into(),
            About::Output(output) => capital(&format!("{} across headphones", output.words())),
            About::Headphone(headphone) => capital(&format!("{headphone} across outputs")),
        }
    }

    fn holds(&self, cell: &crate::stock::Cell) -> bool {
        match self {
            About::All => true,
            About::Output(output) => cell.output == *output,
            About::Headphone(headphone) => cell.headphone == *headphone,
        }
    }

    /// True where the session is of what the report is about.
    fn taught_by(&self, session: &Learnt) -> bool {
        match self {
            About::All => true,
            About::Output(output) => session.output == *output,
            About::Headphone(headphone) => session.headphone == *headphone,
        }
    }
}

/// Of a stock, for a listener.
pub fn document(stock: &Stock, listener: &Listener, about: &About, added: &Added) -> Document {
    let matrix = Matrix::of(stock, listener);
    let cells = pairings::ranked(&matrix, about);
    let found = [
        Some(pairings::section(&cells)),
        pictures::section(stock, &cells, about, listener),
        pictures::maps(stock, about, listener),
    ];
    let how = [
        pairings::sessions(stock, &matrix, about),
        Some(known(stock, about)),
        Some(judged(listener)),
        Some(cautions()),
    ];
    Document {
        title: about.title(),
        answer: pairings::answer(&cells, about, listener),
        verdict: String::new(),
        bench: imprint::stock(stock.sessions.iter().filter(|session| about.taught_by(session))).bench,
        written: added.written(),
        sections: found.into_iter().chain(added.sections()).chain(how).flatten().collect(),
        data: Vec::new(),
    }
}

/// What the pairings are, without what they stand on; `None` where there is none.
pub fn sections(matrix: &Matrix, listener: &Listener) -> Option<Vec<Section>> {
    let cells = pairings::ranked(matrix, &About::All);
    (!cells.is_empty()).then(|| vec![pairings::section(&cells), judged(listener)])
}

/// What each output and headphone is known to do, and from where.
fn known(stock: &Stock, about: &About) -> Section {
    let outputs = stock.output_names().into_iter().filter(|o| !matches!(about, About::Output(one) if one != o));
    let headphones =
        stock.headphone_names().into_iter().filter(|h| !matches!(about, About::Headphone(one) if one != h));
    let outputs = outputs.map(|output| (output.words(), stock.output(&output, |_| true).lines()));
    let headphones = headphones.map(|headphone| {
        let lines = stock.headphone(&headphone, |_| true).lines();
        (headphone, lines)
    });
    let mut section = Section::new("What is known");
    section.parts.push(Part::Table(lines_of(outputs.chain(headphones))));
    section
}

/// The same of one device.
pub fn known_of(device: &str, lines: Vec<(&'static str, String)>) -> Section {
    let mut section = Section::new(device);
    let mut table = lines_of([(String::new(), lines)].into_iter());
    table.title.clear();
    section.parts.push(Part::Table(table));
    section
}

fn lines_of(devices: impl Iterator<Item = (String, Vec<(&'static str, String)>)>) -> Table {
    let columns = vec![Column::text("device"), Column::text("what"), Column::text("as known")];
    let mut table = Table::new("known", "Outputs and headphones, and where each figure comes from", columns);
    for (device, lines) in devices {
        let mut above = "";
        for (name, words) in lines {
            above = if name.is_empty() { above } else { name };
            table.rows.push([device.as_str(), above, &words].into_iter().map(Cell::text).collect());
        }
    }
    table
}

/// What a source of so many ohms does to a headphone's response; `None` where its impedance over frequency is not known.
pub fn change_by_source(headphone: &KnownHeadphone, ohm: f64) -> Option<Section> {
    let load = headphone.load.as_ref().filter(|load| load.curve.is_some())?;
    let source = Ohms { magnitude: Estimate::exact(ohm), curve: None };
    let columns = vec![Column::text("band"), Column::numbers("change", "dB")];
    let mut table = Table::new("response-change", "", columns);
    let bands: Vec<i32> = band::BANDS.collect();
    let at: Vec<f64> = bands.iter().map(|x| band::centre_hz(*x)).collect();
    for (x, (_, db)) in bands.iter().zip(response_change(&source, load, &at)) {
        table.rows.push(vec![Cell::text(band::label(*x)), Cell::number(Some(db), 2)]);
    }
    let mut section = Section::new(format!("Response change by a source of {ohm} Ω, the level at 1 kHz held"));
    section.parts.push(Part::Table(table));
    Some(section)
}

fn judged(listener: &Listener) -> Section {
    let mut section = Section::new("How it was judged");
    let none = || format!("no listening level is kept, so no headroom is given; {HOW_TO_STATE}");
    let level = listener.level.map_or_else(none, |level| format!("{level}, {}", listener.level_from.words()));
    section.paragraph(format!(
        "Full-range pink noise, Z at the point, dB SPL; intervals are 95 %. Listening level: {level}. Headroom is called ample from {} dB, borderline from {} dB, short below (common practice, no source).",
        listener.rule.ample_db, listener.rule.borderline_db
    ));
    section.paragraph(
        "A measured pairing is shown as measured, beside what would have been predicted from everything else. A pairing that was not measured is predicted from the output's limits in volts and current, both impedances, and the headphone's level for one volt.",
    );
    section
}
