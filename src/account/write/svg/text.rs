//! Text inside XML and HTML, and how wide it may be.

/// Width of a character over the height of its text, of a wide sans-serif face.
const CHARACTER: f64 = 0.56;

/// Text that stays text between tags and inside quoted attributes, in XML 1.0 as in HTML.
pub fn escape(words: &str) -> String {
    let mut out = String::with_capacity(words.len());
    for c in words.chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '"' => out += "&quot;",
            '\'' => out += "&#39;",
            '\t' | '\n' => out.push(c),
            // XML has no such characters.
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push(char::REPLACEMENT_CHARACTER),
            c => out.push(c),
        }
    }
    out
}

/// Estimated width of text of this height, pixels.
pub fn width(words: &str, height: f64) -> f64 {
    CHARACTER * height * words.chars().count() as f64
}

/// Broken at spaces into lines no wider than this, pixels; a longer word keeps its line.
pub fn wrapped(words: &str, height: f64, widest: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        match lines.last_mut() {
            Some(line) if width(line, height) + width(word, height) + width(" ", height) <= widest => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.into()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_and_what_xml_cannot_hold_stay_out() {
        assert_eq!(escape("<img onerror='x' y=\"&\">"), "&lt;img onerror=&#39;x&#39; y=&quot;&amp;&quot;&gt;");
        assert_eq!(escape("a\u{0}\u{1b}b\n80 Ω"), "a\u{fffd}\u{fffd}b\n80 Ω");
    }

    #[test]
    fn long_text_breaks_at_spaces() {
        let lines = wrapped("one two three", 10.0, width("one two", 10.0));
        assert_eq!(lines, ["one two", "three"]);
        assert_eq!(wrapped("unbroken", 10.0, 1.0), ["unbroken"]);
    }
}
