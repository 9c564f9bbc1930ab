//! How a headphone sits now against the seats before, as a picture: per one-third octave, less the first seat.

use crate::account::picture::{Along, Axis, Imprint, Line, Picture, Point, Role, Rule, Series};
use crate::analysis::band::centre_hz;
use crate::card::InputRole;
use crate::session::seats::{Fit, Seats};
use crate::units::tidy;

/// Half height of the picture, dB: a leak of 20 dB is seen, a tenth of it too.
const REACH_DB: f64 = 12.0;

/// Of the ear that sits worst; `None` before the first look.
pub fn picture(seat: u32, ears: &[(InputRole, Seats)]) -> Option<Picture> {
    let low = |seats: &Seats| Some(seats.fits.last()?.low_db? - seats.fits.first()?.low_db?);
    let worst = ears.iter().min_by(|a, b| low(&a.1).unwrap_or(0.0).total_cmp(&low(&b.1).unwrap_or(0.0)))?;
    let (role, seats) = worst;
    let (first, now) = (seats.fits.first()?, seats.fits.last()?);
    let others = seats.fits.iter().filter(|fit| fit.seat != first.seat && fit.seat != now.seat);
    let series = |fit: &Fit, name: String, role, line| Series {
        name,
        role,
        line: Some(line),
        mark: None,
        points: less(fit, first),
    };
    let before = others.map(|fit| series(fit, format!("seat {}", fit.seat), Role::Quiet, Line::Dashed));
    let now_is = series(now, format!("seat {seat}, now"), Role::Level, Line::Solid);
    let level = tidy(now.level_db - first.level_db, 1);
    Some(Picture {
        name: "seating".into(),
        title: format!("How seat {seat} sits at the {}, against seat 1", role.in_words()),
        says: format!("Level {level} dB against seat 1. A leaking seal falls below the line on the left."),
        x: Axis::bands(),
        y: Axis::linear("less seat 1, dB", -REACH_DB, REACH_DB),
        zones: Vec::new(),
        series: before.chain([now_is]).collect(),
        rules: vec![Rule {
            along: Along::Y,
            at: 0.0,
            role: Role::Listening,
            line: Line::Dashed,
            text: vec!["seat 1".into()],
            text_low: false,
        }],
        texts: Vec::new(),
        imprint: Imprint::default(),
    })
}

/// Band by band, where both show it; at the edge what would not be seen.
fn less(fit: &Fit, first: &Fit) -> Vec<Point> {
    let of = |x: i32| first.bands.iter().find(|(other, _)| *other == x).map(|(_, db)| *db);
    let points = fit.bands.iter().filter_map(|(x, db)| Some((*x, db - of(*x)?)));
    points.map(|(x, db)| Point::at(centre_hz(x), db.clamp(-REACH_DB, REACH_DB))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A leak of 6 dB at 20 Hz, and nothing at 1 kHz, against the first seat whatever its own response is.
    #[test]
    fn a_seat_is_drawn_less_the_first_one() {
        let fit = |seat, low: f64, mid: f64| Fit {
            seat,
            level_db: -20.0,
            mid_db: None,
            low_db: Some(low),
            bands: vec![(-17, low), (0, mid)],
        };
        let seats = Seats::from(InputRole::LeftEar, vec![fit(1, -31.0, -25.0), fit(2, -37.0, -25.0)]).unwrap();
        let drawn = picture(2, &[(InputRole::LeftEar, seats)]).unwrap();
        let points = &drawn.series.last().unwrap().points;
        assert!((points[0].y + 6.0).abs() < 1e-9 && (points[0].x - 19.95).abs() < 0.01, "{points:?}");
        assert!(points[1].y.abs() < 1e-9 && (points[1].x - 1000.0).abs() < 1e-9, "{points:?}");
        assert_eq!(picture(2, &[]), None);
    }
}
