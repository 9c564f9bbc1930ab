//! Why something cannot be done now, in words.

use super::Desk;
use crate::gui::keys::Action;
use crate::gui::view::Phase;

impl Desk {
    /// What the bench is busy with, and what to do.
    pub(super) fn busy_because(&self) -> String {
        match self.view.phase {
            Phase::Gone => "The bench has ended. Close the window and start the program again.".into(),
            Phase::Calibrating => "The bench listens to the calibrator; wait for it or press Esc.".into(),
            Phase::Checking => "The path check runs; wait for it or press Esc.".into(),
            Phase::Electrical => "A take of an electrical calibration sounds; wait for it or press Esc.".into(),
            Phase::Seating => "Noise is held for a seat; press Esc to leave it first.".into(),
            Phase::Turning => "Noise is held for the volume control; press Esc to leave it first.".into(),
            Phase::Matching => "Noise is held for a knob; press Esc to leave it first.".into(),
            Phase::SwapNow => format!("A series is open; end it first on page Climb ({}).", Action::Series.key()),
            Phase::OwnLevel => "The bench listens to your own level; wait for it or press Esc.".into(),
            Phase::Following => {
                "The bench follows a sound that is played elsewhere; wait for its end or press Esc.".into()
            }
            Phase::SwapCheck => "The bench listens after a swap; wait for it or press Esc.".into(),
            _ => "A session runs; press Esc to stop it first.".into(),
        }
    }

    /// What of the form keeps a calibration or a check from beginning.
    pub(super) fn not_ready_because(&self) -> String {
        format!("Set this right first: {}", self.form.wrong.values().next().map_or("", String::as_str))
    }
}
