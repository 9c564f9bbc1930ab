//! The report of many pairings: the whole stock, one output across headphones, or one headphone across outputs.

mod pairings;
mod pictures;

use super::model::{Cell, Column, Document, Part, Section, Table};
use super::session::cautions;
use super::{Added, capital};
use crate::stock::{Listener, Matrix, OutputName, Stock};

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
}

/// Of a stock, for a listener.
pub fn document(stock: &Stock, listener: &Listener, about: &About, added: &Added) -> Document {
    let matrix = Matrix::of(stock, listener);
    let cells = pairings::ranked(&matrix, about);
    let found = [
        Some(pairings::section(&cells)),
        pictures::section(&cells, about, listener),
        pictures::maps(stock, about, listener),
    ];
    let how = [pairings::sessions(stock, about), Some(known(stock, about)), Some(judged(listener)), Some(cautions())];
    Document {
        title: about.title(),
        answer: pairings::answer(&cells, about, listener),
        verdict: String::new(),
        written: added.written(),
        sections: found.into_iter().chain(added.sections()).chain(how).flatten().collect(),
        data: Vec::new(),
    }
}

/// What each output and headphone is known to do, and from where.
fn known(stock: &Stock, about: &About) -> Section {
    let columns = vec![Column::text("device"), Column::text("what"), Column::text("as known")];
    let mut table = Table::new("known", "Outputs and headphones, and where each figure comes from", columns);
    let mut add = |device: &str, lines: Vec<(&'static str, String)>| {
        let mut above = "";
        for (name, words) in lines {
            above = if name.is_empty() { above } else { name };
            table.rows.push([device, above, &words].into_iter().map(Cell::text).collect());
        }
    };
    let outputs = stock.output_names();
    for output in outputs.iter().filter(|o| !matches!(about, About::Output(one) if one != *o)) {
        add(&output.words(), stock.output(output, |_| true).lines());
    }
    let headphones = stock.headphone_names();
    for headphone in headphones.iter().filter(|h| !matches!(about, About::Headphone(one) if one != *h)) {
        add(headphone, stock.headphone(headphone, |_| true).lines());
    }
    let mut section = Section::new("What is known");
    section.parts.push(Part::Table(table));
    section
}

fn judged(listener: &Listener) -> Section {
    let mut section = Section::new("How it was judged");
    let level = listener.level.map_or("none stated, so no headroom is given".into(), |level| level.to_string());
    section.paragraph(format!(
        "Full-range pink noise, Z at the point, dB SPL; intervals are 95 %. Listening level: {level}. Headroom is called ample from {} dB, borderline from {} dB, short below (common practice, no source).",
        listener.rule.ample_db, listener.rule.borderline_db
    ));
    section.paragraph(
        "A pairing that was measured stands as measured; beside it what the bench would have predicted from everything else. A pairing that was not measured is predicted from the output's limits in volts and current, both impedances, and what the headphone gives for a volt.",
    );
    section
}
