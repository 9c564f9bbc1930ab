//! What does the fit of the headphone change? Every seat plays the quiet reference once and is held against the first;
//! a seat that leaks is reported, never averaged in.
//!
//! ```text
//! seat 1 (the climb)   0.0 dB ┐
//! seat 2              +0.4 dB ├─ mean +0.3 dB, Student's interval ──► the highest clean level moves by it
//! seat 3              +0.5 dB ┘
//! seat 4   20–100 Hz −6.2 dB    leaks: left out
//! ```

use super::record::{InputResult, Record};
use crate::analysis::{About, Finding, Flaw};
use crate::card::InputRole;
use crate::stats::{Estimate, mean_of, standard_deviation, student_t_95};
use crate::units::{db_from_power, power_from_db, tidy_signed};
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;

/// A seat whose 20–100 Hz stand so far under the best seat's leaks, dB (common practice, no source).
pub const LEAK_DB: f64 = 3.0;
/// One-third octaves of 20 Hz to 100 Hz, by number (0 is 1 kHz).
const LOW: RangeInclusive<i32> = -17..=-10;

/// One seat at one ear. All levels less the drive, dB.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// Which, from 1.
    pub seat: u32,
    /// Level, Z.
    pub level_db: f64,
    /// Level of the coupler's range.
    pub mid_db: Option<f64>,
    /// Level from 20 Hz to 100 Hz; `None` where a band of it is not determined.
    pub low_db: Option<f64>,
    /// One-third octaves that are determined, by number.
    pub bands: Vec<(i32, f64)>,
}

impl Fit {
    /// From what one input says of pink noise at this drive; `None` where its level is not determined.
    pub fn of(seat: u32, drive_dbfs: f64, result: &InputResult) -> Option<Fit> {
        let Finding::Pink(pink) = &result.finding else { return None };
        let mid = result.sound.map_or(pink.level_mid, |sound| sound.mid);
        // The calibration is the same for every seat: what is compared is full scale, so that none is needed.
        let offset = result.sound.and_then(|sound| Some(sound.z?.value - pink.level_z?.value)).unwrap_or(0.0);
        let stated = |band: &crate::analysis::BandFinding| Some((band.x, band.level?.value - drive_dbfs));
        let bands: Vec<(i32, f64)> = pink.bands.iter().filter_map(stated).collect();
        let low: Vec<f64> = bands.iter().filter(|(x, _)| LOW.contains(x)).map(|(_, db)| power_from_db(*db)).collect();
        let low_db = (low.len() == LOW.count()).then(|| db_from_power(low.iter().sum())).flatten();
        Some(Fit {
            seat,
            level_db: pink.level_z?.value - drive_dbfs,
            mid_db: mid.map(|mid| mid.value - offset - drive_dbfs),
            low_db,
            bands,
        })
    }
}

/// All seats at one ear.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Seats {
    /// Which ear.
    pub role: InputRole,
    /// Every seat, in order.
    pub fits: Vec<Fit>,
    /// Seats that leak, and by how much their 20–100 Hz stand under the best seat's, dB.
    pub leaks: Vec<(u32, f64)>,
    /// Mean level of the tight seats less the first seat's, dB; `None` with fewer than two tight ones.
    pub level: Option<Estimate>,
    /// The same of the coupler's range.
    pub mid: Option<Estimate>,
    /// Standard deviation of the tight seats' levels, dB; likewise.
    pub spread_db: Option<f64>,
    /// The same per one-third octave that all tight seats tell: number, mean less the first seat's, standard deviation.
    pub bands: Vec<(i32, f64, f64)>,
}

impl Seats {
    /// From the fits of one ear; `None` without a first seat.
    pub fn from(role: InputRole, fits: Vec<Fit>) -> Option<Seats> {
        let first = fits.iter().find(|fit| fit.seat == 1)?.clone();
        let best = fits.iter().filter_map(|fit| fit.low_db).reduce(f64::max);
        let under = |fit: &Fit| Some(best? - fit.low_db?);
        let leaks: Vec<(u32, f64)> =
            fits.iter().filter_map(|fit| Some((fit.seat, under(fit).filter(|db| *db > LEAK_DB)?))).collect();
        let tight: Vec<&Fit> = fits.iter().filter(|fit| leaks.iter().all(|(seat, _)| *seat != fit.seat)).collect();
        let levels: Vec<f64> = tight.iter().map(|fit| fit.level_db - first.level_db).collect();
        let mids: Option<Vec<f64>> = tight.iter().map(|fit| Some(fit.mid_db? - first.mid_db?)).collect();
        let of_band = |fit: &Fit, x: i32| fit.bands.iter().find(|(band, _)| *band == x).map(|(_, db)| *db);
        let band = |(x, at_first): &(i32, f64)| {
            let all: Option<Vec<f64>> = tight.iter().map(|fit| Some(of_band(fit, *x)? - at_first)).collect();
            let all = all?;
            Some((*x, mean_of(&all)?.value, standard_deviation(&all)?))
        };
        let bands = first.bands.iter().filter_map(band).collect();
        Some(Seats {
            role,
            leaks,
            level: mean_of(&levels),
            mid: mids.and_then(|mids| mean_of(&mids)),
            spread_db: standard_deviation(&levels),
            bands,
            fits,
        })
    }

    /// Level of one more wearing less the first seat's, dB: where the next seat lies, not where the mean does,
    /// `mean ± t·s·√(1 + 1/n)` (ISO 16269-8, prediction interval); `None` with fewer than two tight seats.
    pub fn single_wearing(&self) -> Option<Estimate> {
        let (mean, spread, n) = (self.level?.value, self.spread_db?, self.tight() as f64);
        Some(Estimate::symmetric(mean, student_t_95(n - 1.0) * spread * (1.0 + 1.0 / n).sqrt()))
    }

    /// How many seats the mean stands on.
    pub fn tight(&self) -> usize {
        self.fits.len() - self.leaks.len()
    }

    fn leaks_at(&self, seat: u32) -> bool {
        self.leaks.iter().any(|(leaking, _)| *leaking == seat)
    }
}

/// The fits of one input so far: the quiet reference of the climb, and each seat after it.
pub fn fits(record: &Record, input: usize) -> Vec<Fit> {
    let takes = record.steps.iter().filter(|s| s.step.purpose.shows_seat());
    takes.filter_map(|step| Fit::of(step.seat, step.step.drive?.db(), step.pink(input)?.1)).collect()
}

/// What the seats say, per ear.
pub fn seats(record: &Record) -> Vec<Seats> {
    record.head.chain.ears().filter_map(|(input, role)| Seats::from(role, fits(record, input))).collect()
}

/// Left ear less right ear, dB, from every seat that is tight at both; the interval of both calibrations is in it, and
/// that of the fit from two seats on. `None` without two calibrated ears.
pub fn left_less_right(record: &Record) -> Option<Estimate> {
    let all = seats(record);
    let of = |role| all.iter().find(|seats| seats.role == role);
    let (left, right) = (of(InputRole::LeftEar)?, of(InputRole::RightEar)?);
    let chain = &record.head.chain;
    let offsets = [chain.acoustic(InputRole::LeftEar)?.offset, chain.acoustic(InputRole::RightEar)?.offset];
    let at = |seats: &Seats, seat: u32| {
        let fit = seats.fits.iter().find(|fit| fit.seat == seat).filter(|fit| !seats.leaks_at(fit.seat))?;
        Some(fit.level_db)
    };
    let differences: Vec<f64> =
        left.fits.iter().filter_map(|fit| Some(at(left, fit.seat)? - at(right, fit.seat)?)).collect();
    let mean = mean_of(&differences).or_else(|| differences.first().map(|d| Estimate::exact(*d)))?;
    let calibrated = Estimate::symmetric(
        offsets[0].value - offsets[1].value,
        offsets[0].half_width().hypot(offsets[1].half_width()),
    );
    Some(mean.plus(&calibrated))
}

/// How the headphone sits now (the last fit of each ear) against the first seat, in a line.
pub fn how_it_sits(seat: u32, ears: &[(InputRole, Seats)]) -> String {
    let db = |value: f64| tidy_signed(value, 1);
    let ear = |(role, seats): &(InputRole, Seats)| {
        let (first, now) = (seats.fits.first()?, seats.fits.last()?);
        let level = db(now.level_db - first.level_db);
        let low = now.low_db.zip(first.low_db).map_or("·".into(), |(now, first)| db(now - first));
        let leaks = if seats.leaks_at(now.seat) { ", LEAKS" } else { "" };
        Some(format!("{}: level {level} dB, 20–100 Hz {low} dB{leaks}", role.in_words()))
    };
    let ears: Vec<String> = ears.iter().filter_map(ear).collect();
    if ears.is_empty() {
        format!("seat {seat}: listening")
    } else {
        format!("seat {seat} against seat 1: {}", ears.join(" · "))
    }
}

/// Seats that leak.
pub fn flaws(record: &Record) -> Vec<Flaw> {
    seats(record).iter().filter_map(leak).collect()
}

fn leak(seats: &Seats) -> Option<Flaw> {
    let worst = seats.leaks.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (ear, (seat, under)) = (seats.role.in_words(), worst);
    let what = format!("Seat {seat} leaks at the {ear}: its 20–100 Hz are {under:.1} dB below the best seat's.");
    let flaw = if seats.leaks_at(1) {
        let text = format!(
            "{what} Seat 1, on which the climb ran, is among the leaking seats, so its bass figures are those of a leak. Refit and run again."
        );
        Flaw::doubt("leak", text)
    } else if seats.tight() < 2 {
        Flaw::doubt("leak", format!("{what} Too few seats seal to show what refitting changes; refit and add a seat."))
    } else {
        Flaw::note("leak-left-out", format!("{what} It is left out; the other {} count.", seats.tight()))
    };
    Some(flaw.about(About::Input(seats.role)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(seat: u32, level_db: f64, low_db: f64) -> Fit {
        Fit { seat, level_db, mid_db: Some(level_db), low_db: Some(low_db), bands: vec![(0, level_db)] }
    }

    fn at_left(fits: Vec<Fit>) -> Seats {
        Seats::from(InputRole::LeftEar, fits).unwrap()
    }

    /// Five seatings worked with scipy (`stats.rs`): mean 101.1, s 0.578792, t(4)·s/√5 = 0.718665.
    #[test]
    fn the_mean_of_the_seats_stands_with_students_interval() {
        let levels = [101.2, 100.7, 101.9, 100.4, 101.3];
        let seats = at_left(levels.iter().zip(1..).map(|(level, seat)| fit(seat, *level, 80.0)).collect());
        let level = seats.level.unwrap();
        assert!((level.value + 0.1).abs() < 1e-9 && (level.half_width() - 0.718_665).abs() < 1e-5, "{level:?}");
        assert!((seats.spread_db.unwrap() - 0.578_792).abs() < 1e-6);
        assert!((seats.bands[0].1 + 0.1).abs() < 1e-9 && seats.bands.len() == 1);
        // One more wearing: t(4)·s·√(1 + 1/5) = 2.776445 · 0.578792 · 1.095445 (scipy).
        let single = seats.single_wearing().unwrap();
        assert!((single.half_width() - 1.760_37).abs() < 1e-4 && (single.value + 0.1).abs() < 1e-9, "{single:?}");
        assert!(leak(&seats).is_none());
    }

    #[test]
    fn a_seat_that_leaks_is_left_out_and_a_leaking_first_seat_is_a_doubt() {
        let seats = at_left(vec![fit(1, 0.0, 0.0), fit(2, 0.4, 0.2), fit(3, -2.0, -3.0), fit(4, 0.5, -0.1)]);
        assert_eq!(seats.leaks.len(), 1);
        assert!((seats.level.unwrap().value - 0.3).abs() < 1e-9 && seats.tight() == 3);
        assert_eq!(leak(&seats).unwrap().code, "leak-left-out");
        let first = at_left(vec![fit(1, 0.0, -4.0), fit(2, 0.4, 0.2), fit(3, 0.2, 0.1)]);
        assert_eq!(leak(&first).unwrap().code, "leak");
        assert!((first.level.unwrap().value - 0.3).abs() < 1e-9, "the level is the tight seats'");
        let two = at_left(vec![fit(1, 0.0, 0.0), fit(2, -2.0, -5.0)]);
        assert_eq!((leak(&two).unwrap().code.as_str(), two.level), ("leak", None));
    }

    #[test]
    fn just_over_the_limit_leaks_and_just_under_it_does_not() {
        let leaks = |low: f64| at_left(vec![fit(1, 0.0, 0.0), fit(2, 0.0, -low)]).leaks.len();
        assert_eq!((leaks(LEAK_DB - 0.01), leaks(LEAK_DB + 0.01)), (0, 1));
    }
}
