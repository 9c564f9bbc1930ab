//! Dates and times as a person writes them. Files keep RFC 3339.

use jiff::civil::Date;
use jiff::fmt::temporal::Pieces;

const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// `30 November 2026, 14:05`, at the place where it was written down; a text that is not a time (RFC 3339) stays as it is.
pub fn words(at: &str) -> String {
    let Ok(pieces) = Pieces::parse(at) else { return at.into() };
    let day = of(pieces.date());
    pieces.time().map_or(day.clone(), |time| format!("{day}, {:02}:{:02}", time.hour(), time.minute()))
}

/// `30 November 2026`; likewise.
pub fn day(at: &str) -> String {
    Pieces::parse(at).map_or_else(|_| at.into(), |pieces| of(pieces.date()))
}

fn of(date: Date) -> String {
    let month = usize::try_from(date.month() - 1).ok().and_then(|month| MONTHS.get(month)).unwrap_or(&"");
    format!("{} {month} {}", date.day(), date.year())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_said_as_the_clock_on_the_wall_showed_it() {
        assert_eq!(words("2026-11-30T14:05:59+01:00"), "30 November 2026, 14:05");
        assert_eq!(words("2026-01-02T03:04:05Z"), "2 January 2026, 03:04");
        assert_eq!(day("2026-11-30T14:05:59+01:00"), "30 November 2026");
        assert_eq!(words("2026-03-01"), "1 March 2026");
        assert_eq!(words("<yesterday>"), "<yesterday>");
        assert_eq!(day(""), "");
    }
}
