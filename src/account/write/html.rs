//! One self-contained HTML file: pictures inline, no script, nothing fetched (the page forbids itself to), light and dark,
//! readable on a narrow screen and on paper (A4, Letter), named for screen readers.

use super::svg::{Frame, Look, TOKENS, escape, styles, svg, token_of};
use crate::account::document::{Cell, Column, Document, Holds, Part, Section, Table};
use crate::account::picture::Picture;
use crate::palette::{self, Palette};

/// What the page may load: its own styles, nothing else.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// Rules beside the colours. Tables scroll by themselves on a narrow screen; of each picture one size shows.
const STYLE: &str = include_str!("html/style.css");

/// A text of so many characters keeps to one line: `dB SPL`.
const SHORT: usize = 10;

/// A table of more columns than this breaks its numbers on paper.
const MANY: usize = 7;

/// The whole report.
pub fn html(document: &Document) -> String {
    let title = escape(&document.title);
    let mut pictures = 0;
    let sections: Vec<String> =
        document.sections.iter().enumerate().map(|(i, section)| self::section(section, i + 1, &mut pictures)).collect();
    let contents: String = document
        .sections
        .iter()
        .enumerate()
        .map(|(i, section)| format!("<li><a href=\"#part-{}\">{}</a></li>\n", i + 1, escape(&section.title)))
        .collect();
    let folded = match document.sections.iter().any(|section| section.is_behind) {
        true => {
            "<p class=\"written\">A folded part is printed where it is open. Every number is in the tables beside this page.</p>\n"
        }
        false => "",
    };
    let banner = document.bench.sentence().map_or(String::new(), |words| {
        format!("<p class=\"banner\" role=\"note\"><strong>{}</strong></p>\n", escape(words))
    });
    let tab = document.bench.word().map_or(title.clone(), |word| format!("{word} – {title}"));
    let verdict = match document.verdict.as_str() {
        "" => String::new(),
        words => format!("<p class=\"verdict\">Verdict: <strong>{}</strong></p>\n", escape(words)),
    };
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<meta name=\"color-scheme\" content=\"light dark\">\n<title>{tab}</title>\n<style>\n{}</style>\n</head>\n<body>\n<header>\n{banner}<h1>{title}</h1>\n<p class=\"answer\">{}</p>\n{verdict}<p class=\"written\">{}</p>\n</header>\n<nav aria-label=\"Contents\">\n<ul>\n{contents}</ul>\n</nav>\n<main>\n{}</main>\n{folded}</body>\n</html>\n",
        style(),
        escape(&document.answer),
        escape(&document.written),
        sections.concat()
    )
}

fn style() -> String {
    let tokens = |palette: &Palette| -> String {
        TOKENS.iter().map(|token| format!("--{token}:#{:06x};", token_of(palette, token))).collect()
    };
    let drawn = styles(|token| format!("var(--{token})"));
    format!(
        ":root{{{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n{STYLE}{drawn}\n",
        tokens(&palette::LIGHT),
        tokens(&palette::DARK)
    )
}

fn section(section: &Section, number: usize, pictures: &mut usize) -> String {
    let drawn = |part: &Part| matches!(part, Part::Picture(_));
    let groups = section.parts.chunk_by(|a, b| drawn(a) && drawn(b)).map(|group| {
        let parts: String = group.iter().map(|part| self::part(part, pictures)).collect();
        match group {
            // On paper they stand side by side.
            [Part::Picture(_)] => format!("<div class=\"pictures single\">\n{parts}</div>\n"),
            [Part::Picture(_), ..] => format!("<div class=\"pictures\">\n{parts}</div>\n"),
            _ => parts,
        }
    });
    let parts: String = groups.collect();
    let heading = format!("<h2 id=\"part-{number}\">{}</h2>", escape(&section.title));
    let inside = match section.is_behind {
        true => format!("<details>\n<summary>{heading}</summary>\n{parts}</details>\n"),
        false => format!("{heading}\n{parts}"),
    };
    format!("<section aria-labelledby=\"part-{number}\">\n{inside}</section>\n")
}

fn part(part: &Part, pictures: &mut usize) -> String {
    match part {
        Part::Paragraph(words) => format!("<p>{}</p>\n", escape(words)),
        Part::Caution(words) => format!("<p class=\"caution\"><strong>Caution:</strong> {}</p>\n", escape(words)),
        Part::List(items) => list(items),
        Part::Cautions(items) => format!("<div class=\"cautions\">\n{}</div>\n", list(items)),
        Part::Table(table) => self::table(table),
        Part::Picture(picture) => {
            *pictures += 1;
            self::picture(picture, *pictures)
        }
    }
}

fn list(items: &[String]) -> String {
    let items: String = items.iter().map(|item| format!("<li>{}</li>\n", escape(item))).collect();
    format!("<ul>\n{items}</ul>\n")
}

/// Every size; the page shows one of them, and screen readers hear that one alone.
fn picture(picture: &Picture, number: usize) -> String {
    let sizes = [("wide", Frame::PAGE), ("narrow", Frame::NARROW), ("paper", Frame::PAPER.no_higher_than(picture))];
    let drawn: String = sizes
        .iter()
        .map(|(class, frame)| {
            let id = format!("picture-{number}-{class}");
            format!("<div class=\"{class}\">\n{}</div>\n", svg(picture, *frame, Look::Inside(&id)))
        })
        .collect();
    format!(
        "<figure>\n{drawn}<figcaption><strong>{}.</strong> <span>{}</span></figcaption>\n</figure>\n",
        escape(&picture.title),
        escape(&picture.says)
    )
}

fn table(table: &Table) -> String {
    let heads: String =
        table.columns.iter().map(|c| format!("<th scope=\"col\"{}>{}</th>", class(c), escape(&c.head()))).collect();
    let rows: String = table
        .rows
        .iter()
        .map(|row| {
            let cells: String = row
                .iter()
                .zip(&table.columns)
                .enumerate()
                .map(|(i, (cell, column))| self::cell(cell, column, i == 0))
                .collect();
            format!("<tr>{cells}</tr>\n")
        })
        .collect();
    let caption = escape(&table.title);
    // A table that scrolls has to be reachable by keyboard, and so needs a name.
    format!(
        "<section class=\"table{many}\" tabindex=\"0\" aria-labelledby=\"table-{name}\">\n<table>\n<caption id=\"table-{name}\">{caption}</caption>\n<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}</tbody>\n</table>\n</section>\n",
        name = table.name,
        many = if table.columns.len() > MANY { " many" } else { "" }
    )
}

fn cell(cell: &Cell, column: &Column, first: bool) -> String {
    let words = match cell {
        Cell::Empty => "–".into(),
        Cell::Text(words) => escape(words),
        Cell::Figure(figure) => figure.words(),
    };
    let short = matches!(cell, Cell::Text(words) if words.chars().count() <= SHORT);
    match first {
        true => format!("<th scope=\"row\"{}>{words}</th>", class(column)),
        false if short => format!("<td class=\"s\">{words}</td>"),
        false => format!("<td{}>{words}</td>", class(column)),
    }
}

/// Numbers stand to the right.
fn class(column: &Column) -> &'static str {
    if column.holds == Holds::Text { "" } else { " class=\"n\"" }
}
