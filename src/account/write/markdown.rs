//! Markdown that any reader shows, with tables as most of them know. Text is escaped; pictures are the files beside it.

use super::folder::picture_file;
use super::svg::Frame;
use crate::account::document::{Cell, Document, Part, Section, Table};
use crate::account::picture::Picture;

/// The whole report; its pictures lie in `pictures/` beside it.
pub fn markdown(document: &Document) -> String {
    let mut out = format!("# {}\n\n**{}**\n\n", text(&document.title), text(&document.answer));
    // Quoted, so that it stands out in any reader.
    out += &document.bench.sentence().map_or(String::new(), |words| format!("> **{}**\n\n", text(words)));
    if !document.verdict.is_empty() {
        out += &format!("Verdict: **{}**\n\n", text(&document.verdict));
    }
    out += &format!("{}\n", text(&document.written));
    for section in &document.sections {
        out += &self::section(section);
    }
    out
}

fn section(section: &Section) -> String {
    let parts: Vec<String> = section.parts.iter().map(part).collect();
    format!("\n## {}\n\n{}\n", text(&section.title), parts.join("\n\n"))
}

fn part(part: &Part) -> String {
    match part {
        Part::Paragraph(words) => text(words),
        Part::Caution(words) => format!("> **Caution:** {}", text(words)),
        Part::List(items) | Part::Cautions(items) => {
            items.iter().map(|item| format!("- {}", text(item))).collect::<Vec<_>>().join("\n")
        }
        Part::Table(table) => self::table(table),
        Part::Picture(picture) => self::picture(picture),
    }
}

fn table(table: &Table) -> String {
    let row = |cells: Vec<String>| format!("| {} |", cells.join(" | "));
    let is_text = |i: usize| table.columns[i].holds == crate::account::document::Holds::Text;
    let mut lines = vec![
        format!("{}\n", text(&table.title)),
        row(table.columns.iter().map(|column| text(&column.head())).collect()),
        row((0..table.columns.len()).map(|i| if is_text(i) { "---" } else { "---:" }.into()).collect()),
    ];
    for cells in &table.rows {
        lines.push(row(cells.iter().map(cell).collect()));
    }
    lines.join("\n")
}

fn cell(cell: &Cell) -> String {
    match cell {
        Cell::Empty => "–".into(),
        Cell::Text(words) => text(words),
        Cell::Figure(figure) => figure.words(),
    }
}

fn picture(picture: &Picture) -> String {
    let file = picture_file(&picture.name, Frame::WIDE, "light", true, "svg");
    format!("![{}](pictures/{file})\n\n{}", text(&picture.title), text(&picture.says))
}

/// Text that stays text: one line, nothing that Markdown or HTML would act on.
fn text(words: &str) -> String {
    let mut out = String::new();
    let one_line = words.split_whitespace().collect::<Vec<_>>().join(" ");
    for c in one_line.chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '@' => out += "&#64;",
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '~' | '#' | '!' | '$' => {
                out.push('\\');
                out.push(c);
            }
            c if c.is_control() => out.push(char::REPLACEMENT_CHARACTER),
            c => out.push(c),
        }
    }
    // An address in a name is no link; a sign at the start no list, heading or rule.
    let out = out.replace("://", "&#58;//").replace("www.", "www&#46;");
    let digits = out.chars().take_while(char::is_ascii_digit).count();
    let listed = digits > 0 && out[digits..].starts_with(['.', ')']);
    match out.chars().next() {
        Some('+' | '-' | '=') => format!("\\{out}"),
        _ if listed && out[digits + 1..].starts_with(' ') => format!("{}\\{}", &out[..digits], &out[digits..]),
        _ => out,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_looks_like_markup_stays_text() {
        assert_eq!(text("<img onerror=x>"), "&lt;img onerror=x&gt;");
        assert_eq!(text("a | b\n# c"), "a \\| b \\# c");
        assert_eq!(text("- x"), "\\- x");
        assert_eq!(text("=1+1"), "\\=1+1");
        assert_eq!(text("1. one"), "1\\. one");
        assert_eq!(text("1.5 dB"), "1.5 dB");
        assert_eq!(text("see http://x"), "see http&#58;//x");
        assert_eq!(text("![a](b)"), "\\!\\[a\\](b)");
    }
}
