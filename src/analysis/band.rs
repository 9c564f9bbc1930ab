//! One-third octaves, base ten, numbered from 0 at 1 kHz (IEC 61260-1:2014, 5.2 to 5.5).

use std::ops::{Range, RangeInclusive};

/// The 31 bands from 20 Hz to 20 kHz.
pub const BANDS: RangeInclusive<i32> = -17..=13;

/// Exact mid-band frequency of band `x`, Hz.
pub fn centre_hz(x: i32) -> f64 {
    1000.0 * 10f64.powf(f64::from(x) / 10.0)
}

/// Lower edge of band `x`, Hz; also the upper edge of the band below.
pub fn lower_edge_hz(x: i32) -> f64 {
    1000.0 * 10f64.powf((2.0 * f64::from(x) - 1.0) / 20.0)
}

/// The band that holds `f_hz` (a frequency on an edge belongs to the band above).
pub fn band_of(f_hz: f64) -> i32 {
    let near = (10.0 * (f_hz / 1000.0).log10()).round() as i32;
    // Rounding of the logarithm must not move an edge: compare with the edges themselves.
    if f_hz < lower_edge_hz(near) {
        near - 1
    } else if f_hz >= lower_edge_hz(near + 1) {
        near + 1
    } else {
        near
    }
}

/// Lines of band `x` for a line spacing of `spacing_hz`: those with lower edge ≤ f < upper edge.
pub fn lines_in(x: i32, spacing_hz: f64) -> Range<usize> {
    let first_from = |edge_hz: f64| (edge_hz / spacing_hz).ceil() as usize;
    first_from(lower_edge_hz(x))..first_from(lower_edge_hz(x + 1))
}

/// Cells of the response per octave (1/48 octave or the line spacing, whichever is coarser).
const CELLS_PER_OCTAVE: f64 = 48.0;

/// Rising lines cell by cell; one of the cells is centred on 1 kHz.
pub fn cells(mut lines: &[usize], spacing_hz: f64) -> impl Iterator<Item = &[usize]> {
    std::iter::from_fn(move || {
        let of = (CELLS_PER_OCTAVE * (*lines.first()? as f64 * spacing_hz / 1000.0).log2()).round();
        let upper_edge_hz = 1000.0 * 2f64.powf((of + 0.5) / CELLS_PER_OCTAVE);
        // The first line is inside whatever rounding says of the edge.
        let inside = lines.partition_point(|k| (*k as f64) * spacing_hz < upper_edge_hz).max(1);
        let (cell, rest) = lines.split_at(inside);
        lines = rest;
        Some(cell)
    })
}

/// Nominal mid-band frequency of band `x` (IEC 61260-1 Annex, R10 series), Hz: what tables by one-third octave name.
pub fn nominal_hz(x: i32) -> f64 {
    const MANTISSA: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];
    MANTISSA[x.rem_euclid(10) as usize] * 10f64.powi(3 + x.div_euclid(10))
}

/// Nominal label of band `x` (IEC 61260-1 Annex, R10 series), for example `31.5 Hz` or `1.25 kHz`.
pub fn label(x: i32) -> String {
    let nominal = nominal_hz(x);
    if nominal < 1000.0 { format!("{} Hz", round3(nominal)) } else { format!("{} kHz", round3(nominal / 1000.0)) }
}

fn round3(x: f64) -> f64 {
    (x * 1000.0).round() / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By definition: line by line the nearest of the frequencies 1000·2^(i/48) Hz.
    #[test]
    fn lines_of_a_cell_are_nearest_to_the_same_frequency() {
        let lines: Vec<usize> = (1..40_000).filter(|k| k % 3 != 0).collect();
        for spacing in [0.1046, 0.7324] {
            let nearest = |k: &usize| (48.0 * (*k as f64 * spacing / 1000.0).log2()).round() as i64;
            let expected: Vec<&[usize]> = lines.chunk_by(|a, b| nearest(a) == nearest(b)).collect();
            assert_eq!(cells(&lines, spacing).collect::<Vec<_>>(), expected);
        }
        assert_eq!(cells(&[], 1.0).count(), 0);
    }

    /// Edges as tabulated for IEC 61260-1:2014 (computed independently, printed to four decimals).
    #[test]
    fn edges_and_centres_are_those_of_the_standard() {
        for (x, centre, lower, upper) in [
            (-17, 19.9526, 17.7828, 22.3872),
            (-12, 63.0957, 56.2341, 70.7946),
            (-10, 100.0, 89.1251, 112.2018),
            (0, 1000.0, 891.2509, 1122.0185),
            (5, 3162.2777, 2818.3829, 3548.1339),
            (13, 19_952.623_1, 17_782.794_1, 22_387.211_4),
        ] {
            assert!((centre_hz(x) - centre).abs() < 6e-5);
            assert!((lower_edge_hz(x) - lower).abs() < 6e-5);
            assert!((lower_edge_hz(x + 1) - upper).abs() < 6e-5);
        }
    }

    #[test]
    fn every_frequency_has_one_band() {
        for x in BANDS {
            assert_eq!(band_of(centre_hz(x)), x);
            assert_eq!(band_of(lower_edge_hz(x)), x);
            assert_eq!(band_of(lower_edge_hz(x) * (1.0 - 1e-12)), x - 1);
        }
    }

    /// ISO 266 labels.
    #[test]
    fn labels_are_nominal() {
        let labels: Vec<String> = [-17, -15, -12, -5, 0, 1, 5, 13].into_iter().map(label).collect();
        assert_eq!(labels, ["20 Hz", "31.5 Hz", "63 Hz", "315 Hz", "1 kHz", "1.25 kHz", "3.15 kHz", "20 kHz"]);
    }
}
