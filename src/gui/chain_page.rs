//! Page Chain: the chain as it stands on the desk, left to right. Under each node what can be set of it; in it what is
//! known, how old that is, and what is missing.

use super::app::Desk;
use super::climb::WIDE;
use super::form::{Field, InputRow, RATES, sentence};
use super::keys::Action;
use super::parts;
use super::text;
use super::theme::{self, STEP};
use super::view::Phase;
use crate::calibration::OffsetSource;
use crate::card::{CardDescription, CardId, Direction, InputRole};
use crate::session::chain::Coupler;
use crate::units::SampleRate;
use eframe::egui::{
    CentralPanel, Frame, Label, Margin, Rect, RichText, ScrollArea, Sense, Shape, Stroke, Ui, UiBuilder, pos2, vec2,
};

/// Width of the arrow between two nodes, points.
const ARROW: f32 = 3.0 * STEP;
/// Height of a node in a row, points.
const NODE: f32 = 15.0 * STEP;

type Part = (&'static str, fn(&Desk) -> Vec<String>, fn(&mut Desk, &mut Ui));

const PARTS: [Part; 5] = [
    ("Playback card", playback_known, playback_editor),
    ("Output", output_known, output_editor),
    ("Headphone", headphone_known, headphone_editor),
    ("Coupler and microphone", coupler_known, coupler_editor),
    ("Capture card", capture_known, capture_editor),
];

/// Draws the page.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    CentralPanel::default().frame(Frame::central_panel(ui.style()).inner_margin(Margin::same(2 * STEP as i8))).show(
        ui,
        |ui| {
            ScrollArea::vertical().id_salt("chain").auto_shrink(false).show(ui, |ui| {
                title(desk, ui);
                if ui.available_width() >= WIDE {
                    row(desk, ui)
                } else {
                    column(desk, ui)
                }
                ui.add_space(2.0 * STEP);
                parts::heading(ui, "Cautions");
                parts::cautions(ui);
            });
        },
    );
}

fn title(desk: &mut Desk, ui: &mut Ui) {
    let ctx = ui.ctx().clone();
    ui.horizontal_wrapped(|ui| {
        ui.scope(|ui| {
            ui.set_max_width(46.0 * STEP);
            parts::field(ui, desk, None, "Name of the chain", |d| &mut d.form.chain_name);
        });
        if ui.button(Action::ListCards.button()).clicked() {
            desk.act(Action::ListCards, &ctx);
        }
    });
    let failed = desk.view.cards.as_ref().map_or(Vec::new(), |c| c.failed.clone());
    for message in failed {
        parts::wrong(ui, &message);
    }
    if let Some(message) = desk.form.wrong.get(&Field::Cards) {
        parts::wrong(ui, message);
    }
    ui.add_space(STEP);
}

/// Nodes side by side, editors under them.
fn row(desk: &mut Desk, ui: &mut Ui) {
    let width = (ui.available_width() - 4.0 * ARROW) / 5.0;
    let top = ui.cursor().min;
    let mut bottom = top.y + NODE;
    for (i, (name, known, editor)) in PARTS.into_iter().enumerate() {
        let left = top.x + i as f32 * (width + ARROW);
        let node_rect = Rect::from_min_size(pos2(left, top.y), vec2(width, NODE));
        node(ui, node_rect, name, &known(desk));
        if i < 4 {
            arrow(
                ui,
                pos2(node_rect.right(), node_rect.center().y),
                pos2(node_rect.right() + ARROW, node_rect.center().y),
            );
        }
        let under = Rect::from_min_max(pos2(left, node_rect.bottom() + STEP), pos2(left + width, f32::INFINITY));
        let mut child = ui.new_child(UiBuilder::new().id_salt(name).max_rect(under));
        child
            .add_enabled_ui(!desk.view.phase.is_busy() || desk.view.phase == Phase::Calibrating, |ui| editor(desk, ui));
        bottom = bottom.max(child.min_rect().bottom());
    }
    ui.allocate_rect(Rect::from_min_max(top, pos2(ui.max_rect().right(), bottom)), Sense::hover());
}

/// The same under each other.
fn column(desk: &mut Desk, ui: &mut Ui) {
    for (i, (name, known, editor)) in PARTS.into_iter().enumerate() {
        let lines = known(desk);
        let height = 3.0 * STEP + 2.25 * STEP * lines.len().max(1) as f32;
        let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width().max(STEP), height), Sense::hover());
        node(ui, rect, name, &lines);
        ui.push_id(name, |ui| ui.add_enabled_ui(!desk.view.phase.is_busy(), |ui| editor(desk, ui)));
        if i < 4 {
            let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width().max(STEP), ARROW), Sense::hover());
            let x = rect.left() + 4.0 * STEP;
            arrow(ui, pos2(x, rect.top()), pos2(x, rect.bottom()));
        }
    }
}

fn node(ui: &mut Ui, rect: Rect, name: &str, lines: &[String]) {
    let t = theme::tokens(ui);
    ui.painter().rect(rect, 3.0, t.ground, Stroke::new(1.5, t.quiet), eframe::egui::StrokeKind::Inside);
    let mut child = ui.new_child(UiBuilder::new().id_salt((name, "node")).max_rect(rect.shrink(STEP)));
    child.set_clip_rect(rect.intersect(ui.clip_rect()));
    child.spacing_mut().item_spacing.y = 1.0;
    child.label(RichText::new(name).strong());
    for line in lines {
        child.add(Label::new(RichText::new(line).size(theme::SMALL)).wrap());
    }
}

fn arrow(ui: &Ui, from: eframe::egui::Pos2, to: eframe::egui::Pos2) {
    let t = theme::tokens(ui);
    let along = (to - from).normalized();
    let aside = vec2(-along.y, along.x);
    let (a, b) = (from + along * 3.0, to - along * 3.0);
    ui.painter().line_segment([a, b], Stroke::new(2.0, t.quiet));
    let head = vec![b, b - along * 7.0 + aside * 4.0, b - along * 7.0 - aside * 4.0];
    ui.painter().add(Shape::convex_polygon(head, t.quiet, Stroke::NONE));
}

fn card<'a>(desk: &'a Desk, id: &CardId, way: Direction) -> Option<&'a CardDescription> {
    desk.view.cards.as_ref()?.found.iter().find(|c| c.id == *id && c.direction == way)
}

fn card_known(desk: &Desk, id: &CardId, way: Direction) -> Vec<String> {
    let Some(card) = card(desk, id, way) else { return vec![id.to_string(), "not listed yet".into()] };
    let mut lines = vec![card.name.clone(), format!("{} through {}, {} channels", card.id, card.host, card.channels)];
    lines.push(match &card.may_resample {
        Some(why) => format!("CAN RESAMPLE: {why}"),
        None => "a direct route: it does not resample".into(),
    });
    let granted = desk.view.granted.as_ref().map(|g| if way == Direction::Playback { &g.0 } else { &g.1 });
    if let Some(g) = granted.filter(|g| g.id == *id) {
        lines.push(format!("last granted: {}, {} channels, {}", g.rate, g.channels, g.format));
    }
    lines
}

fn playback_known(desk: &Desk) -> Vec<String> {
    card_known(desk, &desk.form.playback, Direction::Playback)
}

fn capture_known(desk: &Desk) -> Vec<String> {
    card_known(desk, &desk.form.capture, Direction::Capture)
}

fn output_known(desk: &Desk) -> Vec<String> {
    let volume = if desk.form.volume.is_empty() { "volume position not noted" } else { &desk.form.volume };
    vec![desk.form.output.clone(), volume.to_string(), "volts: not calibrated, so no volts and no milliwatts".into()]
}

fn headphone_known(desk: &Desk) -> Vec<String> {
    vec![desk.form.headphone.clone(), "seat 1; its fit is not in the interval".into()]
}

fn coupler_known(desk: &Desk) -> Vec<String> {
    let coupler = desk.form.coupler;
    let mut lines = vec![coupler.words().to_string(), format!("level stands for the {}", coupler.point())];
    for ear in desk.form.ears() {
        lines.push(match desk.form.acoustic.get(&ear) {
            Some(a) => format!(
                "{}: offset {} dB, {}, {}",
                ear.in_words(),
                text::with_interval(&a.offset),
                source(&a.source),
                parts::moment(&a.taken_at)
            ),
            None => format!("{}: no offset, so no dB SPL", ear.in_words()),
        });
    }
    lines
}

fn source(source: &OffsetSource) -> &'static str {
    match source {
        OffsetSource::Calibrator { .. } => "from a sound calibrator",
        OffsetSource::Typed => "typed",
    }
}

const ROLES: [InputRole; 4] = [InputRole::LeftEar, InputRole::RightEar, InputRole::Witness, InputRole::Loopback];

fn cards_to_choose(desk: &Desk, way: Direction) -> Vec<(CardId, String)> {
    let found = desk.view.cards.as_ref().map_or(&[][..], |c| &c.found);
    let name = |c: &CardDescription| {
        let resample = if c.may_resample.is_some() { ", can resample" } else { "" };
        format!("{} ({}{resample})", c.name, c.host)
    };
    found.iter().filter(|c| c.direction == way).map(|c| (c.id.clone(), name(c))).collect()
}

fn rates(desk: &Desk, id: &CardId, way: Direction) -> Vec<(SampleRate, String)> {
    let claimed = card(desk, id, way).map_or(&[][..], |c| &c.rates);
    let usual = RATES.iter().filter_map(|hz| SampleRate::new(*hz).ok());
    usual.filter(|r| claimed.is_empty() || claimed.contains(r)).map(|r| (r, r.to_string())).collect()
}

fn playback_editor(desk: &mut Desk, ui: &mut Ui) {
    let cards = cards_to_choose(desk, Direction::Playback);
    if let Some(id) = parts::list(ui, "Plays", &desk.form.playback, &cards) {
        desk.form.playback = id;
        desk.changed();
    }
    parts::field(ui, desk, Some(Field::PlaybackChannels), "Channels driven", |d| &mut d.form.playback_channels);
    let rates = rates(desk, &desk.form.playback, Direction::Playback);
    if let Some(rate) = parts::list(ui, "Playback rate", &desk.form.playback_rate, &rates) {
        desk.form.playback_rate = rate;
        desk.changed();
    }
    parts::quiet(ui, "Blocks are large on purpose: a measurement needs no low latency.");
}

fn output_editor(desk: &mut Desk, ui: &mut Ui) {
    parts::field(ui, desk, Some(Field::Output), "Output", |d| &mut d.form.output);
    parts::field(ui, desk, None, "Volume note", |d| &mut d.form.volume);
    parts::quiet(ui, "Note every volume position and gain switch: the answer holds for them only.");
}

fn headphone_editor(desk: &mut Desk, ui: &mut Ui) {
    parts::field(ui, desk, Some(Field::Headphone), "Headphone", |d| &mut d.form.headphone);
    parts::quiet(ui, format!("{} takes the next one and keeps all the rest.", Action::NextHeadphone.key()));
}

fn coupler_editor(desk: &mut Desk, ui: &mut Ui) {
    let kinds: Vec<(Coupler, String)> = Coupler::ALL.iter().map(|(c, _)| (*c, c.words().to_string())).collect();
    if let Some(coupler) = parts::list(ui, "Coupler", &desk.form.coupler, &kinds) {
        desk.form.coupler = coupler;
        desk.changed();
    }
    parts::quiet(ui, desk.form.coupler.note().text);
    parts::field(ui, desk, Some(Field::MicrophoneMax), "Mic max, dB SPL", |d| &mut d.form.microphone_max);
    calibration(desk, ui);
}

fn calibration(desk: &mut Desk, ui: &mut Ui) {
    let ctx = ui.ctx().clone();
    parts::heading(ui, "Calibration offset");
    let ears: Vec<(InputRole, String)> = desk.form.ears().map(|e| (e, e.in_words().to_string())).collect();
    if let Some(ear) = parts::list(ui, "Ear", &desk.form.ear, &ears) {
        desk.form.ear = ear;
    }
    if let Some(dropped) = &desk.form.offsets_dropped {
        parts::wrong(ui, dropped);
    }
    parts::field(ui, desk, Some(Field::CalibratorLevel), "Calibrator, dB SPL", |d| &mut d.form.calibrator_level);
    ui.horizontal_wrapped(|ui| {
        for level in ["94", "114"] {
            let name = format!("{level} dB at 1 kHz");
            if parts::choice(ui, desk.form.calibrator_level.trim() == level, &name).clicked() {
                desk.form.calibrator_level = level.into();
                desk.changed();
            }
        }
    });
    parts::field(ui, desk, Some(Field::CalibratorHalfWidth), "± dB of it", |d| &mut d.form.calibrator_half_width);
    let idle = desk.view.phase == Phase::Idle;
    if ui.add_enabled(idle, eframe::egui::Button::new(Action::Calibrate.button())).clicked() {
        desk.act(Action::Calibrate, &ctx);
    }
    if desk.view.phase == Phase::Calibrating {
        parts::quiet(ui, format!("listening; {} ends it", Action::Stop.key()));
    }
    if let Some(message) = &desk.view.calibration_failure {
        parts::wrong(ui, &sentence(message));
    }
    parts::quiet(ui, "or type it, as taken elsewhere:");
    parts::field(ui, desk, Some(Field::Offset), "Offset, dB", |d| &mut d.form.offset);
    parts::field(ui, desk, Some(Field::OffsetHalfWidth), "± dB, 95 %", |d| &mut d.form.offset_half_width);
    if ui
        .add_enabled(idle && !desk.form.offset.trim().is_empty(), eframe::egui::Button::new("Use typed offset"))
        .clicked()
    {
        desk.take_typed_offset();
    }
    let ear = desk.form.ear;
    if desk.form.acoustic.contains_key(&ear)
        && ui.add_enabled(idle, eframe::egui::Button::new("Forget the offset")).clicked()
    {
        desk.form.acoustic.remove(&ear);
        desk.changed();
    }
}

fn capture_editor(desk: &mut Desk, ui: &mut Ui) {
    let cards = cards_to_choose(desk, Direction::Capture);
    if let Some(id) = parts::list(ui, "Records", &desk.form.capture, &cards) {
        desk.form.capture = id;
        desk.changed();
    }
    let rates = rates(desk, &desk.form.capture, Direction::Capture);
    if let Some(rate) = parts::list(ui, "Capture rate", &desk.form.capture_rate, &rates) {
        desk.form.capture_rate = rate;
        desk.changed();
    }
    inputs(desk, ui);
}

fn inputs(desk: &mut Desk, ui: &mut Ui) {
    let mut changed = false;
    let mut remove = None;
    let many = desk.form.inputs.len() > 1;
    for (i, row) in desk.form.inputs.iter_mut().enumerate() {
        let number = i + 1;
        ui.horizontal(|ui| {
            let words = ui.label(RichText::new(format!("Input {number}, channel")).color(theme::tokens(ui).quiet));
            let edit = eframe::egui::TextEdit::singleline(&mut row.channel).desired_width(4.0 * STEP);
            changed |= ui.add(edit).labelled_by(words.id).changed();
            if many && ui.button("remove").on_hover_text(format!("input {number}")).clicked() {
                remove = Some(i);
            }
        });
        let roles: Vec<(InputRole, String)> = ROLES.iter().map(|r| (*r, r.in_words().to_string())).collect();
        if let Some(role) = parts::list(ui, &format!("Input {number} is"), &row.role, &roles) {
            row.role = role;
            changed = true;
        }
    }
    if let Some(i) = remove {
        desk.form.inputs.remove(i);
        changed = true;
    }
    let free = ROLES.into_iter().find(|r| desk.form.inputs.iter().all(|i| i.role != *r));
    if let Some(role) = free
        && ui.button("Add an input").clicked()
    {
        desk.form.inputs.push(InputRow { channel: (desk.form.inputs.len() + 1).to_string(), role });
        changed = true;
    }
    if let Some(message) = desk.form.wrong.get(&Field::CaptureChannels) {
        parts::wrong(ui, message);
    }
    if changed {
        desk.changed();
    }
}
