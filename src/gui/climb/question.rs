//! The question in three lines of large type, the track of stations under it, and what else can be asked.

use super::{asked, column, track};
use crate::calibration;
use crate::gui::desk::{Desk, Station};
use crate::gui::form::Field;
use crate::gui::keys::Action;
use crate::gui::parts;
use crate::gui::remembered::offered;
use crate::gui::theme::{SMALL, STEP};
use crate::session::plan::Weighting;
use eframe::egui::{Align2, Button, FontId, RichText, TextEdit, Ui};

/// Draws it.
pub fn show(desk: &mut Desk, ui: &mut Ui) {
    let page_rect = ui.available_rect_before_wrap();
    asked::opened(desk, ui, page_rect);
    column(ui, "question", |ui| page(desk, ui));
}

fn page(desk: &mut Desk, ui: &mut Ui) {
    let height = ui.ctx().content_rect().height();
    let tall = height > 620.0;
    ui.add_space(if tall { 0.05 * height } else { 0.0 });
    let busy = desk.view.phase.is_busy();
    ui.add_enabled_ui(!busy, |ui| lines(desk, ui));
    ui.add_space(if tall { 3.0 * STEP } else { STEP });
    track::show(desk, ui);
    ui.add_space(if tall { 2.0 * STEP } else { STEP });
    ui.add_enabled_ui(!busy, |ui| {
        ui.horizontal_wrapped(|ui| {
            let climbs_next = desk.next_station() == Station::Climb;
            if !climbs_next && ui.add_enabled(desk.can_start(), Button::new(Action::Start.button())).clicked() {
                desk.ask(Action::Start);
            }
            for (action, shown) in [
                (Action::BackToAnswer, desk.view.digest.is_some()),
                (Action::NextHeadphone, true),
                (Action::Series, true),
                (Action::OwnLevel, true),
                (Action::Elsewhere, true),
                (Action::GoOn, true),
            ] {
                let words = if action == Action::BackToAnswer { "Back to the answer".into() } else { action.button() };
                if shown && ui.add(Button::new(words)).clicked() {
                    desk.ask(action);
                }
            }
            let words = if desk.more_asked { "Less" } else { "What else is asked" };
            if ui.button(words).clicked() {
                desk.ask(Action::MoreAsked);
            }
        });
        if desk.more_asked {
            ui.add_space(STEP);
            asked::more(desk, ui);
        }
    });
    ui.add_space(2.0 * STEP);
}

/// Size of the question's type by the width of the page, points.
fn size(ui: &Ui) -> f32 {
    (ui.ctx().content_rect().width() / 44.0).clamp(18.0, 38.0)
}

fn lines(desk: &mut Desk, ui: &mut Ui) {
    let size = size(ui);
    let wide = ui.available_width();
    let word = |ui: &mut Ui, words: &str| {
        ui.label(RichText::new(words).size(size));
    };
    ui.spacing_mut().item_spacing.x = STEP;
    ui.spacing_mut().interact_size.y = 1.6 * size;
    ui.horizontal_wrapped(|ui| {
        word(ui, "Will");
        let mut changed = field(ui, "Output", &mut desk.form.chain.output, size, 0.36 * wide);
        changed |= known(desk, ui, true);
        word(ui, "at volume");
        changed |= field(ui, "Volume note", &mut desk.form.chain.volume, size, 0.22 * wide);
        if changed {
            desk.changed();
        }
    });
    messages(desk, ui, &[Field::Output]);
    ui.horizontal_wrapped(|ui| {
        word(ui, "drive");
        let mut changed = field(ui, "Headphone", &mut desk.form.chain.headphone, size, 0.36 * wide);
        changed |= known(desk, ui, false);
        if changed {
            desk.changed();
        }
    });
    messages(desk, ui, &[Field::Headphone]);
    ui.horizontal_wrapped(|ui| {
        word(ui, "at");
        let mut changed = field(ui, "Listening, dB SPL", desk.form.typed.edit(Field::Listening), size, 3.4 * size);
        word(ui, "dB SPL");
        changed |= weighting(desk, ui, size);
        word(ui, "with");
        changed |= field(ui, "Headroom, dB", desk.form.typed.edit(Field::Wanted), size, 3.4 * size);
        word(ui, "dB to spare?");
        if changed {
            desk.changed();
        }
    });
    messages(desk, ui, &[Field::Listening, Field::Wanted]);
}

/// A field in the sentence, named for those who do not see the words around it.
fn field(ui: &mut Ui, name: &str, text: &mut String, size: f32, width: f32) -> bool {
    let edit = TextEdit::singleline(text).font(FontId::proportional(size)).align(Align2::LEFT_CENTER);
    let edit = edit.desired_width(width.max(6.0 * STEP));
    let response = ui.add(edit);
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
    response.changed()
}

/// Names to choose from: those used last first, then what the simulated bench knows.
fn known(desk: &mut Desk, ui: &mut Ui, output: bool) -> bool {
    let simulated = desk.simulated();
    let (last, others) = match output {
        true => (&desk.memory.now.outputs, simulated.map_or(&[][..], |devices| &devices.outputs)),
        false => (&desk.memory.now.headphones, simulated.map_or(&[][..], |devices| &devices.headphones)),
    };
    let names = offered(last, others);
    if names.is_empty() {
        return false;
    }
    let mut chosen = None;
    let label = if output { "Known outputs" } else { "Known headphones" };
    let menu = ui.menu_button(RichText::new("…").size(SMALL + 4.0), |ui| {
        for name in &names {
            if ui.button(name).clicked() {
                chosen = Some(name.clone());
                ui.close();
            }
        }
    });
    ui.ctx().accesskit_node_builder(menu.response.id, |node| node.set_label(label));
    let Some(name) = chosen else { return false };
    *(if output { &mut desk.form.chain.output } else { &mut desk.form.chain.headphone }) = name;
    true
}

fn weighting(desk: &mut Desk, ui: &mut Ui, size: f32) -> bool {
    let all = [
        ((Weighting::Z, None), "Z"),
        ((Weighting::A, None), "A"),
        ((Weighting::C, None), "C"),
        ((Weighting::A, Some(calibration::SoundField::Diffuse)), "A, diffuse field"),
        ((Weighting::A, Some(calibration::SoundField::Free)), "A, free field"),
    ];
    let now = desk.form.weighting;
    let shown = all.iter().find(|(value, _)| *value == now).map_or("not listed", |(_, name)| name);
    let (mut chosen, mut picked) = (None, false);
    let list = eframe::egui::ComboBox::from_id_salt("weighting").width(5.0 * STEP);
    let response = list.selected_text(RichText::new(shown).size(0.8 * size)).show_ui(ui, |ui| {
        for (value, name) in all {
            if ui.selectable_label(value == now, name).clicked() {
                (chosen, picked) = ((value != now).then_some(value), true);
                ui.close();
            }
        }
    });
    ui.ctx().accesskit_node_builder(response.response.id, |node| node.set_label("Weighting"));
    if picked {
        response.response.request_focus();
    }
    if let Some(weighting) = chosen {
        desk.form.weighting = weighting;
    }
    chosen.is_some()
}

fn messages(desk: &Desk, ui: &mut Ui, fields: &[Field]) {
    for field in fields {
        if let Some(message) = desk.form.wrong.get(field) {
            parts::wrong(ui, message);
        }
        if let Some(devices) = desk.form.stands_in.get(field) {
            parts::quiet(ui, devices.clone());
        }
    }
}

/// The least a page needs to tell what is wrong elsewhere.
pub(super) fn elsewhere(desk: &Desk, ui: &mut Ui) {
    if let Some(message) = desk.form.wrong_on_page_chain() {
        parts::wrong(ui, &format!("On page Chain ({}): {message}", Action::Chain.key()));
    }
}
