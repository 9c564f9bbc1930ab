//! CSV as of RFC 4180, UTF-8: one file a table. A column of readings becomes four (value, low, high, what kind of statement it is), so
//! that a number is never mixed with words. Text that a spreadsheet would run as a formula gets an apostrophe in front;
//! numbers are left alone.

use crate::account::document::{Cell, Holds, Table};

/// First characters by which a spreadsheet takes a text for a formula.
const FORMULA: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];

/// One table.
pub fn csv(table: &Table) -> String {
    let mut lines = vec![line(heads(table).iter().map(|head| text(head)))];
    for row in &table.rows {
        let cells = table.columns.iter().zip(row).flat_map(|(column, cell)| cells(column.holds, cell));
        lines.push(line(cells));
    }
    lines.concat()
}

fn heads(table: &Table) -> Vec<String> {
    let of = |column: &crate::account::document::Column| {
        let head = column.head();
        match column.holds {
            Holds::Text | Holds::Numbers => vec![head],
            Holds::Readings => {
                let name = &column.name;
                vec![head, format!("{name} low"), format!("{name} high"), format!("{name} kind")]
            }
        }
    };
    table.columns.iter().flat_map(of).collect()
}

fn cells(holds: Holds, cell: &Cell) -> Vec<String> {
    let count = if holds == Holds::Readings { 4 } else { 1 };
    match cell {
        Cell::Empty => vec![String::new(); count],
        Cell::Text(words) => {
            let mut cells = vec![String::new(); count];
            cells[0] = text(words);
            cells
        }
        Cell::Figure(figure) => {
            let [value, low, high] = figure.plain().map(Option::unwrap_or_default);
            match holds {
                Holds::Readings => vec![value, low, high, figure.kind().into()],
                Holds::Text | Holds::Numbers => vec![value],
            }
        }
    }
}

fn line(cells: impl Iterator<Item = String>) -> String {
    cells.collect::<Vec<_>>().join(",") + "\r\n"
}

/// Text as a field.
fn text(words: &str) -> String {
    let harmless = if words.starts_with(FORMULA) { format!("'{words}") } else { words.into() };
    if harmless.contains(['"', ',', '\r', '\n']) { format!("\"{}\"", harmless.replace('"', "\"\"")) } else { harmless }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::account::document::Column;
    use crate::stats::{Estimate, Reading};

    #[test]
    fn readings_become_four_columns_and_formulas_stay_text() {
        let mut table =
            Table::new("t", "", vec![Column::text("name"), Column::readings("level", "dB"), Column::numbers("n", "")]);
        let stated = Reading::Determined(Estimate::symmetric(-1.5, 0.25));
        table.rows.push(vec![Cell::text("=1+1"), Cell::reading(Some(&stated), 2), Cell::number(Some(-3.0), 0)]);
        table.rows.push(vec![Cell::text("a \"b\", c"), Cell::reading(Some(&Reading::Below(-9.0)), 1), Cell::Empty]);
        assert_eq!(
            csv(&table),
            "name,\"level, dB\",level low,level high,level kind,n\r\n\
             '=1+1,-1.50,-1.75,-1.25,value,-3\r\n\
             \"a \"\"b\"\", c\",-9.0,,-9.0,below,\r\n"
        );
    }

    #[test]
    fn every_way_to_begin_a_formula_is_closed() {
        for wrong in ["=1", "+1", "-1", "@x", "\t=1", "\r=1", "＝1"] {
            assert!(text(wrong).trim_start_matches('"').starts_with('\''), "{wrong:?}");
        }
        assert_eq!(text("−12 dB"), "−12 dB");
    }
}
