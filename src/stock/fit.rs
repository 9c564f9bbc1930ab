//! What does the next seat of the headphone change? Its seats tell; with one seat a stated default stands for them, and a few
//! seats never leave more open than the default does, unless they lie farther apart.

use crate::session::seats::Seats;
use crate::stats::Estimate;

/// Half width of a level over the seats of a headphone where only one was played, dB (common practice, no source): the level of
/// one headphone put on again scatters by some tenths of a decibel up to one; taken is a standard deviation of 0.75 dB, of which
/// 95 % lie within twice as much.
pub const FIT_HALF_WIDTH_DB: f64 = 1.5;

/// From the first seat to the mean of all of them, dB.
///
/// Student's interval of two seats is twelve times their standard deviation: it is kept within the default, or as far as the
/// seats themselves lie from their mean.
pub fn fit(seats: Option<&Seats>) -> Estimate {
    let stated = seats.and_then(|seats| Some((seats, seats.level?)));
    let Some((seats, mean)) = stated else { return Estimate::symmetric(0.0, FIT_HALF_WIDTH_DB) };
    let first = seats.fits.iter().find(|fit| fit.seat == 1).map_or(0.0, |fit| fit.level_db);
    let tight = seats.fits.iter().filter(|fit| seats.leaks.iter().all(|(seat, _)| *seat != fit.seat));
    let levels: Vec<f64> = tight.map(|fit| fit.level_db - first).collect();
    Estimate::symmetric(mean.value, within_default(&mean, &levels, FIT_HALF_WIDTH_DB))
}

/// Half width of a mean of these values: Student's, within `most`, or as far as they lie from it.
pub fn within_default(mean: &Estimate, values: &[f64], most: f64) -> f64 {
    let farthest = values.iter().map(|value| (value - mean.value).abs()).fold(0.0, f64::max);
    mean.half_width().min(most.max(farthest))
}

/// What is said beside a level that stands on one seat.
pub fn one_seat() -> String {
    format!("one seat: ±{FIT_HALF_WIDTH_DB} dB are included for refitting (common practice, no source)")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::InputRole;
    use crate::session::seats::Fit;
    use crate::stats::{Draws, NORMAL_95};

    fn seats(levels: &[f64]) -> Seats {
        let fit = |(seat, level_db): (u32, &f64)| Fit {
            seat,
            level_db: *level_db,
            mid_db: None,
            low_db: Some(0.0),
            bands: Vec::new(),
        };
        Seats::from(InputRole::LeftEar, (1..).zip(levels).map(fit).collect()).unwrap()
    }

    /// Two seats 0.4 dB apart: Student's interval is t(1)·s/√2 = 12.706 · 0.2828/1.4142 = 2.54 dB, the default is less.
    #[test]
    fn two_seats_leave_no_more_open_than_one() {
        let one = fit(Some(&seats(&[80.0])));
        assert!((one.half_width() - FIT_HALF_WIDTH_DB).abs() < 1e-12 && one.value.abs() < 1e-12);
        let two = fit(Some(&seats(&[80.0, 80.4])));
        assert!((two.value - 0.2).abs() < 1e-12 && (two.half_width() - FIT_HALF_WIDTH_DB).abs() < 1e-9, "{two:?}");
        let three = fit(Some(&seats(&[80.0, 80.2, 80.4])));
        assert!(three.half_width() < 0.6, "{three:?}");
        // Seats 5 dB apart lie outside the default: the interval still holds both.
        let far = fit(Some(&seats(&[80.0, 85.0])));
        assert!(far.holds(1e-9) && far.holds(5.0 - 1e-9) && far.half_width() < 2.6, "{far:?}");
    }

    /// Seats that scatter as the default says: the interval holds the mean over all seats in 93 to 97 %.
    #[test]
    fn the_interval_of_a_few_seats_holds_the_mean_of_all_of_them() {
        const DRAWN: usize = 4_000;
        // Three standard deviations of the count beside 95 %.
        let scatter = 3.0 * (0.95 * 0.05 / DRAWN as f64).sqrt();
        let mut random = Draws::new(20_261_129);
        for n in 1..=5 {
            let mut held = 0;
            for _ in 0..DRAWN {
                let levels: Vec<f64> = (0..n).map(|_| FIT_HALF_WIDTH_DB / NORMAL_95 * random.normal()).collect();
                // Relative to the first seat, where the mean of all seats stands.
                held += usize::from(fit(Some(&seats(&levels))).holds(-levels[0]));
            }
            let share = held as f64 / DRAWN as f64;
            println!("{n} seats: {:.1} %", 100.0 * share);
            assert!((share - 0.95).abs() < 0.02 + scatter, "{n} seats: {share}");
        }
    }
}
