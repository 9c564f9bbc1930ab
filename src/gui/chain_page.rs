//! Page Chain: the chain as it stands on the desk, left to right. Each node tells what is known, how old that is, and what is
//! missing; one at a time is open, and under the row stands what can be set of it. Everything at once is one button away.

use super::calibration_box;
use super::climb::WIDE;
use super::desk::{ChainPart, Desk};
use super::electrical_page;
use super::form::{Field, InputRow, RATES};
use super::keys::Action;
use super::particulars;
use super::parts;
use super::text;
use super::theme::{self, STEP};
use super::view::Phase;
use crate::calibration::electrical::{Impedance, level_words, ohms_words, power_words, volts_words};
use crate::card::{CardDescription, CardId, Direction, InputRole};
use crate::session::chain::{Coupler, pink_spectrum};
use crate::stats::Estimate;
use crate::units::{Dbfs, SampleRate};
use eframe::egui::{
    Align, CentralPanel, FontId, Frame, Id, Label, Layout, Margin, Rect, RichText, Role, ScrollArea, Sense, Shape,
    Stroke, TextStyle, Ui, UiBuilder, WidgetInfo, pos2, vec2,
};

/// Width of the arrow between two nodes, points.
const ARROW: f32 = 3.0 * STEP;
/// Least height of a node in a row, points.
const NODE: f32 = 15.0 * STEP;
/// Between the lines of a node, points.
const NODE_LINE_GAP: f32 = 1.0;

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
                if desk.all_parts { everything(desk, ui) } else { one_part(desk, ui) }
            });
        },
    );
}

/// The row of nodes, what can be set of the open one, and the path check, which is of them all.
fn one_part(desk: &mut Desk, ui: &mut Ui) {
    nodes(desk, ui);
    ui.add_space(STEP);
    parts::heading(ui, PARTS[desk.open_part.place()].0);
    let free = !desk.view.phase.is_busy() || desk.view.phase == Phase::Calibrating;
    let beside = |desk: &mut Desk, ui: &mut Ui, parts: [fn(&mut Desk, &mut Ui); 3]| {
        ui.add_enabled_ui(free, |ui| abreast(desk, ui, parts));
        ui.add_space(2.0 * STEP);
    };
    match desk.open_part {
        ChainPart::Playback => beside(desk, ui, [playback_editor, nothing, nothing]),
        ChainPart::Output => {
            beside(desk, ui, [output_editor, particulars::output_side, nothing]);
            electrical_page::show(desk, ui);
        }
        ChainPart::Headphone => {
            beside(desk, ui, [headphone_editor, nothing, nothing]);
            electrical_page::show(desk, ui);
        }
        ChainPart::Coupler => {
            calibration_box::show(desk, ui);
            ui.add_space(2.0 * STEP);
            beside(desk, ui, [coupler_editor, particulars::instruments, particulars::curves]);
        }
        ChainPart::Capture => {
            beside(desk, ui, [capture_editor, nothing, nothing]);
            electrical_page::show(desk, ui);
        }
    }
    ui.add_space(2.0 * STEP);
    super::path::show(desk, ui);
}

fn nothing(_: &mut Desk, _: &mut Ui) {}

/// Every field there is.
fn everything(desk: &mut Desk, ui: &mut Ui) {
    if ui.available_width() >= WIDE {
        row(desk, ui)
    } else {
        column(desk, ui)
    }
    ui.add_space(2.0 * STEP);
    super::path::show(desk, ui);
    ui.add_space(2.0 * STEP);
    electrical_page::show(desk, ui);
    ui.add_space(2.0 * STEP);
    calibration_box::show(desk, ui);
    ui.add_space(2.0 * STEP);
    particulars::show(desk, ui);
}

/// Nodes side by side, or under each other, each a button that opens it.
fn nodes(desk: &mut Desk, ui: &mut Ui) {
    let lines = PARTS.map(|(_, known, _)| known(desk));
    let beside = ui.available_width() >= WIDE;
    let width = if beside { (ui.available_width() - 4.0 * ARROW) / 5.0 } else { ui.available_width().max(4.0 * STEP) };
    let top = ui.cursor().min;
    let tallest = lines.iter().map(|lines| node_height(ui, width, lines)).fold(NODE, f32::max);
    let (mut left, mut down, mut bottom) = (top.x, top.y, top.y);
    for (i, ((name, ..), lines)) in PARTS.into_iter().zip(&lines).enumerate() {
        // Under each other only the open one tells all.
        let part = ChainPart::ALL[i];
        let open = desk.open_part == part;
        let high = match (beside, open) {
            (true, _) => tallest,
            (false, true) => node_height(ui, width, lines),
            (false, false) => 4.5 * STEP,
        };
        let rect = Rect::from_min_size(pos2(left, down), vec2(width, high));
        node(ui, rect, name, if beside || open { lines } else { &[] });
        let response = ui.interact(rect, Id::unique(("node", i)), Sense::click());
        response.widget_info(|| WidgetInfo::selected(Role::Button, true, open, name));
        let t = theme::tokens(ui);
        if open || response.has_focus() {
            let ink = if open { t.level } else { t.text };
            ui.painter().rect_stroke(rect, 3.0, Stroke::new(2.5, ink), eframe::egui::StrokeKind::Inside);
        }
        if response.clicked() {
            desk.ask(Action::OpenPart(part));
        }
        if beside {
            if i < 4 {
                arrow(ui, pos2(rect.right(), rect.center().y), pos2(rect.right() + ARROW, rect.center().y));
            }
            left = rect.right() + ARROW;
        } else {
            down = rect.bottom() + STEP;
        }
        bottom = bottom.max(rect.bottom());
    }
    ui.allocate_rect(Rect::from_min_max(top, pos2(ui.max_rect().right(), bottom)), Sense::hover());
}

fn title(desk: &mut Desk, ui: &mut Ui) {
    ui.horizontal_wrapped(|ui| {
        ui.scope(|ui| {
            ui.set_max_width(64.0 * STEP);
            parts::field(ui, desk, None, "Name of the chain", |d| &mut d.form.chain.name);
        });
        if ui.button(Action::ListCards.button()).clicked() {
            desk.ask(Action::ListCards);
        }
        let words = if desk.all_parts { "One part at a time" } else { "Every field at once" };
        if ui.button(words).clicked() {
            desk.ask(Action::AllParts);
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
    let lines = PARTS.map(|(_, known, _)| known(desk));
    let height = lines.iter().map(|lines| node_height(ui, width, lines)).fold(NODE, f32::max);
    let mut bottom = top.y + height;
    for (i, ((name, _, editor), lines)) in PARTS.into_iter().zip(&lines).enumerate() {
        let left = top.x + i as f32 * (width + ARROW);
        let node_rect = Rect::from_min_size(pos2(left, top.y), vec2(width, height));
        node(ui, node_rect, name, lines);
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
        let width = ui.available_width().max(4.0 * STEP);
        let height = node_height(ui, width, &lines);
        let (rect, _) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
        node(ui, rect, name, &lines);
        ui.push_id(name, |ui| ui.add_enabled_ui(!desk.view.phase.is_busy(), |ui| editor(desk, ui)));
        if i < 4 {
            let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width().max(STEP), ARROW), Sense::hover());
            let x = rect.left() + 4.0 * STEP;
            arrow(ui, pos2(x, rect.top()), pos2(x, rect.bottom()));
        }
    }
}

/// Room for a name and these lines, however often they wrap.
fn node_height(ui: &Ui, width: f32, lines: &[String]) -> f32 {
    let name = ui.text_style_height(&TextStyle::Body);
    let laid_out = |line: &String| {
        let font = FontId::proportional(theme::SMALL);
        ui.painter().layout(line.clone(), font, theme::tokens(ui).text, width - 2.0 * STEP).size().y + NODE_LINE_GAP
    };
    name + lines.iter().map(laid_out).sum::<f32>() + 2.5 * STEP
}

fn node(ui: &mut Ui, rect: Rect, name: &str, lines: &[String]) {
    let t = theme::tokens(ui);
    ui.painter().rect(rect, 3.0, t.ground, Stroke::new(1.5, t.quiet), eframe::egui::StrokeKind::Inside);
    let mut child = ui.new_child(UiBuilder::new().id_salt((name, "node")).max_rect(rect.shrink(STEP)));
    child.set_clip_rect(rect.intersect(ui.clip_rect()));
    // A click on a node's words opens it too.
    child.style_mut().interaction.selectable_labels = false;
    child.spacing_mut().item_spacing.y = NODE_LINE_GAP;
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
    card_known(desk, &desk.form.chain.routing.playback, Direction::Playback)
}

fn capture_known(desk: &Desk) -> Vec<String> {
    let mut lines = card_known(desk, &desk.form.chain.routing.capture, Direction::Capture);
    let inputs = desk.form.ready().into_iter().flat_map(|(_, chain)| &chain.input_volts);
    lines.extend(inputs.map(|(role, input)| {
        let (volts, taken_at) = (level_words(&input.volts_per_full_scale), text::moment(&input.taken_at));
        format!("{}: 0 dBFS is {volts}, {taken_at}", role.in_words())
    }));
    lines
}

fn output_known(desk: &Desk) -> Vec<String> {
    let volume = if desk.form.chain.volume.is_empty() { "volume position not noted" } else { &desk.form.chain.volume };
    let mut lines = vec![desk.form.chain.output.clone(), volume.to_string()];
    let side = desk.form.ready().map(|(_, chain)| &chain.output_side);
    lines.push(match side.and_then(|side| Some((side, side.volts_per_full_scale?))) {
        None => "volts: not calibrated, so no volts and no milliwatts".into(),
        Some((side, volts)) => {
            let from = side.volts_from.as_ref().map_or("typed".into(), |from| {
                let place = if from.loaded { "at the headphone" } else { "open" };
                format!("{place}, {}", text::moment(&from.taken_at))
            });
            format!("0 dBFS: {}, {from}", level_words(&volts))
        }
    });
    let source =
        side.and_then(|side| Some(impedance_line("source", &side.source_impedance_ohm?, side.source.as_ref())));
    lines.extend(source);
    lines
}

fn headphone_known(desk: &Desk) -> Vec<String> {
    let mut lines =
        vec![desk.form.chain.headphone.clone(), "further seats after the climb show what refitting changes".into()];
    let chain = desk.form.ready().map(|(_, chain)| chain);
    if let Some((chain, z)) = chain.and_then(|c| Some((c, c.output_side.load_impedance_ohm?))) {
        lines.push(impedance_line("impedance", &z, chain.output_side.load.as_ref()));
        let at = chain.at_load(Dbfs(0.0), &pink_spectrum());
        let power = at.and_then(|at| at.milliwatts).map_or(String::new(), |p| format!(", {}", power_words(&p)));
        lines.extend(at.map(|at| format!("pink at 0 dBFS: {}{power}", volts_words(&at.volts))));
    }
    lines
}

/// An impedance and how it is known.
fn impedance_line(what: &str, stated: &Estimate, curve: Option<&Impedance>) -> String {
    let how = curve.map_or("typed".into(), |curve| format!("{}, {}", curve.from, text::moment(&curve.taken_at)));
    format!("{what} {} at 1 kHz, {how}", ohms_words(stated))
}

fn coupler_known(desk: &Desk) -> Vec<String> {
    let coupler = desk.form.chain.coupler;
    let mut lines = vec![coupler.words().to_string(), format!("levels are those at the {}", coupler.point())];
    for ear in desk.form.ears() {
        lines.push(match desk.form.acoustic.get(&ear) {
            Some(a) => format!(
                "{}: offset {} dB, {}, {}",
                ear.in_words(),
                crate::figure::Figure::new(a.offset, 2).words(),
                a.source,
                text::moment(&a.taken_at)
            ),
            None => format!("{}: no offset, so no dB SPL", ear.in_words()),
        });
    }
    lines
}

const ROLES: [InputRole; 5] =
    [InputRole::LeftEar, InputRole::RightEar, InputRole::Witness, InputRole::Loopback, InputRole::SourceSide];

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
    if let Some(id) = parts::list(ui, "Plays", &desk.form.chain.routing.playback, &cards) {
        desk.form.chain.routing.playback = id;
        desk.changed();
    }
    parts::number(ui, desk, Field::PlaybackChannels, "Channels driven");
    let rates = rates(desk, &desk.form.chain.routing.playback, Direction::Playback);
    if let Some(rate) = parts::list(ui, "Playback rate", &desk.form.chain.routing.playback_rate, &rates) {
        desk.form.chain.routing.playback_rate = rate;
        desk.changed();
    }
    parts::quiet(ui, "Blocks are large on purpose: a measurement needs no low latency.");
}

fn output_editor(desk: &mut Desk, ui: &mut Ui) {
    parts::field(ui, desk, Some(Field::Output), "Output", |d| &mut d.form.chain.output);
    parts::field(ui, desk, None, "Volume note", |d| &mut d.form.chain.volume);
    parts::number(ui, desk, Field::Volts, "0 dBFS is, V ±V");
    parts::number(ui, desk, Field::Source, "Source, Ω ±Ω");
    parts::number(ui, desk, Field::ChainCeilingVolts, "Own ceiling, V RMS");
    parts::number(ui, desk, Field::ChainCeilingMilliwatts, "Own ceiling, mW");
    for message in &desk.form.electrical_dropped {
        parts::wrong(ui, message);
    }
    parts::quiet(
        ui,
        format!("Volts, source and load impedance are measured below ({}), or typed.", Action::Electrical.key()),
    );
    parts::quiet(ui, "Note every volume position and gain switch: the answer holds for them only.");
}

fn headphone_editor(desk: &mut Desk, ui: &mut Ui) {
    parts::field(ui, desk, Some(Field::Headphone), "Headphone", |d| &mut d.form.chain.headphone);
    parts::number(ui, desk, Field::Load, "Impedance, Ω ±Ω");
    parts::quiet(ui, format!("{} takes the next one and keeps all the rest.", Action::NextHeadphone.key()));
}

fn coupler_editor(desk: &mut Desk, ui: &mut Ui) {
    let kinds: Vec<(Coupler, String)> = Coupler::ALL.iter().map(|(c, _)| (*c, c.words().to_string())).collect();
    if let Some(coupler) = parts::list(ui, "Coupler", &desk.form.chain.coupler, &kinds) {
        desk.form.chain.coupler = coupler;
        desk.changed();
    }
    parts::quiet(ui, desk.form.chain.coupler.note().text);
    parts::number(ui, desk, Field::MicrophoneMax, "Mic max, dB SPL");
}

/// Three parts beside each other, or under each other where there is no room.
pub(super) fn abreast(desk: &mut Desk, ui: &mut Ui, parts: [fn(&mut Desk, &mut Ui); 3]) {
    if ui.available_width() >= WIDE {
        ui.columns(3, |columns| {
            for (part, column) in parts.into_iter().zip(columns) {
                column.with_layout(Layout::top_down(Align::Min), |ui| part(desk, ui));
            }
        });
    } else {
        for part in parts {
            part(desk, ui);
            ui.add_space(STEP);
        }
    }
}

fn capture_editor(desk: &mut Desk, ui: &mut Ui) {
    let cards = cards_to_choose(desk, Direction::Capture);
    if let Some(id) = parts::list(ui, "Records", &desk.form.chain.routing.capture, &cards) {
        desk.form.chain.routing.capture = id;
        desk.changed();
    }
    let rates = rates(desk, &desk.form.chain.routing.capture, Direction::Capture);
    if let Some(rate) = parts::list(ui, "Capture rate", &desk.form.chain.routing.capture_rate, &rates) {
        desk.form.chain.routing.capture_rate = rate;
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
        desk.removes(&format!("Input {} was removed.", i + 1));
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
