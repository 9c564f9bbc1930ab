//! A line's columns. Each line decides by itself what separates them: a semicolon where one stands, else a tab, else
//! blanks where these leave numbers, else commas.

use super::Decimal;
use super::number::{frequency, is_unit, level_db};

/// What stands between the columns of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Separator {
    /// `;`
    Semicolon,
    /// Tabs, several together for one.
    Tab,
    /// Blanks, with or without a comma beside them.
    Blank,
    /// `,` without blanks: inside a number it looks the same.
    Comma,
}

/// Columns of one line.
#[derive(Clone, Debug, PartialEq)]
pub struct Fields {
    /// What stood between them.
    pub separator: Separator,
    /// The columns, quotes and blanks around them taken off; no empty one at the end.
    pub texts: Vec<String>,
}

/// Cuts a line that is not empty.
pub fn fields(line: &str) -> Fields {
    let hard = [(';', Separator::Semicolon), ('\t', Separator::Tab)];
    let line = line.trim();
    if let Some((mark, separator)) = hard.into_iter().find(|(mark, _)| outside_quotes(line).any(|(_, c)| c == *mark)) {
        let mut texts = cut(line, mark);
        if separator == Separator::Tab {
            // Columns are lined up with as many tabs as their headings need.
            texts.retain(|text| !text.is_empty());
        }
        return Fields { separator, texts };
    }
    let blanks = Fields { separator: Separator::Blank, texts: cut_at_blanks(line) };
    let commas = Fields { separator: Separator::Comma, texts: cut(line, ',') };
    if !is_row(&blanks.texts) && is_row(&commas.texts) { commas } else { blanks }
}

/// True where the first two columns can be a frequency and its level.
fn is_row(texts: &[String]) -> bool {
    let either = |read: &dyn Fn(Decimal) -> bool| read(Decimal::Point) || read(Decimal::Comma);
    match texts {
        [first, second, ..] => {
            either(&|mark| frequency(first, mark).is_some()) && either(&|mark| level_db(second, mark).is_some())
        }
        _ => false,
    }
}

/// Characters outside quotes, with their places.
fn outside_quotes(line: &str) -> impl Iterator<Item = (usize, char)> {
    let mut quoted = false;
    line.char_indices().filter(move |(_, c)| {
        quoted ^= *c == '"';
        !quoted
    })
}

fn cut(line: &str, mark: char) -> Vec<String> {
    let mut texts = Vec::new();
    let mut from = 0;
    for (at, _) in outside_quotes(line).filter(|(_, c)| *c == mark) {
        texts.push(bare(&line[from..at]));
        from = at + mark.len_utf8();
    }
    texts.push(bare(&line[from..]));
    while texts.last().is_some_and(String::is_empty) {
        texts.pop();
    }
    texts
}

/// At blanks; a comma beside a blank belongs to the separator, and a unit to the number before it.
fn cut_at_blanks(line: &str) -> Vec<String> {
    let mut texts: Vec<String> = Vec::new();
    let mut commas = 0;
    for piece in pieces(line) {
        let inner = piece.trim_matches(',');
        commas += piece.len() - piece.trim_start_matches(',').len();
        if inner.is_empty() {
            continue;
        }
        // Two commas hold an empty column between them.
        texts.extend((1..commas).map(|_| String::new()));
        match texts.last_mut() {
            Some(last) if commas == 0 && is_unit(inner) && last.ends_with(|c: char| c.is_ascii_digit()) => {
                last.push(' ');
                last.push_str(inner);
            }
            _ => texts.push(bare(inner)),
        }
        commas = piece.len() - piece.trim_end_matches(',').len();
    }
    texts
}

fn pieces(line: &str) -> Vec<&str> {
    let mut found = Vec::new();
    let mut from = 0;
    for (at, c) in outside_quotes(line).filter(|(_, c)| c.is_whitespace()) {
        found.push(&line[from..at]);
        from = at + c.len_utf8();
    }
    found.push(&line[from..]);
    found.retain(|piece| !piece.is_empty());
    found
}

fn bare(text: &str) -> String {
    let text = text.trim();
    text.strip_prefix('"').and_then(|t| t.strip_suffix('"')).unwrap_or(text).trim().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_line_tells_its_separator() {
        use Separator::{Blank, Comma, Semicolon, Tab};
        let cases: [(&str, Separator, &[&str]); 18] = [
            ("20;-0,5;12", Semicolon, &["20", "-0,5", "12"]),
            ("1 000 ; -0,5 ;", Semicolon, &["1 000", "-0,5"]),
            ("20;;3", Semicolon, &["20", "", "3"]),
            ("20\t\t-0.5\t12", Tab, &["20", "-0.5", "12"]),
            ("20  -0.5 12", Blank, &["20", "-0.5", "12"]),
            ("31,5 -3", Blank, &["31,5", "-3"]),
            ("31,5, -3,0", Blank, &["31,5", "-3,0"]),
            ("20 , -0.5", Blank, &["20", "-0.5"]),
            ("20, , 5", Blank, &["20", "", "5"]),
            ("1 kHz -0.5 dB", Blank, &["1 kHz", "-0.5 dB"]),
            ("20,-0.5", Comma, &["20", "-0.5"]),
            ("20,-0.5, 12", Comma, &["20", "-0.5", "12"]),
            ("20 Hz,-0.5 dB", Comma, &["20 Hz", "-0.5 dB"]),
            ("20,-0.5,at an angle", Comma, &["20", "-0.5", "at an angle"]),
            ("\"31,5\",\"-3,0\"", Comma, &["31,5", "-3,0"]),
            ("\"a;b\" 20", Blank, &["a;b", "20"]),
            ("Frequency, Hz", Blank, &["Frequency", "Hz"]),
            ("1000,0 remark", Blank, &["1000,0", "remark"]),
        ];
        for (line, separator, texts) in cases {
            assert_eq!(
                fields(line),
                Fields { separator, texts: texts.iter().map(|t| t.to_string()).collect() },
                "{line}"
            );
        }
    }
}
