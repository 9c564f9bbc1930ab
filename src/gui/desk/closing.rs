//! Closing the window, and what comes back at the next start. While something sounds, closing asks once, by name.

use super::{Desk, Effect, Page};
use crate::card::{CardId, pair_in_words};
use crate::gui::keys::Action;
use crate::gui::remembered::Pairing;
use crate::gui::view::Phase;
use crate::session::chain::Chain;
use crate::session::plan::Plan;

/// How far the closing of the window has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Leaving {
    /// Nobody wants to.
    #[default]
    No,
    /// Asked, because something sounds.
    Asked,
    /// The sound fades; then the window closes.
    Fading,
    /// It may close.
    Now,
}

impl Leaving {
    /// True while the question is shown.
    pub fn is_asked(self) -> bool {
        self == Leaving::Asked
    }

    /// Stop answers the question: the sound ends, the window stays.
    pub(super) fn is_called_off(&mut self) {
        if self.is_asked() {
            *self = Leaving::No;
        }
    }
}

impl Desk {
    /// True where the window may close at once.
    pub fn may_close(&self) -> bool {
        self.leaving == Leaving::Now || !self.view.phase.is_busy()
    }

    /// Closes a silent window; asks while something sounds. Whoever asks twice means it.
    pub(super) fn quit(&mut self) {
        match self.leaving {
            _ if self.may_close() => self.leave(),
            Leaving::Asked => self.close_now(),
            Leaving::Fading => self.leave(),
            Leaving::No | Leaving::Now => self.leaving = Leaving::Asked,
        }
    }

    /// Asked from outside, where nobody can be asked back: fades and closes.
    pub(super) fn leave(&mut self) {
        self.stop_now();
        self.leaving = Leaving::Now;
        self.commands.push(Effect::Close);
    }

    /// The question was answered: the sound fades, what was measured is kept, then the window closes.
    pub(super) fn close_now(&mut self) {
        self.stop_now();
        self.leaving = Leaving::Fading;
        self.look_at_closing();
    }

    /// Closes once the bench is silent.
    pub(super) fn look_at_closing(&mut self) {
        if self.leaving == Leaving::Fading && !self.view.phase.is_busy() {
            self.leaving = Leaving::Now;
            self.commands.push(Effect::Close);
        }
    }

    /// What would be ended by closing the window, by name, and what becomes of it.
    pub fn what_runs(&self) -> [String; 2] {
        let chain = match (&self.view.digest, self.view.phase) {
            (Some(digest), Phase::Running | Phase::Seating | Phase::Turning | Phase::Matching) => {
                &digest.record.head.chain
            }
            _ => &self.form.chain,
        };
        let pair = pair_in_words(&chain.output, &chain.headphone);
        let kept = "Finished steps are kept".to_string();
        let goes_on = format!("{kept}; {} takes the session up again.", Action::GoOn.key());
        match self.view.phase {
            Phase::Checking => [format!("The path check of {} runs.", chain.output), format!("{kept}.")],
            Phase::Calibrating => {
                ["The bench listens to the calibrator.".into(), "The offset in force stays as it is.".into()]
            }
            Phase::Electrical => {
                ["A take of an electrical calibration sounds.".into(), "Nothing of it is kept.".into()]
            }
            Phase::Seating => [format!("Noise is held for a seat of {}.", chain.headphone), format!("{kept}.")],
            Phase::Turning => {
                [format!("Noise is held for the volume control of {}.", chain.output), format!("{kept}.")]
            }
            Phase::Matching => [format!("Noise is held for a knob of {}.", chain.output), format!("{kept}.")],
            Phase::Following => [
                "A sound is followed that is played elsewhere; closing does not stop it.".into(),
                "What was heard of it is kept.".into(),
            ],
            Phase::OwnLevel => ["The bench listens to your own level.".into(), "Nothing of it is kept.".into()],
            Phase::SwapNow | Phase::SwapCheck => {
                ["A series is open, and the cards are silent.".into(), "What was measured is kept.".into()]
            }
            _ if self.side.swap.turns.is_some() => {
                ["A round of a swap plays.".into(), format!("{kept}; page Side by side takes the swap up again.")]
            }
            _ => [format!("A session runs: {pair}."), goes_on],
        }
    }

    /// Reads what the page of the last time shows.
    pub(in crate::gui) fn open_page(&mut self) {
        match self.page {
            Page::SideBySide => self.list_sessions(),
            Page::Stock => self.read_stock(),
            Page::Notebook => self.read_notebook(),
            Page::Chain | Page::Climb => {}
        }
    }

    /// A session begins with these: they come back at the next start.
    pub(super) fn used(&mut self, plan: &Plan, chain: &Chain) {
        let now = &mut self.memory.now;
        now.used(&chain.output, &chain.headphone);
        if chain.routing.playback != CardId::simulated() {
            (now.listening, now.simulated) = (plan.listening, None);
            return;
        }
        now.simulated = Some(Pairing {
            output: chain.output.clone(),
            volume: chain.volume.clone(),
            headphone: chain.headphone.clone(),
            listening: plan.listening,
        });
    }

    /// Writes what is to be remembered once it has settled; returns when to look again, seconds from now.
    ///
    /// # Errors
    /// Why it could not be written.
    pub(in crate::gui) fn remember(&mut self, at: f64) -> Result<Option<f64>, String> {
        self.memory.now.page = self.page;
        self.memory.look(at, &self.wake)
    }

    /// Waits for everything that is still being written.
    pub(in crate::gui) fn finish_writing(&mut self) {
        // Nobody is left to be told of what fails now.
        let _ = self.memory.finish(&self.wake);
        let _ = self.keeping.wait();
        if let Some(chain) = self.kept_next.take() {
            self.write_chain(chain);
            let _ = self.keeping.wait();
        }
        let _ = self.stock.writing.wait();
        self.writing.finish();
    }
}
