//! Parts of an account in the window: its words and digits, laid out anew, and its pictures.

use super::desk::Desk;
use super::keys::Action;
use super::parts;
use super::plot;
use super::theme::{self, SMALL, STEP};
use super::wish;
use crate::account::document::{Part, Section, Table};
use crate::account::picture::Picture;
use crate::account::write::columns::{Block, Room, blocks};
use eframe::egui::{CentralPanel, Frame, Label, Margin, Response, RichText, Role, ScrollArea, Ui, WidgetInfo, vec2};

/// Height of a picture under a heading over its width, and its least and greatest, points.
const FLAT: f32 = 0.45;
/// Ends of that height, in steps.
const HEIGHTS: [f32; 2] = [30.0, 60.0];

/// Letters that a table has at least; a narrower place scrolls.
const LEAST: usize = 72;

/// Sections under each other.
pub fn sections(ui: &mut Ui, sections: &[Section]) {
    for section in sections {
        self::section(ui, section);
    }
}

/// A section under its heading.
pub fn section(ui: &mut Ui, section: &Section) {
    ui.add_space(STEP);
    parts::heading(ui, &section.title);
    for part in &section.parts {
        match part {
            Part::Paragraph(words) => {
                parts::quiet(ui, words);
            }
            Part::Caution(words) => parts::wrong(ui, words),
            Part::List(items) | Part::Cautions(items) => items.iter().for_each(|item| {
                parts::quiet(ui, item);
            }),
            Part::Table(table) => self::table(ui, table),
            Part::Picture(picture) => {
                let height = (FLAT * ui.available_width()).clamp(HEIGHTS[0] * STEP, HEIGHTS[1] * STEP);
                self::picture(ui, picture, height);
            }
        }
    }
}

/// A table under its title.
pub fn table(ui: &mut Ui, table: &Table) {
    ui.horizontal_wrapped(|ui| {
        if !table.title.is_empty() {
            parts::quiet(ui, &table.title);
        }
        if parts::small_button(ui, "copy table", &format!("Copy the table {}", table.name)) {
            wish::ask(ui, wish::of_table(table));
        }
    });
    let letter = ui.fonts_mut(|fonts| fonts.glyph_width(&theme::figures(SMALL), '0'));
    let letters = ((ui.available_width() / letter.max(1.0)) as usize).max(LEAST);
    ScrollArea::horizontal().id_salt(&table.name).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        for (i, block) in blocks(table, Room { letters, aside: false }).iter().enumerate() {
            head(ui, block);
            for (number, lines) in &block.rows {
                let row = line(ui, &lines.join("\n"), false);
                // The columns of several lines cannot be followed by ear; in further blocks they would be said twice.
                if i == 0 {
                    row.widget_info(|| WidgetInfo::labeled(Role::Label, true, table.row_words(&table.rows[*number])));
                }
            }
        }
    });
}

/// The heads of some columns.
pub fn head(ui: &mut Ui, block: &Block) {
    line(ui, &block.head.join("\n"), true);
}

fn line(ui: &mut Ui, text: &str, quiet: bool) -> Response {
    let t = theme::tokens(ui);
    let colour = if quiet { t.quiet } else { t.text };
    ui.add(Label::new(RichText::new(text).font(theme::figures(SMALL)).color(colour)).extend())
}

/// A picture over the whole width; those who do not see it hear what it shows.
pub fn picture(ui: &mut Ui, picture: &Picture, height: f32) {
    let size = vec2(ui.available_width(), height);
    plot::large(ui, picture, size, &[], &mut None);
}

/// The picture that takes the whole page, and the way back.
pub fn alone(desk: &mut Desk, ui: &mut Ui) {
    let Some(picture) = desk.large.clone() else { return };
    let frame = Frame::central_panel(ui.style()).inner_margin(Margin::same(STEP as i8));
    CentralPanel::default().frame(frame).show(ui, |ui| {
        if ui.button(format!("Back to the page  {}", Action::Enlarge.key())).clicked() {
            desk.ask(Action::Enlarge);
        }
        let size = ui.available_size();
        plot::large(ui, &picture, size, &[], &mut None);
    });
}
