//! Two outputs side by side, at matched level.

use super::document::{Cell, Column, Document, Part, Section, Table};
use super::picture::{Along, Axis, Line, Mark, Picture, Point, Role, Rule, Series, Zone};
use super::session::{cautions, measured};
use super::{Added, capital, imprint};
use crate::analysis::Flaw;
use crate::analysis::band;
use crate::figure::NOT_DETERMINED;
use crate::judgement::Judgement;
use crate::judgement::comparison::{
    Comparison, Difference, Distorted, FinePoint, MatchedOn, Matter, Outcome, Played, Product, Where, gravest,
    of_response, sentence,
};
use crate::stats::Reading;
use crate::stock::side_by_side::SideBySide;
use crate::units::{tidy, tidy_signed};

/// The half height of the picture is a multiple of this, dB.
const REACH_STEP_DB: f64 = 0.5;

/// Of two outputs; how they were measured is left out where nobody is to know which is which.
pub fn document(both: &SideBySide, added: &Added) -> Document {
    let comparison = &both.comparison;
    let (first, second) = &comparison.outputs;
    let how = [
        distortion_by_band(both),
        Some(matched(both)),
        Some(sources(comparison)),
        (!both.hidden).then(|| measured(&both.first, "measured-first", "How the first was measured")),
        (!both.hidden).then(|| measured(&both.second, "measured-second", "How the second was measured")),
    ];
    let behind = how.into_iter().flatten().map(Section::behind);
    Document {
        title: capital(&format!("{second} against {first}, {}", comparison.headphone)),
        answer: sentence(comparison),
        verdict: capital(gravest(&comparison.matters).in_words()),
        bench: imprint::comparison(&both.first, &both.second).bench,
        written: added.written(),
        sections: found(both, false)
            .into_iter()
            .chain(added.sections().into_iter().flatten())
            .chain([cautions()])
            .chain(behind)
            .collect(),
        data: every_band(both),
    }
}

/// Every band of everything, for machines and for whoever wants to look something up.
fn every_band(both: &SideBySide) -> Vec<Table> {
    let c = &both.comparison;
    let sections = [response(both, true), distortion_and_noise(c, true)];
    let tables = sections.into_iter().flat_map(|section| section.parts).filter_map(|part| match part {
        Part::Table(table) => Some(table),
        _ => None,
    });
    tables.chain([fine(c)]).collect()
}

/// A table of only what is not the same has a name of its own beside the whole one.
fn named(name: &str, all: bool) -> String {
    if all { name.into() } else { format!("{name}-found") }
}

/// What was found: what each does for its listener, whether the difference matters, and the difference itself; without `all` only
/// the bands that are not the same.
pub fn sections(both: &SideBySide, all: bool) -> Vec<Section> {
    let c = &both.comparison;
    let how = [distortion_by_band(both), Some(matched(both)), all.then(|| sources(c))];
    found(both, all).into_iter().chain(how.into_iter().flatten()).collect()
}

/// The same without how it was come by.
fn found(both: &SideBySide, all: bool) -> Vec<Section> {
    let c = &both.comparison;
    let first = [each(both), Some(matters(c)), flaws(c), Some(response(both, all))];
    first.into_iter().chain([Some(distortion_and_noise(c, all)), subtracted(c)]).flatten().collect()
}

/// Headroom and verdict of either output, as the best session of each shows it.
fn each(both: &SideBySide) -> Option<Section> {
    if both.hidden {
        return None;
    }
    let columns = vec![
        Column::text("output"),
        Column::text("verdict"),
        Column::readings("headroom", "dB"),
        Column::readings("peak headroom", "dB"),
        Column::readings("highest clean level", "dB SPL"),
    ];
    let listening = both.answers.iter().flatten().find_map(|answer| answer.listening);
    let listener = listening.map_or(String::new(), |listening| format!(", for a listener at {listening}"));
    let mut table = Table::new("each-output", format!("Each output with this headphone{listener}"), columns);
    let (first, second) = &both.comparison.outputs;
    for (name, answer) in [first, second].into_iter().zip(&both.answers) {
        let judgement = answer.as_ref().map(|answer| &answer.judgement);
        let reading = |of: fn(&Judgement) -> &Reading| Cell::reading(judgement.map(of), 1);
        table.rows.push(vec![
            Cell::text(name),
            Cell::text(
                judgement.map_or("no session of it with this headphone".into(), |j| j.headroom.verdict.to_string()),
            ),
            reading(|j| &j.headroom.headroom_db),
            reading(|j| &j.headroom.peak_headroom_db),
            reading(|j| &j.highest_clean.level_spl),
        ]);
    }
    let mut section = Section::new("Loud enough?");
    if both.answers.iter().any(Option::is_none) {
        section.paragraph(
            "A swap shows what differs, not how loud an output plays: run a session of each (`loudenough run`).",
        );
    }
    section.parts.push(Part::Table(table));
    Some(section)
}

/// Whether the difference matters, with the sources.
fn matters(c: &Comparison) -> Section {
    // One word for all of them stands over the table.
    let apart = c.matters.iter().any(|matter| matter.word != gravest(&c.matters));
    let answer = apart.then(|| Column::text("answer"));
    let columns = [Some(Column::text("aspect")), answer, Some(Column::text("because"))].into_iter().flatten().collect();
    let mut table = Table::new("matters", "What published listening tests and standards predict", columns);
    for matter in &c.matters {
        let answer = apart.then(|| Cell::text(matter.word.in_words()));
        let row = [Some(Cell::text(&matter.what)), answer, Some(Cell::text(&matter.because))];
        table.rows.push(row.into_iter().flatten().collect());
    }
    let mut section = Section::new("Does it matter?");
    section.paragraph(format!("{}.", capital(gravest(&c.matters).in_words())));
    section.parts.push(Part::Table(table));
    section.paragraph("Limits are averages of attentive listeners who switch directly. Below a limit no audible difference is expected, which does not mean that nobody hears one; several differences just below their limits are covered by no source.");
    section
}

/// Where the limits come from.
fn sources(c: &Comparison) -> Section {
    let mut section = Section::new("Sources of the limits");
    let words = |matter: &Matter| format!("{}: {}.", capital(&matter.what), matter.source);
    section.parts.push(Part::List(c.matters.iter().map(words).collect()));
    section
}

/// What is wrong with the data.
fn flaws(c: &Comparison) -> Option<Section> {
    let mut section = Section::new("Doubts and notes");
    let words = |flaw: &Flaw| format!("{}: {}", capital(flaw.weight.in_words()), flaw.text);
    section.parts.push(Part::List(c.flaws.iter().map(words).collect()));
    (!c.flaws.is_empty()).then_some(section)
}

fn unit(c: &Comparison) -> &'static str {
    if c.is_spl { "dB SPL" } else { "dBFS at the input" }
}

/// What is compared.
fn matched(both: &SideBySide) -> Section {
    let c = &both.comparison;
    let on = match c.on {
        MatchedOn::Pink => "all of the pink noise",
        MatchedOn::OneKilohertz => "the one-third octave at 1 kHz",
    };
    let mut section = Section::new("What is compared");
    section.paragraph(format!(
        "{}, matched on {on} at {} {}.",
        capital(c.role.in_words()),
        tidy(c.level_db, 1),
        unit(c)
    ));
    if let Some((first, second)) = &c.played {
        let both = [(&c.outputs.0, first), (&c.outputs.1, second)];
        section.parts.push(Part::List(both.map(|(output, played)| format!("{output}: {}", drive(played))).into()));
    }
    let sessions: Vec<&str> = both.answers.iter().flatten().map(|answer| answer.id.as_str()).collect();
    if !both.hidden && !sessions.is_empty() {
        section.paragraph(format!("Headroom and highest clean level are those of {}.", sessions.join(" and ")));
    }
    section.paragraph(match (c.rounds, c.seats) {
        (Some(rounds), _) => format!(
            "Swapped in {rounds} rounds on one seat of the headphone: the effect of refitting is not included, and what moved between two rounds of one output is included in every interval."
        ),
        (None, None) => "One seat of the headphone for both: the effect of refitting is not included.".into(),
        (None, Some((first, second))) => {
            format!("Means of {first} and {second} seats: the effect of refitting is included in every interval.")
        }
    });
    section.paragraph(format!(
        "Each band has one of three words: same within {} dB where the whole interval lies inside, differs where it lies outside, else not determined. Figure and word have the same confidence: all intervals of this comparison, of response, distortion and noise, hold together with 95 %.",
        c.within_db
    ));
    section
}

fn drive(played: &Played) -> String {
    let volts = played.at_load.as_ref().map_or(String::new(), |at| format!(" = {at}"));
    format!("drive {} dBFS RMS{volts}, {}", tidy(played.drive_dbfs, 2), played.basis)
}

fn response(both: &SideBySide, all: bool) -> Section {
    let c = &both.comparison;
    let columns = vec![
        Column::text("band"),
        Column::numbers("mid-band frequency", "Hz").aside(),
        Column::readings("second less first", "dB"),
        Column::text("answer"),
        Column::numbers("smallest difference that would have been seen", "dB"),
    ];
    let mut table =
        Table::new(named("response-difference", all), "Difference of response per one-third octave", columns);
    for band in c.bands.iter().filter(|band| all || band.outcome != Outcome::Same) {
        let outcome = band.outcome.in_words(c.within_db, &Reading::Determined(band.difference_db));
        table.rows.push(vec![
            Cell::text(band::label(band.x)),
            Cell::number(Some(band::centre_hz(band.x)), 2),
            Cell::estimate(Some(band.difference_db), 2),
            Cell::text(outcome),
            Cell::number(band.smallest_db, 2),
        ]);
    }
    let mut section = Section::new("Response");
    section.parts.push(Part::Picture(Box::new(picture(both))));
    section.parts.extend(by_impedance(&both.by_impedance).map(Part::Paragraph));
    let left_out = c.bands.len() - table.rows.len();
    if left_out > 0 {
        let which = if table.rows.is_empty() { "All" } else { "The other" };
        section.paragraph(format!("{which} {left_out} one-third octaves are the same within {} dB.", c.within_db));
    }
    if !table.rows.is_empty() {
        section.parts.push(Part::Table(table));
    }
    section
}

/// The most that the source impedances alone do, and where.
fn by_impedance(bands: &[(i32, f64)]) -> Option<String> {
    let (x, db) = bands.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    Some(format!(
        "From the source impedances of both and the impedance of the headphone the second is expected to differ from the first by at most {} dB, at {} (complex divider, the level at 1 kHz held).",
        tidy_signed(*db, 2),
        band::label(*x)
    ))
}

/// The same at 1/48 octave.
pub fn fine(c: &Comparison) -> Table {
    let columns = vec![Column::numbers("frequency", "Hz"), Column::readings("second less first", "dB")];
    let mut table = Table::new("response-difference-fine", "Difference of response at 1/48 octave", columns);
    let row = |p: &FinePoint| vec![Cell::number(Some(p.frequency_hz), 2), Cell::estimate(Some(p.difference_db), 3)];
    table.rows.extend(c.fine.iter().map(row));
    table
}

fn distortion_and_noise(c: &Comparison, all: bool) -> Section {
    let noise = noise(c, all);
    let mut section = Section::new(if noise.is_some() { "Distortion and noise" } else { "Distortion" });
    section.parts.extend([Some(distortion(c, all)), noise].into_iter().flatten().map(Part::Table));
    section
}

fn distortion(c: &Comparison, all: bool) -> Table {
    let columns = vec![
        Column::text("distortion"),
        Column::readings("first", "dB"),
        Column::readings("second", "dB"),
        Column::numbers("noise of the first", "dB"),
        Column::numbers("noise of the second", "dB"),
        Column::text("answer"),
    ];
    let d = &c.distortions;
    let mut table = Table::new(
        named("distortion-difference", all),
        format!("Distortion at the ear, re the stimulus, at the matched level; the same within {} dB", d.within_db),
        columns,
    );
    let whole = |q: &Distorted| matches!(q.place, Where::Overall | Where::Sine { .. });
    for q in d.quantities.iter().filter(|q| all || whole(q) || q.outcome == Outcome::Differs) {
        table.rows.push(vec![
            Cell::text(q.name()),
            Cell::reading(Some(&q.of.0), 1),
            Cell::reading(Some(&q.of.1), 1),
            Cell::number(q.noise_db.0, 1),
            Cell::number(q.noise_db.1, 1),
            Cell::text(q.outcome.in_words(d.within_db, &q.difference_db)),
        ]);
    }
    table
}

/// Even and odd order of both, one-third octave by one-third octave.
fn distortion_by_band(both: &SideBySide) -> Option<Section> {
    let mut section = Section::new("Distortion by band");
    section.parts.push(Part::Picture(Box::new(distortion_picture(both)?)));
    Some(section)
}

/// Noise with either output plugged in and nothing playing.
fn noise(c: &Comparison, all: bool) -> Option<Table> {
    let unit = if c.is_spl { "dB SPL" } else { "dBFS" };
    let columns = vec![
        Column::text("band"),
        Column::numbers("first", unit),
        Column::numbers("second", unit),
        Column::readings("second less first", "dB"),
        Column::text("answer"),
    ];
    let mut table = Table::new(named("noise-difference", all), "Noise at the ear, silence before each round", columns);
    let within_db = c.distortions.within_db;
    for noise in c.noise.iter().filter(|noise| all || noise.band.is_none() || noise.outcome == Outcome::Differs) {
        table.rows.push(vec![
            Cell::text(noise.band.map_or("all, A-weighted".into(), band::label)),
            Cell::number(Some(noise.level_db.0), 1),
            Cell::number(Some(noise.level_db.1), 1),
            Cell::estimate(Some(noise.difference_db), 2),
            Cell::text(noise.outcome.in_words(within_db, &Reading::Determined(noise.difference_db))),
        ]);
    }
    (!c.noise.is_empty()).then_some(table)
}

/// What the response does and what distortion does, as two numbers.
fn subtracted(c: &Comparison) -> Option<Section> {
    let left = c.residue.as_ref()?;
    let columns = vec![Column::text("what is left"), Column::readings("re the second", "dB")];
    let mut table = Table::new("subtracted", "The first take subtracted from the second", columns);
    let polarity = if left.inverted { ", polarity turned" } else { "" };
    let gain = tidy_signed(left.gain_db, 2);
    table.rows.push(vec![
        Cell::text(format!("after clock, delay and gain ({gain} dB{polarity})")),
        Cell::reading(Some(&left.plain), 1),
    ]);
    table.rows.push(vec![
        Cell::text(format!("after the best linear filter of {} taps too", left.taps)),
        Cell::reading(Some(&left.filtered), 1),
    ]);
    let mut section = Section::new("What is left when one is subtracted from the other");
    section.paragraph("What the filter removes is response; what remains is distortion and noise.");
    if let Some((first, second)) = &c.played {
        let (first, second) = (first.nearest, second.nearest);
        section.paragraph(format!("Step {first} of the first is subtracted from step {second} of the second."));
    }
    if let Some(words) = c.fit_is_left() {
        section.paragraph(format!("{}.", capital(words)));
    }
    section.parts.push(Part::Table(table));
    Some(section)
}

/// The line at 1/48 octave behind the bands.
fn fine_line(c: &Comparison) -> Series {
    let point = |p: &FinePoint| Point { x: p.frequency_hz, y: p.difference_db.value, interval: None };
    Series {
        name: "at 1/48 octave".into(),
        role: Role::Quiet,
        line: Some(Line::Solid),
        mark: None,
        points: c.fine.iter().map(point).collect(),
    }
}

fn picture(both: &SideBySide) -> Picture {
    let c = &both.comparison;
    let of = |outcome: Outcome| -> Vec<Point> {
        let point = |band: &Difference| {
            let e = band.difference_db;
            Point { x: band::centre_hz(band.x), y: e.value, interval: Some((e.interval.low, e.interval.high)) }
        };
        c.bands.iter().filter(|band| band.outcome == outcome).map(point).collect()
    };
    let series =
        |name: String, role, mark, outcome| Series { name, role, line: None, mark: Some(mark), points: of(outcome) };
    let ends = c.bands.iter().flat_map(|b| [b.difference_db.interval.low, b.difference_db.interval.high]);
    let reach = ends.filter(|v| v.is_finite()).map(f64::abs).fold(c.within_db, f64::max);
    let reach = (1.1 * reach / REACH_STEP_DB).ceil() * REACH_STEP_DB;
    let (first, second) = &c.outputs;
    Picture {
        name: "response-difference".into(),
        title: format!("Response of {second} less that of {first}: {}", c.headphone),
        says: of_response(c),
        x: Axis::frequency(),
        y: Axis::linear("second less first, dB", -reach, reach),
        zones: vec![Zone {
            along: Along::Y,
            from: -c.within_db,
            to: c.within_db,
            // The legend says it.
            text: String::new(),
        }],
        series: vec![
            fine_line(c),
            series(format!("same within {} dB", c.within_db), Role::First, Mark::Dot, Outcome::Same),
            series("differs".into(), Role::Second, Mark::Square, Outcome::Differs),
            series(NOT_DETERMINED.into(), Role::Quiet, Mark::Hollow, Outcome::NotDetermined),
        ],
        rules: vec![Rule {
            along: Along::Y,
            at: 0.0,
            role: Role::Quiet,
            line: Line::Solid,
            text: Vec::new(),
            text_low: false,
        }],
        texts: Vec::new(),
        imprint: imprint::comparison(&both.first, &both.second),
    }
}

/// Even and odd order of both by band.
fn distortion_picture(both: &SideBySide) -> Option<Picture> {
    let c = &both.comparison;
    let (first, second) = &c.outputs;
    let mut series = Vec::new();
    for (product, word, mark) in
        [(Product::Even, "even-order", Mark::Square), (Product::Odd, "odd-order", Mark::Triangle)]
    {
        for (output, role, line) in [(first, Role::First, Line::Solid), (second, Role::Second, Line::Dashed)] {
            let is_first = role == Role::First;
            let at = |q: &Distorted| {
                let Where::Band { x } = q.place else { return None };
                let (y, below) = match if is_first { &q.of.0 } else { &q.of.1 } {
                    Reading::Determined(e) => (e.value, false),
                    Reading::Below(most) => (*most, true),
                    Reading::AtLeast(_) | Reading::NotDetermined(_) => return None,
                };
                (q.product == product && y.is_finite()).then_some((Point::at(band::centre_hz(x), y), below))
            };
            let points: Vec<(Point, bool)> = c.distortions.quantities.iter().filter_map(at).collect();
            let only = |below: bool| points.iter().filter(|p| p.1 == below).map(|p| p.0).collect();
            let of = |name: String, line, mark, points| Series { name, role, line, mark, points };
            let all = points.iter().map(|p| p.0).collect();
            series.push(of(String::new(), Some(line), None, all));
            series.push(of(format!("{output}, {word}"), None, Some(mark), only(false)));
            series.push(of(String::new(), None, Some(Mark::Hollow), only(true)));
        }
    }
    let values = || series.iter().flat_map(|s| &s.points).map(|p| p.y);
    let (low, high) = (values().reduce(f64::min)?, values().reduce(f64::max)?);
    Some(Picture {
        name: "distortion-by-band".into(),
        title: format!("Distortion by band of {first} (solid) and {second} (dashed)"),
        says: "At the ear, re the stimulus lines of each one-third octave, at the matched level; open circles: only known to be below.".into(),
        x: Axis::bands(),
        y: Axis::linear("distortion at the ear, dB", ((low - 3.0) / 10.0).floor() * 10.0, ((high + 3.0) / 10.0).ceil() * 10.0),
        zones: Vec::new(),
        series,
        rules: Vec::new(),
        texts: Vec::new(),
        imprint: imprint::comparison(&both.first, &both.second),
    })
}
