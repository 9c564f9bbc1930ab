//! Pictures of a session over frequency: response, distortion by band, harmonics of a sweep.

use super::pictures::tens;
use crate::account::imprint;
use crate::account::picture::{Axis, Line, Mark, Picture, Point, Role, Series};
use crate::analysis::{BandFinding, Finding, HarmonicCurve, ResponsePoint, band};
use crate::judgement::loudest_clean;
use crate::session::record::{Record, StepResult};
use crate::session::step::Purpose;
use crate::stats::Reading;
use crate::units::tidy;

/// Most points drawn of one response.
const RESPONSE_POINTS: usize = 480;
/// Lowest distortion drawn, dB.
const FLOOR_DB: f64 = -140.0;

/// Frequency response re 1 kHz: of the quiet reference, of the loudest clean step and of the last sweep.
pub fn response(record: &Record) -> Option<Picture> {
    let chain = &record.head.chain;
    let input = chain.deciding_input();
    let of = |step: &StepResult| Some(relative(&step.pink(input)?.0.response)).filter(|points| !points.is_empty());
    let named = |word: &str, step: &StepResult| {
        let drive = step.step.drive.map_or(String::new(), |d| format!(", {d}"));
        format!("{word}, step {}{drive}", step.step.number)
    };
    let swept = record.steps.iter().rev().find_map(|step| {
        let points = step.others(input).find_map(|(_, result)| match &result.finding {
            Finding::Sweep(f) => Some(relative(&f.response)),
            _ => None,
        })?;
        (!points.is_empty()).then(|| (named("sweep", step), points))
    });
    let reference = record.last(Purpose::Reference).and_then(|step| Some((named("quiet reference", step), of(step)?)));
    let loud = loudest_clean(record).filter(|s| s.step.purpose != Purpose::Reference);
    let loud = loud.and_then(|step| Some((named("loudest clean", step), of(step)?)));
    let styles = [(Role::Level, Line::Solid), (Role::Threshold, Line::Dashed), (Role::Listening, Line::Dotted)];
    let series: Vec<Series> = [reference, loud, swept]
        .into_iter()
        .zip(styles)
        .filter_map(|(stated, (role, line))| {
            let (name, points) = stated?;
            Some(Series { name, role, line: Some(line), mark: None, points })
        })
        .collect();
    let audible = |p: &&Point| (20.0..=20_000.0).contains(&p.x);
    let (low, high) = tens(series.iter().flat_map(|s| &s.points).filter(audible).map(|p| p.y))?;
    let ends = series.first().map(|s| {
        let heard = || s.points.iter().filter(audible);
        let highest = heard().max_by(|a, b| a.y.total_cmp(&b.y));
        let lowest = heard().min_by(|a, b| a.y.total_cmp(&b.y));
        highest.zip(lowest).map_or(String::new(), |(high, low)| {
            format!(
                " Highest {} dB at {:.0} Hz, lowest {} dB at {:.0} Hz.",
                tidy(high.y, 1),
                high.x,
                tidy(low.y, 1),
                low.x
            )
        })
    });
    Some(Picture {
        name: "response".into(),
        title: format!("Frequency response at the {}: {}", chain.point(), chain.headphone),
        says: format!(
            "Captured over played, relative to 1 kHz, at 1/48 octave or the line spacing, whichever is coarser.{}",
            ends.unwrap_or_default()
        ),
        x: Axis::frequency(),
        y: Axis::linear("dB re 1 kHz", low, high),
        zones: Vec::new(),
        series,
        rules: Vec::new(),
        texts: Vec::new(),
        imprint: imprint::session(record),
    })
}

/// Relative to 1 kHz, at most [`RESPONSE_POINTS`], each the mean of its neighbours.
fn relative(response: &[ResponsePoint]) -> Vec<Point> {
    let at_1k = response
        .iter()
        .min_by(|a, b| (a.frequency_hz - 1000.0).abs().total_cmp(&(b.frequency_hz - 1000.0).abs()))
        .map_or(0.0, |p| p.gain_db);
    let keep = response.len().div_ceil(RESPONSE_POINTS).max(1);
    let mean = |chunk: &[ResponsePoint]| {
        let n = chunk.len() as f64;
        let hz = (chunk.iter().map(|p| p.frequency_hz.ln()).sum::<f64>() / n).exp();
        Point::at(hz, chunk.iter().map(|p| p.gain_db).sum::<f64>() / n - at_1k)
    };
    response.chunks(keep).map(mean).filter(|p| p.x.is_finite() && p.y.is_finite()).collect()
}

/// A reading as a point; `true` where it is only known to be below.
fn point(x: f64, reading: &Reading) -> Option<(Point, bool)> {
    match reading {
        Reading::Determined(e) => {
            Some((Point { x, y: e.value, interval: Some((e.interval.low, e.interval.high)) }, false))
        }
        Reading::Below(at) => Some((Point::at(x, *at), true)),
        Reading::AtLeast(_) | Reading::NotDetermined(_) => None,
    }
    .filter(|(point, _)| point.y.is_finite())
}

/// Distortion and noise of the loudest clean step by one-third octave.
pub fn bands(record: &Record) -> Option<Picture> {
    let step = loudest_clean(record)?;
    let all = &step.pink(record.head.chain.deciding_input())?.0.bands;
    let of = |name: &str, role, mark, pick: fn(&BandFinding) -> &Reading| {
        let points = || all.iter().filter_map(|b| point(band::centre_hz(b.x), pick(b)));
        let series = |name: String, mark, below: bool| Series {
            name,
            role,
            line: None,
            mark: Some(mark),
            points: points().filter(|(_, is)| *is == below).map(|(point, _)| point).collect(),
        };
        [series(name.into(), mark, false), series(format!("{name}, below"), Mark::Below, true)]
    };
    let noise = all.iter().filter_map(|b| Some(Point::at(band::centre_hz(b.x), b.noise? - b.level?.value)));
    let noise = Series {
        name: "noise".into(),
        role: Role::Noise,
        line: Some(Line::Dotted),
        mark: None,
        points: noise.filter(|p| p.y.is_finite()).collect(),
    };
    let even = of("even-order", Role::Even, Mark::Square, |b| &b.even);
    let odd = of("odd-order", Role::Odd, Mark::Triangle, |b| &b.odd);
    let series: Vec<Series> = [noise].into_iter().chain(even).chain(odd).collect();
    let (low, high) = tens(series.iter().flat_map(|s| &s.points).map(|p| p.y.max(FLOOR_DB)))?;
    Some(Picture {
        name: "distortion-by-band".into(),
        title: format!("Distortion by band, step {}: {}", step.step.number, record.head.chain.headphone),
        says: "Even-order and odd-order distortion and noise of each one-third octave at the ear, re the stimulus lines in it. A bar pointing down marks an upper bound.".into(),
        x: Axis::bands(),
        y: Axis::linear("dB re the band", low, high.min(20.0)),
        zones: Vec::new(),
        series,
        rules: Vec::new(),
        texts: Vec::new(),
        imprint: imprint::session(record),
    })
}

/// Harmonics of the last sweep against the frequency that made them.
pub fn sweep(record: &Record) -> Option<Picture> {
    let input = record.head.chain.deciding_input();
    let (step, finding) = record.steps.iter().rev().find_map(|step| Some((step, step.sweep(input)?)))?;
    let styles =
        [(Role::Even, Line::Solid), (Role::Odd, Line::Solid), (Role::Even, Line::Dashed), (Role::Odd, Line::Dashed)];
    let series: Vec<Series> =
        finding.harmonics.iter().zip(styles).flat_map(|(curve, (role, line))| harmonic(curve, role, line)).collect();
    let (low, high) = tens(series.iter().flat_map(|s| &s.points).map(|p| p.y.max(FLOOR_DB)))?;
    let highest = series.iter().flat_map(|s| &s.points).map(|p| p.x).fold(10_000.0, f64::max);
    Some(Picture {
        name: "harmonics".into(),
        title: format!("Harmonics of the sweep, step {}: {}", step.step.number, record.head.chain.headphone),
        says: "Each harmonic at the ear re the fundamental, against the frequency that made it. A bar pointing down marks an upper bound of a second or third harmonic.".into(),
        x: Axis::log("frequency that made it, Hz", 20.0, highest),
        y: Axis::linear("dB re the fundamental", low, high),
        zones: Vec::new(),
        series,
        rules: Vec::new(),
        texts: Vec::new(),
        imprint: imprint::session(record),
    })
}

/// The line in as many pieces as it is known in; of the second and third also what is only known to be below.
fn harmonic(curve: &HarmonicCurve, role: Role, line: Line) -> Vec<Series> {
    let points: Vec<(Point, bool)> = curve.points.iter().filter_map(|p| point(p.frequency_hz, &p.level)).collect();
    let plain = |points: &[(Point, bool)]| points.iter().map(|(p, _)| Point::at(p.x, p.y)).collect::<Vec<_>>();
    let name = format!("harmonic {}", curve.order);
    let pieces = points.split(|(_, below)| *below).filter(|piece| !piece.is_empty()).map(plain);
    let named = (0..).zip(pieces).map(|(i, points)| Series {
        name: if i == 0 { name.clone() } else { String::new() },
        role,
        line: Some(line),
        mark: None,
        points,
    });
    let below: Vec<(Point, bool)> = points.iter().filter(|(_, below)| *below && curve.order <= 3).copied().collect();
    let below =
        Series { name: format!("{name}, below"), role, line: None, mark: Some(Mark::Below), points: plain(&below) };
    named.chain([below]).filter(|series| !series.points.is_empty()).collect()
}
