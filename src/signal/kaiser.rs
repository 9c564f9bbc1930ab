//! The Kaiser window, by which every ideal low-pass here is cut to a finite length.
//!
//! Source: Kaiser, as in Oppenheim & Schafer, *Discrete-Time Signal Processing*, ch. 7 (from memory).

/// Value of the window of shape `beta` at `x` half widths from its centre; zero from 1 on.
pub fn kaiser(x: f64, beta: f64) -> f64 {
    let inside = 1.0 - x * x;
    if inside < 0.0 { 0.0 } else { bessel_i0(beta * inside.sqrt()) / bessel_i0(beta) }
}

/// Modified Bessel function of the first kind, order zero, by its power series (all terms positive: no cancellation).
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let (mut term, mut sum, mut n) = (1.0, 1.0, 1.0);
    while term > 1e-18 * sum {
        term *= quarter / (n * n);
        sum += term;
        n += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed with mpmath 1.3, 30 digits.
    #[test]
    fn the_bessel_function_has_its_tabled_values() {
        for (x, value) in [(0.0, 1.0), (1.0, 1.266_065_877_752_008_2), (8.0, 427.564_115_721_804_74)] {
            assert!((bessel_i0(x) / value - 1.0).abs() < 1e-14, "I0({x})");
        }
    }

    #[test]
    fn the_window_is_one_in_its_middle_and_ends_at_its_edge() {
        assert!((kaiser(0.0, 8.0) - 1.0).abs() < 1e-15);
        assert!((kaiser(1.0, 8.0) - 1.0 / 427.564_115_721_804_74).abs() < 1e-15);
        assert!(kaiser(1.001, 8.0).abs() < 1e-300);
    }
}
