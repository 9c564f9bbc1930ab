//! The buttons of a picture: enlarge, copy its values, copy it as a picture. A point that is held is copied instead of all
//! values.

use crate::account::picture::Picture;
use crate::gui::parts;
use crate::gui::theme::STEP;
use crate::gui::wish::{self, Wish};
use eframe::egui::{Align, Layout, Rect, Ui, UiBuilder, pos2, vec2};
use std::sync::Arc;

/// From this width on a picture has all its buttons, points.
const ALL: f32 = 68.0 * STEP;
/// From this width on it has the first one.
const ONE: f32 = 34.0 * STEP;

/// Which buttons there is room for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Handles {
    None,
    Enlarge,
    All,
}

impl Handles {
    pub(super) fn of(width: f32) -> Handles {
        match () {
            () if width >= ALL => Handles::All,
            () if width >= ONE => Handles::Enlarge,
            () => Handles::None,
        }
    }

    /// Width that they take beside the title, points.
    pub(super) fn room(self) -> f32 {
        match self {
            Handles::None => 0.0,
            Handles::Enlarge => 9.0 * STEP,
            Handles::All => 35.0 * STEP,
        }
    }

    /// Draws them; `held`: what is said of the point that is held.
    pub(super) fn show(self, ui: &mut Ui, picture: &Picture, rect: Rect, held: Option<Vec<String>>) {
        if self == Handles::None {
            return;
        }
        let place = Rect::from_min_max(
            pos2(rect.right() - self.room(), rect.top() + 0.25 * STEP),
            pos2(rect.right() - 0.5 * STEP, rect.top() + 3.0 * STEP),
        );
        let layout = UiBuilder::new().max_rect(place).layout(Layout::right_to_left(Align::Center));
        let mut ui = ui.new_child(layout);
        ui.spacing_mut().item_spacing = vec2(0.5 * STEP, 0.0);
        ui.spacing_mut().interact_size.y = 2.5 * STEP;
        ui.spacing_mut().button_padding = vec2(0.75 * STEP, 1.0);
        if parts::small_button(&mut ui, "enlarge", &format!("Enlarge {}", picture.name)) {
            wish::ask(&ui, Wish::Enlarge(Arc::new(picture.clone())));
        }
        if self == Handles::Enlarge {
            return;
        }
        if parts::small_button(&mut ui, "copy picture", &format!("Copy the picture {}", picture.name)) {
            wish::ask(&ui, Wish::Picture(Arc::new(picture.clone())));
        }
        let (words, says) = match held {
            Some(_) => ("copy point", "Copy the point that is held"),
            None => ("copy values", "Copy the values"),
        };
        if parts::small_button(&mut ui, words, &format!("{says} of {}", picture.name)) {
            let point = |says: Vec<String>| Wish::Text { what: "the point that is held".into(), text: says.join(", ") };
            wish::ask(&ui, held.map_or_else(|| wish::values(picture), point));
        }
    }
}
