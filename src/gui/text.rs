//! How are figures written? One decimal, a true minus, a fixed width, and words where there is no figure.

use crate::units::tidy;

/// What stands where nothing was measured.
pub const NOT_MEASURED: &str = "not measured";

/// `places` decimals with a true minus and never "−0.0".
pub fn fixed(value: f64, places: usize) -> String {
    if !value.is_finite() {
        return NOT_MEASURED.into();
    }
    tidy(value, places)
}

/// One decimal.
pub fn db(value: f64) -> String {
    fixed(value, 1)
}

/// One decimal in `width` characters, right-aligned, so that figures under each other keep their decimal point.
pub fn column(value: Option<f64>, width: usize) -> String {
    let shown = value.filter(|v| v.is_finite()).map_or("–".into(), db);
    format!("{shown:>width$}")
}

/// A ratio in dB as percent, two significant places.
pub fn percent(ratio_db: f64) -> String {
    let p = 100.0 * 10f64.powf(ratio_db / 20.0);
    let places = if p >= 10.0 {
        0
    } else if p >= 1.0 {
        1
    } else {
        (1.0 - p.max(1e-6).log10()).ceil() as usize
    };
    format!("{} %", fixed(p, places.min(5)))
}

/// Whole seconds as a person says them.
pub fn seconds(s: f64) -> String {
    let s = s.max(0.0).round() as u64;
    if s < 100 { format!("{s} s") } else { format!("{} min {:02} s", s / 60, s % 60) }
}

/// The moment of an RFC 3339 time as people read it: date and minutes.
pub fn moment(rfc3339: &str) -> String {
    let day: String = rfc3339.chars().take(10).collect();
    let minutes: String = rfc3339.chars().skip(11).take(5).collect();
    if minutes.len() == 5 { format!("{day} {minutes}") } else { rfc3339.into() }
}

/// Minutes and seconds as a clock shows them: `1:48`.
pub fn clock(s: f64) -> String {
    let s = s.max(0.0).round() as u64;
    format!("{}:{:02}", s / 60, s % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_keep_their_width_and_zero_has_no_sign() {
        assert_eq!(db(-0.04), "0.0");
        assert_eq!(column(Some(-12.36), 8), "   −12.4");
        assert_eq!(column(None, 3), "  –");
        assert_eq!(column(Some(f64::NAN), 3), "  –");
        assert_eq!(seconds(18.4), "18 s");
        assert_eq!(seconds(131.0), "2 min 11 s");
        assert_eq!((clock(131.4), clock(-1.0)), ("2:11".into(), "0:00".into()));
    }

    /// −40 dB is 1 %, −60 dB 0.1 %, −44 dB 0.631 % (from the definition of the decibel).
    #[test]
    fn ratios_read_as_percent() {
        assert_eq!(percent(-40.0), "1.0 %");
        assert_eq!(percent(-60.0), "0.10 %");
        assert_eq!(percent(-44.0), "0.63 %");
        assert_eq!(percent(-20.0), "10 %");
    }
}
