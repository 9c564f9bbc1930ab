//! How old may a calibration be before it is doubted? The user's own limits; time is an argument.

use jiff::civil::Date;
use jiff::{Span, Timestamp};
use serde::{Deserialize, Serialize};

/// Clocks of two computers may differ by this before a calibration counts as taken in the future, hours.
const CLOCKS_DIFFER_H: f64 = 1.0;
/// Shortest and longest age of a certificate that can be stated, months: up to a century.
pub const CERTIFICATE_MONTHS: (f64, f64) = (1.0, 1200.0);
/// The same of an offset, hours.
pub const OFFSET_HOURS: (f64, f64) = (0.1, 876_600.0);

/// The user's own limits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct AgeLimits {
    /// Certificates of microphones and calibrators, and measured impedances, months (common practice: a year).
    pub certificate_months: u32,
    /// A calibration offset, and volts at full scale, hours (common practice: before every series, so within one working
    /// day).
    pub offset_hours: f64,
}

impl Default for AgeLimits {
    fn default() -> AgeLimits {
        AgeLimits { certificate_months: 12, offset_hours: 12.0 }
    }
}

impl AgeLimits {
    /// False for limits that are none.
    pub fn are_limits(&self) -> bool {
        let lies = |value: f64, (low, high): (f64, f64)| (low..=high).contains(&value);
        lies(f64::from(self.certificate_months), CERTIFICATE_MONTHS) && lies(self.offset_hours, OFFSET_HOURS)
    }

    /// Why an offset taken at `taken_at` is doubtful at `now` (both RFC 3339): `is 14 hours old, …`; `None` while it is
    /// within the limit.
    pub fn offset(&self, taken_at: &str, now: &str) -> Option<String> {
        let (Ok(taken), Ok(now)) = (taken_at.parse::<Timestamp>(), now.parse::<Timestamp>()) else {
            return Some(format!("was taken at a time that cannot be read (`{taken_at}`)"));
        };
        let hours = (now.as_second() - taken.as_second()) as f64 / 3600.0;
        if hours < -CLOCKS_DIFFER_H {
            return Some(format!("is dated {:.0} hours ahead of this clock", -hours));
        }
        let age = if hours < 72.0 { format!("{hours:.1} hours") } else { format!("{:.0} days", hours / 24.0) };
        (hours > self.offset_hours).then(|| format!("is {age} old; the limit is {} hours", self.offset_hours))
    }

    /// The same of volts at full scale: they hang on a volume or an input gain as an offset does. `are 14.0 hours old, …`
    pub fn volts(&self, taken_at: &str, now: &str) -> Option<String> {
        let why = self.offset(taken_at, now)?;
        let (verb, rest) = why.split_once(' ').unwrap_or(("", &why));
        Some(format!("{} {rest}", if verb == "is" { "are" } else { "were" }))
    }

    /// The same of an impedance taken at `taken_at` (RFC 3339): the device's own, it is as good as a certificate.
    pub fn impedance(&self, taken_at: &str, now: &str) -> Option<String> {
        self.certificate(taken_at.get(..10).unwrap_or(taken_at), now)
    }

    /// The same of a certificate of `date` (`2025-06-30`).
    pub fn certificate(&self, date: &str, now: &str) -> Option<String> {
        let today = now.get(..10).and_then(|day| day.parse::<Date>().ok());
        let (Ok(issued), Some(today)) = (date.parse::<Date>(), today) else {
            return Some(format!("has a date that cannot be read (`{date}`)"));
        };
        if issued > today {
            return Some(format!("is dated {issued}, in the future by this clock"));
        }
        let expires =
            issued.checked_add(Span::new().months(self.certificate_months.min(CERTIFICATE_MONTHS.1 as u32))).ok()?;
        (today > expires).then(|| format!("is dated {issued}; the limit is {} months", self.certificate_months))
    }
}

/// True for a date as certificates carry it, `2025-06-30`.
pub fn is_date(text: &str) -> bool {
    text.len() == 10 && text.parse::<Date>().is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_offset_is_doubted_after_its_hours() {
        let limits = AgeLimits::default();
        let taken = "2026-03-01T09:00:00+01:00";
        assert_eq!(limits.offset(taken, "2026-03-01T20:00:00Z"), None, "exactly 12 hours");
        assert_eq!(limits.offset(taken, "2026-03-01T07:30:00Z"), None, "clocks differ");
        let old = limits.offset(taken, "2026-03-01T22:06:00+00:00").unwrap();
        assert_eq!(old, "is 14.1 hours old; the limit is 12 hours");
        assert!(limits.offset(taken, "2026-04-01T08:00:00Z").unwrap().contains("31 days"));
        assert!(limits.offset(taken, "2026-03-01T02:00:00Z").unwrap().contains("6 hours ahead of this clock"));
        assert!(limits.offset("yesterday", "2026-03-01T02:00:00Z").unwrap().contains("`yesterday`"));
        assert_eq!(AgeLimits { offset_hours: 24.0, ..limits }.offset(taken, "2026-03-01T22:06:00+00:00"), None);
    }

    #[test]
    fn a_certificate_is_doubted_after_its_months() {
        let limits = AgeLimits::default();
        assert_eq!(limits.certificate("2025-03-01", "2026-03-01T09:00:00Z"), None, "to the day");
        let old = limits.certificate("2025-03-01", "2026-03-02T09:00:00Z").unwrap();
        assert_eq!(old, "is dated 2025-03-01; the limit is 12 months");
        assert_eq!(limits.certificate("2024-02-29", "2025-02-28T00:00:00Z"), None, "a leap day");
        assert!(limits.certificate("2027-01-01", "2026-03-02T09:00:00Z").unwrap().contains("future"));
        assert!(limits.certificate("last year", "2026-03-02T09:00:00Z").unwrap().contains("`last year`"));
        assert!(
            is_date("2025-06-30") && !is_date("2025-06-31") && !is_date("30.06.2025") && !is_date("2025-06-30T00:00")
        );
    }
}
