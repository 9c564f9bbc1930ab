//! Keys, cautions and a short help, over the page so that nothing moves.

use super::desk::Desk;
use super::keys::Action;
use super::parts;
use super::theme::{self, SMALL, STEP};
use eframe::egui::{Grid, Rect, RichText, ScrollArea, Ui, Window, pos2, vec2};

/// Widest it gets, points.
const WIDEST: f32 = 110.0 * STEP;

/// Draws it over the page, and over nothing of the frame: Stop stays in sight.
pub(super) fn show(desk: &mut Desk, ui: &mut Ui, page: Rect) {
    let width = (page.width() - 6.0 * STEP).clamp(20.0 * STEP, WIDEST);
    let height = (page.height() - 4.0 * STEP).max(8.0 * STEP);
    let corner = pos2(page.center().x - 0.5 * width, page.top() + STEP);
    let window = Window::new("Help").title_bar(false).resizable(false).collapsible(false);
    window.fixed_pos(corner).fixed_size(vec2(width, height)).constrain_to(page).show(ui.ctx(), |ui| {
        ScrollArea::vertical().id_salt("help").auto_shrink(false).show(ui, |ui| {
            parts::heading(ui, "Cautions");
            parts::cautions(ui);
            parts::heading(ui, "The way to an answer");
            for line in [
                "Page Climb asks: will this output drive this headphone at this level? Four stations lead there: cards, calibrate, path, climb. Enter does what the large button says.",
                "Calibrate: fit a sound calibrator over the measurement microphone, switch it on, listen. Without it levels are in dBFS and there is no headroom.",
                "Path: does anything between the card and the ear change what is measured, such as a resampler, a gain control or swapped sides? The check is quiet.",
                "Climb: from a quiet reference up to the level where the output stops being clean, or to a ceiling, step by step. Stop fades out at once.",
                "An output that this computer cannot drive, in a telephone or another computer, has a page of its own (output elsewhere): the bench writes the session as a sound file and follows it while you play it there. It cannot stop that sound.",
                "The answer is a headroom: how far the highest clean level lies over the level you listen at, with its 95 % interval.",
            ] {
                parts::quiet(ui, line);
            }
            parts::heading(ui, "Keys");
            let columns = match width {
                w if w > 90.0 * STEP => 4,
                w if w > 70.0 * STEP => 3,
                w if w > 45.0 * STEP => 2,
                _ => 1,
            };
            ui.spacing_mut().interact_size.y = 2.0 * STEP;
            Grid::new("keys").num_columns(2 * columns).spacing(vec2(2.0 * STEP, 2.0)).show(ui, |ui| {
                let more = [("Enter", "what the large button says"), ("1 … 9, 0", "the evidence beside the scale")];
                let all = Action::ALL.iter().map(|(action, ..)| (action.key(), action.name()));
                let all = all.chain(more.map(|(key, name)| (key.to_string(), name))).collect::<Vec<_>>();
                for row in all.chunks(columns) {
                    for (key, name) in row {
                        ui.label(RichText::new(key).font(theme::figures(SMALL)));
                        ui.label(RichText::new(*name).size(SMALL));
                    }
                    ui.end_row();
                }
            });
            ui.add_space(STEP);
            if ui.button("Close the help").clicked() {
                desk.ask(Action::Cautions);
            }
        });
    });
}
