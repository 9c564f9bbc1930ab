//! What a report begins with: one picture of the answer, three numbers, and what to do.

use super::capital;
use crate::account::document::{Cell, Column, Part, Section, Table};
use crate::account::imprint;
use crate::account::picture::{Along, Axis, Line, Mark, Picture, Point, Role, Rule, Series, Text};
use crate::analysis::Weight;
use crate::figure::Figure;
use crate::judgement::{Answer, Judgement};
use crate::session::record::Record;
use crate::stats::{Estimate, Reading};

/// Places of levels.
const DB: usize = 1;
/// Ends of the scale lie on multiples of this, at least half of it beyond everything on it, dB.
const GRID_DB: f64 = 10.0;

/// The first section; `None` of what climbs nothing, and without calibration.
pub fn section(record: &Record, judgement: &Judgement) -> Option<Section> {
    let listening = judgement.headroom.listening_z?.db();
    if !record.head.plan.extent.climbs() {
        return None;
    }
    let mut section = Section::new("At a glance");
    section.parts.extend(picture(record, judgement, listening).map(|picture| Part::Picture(Box::new(picture))));
    section.parts.push(Part::Table(numbers(judgement, listening)));
    section.parts.push(Part::List(what_to_do(judgement)));
    Some(section)
}

/// Listening level, what each piece of music needs, and the limit, on one scale; the headroom lies between them.
fn picture(record: &Record, judgement: &Judgement, listening: f64) -> Option<Picture> {
    let clean = &judgement.highest_clean.level_spl;
    let limit = clean.estimate()?;
    let chain = &record.head.chain;
    let pieces: Vec<(String, Estimate)> = judgement
        .music
        .iter()
        .filter_map(|piece| {
            Some((format!("needed by {}", piece.file), piece.headroom_needed_db.estimate()?.shifted(listening)))
        })
        .collect();
    let names = ["highest clean level".to_string(), "headroom".into(), "listening level".into()];
    let names: Vec<String> = names.into_iter().chain(pieces.iter().map(|(name, _)| name.clone())).collect();
    let at = |row: usize, e: &Estimate| Point {
        x: e.value,
        y: row as f64,
        interval: Some((e.interval.low, e.interval.high)),
    };
    let series =
        |name: &str, role, line, mark, points| Series { name: name.into(), role, line, mark: Some(mark), points };
    let end = match clean {
        Reading::AtLeast(_) => Point { interval: Some((limit.interval.low, f64::INFINITY)), ..at(0, limit) },
        _ => at(0, limit),
    };
    let ends = [Point::at(listening, 1.0), Point::at(limit.value, 1.0)];
    let mut all = vec![
        series("limit", Role::Threshold, None, Mark::Square, vec![end]),
        series("headroom", Role::Level, Some(Line::Solid), Mark::Dot, ends.into()),
        series("listening level", Role::Listening, None, Mark::Dot, vec![Point::at(listening, 2.0)]),
    ];
    if !pieces.is_empty() {
        let needed = (3..).zip(&pieces).map(|(row, (_, e))| at(row, e)).collect();
        all.push(series("own music", Role::Odd, None, Mark::Triangle, needed));
    }
    let rule = judgement.headroom.rule;
    // Short words: the two lines stand close together.
    let upright = |over: f64, line| Rule {
        along: Along::X,
        at: listening + over,
        role: Role::Quiet,
        line,
        text: vec![format!("+{over}")],
        text_low: true,
    };
    let rules = vec![upright(rule.borderline_db, Line::Dotted), upright(rule.ample_db, Line::Dashed)];
    let furthest = pieces.iter().map(|(_, e)| e.value).chain([limit.value, listening + rule.ample_db]);
    let high = ((furthest.fold(listening, f64::max) + 0.5 * GRID_DB) / GRID_DB).ceil() * GRID_DB;
    let low = ((listening.min(limit.value) - 0.5 * GRID_DB) / GRID_DB).floor() * GRID_DB;
    let headroom = format!("{} dB", Figure::new(&judgement.headroom.headroom_db, DB).words());
    // Left of the lines of the rule.
    let middle = 0.5 * (listening + limit.value.min(listening + rule.borderline_db));
    let needs = pieces.iter().map(|(name, e)| format!("; {name}: {} dB SPL", Figure::new(e, DB).words()));
    Some(Picture {
        name: "at-a-glance".into(),
        title: format!("Headroom: {} with {}", chain.output, chain.headphone),
        says: format!(
            "Listening level {} dB SPL, highest clean level {} dB SPL, headroom {headroom}: {}{}. Dotted: headroom is borderline from here; dashed: ample from here.",
            Figure::new(Estimate::exact(listening), DB).words(),
            Figure::new(clean, DB).words(),
            judgement.headroom.verdict,
            needs.collect::<String>()
        ),
        x: Axis::linear(format!("level of pink noise, dB SPL, Z, {}", chain.point()), low, high),
        y: Axis::names(names),
        zones: Vec::new(),
        series: all,
        rules,
        texts: vec![Text { x: middle, y: 1.0, words: headroom }],
        imprint: imprint::session(record),
    })
}

/// The three that matter.
fn numbers(judgement: &Judgement, listening: f64) -> Table {
    let columns = vec![Column::text("quantity"), Column::readings("value", ""), Column::text("unit")];
    let mut table = Table::new("three-numbers", "Three numbers; intervals are 95 %", columns);
    let headroom = &judgement.headroom;
    let mut row = |what: &str, cell: Cell, unit: &str| table.rows.push(vec![Cell::text(what), cell, Cell::text(unit)]);
    row("listening level", Cell::number(Some(listening), DB), "dB SPL");
    row("highest clean level", Cell::reading(Some(&judgement.highest_clean.level_spl), DB), "dB SPL");
    row("headroom", Cell::reading(Some(&headroom.headroom_db), DB), "dB");
    table
}

/// What follows from the answer: first from the verdict, then from each doubt, whose text ends in its remedy.
fn what_to_do(judgement: &Judgement) -> Vec<String> {
    let verdict = &judgement.headroom.verdict;
    let first = match verdict.answer {
        Answer::Short if verdict.at_least => "No limit was found yet: run a whole session, or raise the ceiling if headphone and rules allow it.".into(),
        Answer::Ample | Answer::Borderline if verdict.at_least => "The limit was not reached: the headroom is at least this. Run a whole session to find it.".into(),
        Answer::Ample => "Nothing needs to be done: this output drives this headphone with headroom to spare at this listening level.".into(),
        Answer::Borderline => "Peaks of some music may clip: judge it with your own (`loudenough judge SESSION --music FILE`).".into(),
        Answer::Short | Answer::DoesNotReach => "Take an output that plays louder, or a more sensitive headphone: `loudenough stock` lists which of those that are known would do.".into(),
        Answer::NotDetermined => format!("The headroom is not determined: {}.", verdict.because),
    };
    let doubts = judgement.flaws.iter().filter(|flaw| flaw.weight == Weight::Doubt).map(|flaw| capital(&flaw.text));
    std::iter::once(first).chain(doubts).collect()
}
