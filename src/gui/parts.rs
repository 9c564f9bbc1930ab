//! Small parts that both pages use.

use super::desk::Desk;
use super::form::Field;
use super::theme::{self, SMALL, STEP};
use crate::asked::choice::Choice;
use crate::judgement::Answer;
use eframe::egui::accesskit::Live;
use eframe::egui::{
    Align, Align2, Button, Color32, ComboBox, FontId, Id, Label, Layout, Pos2, Rect, Response, RichText, Role, Sense,
    Shape, Stroke, StrokeKind, TextEdit, TextStyle, Ui, Vec2, WidgetInfo, pos2, vec2,
};

/// The short one, always in the status line.
pub const CAUTION: &str = "nobody wears the headphones while this runs";

/// All cautions, wrapped.
pub fn cautions(ui: &mut Ui) {
    for caution in crate::account::CAUTIONS {
        ui.horizontal_top(|ui| {
            bar(ui, theme::tokens(ui).threshold);
            ui.add(Label::new(caution).wrap());
        });
    }
    ui.add_space(STEP / 2.0);
}

fn bar(ui: &mut Ui, colour: Color32) {
    let (rect, _) = ui.allocate_exact_size(vec2(STEP / 2.0, 2.0 * STEP), Sense::hover());
    ui.painter().rect_filled(rect.shrink2(vec2(0.5, 1.0)), 0.0, colour);
}

/// A message beside the thing it is about: a bar in front, so that it is not shown by colour alone.
pub fn wrong(ui: &mut Ui, message: &str) {
    ui.horizontal_top(|ui| {
        bar(ui, theme::tokens(ui).threshold);
        let text = RichText::new(message).color(theme::tokens(ui).threshold);
        let label = ui.add(Label::new(text).wrap());
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Polite));
    });
}

/// What has to be done at once, readable from a step away: a bar in front, and large.
pub fn alarm(ui: &mut Ui, message: &str) {
    ui.horizontal_top(|ui| {
        let t = theme::tokens(ui);
        bar(ui, t.threshold);
        let larger = if ui.available_width() < 75.0 * STEP { 5.0 } else { 9.0 };
        let text = RichText::new(message).color(t.threshold).size(theme::TEXT + larger).strong();
        let label = ui.add(Label::new(text).wrap());
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Assertive));
    });
}

/// Secondary text, wrapped.
pub fn quiet(ui: &mut Ui, text: impl Into<String>) -> Response {
    let colour = theme::tokens(ui).quiet;
    ui.add(Label::new(RichText::new(text).color(colour).size(SMALL)).wrap())
}

/// A heading of a part of the page.
pub fn heading(ui: &mut Ui, text: &str) {
    ui.add_space(STEP / 2.0);
    ui.label(RichText::new(text).strong());
}

/// One of several choices, marked by a bar under it and announced as chosen.
pub fn choice(ui: &mut Ui, chosen: bool, text: &str) -> Response {
    let response = ui.add(Button::new(text).selected(chosen).frame(true));
    if chosen {
        let t = theme::tokens(ui);
        let r = response.rect;
        let line = Rect::from_min_max(pos2(r.left(), r.bottom() - 3.0), r.right_bottom());
        ui.painter().rect_filled(line, 0.0, t.level);
    }
    response.widget_info(|| WidgetInfo::selected(Role::Button, ui.is_enabled(), chosen, text));
    response
}

/// The name in front of a field: fixed width, so that fields stand under each other.
fn name_of_field(ui: &mut Ui, width: f32, label: &str) -> Response {
    let size = vec2((0.54 * width).min(18.0 * STEP), ui.spacing().interact_size.y);
    let layout = Layout::left_to_right(Align::Center);
    let words = Label::new(RichText::new(label).color(theme::tokens(ui).quiet)).truncate();
    let inner = ui.allocate_ui_with_layout(size, layout, |ui| {
        ui.set_min_width(size.x);
        ui.add(words)
    });
    inner.inner
}

/// Under this width words go over their field, points.
const TIGHT: f32 = 32.0 * STEP;

/// A name in this size of type and its field in a line of several, which go to the next line together; `wide`: of the field, points.
pub fn together(ui: &mut Ui, label: &str, size: f32, wide: f32, add: impl FnOnce(&mut Ui, Id)) {
    let t = theme::tokens(ui);
    let ink = if size > SMALL { t.text } else { t.quiet };
    let words = ui.painter().layout_no_wrap(label.into(), FontId::proportional(size), ink).size().x;
    let room = vec2(words + wide + 2.0 * STEP, ui.spacing().interact_size.y);
    ui.allocate_ui_with_layout(room, Layout::left_to_right(Align::Center), |ui| {
        let name = ui.add(Label::new(RichText::new(label).size(size).color(ink)).extend());
        add(ui, name.id);
    });
}

/// Name and field side by side, or over each other where words of the field would be cut off.
pub fn named<R>(ui: &mut Ui, label: &str, wordy: bool, add: impl FnOnce(&mut Ui, Id) -> R) -> R {
    let tight = wordy && ui.available_width() < TIGHT;
    named_at(ui, label, tight, add)
}

fn named_at<R>(ui: &mut Ui, label: &str, over: bool, add: impl FnOnce(&mut Ui, Id) -> R) -> R {
    let width = ui.available_width();
    if over {
        let words = ui.add(Label::new(RichText::new(label).color(theme::tokens(ui).quiet)).extend());
        return add(ui, words.id);
    }
    ui.horizontal(|ui| {
        let words = name_of_field(ui, width, label);
        add(ui, words.id)
    })
    .inner
}

/// A named field with its message under it. Returns true where it changed.
pub fn field(
    ui: &mut Ui,
    desk: &mut Desk,
    which: Option<Field>,
    label: &str,
    pick: fn(&mut Desk) -> &mut String,
) -> bool {
    let wordy = matches!(which, None | Some(Field::Output | Field::Headphone));
    let changed = edit(ui, label, wordy, pick(desk));
    messages(ui, desk, which, changed)
}

/// The same of a number.
pub fn number(ui: &mut Ui, desk: &mut Desk, which: Field, label: &str) -> bool {
    let changed = edit(ui, label, false, desk.form.typed.edit(which));
    messages(ui, desk, Some(which), changed)
}

/// A named line of text. True where it changed.
pub fn edit(ui: &mut Ui, label: &str, wordy: bool, text: &mut String) -> bool {
    named(ui, label, wordy, |ui, name| {
        let edit = TextEdit::singleline(text).desired_width(ui.available_width() - 1.5 * STEP);
        ui.add(edit).labelled_by(name).changed()
    })
}

fn messages(ui: &mut Ui, desk: &mut Desk, which: Option<Field>, changed: bool) -> bool {
    if let Some(message) = which.and_then(|w| desk.form.wrong.get(&w)) {
        wrong(ui, message);
    }
    if let Some(devices) = which.and_then(|w| desk.form.stands_in.get(&w)) {
        quiet(ui, devices.clone());
    }
    if changed {
        desk.changed();
    }
    changed
}

/// A named list to choose from. Returns the choice where it changed.
pub fn list<T: PartialEq + Clone>(ui: &mut Ui, label: &str, now: &T, all: &[(T, String)]) -> Option<T> {
    let (mut chosen, mut picked) = (None, false);
    let shown = all.iter().find(|(v, _)| v == now).map_or_else(|| "not listed".to_string(), |(_, n)| n.clone());
    let over = ui.available_width() < longest(ui, all.iter().map(|(_, name)| name)) + 22.0 * STEP
        || shown.chars().count() > 9 && ui.available_width() < TIGHT;
    named_at(ui, label, over, |ui, name| {
        let list = ComboBox::from_id_salt(label).selected_text(shown).truncate();
        let response = list.width(ui.available_width() - 0.5 * STEP).show_ui(ui, |ui| {
            for (value, name) in all {
                if ui.selectable_label(value == now, name).clicked() {
                    chosen = (value != now).then(|| value.clone());
                    picked = true;
                    // A list closes by itself where the pointer chose, not where a key did.
                    ui.close();
                }
            }
        });
        let list = response.response.labelled_by(name);
        if picked {
            // The keyboard goes on from here.
            list.request_focus();
        }
    });
    chosen
}

/// Width of the longest of these as a list shows it, points: its name stands over it, or beside it, whichever is chosen.
fn longest<'a>(ui: &Ui, names: impl Iterator<Item = &'a String>) -> f32 {
    let font = TextStyle::Button.resolve(ui.style());
    let width = |name: &String| ui.painter().layout_no_wrap(name.clone(), font.clone(), Color32::WHITE).size().x;
    names.map(width).fold(0.0, f32::max)
}

/// The same of a table of choices.
pub fn chosen<T: PartialEq + Copy>(ui: &mut Ui, label: &str, now: &T, all: &[Choice<T>]) -> Option<T> {
    list(ui, label, now, &all.iter().map(|choice| (choice.value, choice.words.to_string())).collect::<Vec<_>>())
}

/// A page or something for all pages in the line at the top; `shorter` is written where there is little room. True where
/// it was chosen.
pub fn tab(ui: &mut Ui, chosen: bool, words: &str, shorter: Option<&str>) -> bool {
    let written = match shorter {
        Some(shorter) => RichText::new(shorter).size(SMALL),
        None => RichText::new(words),
    };
    let response = ui.add(Button::new(written).frame_when_inactive(chosen));
    if chosen {
        let r = response.rect;
        let line = Rect::from_min_max(pos2(r.left(), r.bottom() - 3.0), r.right_bottom());
        ui.painter().rect_filled(line, 0.0, theme::tokens(ui).level);
    }
    response.widget_info(|| WidgetInfo::selected(Role::Button, ui.is_enabled(), chosen, words));
    response.clicked()
}

/// Against the right edge of a line, yet from left to right: the keyboard goes through them as they stand. Their width is that
/// of the picture before.
pub fn at_right(ui: &mut Ui, id: Id, contents: impl FnOnce(&mut Ui)) {
    let known: Option<f32> = ui.data(|data| data.get_temp(id));
    if let Some(wide) = known {
        ui.add_space((ui.available_width() - wide).max(0.0));
    }
    let wide = ui.scope(contents).response.rect.width();
    if known.is_none_or(|known| (known - wide).abs() > 0.5) {
        ui.data_mut(|data| data.insert_temp(id, wide));
        ui.ctx().request_repaint();
    }
}

/// A quiet button of small words; `says` names it whole. True where it was pressed.
pub fn small_button(ui: &mut Ui, words: &str, says: &str) -> bool {
    small_enabled(ui, true, words, says)
}

/// The same, which may not be usable now.
pub fn small_enabled(ui: &mut Ui, enabled: bool, words: &str, says: &str) -> bool {
    let text = RichText::new(words).size(SMALL).color(theme::tokens(ui).quiet);
    let button = Button::new(text).frame_when_inactive(false).min_size(vec2(0.0, 2.5 * STEP));
    let response = ui.add_enabled(enabled, button);
    response.widget_info(|| WidgetInfo::labeled(Role::Button, ui.is_enabled() && enabled, says));
    response.clicked()
}

/// The one filled button of a page, with its key.
pub fn main_button(ui: &mut Ui, enabled: bool, name: &str, key: &str) -> Response {
    let t = theme::tokens(ui);
    let words = format!("{name}  {key}");
    let written = |words: &str| RichText::new(words).size(theme::TEXT + 3.5).strong().color(t.ground);
    let button = Button::new(written(name)).shortcut_text(written(key)).fill(t.level).stroke(Stroke::new(1.0, t.level));
    let response = ui.add_enabled(enabled, button.min_size(vec2(34.0 * STEP, 6.0 * STEP)));
    if response.has_focus() {
        ui.painter().rect_stroke(response.rect.expand(3.0), 3.0, Stroke::new(2.0, t.text), StrokeKind::Outside);
    }
    response.widget_info(|| WidgetInfo::labeled(Role::Button, enabled, &words));
    response
}

/// Gives a painted thing a place in the accessible tree. `live` has it read out when it changes.
pub fn announce(ui: &Ui, rect: Rect, id: Id, text: &str, live: bool) -> Response {
    let response = ui.interact(rect, id, Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, text));
    if live {
        ui.ctx().accesskit_node_builder(id, |node| node.set_live(Live::Polite));
    }
    response
}

/// Lines of text in a box with a rule around it, kept inside `inside`; returns the box.
pub fn note_box(ui: &Ui, inside: Rect, at: Pos2, align: Align2, lines: &[String], edge: Color32) -> Rect {
    let t = theme::tokens(ui);
    let painter = ui.painter();
    let font = FontId::proportional(SMALL);
    let laid: Vec<_> =
        lines.iter().map(|l| painter.layout(l.clone(), font.clone(), t.text, inside.width() - 3.0 * STEP)).collect();
    let size = laid.iter().fold(Vec2::ZERO, |s, g| vec2(s.x.max(g.size().x), s.y + g.size().y));
    let mut rect = align.anchor_size(at, size + vec2(1.5 * STEP, STEP));
    let shift = vec2(
        (inside.left() - rect.left()).max(0.0) - (rect.right() - inside.right()).max(0.0),
        (inside.top() - rect.top()).max(0.0) - (rect.bottom() - inside.bottom()).max(0.0),
    );
    rect = rect.translate(shift);
    painter.rect(rect, 2.0, t.panel, Stroke::new(1.0, edge), StrokeKind::Inside);
    let mut y = rect.top() + STEP / 2.0;
    for galley in laid {
        let height = galley.size().y;
        painter.galley(pos2(rect.left() + 0.75 * STEP, y), galley, t.text);
        y += height;
    }
    rect
}

/// Dashes from `a` to `b`.
pub fn dashes(ui: &Ui, clip: Rect, a: Pos2, b: Pos2, stroke: Stroke, dash: f32, gap: f32) {
    ui.painter().with_clip_rect(clip).extend(Shape::dashed_line(&[a, b], stroke, dash, gap));
}

/// A bar beside the word: full, half, short, open, or a dash where nothing is determined.
pub fn verdict_shape(ui: &mut Ui, answer: Answer) {
    let t = theme::tokens(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(4.0 * STEP, 1.5 * STEP), Sense::hover());
    let share = match answer {
        Answer::Ample => 1.0,
        Answer::Borderline => 0.5,
        Answer::Short => 0.2,
        Answer::DoesNotReach => 0.0,
        Answer::NotDetermined => {
            let line = [rect.left_center(), rect.right_center()];
            ui.painter().line_segment(line, Stroke::new(1.5, t.quiet));
            return;
        }
    };
    let filled = Rect::from_min_size(rect.min, vec2(share * rect.width(), rect.height()));
    ui.painter().rect_filled(filled, 0.0, t.text);
    ui.painter().rect_stroke(rect, 0.0, Stroke::new(1.5, t.text), StrokeKind::Inside);
}
