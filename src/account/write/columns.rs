//! A table in columns of letters of one width: for the terminal, and for the window's figures.
//!
//! Columns get the room that their cells want. Where that is too much, text is broken into lines; where even that does not
//! fit, the table goes on in a further block that repeats the cells that name each row.

use crate::account::document::{Cell, Column, Holds, Table};
use crate::figure::AT_LEAST;
use crate::stats::Reading;

/// Between two columns.
const GAP: usize = 2;
/// A longer word is broken.
const LONGEST_WORD: usize = 40;

/// Some columns of a table, each line as long as it needs to be.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Block {
    /// Heads, line by line.
    pub head: Vec<String>,
    /// Numbers of rows of the table, and their lines.
    pub rows: Vec<(usize, Vec<String>)>,
}

/// Which columns, and how wide they may be together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// Letters.
    pub letters: usize,
    /// With the columns that stand aside.
    pub aside: bool,
}

/// The table in as many blocks as it takes; columns in which nothing stands are left out.
pub fn blocks(table: &Table, room: Room) -> Vec<Block> {
    let shown = |i: &usize| {
        let something = table.rows.iter().any(|row| row[*i] != Cell::Empty);
        something && (room.aside || !table.columns[*i].aside)
    };
    let columns: Vec<Width> = (0..table.columns.len()).filter(shown).map(|i| Width::of(table, i)).collect();
    let (keys, rest): (Vec<Width>, Vec<Width>) = columns.into_iter().partition(|width| width.column < table.keys);
    let mut parts = vec![keys.clone()];
    for width in rest {
        let last = parts.last().map_or(0, |part| total(part) + GAP + width.least);
        if last > room.letters && parts.last().is_some_and(|part| part.len() > keys.len()) {
            parts.push(keys.clone());
        }
        let first = parts.len() == 1;
        if let Some(part) = parts.last_mut() {
            part.push(Width { first, ..width });
        }
    }
    parts.into_iter().filter(|part| !part.is_empty()).map(|part| block(table, part, room.letters)).collect()
}

/// Room that a column wants.
#[derive(Clone, Debug)]
struct Width {
    column: usize,
    /// Where every word has a line of its own.
    least: usize,
    /// Where no cell is broken.
    most: usize,
    /// Where the head is low.
    head: usize,
    /// In the first block, which has every row.
    first: bool,
}

impl Width {
    fn of(table: &Table, column: usize) -> Width {
        let longest = |words: &[String]| words.iter().map(|w| letters(w).min(LONGEST_WORD)).max().unwrap_or(0);
        let Column { name, unit, holds, .. } = &table.columns[column];
        let head = longest(&split(name)).max(longest(&split(unit)));
        let cells: Vec<Vec<String>> = table.rows.iter().map(|row| words(&row[column], *holds)).collect();
        let least = cells.iter().map(|words| longest(words)).max().unwrap_or(0).max(head);
        let most = cells.iter().map(|words| letters(&words.join(" "))).max().unwrap_or(0).max(least);
        // A name in two lines at most.
        let head = head.max(letters(name).div_ceil(2) + 1).max(letters(unit));
        Width { column, least, most, head, first: false }
    }
}

fn total(part: &[Width]) -> usize {
    part.iter().map(|width| width.least).sum::<usize>() + GAP * part.len().saturating_sub(1)
}

fn block(table: &Table, part: Vec<Width>, most: usize) -> Block {
    let mut widths: Vec<usize> = part.iter().map(|width| width.least).collect();
    let mut left = most.saturating_sub(total(&part));
    // Figures before text, heads last. All of a kind grow alike; who has enough leaves the rest to the others.
    let is_text = |wanted: &Width| table.columns[wanted.column].holds == Holds::Text;
    let wants: [&dyn Fn(&Width) -> usize; 3] = [
        &|wanted| if is_text(wanted) { 0 } else { wanted.most },
        &|wanted| if is_text(wanted) { wanted.most } else { 0 },
        &|wanted| wanted.head,
    ];
    for most in wants {
        let grows = |(width, wanted): &(&mut usize, &Width)| **width < most(wanted);
        while left > 0 && widths.iter_mut().zip(&part).any(|pair| grows(&pair)) {
            for (width, _) in widths.iter_mut().zip(&part).filter(grows).take(left) {
                *width += 1;
                left -= 1;
            }
        }
    }
    let line_up = |cells: Vec<Vec<String>>| {
        let count = cells.iter().map(Vec::len).max().unwrap_or(0);
        let line = |line: usize| {
            let cells = cells.iter().zip(&widths).zip(&part).map(|((lines, width), wanted)| {
                let right = table.columns[wanted.column].holds != Holds::Text;
                padded(lines.get(line).map_or("", String::as_str), *width, right)
            });
            cells.collect::<Vec<_>>().join(&" ".repeat(GAP)).trim_end().to_string()
        };
        (0..count).map(line).collect::<Vec<String>>()
    };
    let heads: Vec<Vec<String>> =
        part.iter().zip(&widths).map(|(wanted, width)| head(&table.columns[wanted.column], *width)).collect();
    let highest = heads.iter().map(Vec::len).max().unwrap_or(0);
    let low = |lines: Vec<String>| vec![String::new(); highest - lines.len()].into_iter().chain(lines).collect();
    let is_first = part.iter().any(|wanted| wanted.column >= table.keys && wanted.first);
    let shown = |row: &[Cell]| is_first || part.iter().any(|w| w.column >= table.keys && row[w.column] != Cell::Empty);
    let rows = table.rows.iter().enumerate().filter(|(_, row)| shown(row));
    let rows = rows.map(|(i, row)| {
        let cells = part
            .iter()
            .zip(&widths)
            .map(|(wanted, width)| broken(&words(&row[wanted.column], table.columns[wanted.column].holds), *width));
        (i, line_up(cells.collect()))
    });
    Block { rows: rows.collect(), head: line_up(heads.into_iter().map(low).collect()) }
}

/// Name, and unit under it.
fn head(column: &Column, width: usize) -> Vec<String> {
    let lines = |text: &str| broken(&split(text), width);
    lines(&column.name).into_iter().chain(lines(column.unit)).collect()
}

fn padded(text: &str, width: usize, right: bool) -> String {
    if right { format!("{text:>width$}") } else { format!("{text:<width$}") }
}

fn split(text: &str) -> Vec<String> {
    plain(text).split_whitespace().map(Into::into).collect()
}

/// What may stand on a line of its own: a value and its half width stay together. Where a text could be, nothing needs no
/// sign.
fn words(cell: &Cell, holds: Holds) -> Vec<String> {
    match cell {
        Cell::Text(text) => split(text),
        Cell::Figure(figure) if matches!(figure.reading, Reading::NotDetermined(_)) => split(&figure.words()),
        Cell::Figure(figure) => {
            let words = figure.words();
            let (bound, value) = words
                .strip_prefix(AT_LEAST)
                .map_or((None, words.as_str()), |value| (Some(AT_LEAST.trim_end().to_string()), value));
            let (value, ends) =
                value.split_once(" (").map_or((value, None), |(value, ends)| (value, Some(format!("({ends}"))));
            bound.into_iter().chain([value.to_string()]).chain(ends).collect()
        }
        Cell::Empty if holds == Holds::Text => Vec::new(),
        Cell::Empty => vec![cell.words()],
    }
}

/// Words in lines of at most so many letters.
pub fn broken(words: &[String], width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words {
        match lines.last_mut() {
            Some(line) if letters(line) + 1 + letters(word) <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => {
                let letters: Vec<char> = word.chars().collect();
                lines.extend(letters.chunks(width.max(1)).map(|piece| piece.iter().collect::<String>()));
            }
        }
    }
    lines
}

fn letters(text: &str) -> usize {
    text.chars().count()
}

/// Nothing in a name acts on a terminal.
pub fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() && !c.is_whitespace() { char::REPLACEMENT_CHARACTER } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Estimate;

    fn table() -> Table {
        let columns = vec![Column::text("what"), Column::readings("level", "dB"), Column::text("remark").aside()];
        let mut table = Table::new("t", "", columns);
        let level = Reading::Determined(Estimate::symmetric(-1.5, 0.25));
        table.rows.push(vec![Cell::text("one \u{1b}[31m"), Cell::reading(Some(&level), 2), Cell::text("a b c d e f")]);
        let none = Reading::NotDetermined("why".into());
        table.rows.push(vec![Cell::text("two"), Cell::reading(Some(&none), 2), Cell::text("x")]);
        table
    }

    #[test]
    fn numbers_stand_under_each_other_and_stay_whole() {
        let all = blocks(&table(), Room { letters: 100, aside: false });
        assert_eq!(all.len(), 1);
        assert_eq!(all[0].head, ["                    level", "what                   dB"]);
        assert_eq!(all[0].rows[0].1, ["one \u{fffd}[31m     −1.50 ±0.25"]);
        assert_eq!(all[0].rows[1].1, ["two        not determined"]);
    }

    #[test]
    fn what_does_not_fit_is_broken_and_then_goes_on_below() {
        let narrow = blocks(&table(), Room { letters: 26, aside: true });
        assert_eq!(narrow[0].rows[1].1[0].split_whitespace().collect::<Vec<_>>(), ["two", "not", "x"]);
        assert_eq!(narrow[0].rows[1].1[1].trim(), "determined");
        let tight = blocks(&table(), Room { letters: 21, aside: true });
        assert_eq!(tight.len(), 2);
        assert!(tight[1].head[0].starts_with("what") && tight[1].head[0].ends_with("remark"), "{tight:?}");
        assert!(
            tight.iter().flat_map(|b| b.rows.iter().flat_map(|row| &row.1)).all(|line| line.chars().count() <= 21),
            "{tight:?}"
        );
    }
}
