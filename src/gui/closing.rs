//! The question before the window closes while something sounds: what runs, by name, and what becomes of it.

use super::desk::Desk;
use super::keys::Action;
use super::parts;
use super::theme::STEP;
use eframe::egui::accesskit::Live;
use eframe::egui::{Label, Rect, RichText, Ui, Window, pos2, vec2};

/// Widest it gets, points.
const WIDEST: f32 = 66.0 * STEP;

/// Draws it over the page and over nothing of the frame: Stop stays in sight.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui, page: Rect) {
    let width = (page.width() - 4.0 * STEP).clamp(20.0 * STEP, WIDEST);
    let corner = pos2(page.center().x - 0.5 * width, page.top() + 4.0 * STEP);
    let window = Window::new("Close the window").title_bar(false).resizable(false).collapsible(false);
    window.fixed_pos(corner).fixed_size(vec2(width, 0.0)).constrain_to(page).show(ui.ctx(), |ui| {
        let [runs, kept] = desk.what_runs();
        ui.add_space(STEP);
        let label = ui.add(Label::new(RichText::new(&runs).size(19.0).strong()).wrap());
        ui.ctx().accesskit_node_builder(label.id, |node| node.set_live(Live::Assertive));
        parts::quiet(ui, format!("Closing the window ends it. {kept}"));
        ui.add_space(STEP);
        ui.horizontal_wrapped(|ui| {
            if parts::main_button(ui, true, "Stop and close", "Enter").clicked() {
                desk.ask(Action::CloseNow);
            }
            if ui.button("Stay").clicked() {
                desk.ask(Action::Stay);
            }
        });
        parts::quiet(ui, format!("{} stops the sound and leaves the window open.", Action::Stop.key()));
        ui.add_space(STEP / 2.0);
    });
}
