//! Numbers as text, whatever field they belong to.

/// A value as it is shown in a field: no more places than a person would type.
pub fn shown(value: f64) -> String {
    let exact = value.to_string();
    let words = match exact.len() {
        ..=12 => exact,
        _ if value.abs() < 1e9 => ((value * 1e6).round() / 1e6).to_string(),
        _ => format!("{value:e}"),
    };
    words.replace('-', "−")
}

/// The pieces of a list: parted by blanks, `;` or `±`. A unit with a blank before it stays with its number.
pub fn words(typed: &str) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for word in typed.split(|c: char| c.is_whitespace() || c == ';' || c == '±').filter(|w| !w.is_empty()) {
        match all.last_mut() {
            Some(last) if !word.starts_with(|c: char| c.is_ascii_digit() || "+-−.,".contains(c)) => {
                last.push_str(word)
            }
            _ => all.push(word.into()),
        }
    }
    all
}

/// `1,000` is a thousand to some and one to others; `0,500`, `1,5` and `1.000` are clear.
pub fn could_be_thousands(number: &str) -> bool {
    let Some((before, after)) = number.trim_start_matches(['+', '-']).split_once(',') else { return false };
    let digits = |s: &str| s.chars().all(|c| c.is_ascii_digit());
    (1..=3).contains(&before.len()) && !before.starts_with('0') && digits(before) && after.len() == 3 && digits(after)
}
