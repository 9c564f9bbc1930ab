//! Did the capture card itself run out of scale? Distinguished from an output that clips by where it happens: at the
//! input's own extreme codes, and in runs, because a converter that is driven over holds its last code.

use crate::analysis::Overload;
use crate::units::db_from_amplitude;

/// A sample this near to full scale is at the limit: one code of 16 bits below it (a 16-bit converter's largest
/// positive code is 1 − 2⁻¹⁵), and a little for the float's own rounding.
pub const AT_LIMIT: f32 = 1.0 - 1.5 / 32_768.0;
/// One sample may touch full scale by chance; two in a row have been held there.
const SHORTEST_RUN: usize = 2;

/// Counts samples held at the input's limit, and the room that is left over the largest sample.
///
/// Room is in dB, 0 when overloaded; digital silence has the room of 24 bits (144.5 dB), the most a converter resolves.
pub fn overload(samples: &[f32]) -> Overload {
    let (mut held, mut run, mut peak) = (0usize, 0usize, 0.0f32);
    let mut last_sign = 0.0f32;
    for x in samples {
        peak = peak.max(x.abs());
        let at_limit = x.abs() >= AT_LIMIT;
        let same_side = x * last_sign > 0.0;
        run = match (at_limit, same_side) {
            (true, true) => run + 1,
            (true, false) => 1,
            (false, _) => 0,
        };
        last_sign = if at_limit { x.signum() } else { 0.0 };
        // The first of a run counts once the second shows that it was one.
        held += match run {
            0 | 1 => 0,
            SHORTEST_RUN => SHORTEST_RUN,
            _ => 1,
        };
    }
    Overload { samples_at_limit: held, room_db: room_db(peak, held) }
}

/// Room over the largest sample, dB.
pub(super) fn room_db(peak: f32, samples_at_limit: usize) -> f64 {
    if samples_at_limit > 0 {
        return 0.0;
    }
    db_from_amplitude(f64::from(peak)).map_or(MOST_ROOM_DB, |db| (-db).clamp(0.0, MOST_ROOM_DB))
}

/// 24 bits: 20 lg 2²⁴.
const MOST_ROOM_DB: f64 = 144.494_397_912_889_93;

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(amplitude: f32) -> Vec<f32> {
        (0..4800).map(|n| amplitude * (std::f32::consts::TAU * n as f32 * 10.0 / 4800.0).sin()).collect()
    }

    #[test]
    fn a_sine_at_half_scale_has_six_decibels_of_room() {
        let found = overload(&sine(0.5));
        assert_eq!(found.samples_at_limit, 0);
        // 20 lg 2.
        assert!((found.room_db - 6.0206).abs() < 1e-3);
    }

    /// Closed form: of a sine of twice full scale, clipped, two thirds of the samples stand at the limit (arcsin ½ = π/6).
    #[test]
    fn a_sine_driven_over_is_counted_where_it_is_held() {
        let clipped: Vec<f32> = sine(2.0).iter().map(|x| x.clamp(-1.0, 1.0)).collect();
        let found = overload(&clipped);
        assert!((found.samples_at_limit as f64 / 4800.0 - 2.0 / 3.0).abs() < 0.01);
        assert!(found.room_db.abs() < 1e-12);
    }

    #[test]
    fn one_touch_is_no_overload_and_neither_is_a_jump_from_end_to_end() {
        assert_eq!(overload(&[0.0, 1.0, 0.0, -1.0, 0.2]).samples_at_limit, 0);
        assert_eq!(overload(&[0.0, 1.0, -1.0, 0.0]).samples_at_limit, 0);
        // The largest positive code of 16 bits.
        assert_eq!(overload(&[0.0, 32_767.0 / 32_768.0, 32_767.0 / 32_768.0, 0.0]).samples_at_limit, 2);
        assert_eq!(overload(&[-1.0, -1.0, -1.0]).samples_at_limit, 3);
    }

    #[test]
    fn silence_has_all_the_room_there_is() {
        assert!((overload(&[0.0; 8]).room_db - 144.494).abs() < 1e-3);
    }
}
