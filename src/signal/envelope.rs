//! Fades: every sound opens and closes with a raised cosine.

/// Shortest fade, seconds (at least 20 ms).
pub const FADE_S: f64 = 0.03;

/// Raised cosine from 0 to 1 as `x` goes from 0 to 1, held outside.
pub fn raised_cosine(x: f64) -> f64 {
    // Most of what is windowed lies outside: no cosine is spent on it.
    match x {
        _ if x <= 0.0 => 0.0,
        _ if x >= 1.0 => 1.0,
        _ => 0.5 - 0.5 * (std::f64::consts::PI * x).cos(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fade_starts_at_zero_ends_at_one_and_never_turns_back() {
        assert!(raised_cosine(-1.0).abs() < 1e-15 && (raised_cosine(2.0) - 1.0).abs() < 1e-15);
        let steps: Vec<f64> = (0..=100).map(|i| raised_cosine(f64::from(i) / 100.0)).collect();
        assert!(steps.windows(2).all(|w| w[1] >= w[0]));
        assert!((raised_cosine(0.5) - 0.5).abs() < 1e-15);
    }
}
