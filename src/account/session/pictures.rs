//! The pictures of a session as data.

use super::scale::Scale;
use super::spectra;
use crate::account::document::{Part, Section};
use crate::account::imprint;
use crate::account::picture::{Along, Axis, Line, Mark, Picture, Point, Role, Rule, Series, Zone};
use crate::analysis::ClipFinding;
use crate::figure::{Figure, NOT_DETERMINED};
use crate::judgement::{FoundThreshold, Judgement, Threshold, Whose, loudest_clean};
use crate::session::climb::{drive_ceiling, spl_ceiling};
use crate::session::record::{Record, StepResult};
use crate::stats::Reading;
use crate::units::{amplitude_from_db, tidy};

/// Room beside the outermost points, dB.
const ROOM_DB: f64 = 3.0;
/// Lowest distortion drawn, dB.
const FLOOR_DB: f64 = -140.0;

/// Which ends the axes have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ends {
    /// As the points need them.
    Points,
    /// As far as the plan shows before the first sound, so that nothing is rescaled while points come; wider where a point would
    /// not be seen.
    Plan,
}

/// Drives of the plan's axis begin here, dBFS: the first probe stands 10 dB over it.
const PLANNED_DRIVE: f64 = -80.0;
/// Ends of the plan's distortion axis, dB.
const PLANNED_DISTORTION: (f64, f64) = (-120.0, 0.0);

impl Ends {
    /// What the plan shows, widened by the points; or what the points need.
    fn of(self, planned: (f64, f64), points: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
        if self == Ends::Points {
            return tens(points);
        }
        let (low, high) = planned;
        Some(points.filter(|v| v.is_finite()).fold((low, high), |(low, high), v| {
            (
                if v < low { outwards(v - ROOM_DB, f64::floor) } else { low },
                if v > high { outwards(v + ROOM_DB, f64::ceil) } else { high },
            )
        }))
    }
}

/// The ten beyond a value.
fn outwards(value: f64, round: fn(f64) -> f64) -> f64 {
    round(value / 10.0) * 10.0
}

/// All of them; `None` where there is nothing to draw.
pub fn section(record: &Record, judgement: &Judgement) -> Option<Section> {
    let all = [
        level(record, judgement, Ends::Points),
        distortion(record, judgement, Ends::Points),
        spectra::response(record),
        spectra::bands(record),
        spectra::sweep(record),
        clipping_curve(record, judgement),
    ];
    let parts: Vec<Part> = all.into_iter().flatten().map(|picture| Part::Picture(Box::new(picture))).collect();
    (!parts.is_empty()).then(|| Section { parts, ..Section::new("Pictures") })
}

/// Range rounded outwards to tens.
pub(super) fn tens(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let ends = values.filter(|v| v.is_finite()).fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)));
    (ends.0 <= ends.1).then(|| (((ends.0 - ROOM_DB) / 10.0).floor() * 10.0, ((ends.1 + ROOM_DB) / 10.0).ceil() * 10.0))
}

/// Drive of a step that sounds.
fn drive(step: &StepResult) -> Option<f64> {
    step.step.drive.map(|d| d.db())
}

/// Drive whose true peak stands at full scale.
fn full_drive(record: &Record) -> f64 {
    record.head.plan.pink.period(record.head.playback.rate).full_drive().map_or(0.0, |d| d.db())
}

fn drive_axis(record: &Record, ends: Ends) -> Axis {
    let full = full_drive(record);
    let drives = record.climbed().filter_map(drive).chain([full - 10.0]);
    let (low, _) = ends.of((PLANNED_DRIVE, full), drives).unwrap_or((PLANNED_DRIVE, full));
    Axis::linear("drive of pink noise, dBFS RMS", low, full + 5.0)
}

/// Level against drive: points, straight line, listening level, wanted headroom, ceiling and clipping threshold.
pub fn level(record: &Record, judgement: &Judgement, ends: Ends) -> Option<Picture> {
    let chain = &record.head.chain;
    let calibrated = chain.is_calibrated();
    let input = chain.deciding_input();
    let gain = straight_line(record, judgement);
    let mut points = Vec::new();
    let mut void = Vec::new();
    for step in record.climbed() {
        let Some(drive) = drive(step) else { continue };
        let on_line = || Some(Point::at(drive, drive + gain?));
        void.extend(step.takes.iter().filter(|take| take.void.is_some()).filter_map(|_| on_line()));
        let Some((pink, result)) = step.pink(input) else { continue };
        let level = if calibrated { record.sound(result).and_then(|s| s.z) } else { pink.level_z };
        let point = |l: crate::stats::Estimate| Point {
            x: drive,
            y: l.value,
            interval: Some((l.interval.low, l.interval.high)),
        };
        points.extend(level.map(point));
    }
    let x = drive_axis(record, ends);
    let listening = judgement.headroom.listening_z.filter(|_| calibrated).map(|l| l.db());
    let wanted = listening.map(|l| l + record.head.plan.wanted_headroom_db);
    let ceiling = calibrated.then(|| spl_ceiling(&record.head.plan, chain).db());
    let marked = [listening, wanted, ceiling].into_iter().flatten();
    let planned = Scale::planned(&record.head.plan, chain);
    let (low, high) = ends.of((planned.low, planned.high), points.iter().map(|p| p.y).chain(marked))?;
    let unit = if calibrated { "dB SPL" } else { "dBFS at the input" };
    let title = match calibrated {
        true => format!("level, dB SPL, Z, {}", chain.point()),
        false => "level, dBFS at the input, Z (not calibrated)".into(),
    };
    let mut rules = Vec::new();
    let across = |at: f64, role, text: String| Rule {
        along: Along::Y,
        at,
        role,
        line: Line::Dashed,
        text: vec![text],
        text_low: false,
    };
    rules.extend(ceiling.map(|at| across(at, Role::Quiet, format!("ceiling {} dB SPL", tidy(at, 1)))));
    rules.extend(listening.map(|at| across(at, Role::Listening, format!("listening level {} dB SPL", tidy(at, 1)))));
    rules.extend(threshold(&judgement.threshold, false));
    rules.extend(drive_ceiling(&record.head.plan, chain).map(|ceiling| {
        let text = vec![format!("ceiling {} dBFS: {}", tidy(ceiling.rms.db(), 1), ceiling.because)];
        Rule { along: Along::X, at: ceiling.rms.db(), role: Role::Quiet, line: Line::Dashed, text, text_low: true }
    }));
    rules.push(full_scale(record, true));
    let zone = listening.zip(wanted).map(|(from, to)| Zone {
        along: Along::Y,
        from,
        to,
        text: format!("wanted headroom {} dB", tidy(record.head.plan.wanted_headroom_db, 1)),
    });
    let straight = gain.map(|gain| Series {
        name: "straight line".into(),
        role: Role::Quiet,
        line: Some(Line::Dashed),
        mark: None,
        points: vec![Point::at(x.low, x.low + gain), Point::at(x.high, x.high + gain)],
    });
    let void = (!void.is_empty()).then_some(Series {
        name: "void take, on the straight line".into(),
        role: Role::Level,
        line: None,
        mark: Some(Mark::Hollow),
        points: void,
    });
    let says = match points.is_empty() {
        true => "No step has a level yet.".to_string(),
        // What a climb has not found out yet is no verdict.
        false if record.stop().is_none() => {
            format!("Levels from {} to {} {unit}, so far.", first(&points), last(&points))
        }
        false => format!("{} Levels from {} to {} {unit}.", judgement.sentence, first(&points), last(&points)),
    };
    let series = Series { name: "level".into(), role: Role::Level, line: None, mark: Some(Mark::Dot), points };
    Some(Picture {
        name: "level".into(),
        title: format!("Level against drive: {} with {}", chain.output, chain.headphone),
        says,
        x,
        y: Axis::linear(title, low, high),
        zones: zone.into_iter().collect(),
        series: straight.into_iter().chain([series]).chain(void).collect(),
        rules,
        texts: Vec::new(),
        imprint: imprint::session(record),
    })
}

fn first(points: &[Point]) -> String {
    points.iter().map(|p| p.y).reduce(f64::min).map_or("·".into(), |v| tidy(v, 1))
}

fn last(points: &[Point]) -> String {
    points.iter().map(|p| p.y).reduce(f64::max).map_or("·".into(), |v| tidy(v, 1))
}

/// Level less drive of the first seat, dB: as the judgement used it.
pub fn straight_line(record: &Record, judgement: &Judgement) -> Option<f64> {
    let clean = &judgement.highest_clean;
    let level = if record.head.chain.is_calibrated() { &clean.level_spl } else { &clean.level_dbfs };
    let fit = judgement.seats.first().and_then(|seats| seats.level).map_or(0.0, |fit| fit.value);
    Some(level.estimate()?.value - clean.drive.estimate()?.value - fit)
}

fn full_scale(record: &Record, text_low: bool) -> Rule {
    let at = full_drive(record);
    let text = vec![format!("full scale, {} dBFS", tidy(at, 1))];
    Rule { along: Along::X, at, role: Role::Quiet, line: Line::Dotted, text, text_low }
}

/// What clips, where as a peak, and where as pink noise: a line each.
pub fn clipping_words(stated: &FoundThreshold) -> [String; 3] {
    let which = if stated.whose == Whose::Output { "" } else { " (which: not determined)" };
    let soft = if stated.soft { ", soft: equivalent hard limit" } else { "" };
    [
        format!("{} clips from here{which}", stated.whose.subject()),
        format!("peak {}{soft}", peaks(stated)),
        format!("pink {} dBFS", Figure::new(stated.pink_drive, 2).words()),
    ]
}

/// Both limits; one figure where they read the same.
pub fn peaks(stated: &FoundThreshold) -> String {
    let shown = |r: &Reading| r.determined().map(|e| tidy(e.value, 1));
    match (shown(&stated.positive), shown(&stated.negative)) {
        (Some(p), Some(n)) if p == n => format!("{p} dB re full scale"),
        (Some(p), Some(n)) => format!("positive {p}, negative {n} dB re full scale"),
        (Some(p), None) => format!("positive {p} dB re full scale, negative {NOT_DETERMINED}"),
        (None, Some(n)) => format!("negative {n} dB re full scale, positive {NOT_DETERMINED}"),
        (None, None) => NOT_DETERMINED.into(),
    }
}

/// The clipping threshold as a rule of the drive axis.
fn threshold(threshold: &Threshold, text_low: bool) -> Option<Rule> {
    let Threshold::Determined(stated) = threshold else { return None };
    let (at, text) = (stated.pink_drive.value, clipping_words(stated).into());
    Some(Rule { along: Along::X, at, role: Role::Threshold, line: Line::Solid, text, text_low })
}

/// Distortion and noise at the ear against drive.
pub fn distortion(record: &Record, judgement: &Judgement, ends: Ends) -> Option<Picture> {
    let chain = &record.head.chain;
    let input = chain.deciding_input();
    let limit_percent = record.head.plan.distortion_limit_percent;
    let limit = 20.0 * (limit_percent / 100.0).log10();
    let mut stated: [Vec<Point>; 2] = [Vec::new(), Vec::new()];
    let mut below: [Vec<Point>; 2] = [Vec::new(), Vec::new()];
    let mut noise = Vec::new();
    for step in record.climbed().filter(|s| s.step.purpose.counts()) {
        let (Some(drive), Some((pink, _))) = (drive(step), step.pink(input)) else { continue };
        for (i, reading) in [&pink.even, &pink.odd].into_iter().enumerate() {
            match reading {
                Reading::Determined(e) => {
                    stated[i].push(Point { x: drive, y: e.value, interval: Some((e.interval.low, e.interval.high)) })
                }
                Reading::Below(at) => below[i].push(Point::at(drive, *at)),
                Reading::AtLeast(_) | Reading::NotDetermined(_) => {}
            }
        }
        noise.extend(pink.over_noise_db.filter(|o| o.is_finite()).map(|over| Point::at(drive, -over)));
    }
    noise.sort_by(|a, b| a.x.total_cmp(&b.x));
    let all = stated.iter().chain(&below).flatten().chain(&noise).map(|p| p.y.max(FLOOR_DB));
    let (low, high) = ends.of(PLANNED_DISTORTION, all.chain([limit]))?;
    let loudest = loudest_clean(record).and_then(drive);
    let says = format!(
        "Even-order and odd-order distortion of pink noise at the ear, and the noise beneath, re the stimulus. The limit is {limit_percent} %, {} dB. A bar pointing down marks an upper bound.{}",
        tidy(limit, 1),
        loudest.map_or(String::new(), |d| format!(" The loudest clean step was driven at {} dBFS.", tidy(d, 1)))
    );
    let [even, odd] = stated;
    let [even_below, odd_below] = below;
    let series =
        |name: &str, role, mark, points| Series { name: name.into(), role, line: None, mark: Some(mark), points };
    Some(Picture {
        name: "distortion".into(),
        title: format!("Distortion against drive: {} with {}", chain.output, chain.headphone),
        says,
        x: drive_axis(record, ends),
        y: Axis::linear("at the ear, dB re the stimulus", low, high.min(20.0)),
        zones: Vec::new(),
        series: vec![
            Series { name: "noise".into(), role: Role::Noise, line: Some(Line::Dotted), mark: None, points: noise },
            series("even-order", Role::Even, Mark::Square, even),
            series("odd-order", Role::Odd, Mark::Triangle, odd),
            series("even-order, below", Role::Even, Mark::Below, even_below),
            series("odd-order, below", Role::Odd, Mark::Below, odd_below),
        ],
        rules: [
            Some(Rule {
                along: Along::Y,
                at: limit,
                role: Role::Quiet,
                line: Line::Dashed,
                text: vec![format!("limit {limit_percent} %")],
                text_low: false,
            }),
            threshold(&judgement.threshold, false),
            Some(full_scale(record, true)),
        ]
        .into_iter()
        .flatten()
        .collect(),
        texts: Vec::new(),
        imprint: imprint::session(record),
    })
}

/// The clipping curve of the step that decides, or of the last one that has one.
pub fn deciding_curve<'a>(record: &'a Record, judgement: &Judgement) -> Option<(usize, &'a ClipFinding)> {
    let input = record.head.chain.deciding_input();
    let decides = match &judgement.threshold {
        Threshold::Determined(stated) => Some(stated.step),
        _ => None,
    };
    record.steps.iter().rev().filter(|s| decides.is_none_or(|d| d == s.step.number)).find_map(|step| {
        let clip = step.pink(input)?.0.clip.as_ref()?;
        (!clip.curve.is_empty()).then_some((step.step.number, clip))
    })
}

/// What came back against what was played.
pub fn clipping_curve(record: &Record, judgement: &Judgement) -> Option<Picture> {
    let (step, clip) = deciding_curve(record, judgement)?;
    let points: Vec<Point> = clip.curve.iter().map(|p| Point::at(p.played, p.came_back)).collect();
    let reach = points.iter().flat_map(|p| [p.x.abs(), p.y.abs()]).filter(|v| v.is_finite()).fold(0.0, f64::max);
    if reach <= 0.0 {
        return None;
    }
    let reach = 1.08 * reach;
    let limits: Vec<(f64, String)> = clip.level.as_ref().map_or(Vec::new(), |level| {
        let stated = [(&level.positive, 1.0, "positive"), (&level.negative, -1.0, "negative")];
        let one = |(reading, sign, word): (&Reading, f64, &str)| {
            let e = reading.determined()?;
            let says = format!("{word} limit {} dB re full scale", tidy(e.value, 2));
            Some((sign * amplitude_from_db(e.value), says))
        };
        stated.into_iter().filter_map(one).collect()
    });
    let said: Vec<&str> = limits.iter().map(|(_, says)| says.as_str()).collect();
    let said = if said.is_empty() { "No limit was found.".into() } else { format!("Fitted: {}.", said.join(", ")) };
    Some(Picture {
        name: "clipping-curve".into(),
        title: format!("Clipping curve of {}, step {step}", record.head.chain.output),
        says: format!(
            "Captured against played samples, both polarities, with the response of the quiet reference removed. {said}"
        ),
        x: Axis::linear("played, of full scale", -reach, reach),
        y: Axis::linear("captured, of full scale", -reach, reach),
        zones: Vec::new(),
        series: vec![
            Series {
                name: "as played".into(),
                role: Role::Quiet,
                line: Some(Line::Dashed),
                mark: None,
                points: vec![Point::at(-reach, -reach), Point::at(reach, reach)],
            },
            Series { name: "came back".into(), role: Role::Level, line: Some(Line::Solid), mark: None, points },
        ],
        rules: limits
            .into_iter()
            .map(|(at, says)| Rule {
                along: Along::Y,
                at,
                role: Role::Threshold,
                line: Line::Dashed,
                text: vec![says],
                text_low: false,
            })
            .collect(),
        texts: Vec::new(),
        imprint: imprint::session(record),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An axis that was planned stays where it is until a point would not be seen.
    #[test]
    fn a_planned_axis_moves_only_for_a_point_outside_of_it() {
        let planned = |points: &[f64]| Ends::Plan.of((20.0, 120.0), points.iter().copied());
        assert_eq!(planned(&[]), Some((20.0, 120.0)));
        assert_eq!(planned(&[20.0, 93.1, 120.0, f64::NAN]), Some((20.0, 120.0)));
        assert_eq!(planned(&[18.0]), Some((10.0, 120.0)));
        assert_eq!(planned(&[121.0]), Some((20.0, 130.0)));
        assert_eq!(Ends::Points.of((20.0, 120.0), [64.0, 93.1].into_iter()), Some((60.0, 100.0)));
    }
}
