//! Parts of an account in the window: its words and digits, laid out anew, and its pictures.

use super::parts;
use super::theme::{self, SMALL, STEP};
use crate::account::document::{Part, Section, Table};
use crate::account::picture::Picture;
use crate::account::write::columns::{Block, Room, blocks};
use crate::account::write::{Frame, Look, pixels, svg};
use crate::palette;
use eframe::egui::{
    ColorImage, Id, Image, Label, Response, RichText, Role, ScrollArea, TextureHandle, TextureOptions, Ui, WidgetInfo,
    vec2,
};
use std::sync::Arc;

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
            Part::List(items) => items.iter().for_each(|item| {
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
    if !table.title.is_empty() {
        parts::quiet(ui, &table.title);
    }
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

/// A picture as it was drawn last, and of what.
#[derive(Clone)]
struct Drawn {
    of: Arc<Picture>,
    frame: Frame,
    dark: bool,
    texture: TextureHandle,
}

/// A picture over the whole width; those who do not see it hear what it shows.
pub fn picture(ui: &mut Ui, picture: &Picture, height: f32) {
    let size = vec2(ui.available_width().max(20.0 * STEP), height.max(12.0 * STEP));
    let scale = ui.pixels_per_point();
    let pixel = |points: f32| f64::from((points * scale).round());
    let frame = Frame { width: pixel(size.x), height: pixel(size.y), text: pixel(SMALL) };
    let (id, dark) = (Id::unique(("picture", &picture.name)), ui.visuals().dark_mode);
    let kept: Option<Drawn> = ui.data(|data| data.get_temp(id));
    let kept = kept.filter(|kept| kept.frame == frame && kept.dark == dark && *kept.of == *picture);
    match kept.map_or_else(|| draw(ui, picture, frame, dark), Ok) {
        Ok(drawn) => {
            let image = ui.add(Image::from_texture(&drawn.texture).fit_to_exact_size(size));
            let words = format!("{}. {}", picture.title, picture.says);
            image.widget_info(|| WidgetInfo::labeled(Role::Image, true, words.clone()));
            ui.data_mut(|data| data.insert_temp(id, drawn));
        }
        Err(why) => parts::wrong(ui, &format!("The picture cannot be drawn: {why}.")),
    }
}

fn draw(ui: &Ui, picture: &Picture, frame: Frame, dark: bool) -> Result<Drawn, String> {
    let palette = if dark { &palette::DARK } else { &palette::LIGHT };
    let (size, pixels) = pixels(&svg(picture, frame, Look::Alone { palette, labels: true }))?;
    let image = ColorImage::from_rgba_premultiplied(size, &pixels);
    let texture = ui.ctx().load_texture(&picture.name, image, TextureOptions::LINEAR);
    Ok(Drawn { of: Arc::new(picture.clone()), frame, dark, texture })
}
