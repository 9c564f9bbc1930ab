//! For a terminal: headings, sentences and tables within so many columns; pictures are for pages and windows.

use super::columns::{Room, blocks, broken, plain};
use crate::account::document::{Part, Section, Table};

/// Columns that every terminal has room for.
pub const WIDTH: usize = 100;

/// Sections under each other, each with an empty line in front.
pub fn sections<'a>(sections: impl IntoIterator<Item = &'a Section>) -> String {
    sections.into_iter().filter_map(section).map(|section| format!("\n{section}")).collect()
}

/// One of them; `None` where it has pictures alone.
fn section(section: &Section) -> Option<String> {
    let parts: Vec<String> = section.parts.iter().filter_map(part).collect();
    (!parts.is_empty()).then(|| {
        let title = plain(&section.title);
        format!("{title}\n{}\n{}", "─".repeat(title.chars().count()), parts.join("\n"))
    })
}

fn part(part: &Part) -> Option<String> {
    match part {
        Part::Paragraph(words) => Some(text(words)),
        Part::Caution(words) => Some(text(&format!("Caution: {words}"))),
        Part::List(items) | Part::Cautions(items) => Some(items.iter().map(|item| hanging("- ", item)).collect()),
        Part::Table(table) => Some(self::table(table)),
        Part::Picture(_) => None,
    }
}

/// A sentence in lines.
pub fn text(words: &str) -> String {
    hanging("", words)
}

/// The same behind a sign, further lines under the first.
fn hanging(sign: &str, words: &str) -> String {
    let words: Vec<String> = plain(words).split_whitespace().map(Into::into).collect();
    let lines = broken(&words, WIDTH - sign.len());
    let indent = " ".repeat(sign.len());
    let one = |(i, line): (usize, &String)| format!("{}{line}\n", if i == 0 { sign } else { &indent });
    lines.iter().enumerate().map(one).collect()
}

/// A table under its title.
pub fn table(table: &Table) -> String {
    let mut out = if table.title.is_empty() { String::new() } else { text(&table.title) };
    for (i, block) in blocks(table, Room { letters: WIDTH, aside: false }).iter().enumerate() {
        if i > 0 {
            out += "\n";
        }
        for line in &block.head {
            out += &format!("{line}\n");
        }
        for line in block.rows.iter().flat_map(|(_, lines)| lines) {
            out += &format!("{line}\n");
        }
    }
    out
}
