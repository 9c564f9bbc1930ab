//! Pairings side by side, and the maps of the outputs.

use super::About;
use super::pairings::DB;
use crate::account::capital;
use crate::account::document::{Figure, Part, Section};
use crate::account::imprint;
use crate::account::picture::{Along, Axis, Imprint, Line, Mark, Picture, Point, Role, Rule, Series};
use crate::stats::{Estimate, Reading};
use crate::stock::{Cell, Listener, Map, OHMS, Stock};
use crate::units::tidy;

/// Impedances of a map's borders.
const COLUMNS: usize = 60;

/// A picture for each output, or one for a headphone; `None` where no level is given.
pub fn section(stock: &Stock, cells: &[&Cell], about: &About, listener: &Listener) -> Option<Section> {
    let mut groups: Vec<(String, Vec<&Cell>)> = Vec::new();
    for cell in cells {
        let title = match about {
            About::Headphone(headphone) => headphone.clone(),
            About::All | About::Output(_) => cell.output.words(),
        };
        match groups.last_mut() {
            Some((last, group)) if *last == title => group.push(cell),
            _ => groups.push((title, vec![cell])),
        }
    }
    let pictures = groups.iter().enumerate().filter_map(|(i, (title, group))| {
        let imprint = imprint::stock(stock.sessions.iter().filter(|session| about.taught_by(session)));
        Some(Picture { imprint, ..levels(i + 1, title, group, about, listener)? })
    });
    let parts: Vec<Part> = pictures.map(|picture| Part::Picture(Box::new(picture))).collect();
    (!parts.is_empty()).then(|| Section { parts, ..Section::new("Pictures") })
}

/// Highest clean levels under each other: measured solid, predicted outlined.
fn levels(number: usize, title: &str, cells: &[&Cell], about: &About, listener: &Listener) -> Option<Picture> {
    let name = |cell: &Cell| match about {
        About::Headphone(_) => cell.output.words(),
        About::All | About::Output(_) => cell.headphone.clone(),
    };
    let stated: Vec<&&Cell> = cells.iter().filter(|cell| point(0.0, &cell.best().level_spl).is_some()).collect();
    let point_of = |measured: bool| -> Vec<Point> {
        stated
            .iter()
            .enumerate()
            .filter(|(_, cell)| cell.measured.is_some() == measured)
            .filter_map(|(i, cell)| point(i as f64, &cell.best().level_spl))
            .collect()
    };
    let (measured, predicted) = (point_of(true), point_of(false));
    // Only a level that is stated as Z at the point has one place for all headphones.
    let listening = listener.level.filter(|l| l.field.is_none() && l.weighting == Default::default());
    let listening = listening.map(|l| l.level.db());
    let rule = listener.rule;
    let marked = listening.map(|l| [l, l + rule.borderline_db, l + rule.ample_db]);
    let values = || {
        let ends = measured.iter().chain(&predicted).flat_map(|p| {
            let (low, high) = p.interval.unwrap_or((p.x, p.x));
            [p.x, low, high]
        });
        ends.chain(marked.into_iter().flatten()).filter(|v| v.is_finite())
    };
    let low = ((values().reduce(f64::min)? - 3.0) / 10.0).floor() * 10.0;
    let high = ((values().reduce(f64::max)? + 3.0) / 10.0).ceil() * 10.0;
    let upright = |at: f64, role, line, words: &str, text_low| Rule {
        along: Along::X,
        at,
        role,
        line,
        text: vec![words.into()],
        text_low,
    };
    let rules = marked.map_or(Vec::new(), |[listens, borderline, ample]| {
        vec![
            upright(listens, Role::Listening, Line::Dashed, "listening level", true),
            upright(borderline, Role::Quiet, Line::Dotted, "borderline from here", true),
            upright(ample, Role::Quiet, Line::Dashed, "ample from here", false),
        ]
    });
    let said: Vec<String> = stated
        .iter()
        .map(|cell| {
            let how = if cell.measured.is_some() { "measured" } else { "predicted" };
            let level = Figure { reading: cell.best().level_spl.clone(), places: DB };
            format!("{} {} dB SPL ({how})", name(cell), level.words())
        })
        .collect();
    let series = |name: &str, mark, points| Series {
        name: name.into(),
        role: Role::Level,
        line: None,
        mark: Some(mark),
        points,
    };
    Some(Picture {
        name: format!("pairings-{number}"),
        title: format!("Highest clean level: {title}"),
        says: capital(&format!("{}. A bar that runs off the picture is a bound.", said.join("; "))),
        x: Axis::linear("pink noise, dB SPL, Z at the point", low, high),
        y: Axis::names(stated.iter().map(|cell| name(cell)).collect()),
        zones: Vec::new(),
        series: vec![series("measured", Mark::Dot, measured), series("predicted", Mark::Hollow, predicted)],
        rules,
        texts: Vec::new(),
        imprint: Imprint::default(),
    })
}

/// At its value, with its interval; a bound runs off to its open side.
fn point(y: f64, reading: &Reading) -> Option<Point> {
    let at = |x: f64, interval| Some(Point { x, y, interval: Some(interval) });
    match reading {
        Reading::Determined(Estimate { value, interval }) => at(*value, (interval.low, interval.high)),
        Reading::AtLeast(e) => at(e.value, (e.interval.low, f64::INFINITY)),
        Reading::Below(high) => at(*high, (f64::NEG_INFINITY, *high)),
        Reading::NotDetermined(_) => None,
    }
}

/// The maps of the outputs that have one; `None` where none has, or for one headphone.
pub fn maps(stock: &Stock, about: &About, listener: &Listener) -> Option<Section> {
    let mut section = Section::new("Maps of the outputs");
    section.paragraph("On the plane of a headphone's impedance and of its level for one volt: above a border the output drives it ample, borderline, or at all. Where a border rises steeply, to the left, the output lacks current; where it is nearly flat, to the right, it lacks voltage. Arrows down from a border: no limit was seen there, it lies there or lower; bars up: only what the output gives at most is known. A headphone's verdict is that of its pairing, measured where a session exists.");
    let mut missing = Vec::new();
    let mut pictures = 0;
    for output in stock.output_names() {
        if !matches!(about, About::All) && *about != About::Output(output.clone()) {
            continue;
        }
        match stock.map(&output, listener, COLUMNS) {
            Ok(map) => {
                let picture = self::map(pictures + 1, &map, stock);
                pictures += usize::from(picture.is_some());
                section.parts.extend(picture.map(|picture| Part::Picture(Box::new(picture))));
            }
            Err(why) => missing.push(format!("{}: no map: {why}.", capital(&output.words()))),
        }
    }
    if !missing.is_empty() {
        section.parts.push(Part::List(missing.clone()));
    }
    (pictures > 0 || !missing.is_empty()).then_some(section)
}

/// The map of an output of this stock; `None` where nothing of it is known.
pub fn map(number: usize, map: &Map, stock: &Stock) -> Option<Picture> {
    let styles = [
        ("ample", Role::Level, Line::Solid),
        ("borderline", Role::Listening, Line::Dashed),
        ("reaches the listening level", Role::Threshold, Line::Dotted),
    ];
    let border = |i: usize| -> Vec<Point> {
        let at = |reading: &Reading| match reading {
            Reading::Determined(e) | Reading::AtLeast(e) => Some(e.value),
            Reading::Below(high) => Some(*high),
            Reading::NotDetermined(_) => None,
        };
        map.columns.iter().filter_map(|c| Some(Point::at(c.ohm, at(&c.borders_db[i])?))).collect()
    };
    let borders: Vec<Vec<Point>> = (0..3).map(border).collect();
    let headphones: Vec<Point> = map
        .points
        .iter()
        .map(|p| Point {
            x: p.ohm.value,
            y: p.per_volt_db.value,
            interval: Some((p.per_volt_db.interval.low, p.per_volt_db.interval.high)),
        })
        .collect();
    let values = || borders.iter().flatten().chain(&headphones).map(|p| p.y).filter(|v| v.is_finite());
    let low = ((values().reduce(f64::min)? - 3.0) / 10.0).floor() * 10.0;
    let high = ((values().reduce(f64::max)? + 3.0) / 10.0).ceil() * 10.0;
    let said: Vec<String> = map
        .points
        .iter()
        .map(|p| {
            let [ohm, level] = [Figure::significant(p.ohm), Figure::new(p.per_volt_db, DB)].map(|f| f.words());
            format!("{}: {ohm} Ω, {level} dB SPL for 1 V, {}", p.headphone, p.says.verdict)
        })
        .collect();
    let said = if said.is_empty() { "No headphone of the stock has both figures.".into() } else { said.join("; ") };
    let open = open_borders(map, &styles);
    let said = if open.is_empty() { said } else { format!("{said}. {}", OPEN_BORDER) };
    let lines = borders.into_iter().zip(styles).map(|(points, (name, role, line))| Series {
        name: name.into(),
        role,
        line: Some(line),
        mark: None,
        points,
    });
    // Named in the legend, where no name can lie on a border.
    let marks = MARK_ROLES.iter().flat_map(|role| MARKS.map(|mark| (mark, *role))).cycle();
    let dots = map.points.iter().zip(headphones).zip(marks).map(|((p, point), (mark, role))| Series {
        name: format!("{}: {}", p.headphone, p.says.verdict),
        role,
        line: None,
        mark: Some(mark),
        points: vec![point],
    });
    Some(Picture {
        name: format!("map-{number}"),
        title: format!(
            "Map of {}, listening level {} dB SPL, {}",
            map.output,
            tidy(map.listening_z, 1),
            map.level_from.words()
        ),
        says: said,
        x: Axis::log("impedance of the headphone, Ω", OHMS.0, OHMS.1),
        y: Axis::linear("dB SPL for 1 V of pink noise at the plug", low, high),
        zones: Vec::new(),
        series: lines.chain(open).chain(dots).collect(),
        rules: Vec::new(),
        texts: Vec::new(),
        imprint: imprint::stock(stock.sessions.iter().filter(|session| session.output.words() == map.output)),
    })
}

/// Every so many columns a border that is a bound says so.
const ARROW_EVERY: usize = 6;
/// What arrows and bars at a border mean.
const OPEN_BORDER: &str =
    "Arrows down from a border: no limit was seen there, it lies there or lower. Bars up: it lies there or higher";
/// Marks of headphones.
const MARKS: [Mark; 4] = [Mark::Dot, Mark::Square, Mark::Triangle, Mark::Hollow];
/// Their colours, where the marks do not suffice.
const MARK_ROLES: [Role; 4] = [Role::First, Role::Second, Role::Even, Role::Odd];

/// Where the borders are bounds: arrows down where the output was not seen at its limit, bars up where only its most is known.
fn open_borders(map: &Map, styles: &[(&str, Role, Line)]) -> Vec<Series> {
    let columns = || map.columns.iter().step_by(ARROW_EVERY);
    let series = |name: &str, role, mark, points| Series { name: name.into(), role, line: None, mark, points };
    let mut all = Vec::new();
    for (i, (_, role, _)) in styles.iter().enumerate() {
        let lower = |c: &crate::stock::Column| match &c.borders_db[i] {
            Reading::Below(high) => Some(Point::at(c.ohm, *high)),
            _ => None,
        };
        let higher = |c: &crate::stock::Column| match &c.borders_db[i] {
            Reading::AtLeast(e) => {
                Some(Point { x: c.ohm, y: e.value, interval: Some((e.interval.low, f64::INFINITY)) })
            }
            _ => None,
        };
        all.push(series("this border or lower", *role, Some(Mark::Below), columns().filter_map(lower).collect()));
        all.push(series("", *role, None, columns().filter_map(higher).collect()));
    }
    all.retain(|series: &Series| !series.points.is_empty());
    // Said once in the legend.
    for series in all.iter_mut().filter(|series| !series.name.is_empty()).skip(1) {
        series.name.clear();
    }
    all
}
