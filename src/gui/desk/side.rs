//! Two sessions side by side, and the level of the first played on the second output.

use super::Desk;
use crate::gui::side::{Found, answer, swap};
use crate::gui::view::Phase;
use crate::gui::work::Lost;
use crate::session::protocol::Command;

impl Desk {
    /// Opens page Side by side and lists the sessions anew.
    pub(super) fn list_sessions(&mut self) {
        let sessions = self.form.sessions().to_path_buf();
        self.side.work(&self.wake, move || Found::Sessions(answer::choices(&sessions), swap::known(&sessions)));
    }

    /// Something asked has changed: compares again, where both sessions are chosen.
    pub fn compare_again(&mut self) {
        self.side.answer = None;
        let wanted = match self.side.wanted() {
            Err(wrong) => {
                self.side.wrong = Some(wrong);
                return;
            }
            Ok(wanted) => wanted,
        };
        self.side.wrong = None;
        let [Some(first), Some(second)] = self.side.chosen.clone() else { return };
        let (third, now) = (self.side.third.clone(), self.now.clone());
        self.side.work(&self.wake, move || {
            Found::Answer(Box::new(answer::answer([&first, &second], third.as_deref(), &wanted, now)))
        });
    }

    /// Plays the level of the first session on the output of the second, which has to stand on the desk.
    pub(super) fn match_level(&mut self) {
        if self.view.phase == Phase::Matching {
            self.ready_now();
            return;
        }
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        let ([Some(first), Some(second)], Ok(wanted)) = (self.side.chosen.clone(), self.side.wanted()) else {
            self.refused = Some("Choose both sessions first; the level of the first is then played.".into());
            return;
        };
        let by_hand = self.side.by_hand;
        self.side.work(&self.wake, move || {
            Found::Matched(answer::level(&first, &second, &wanted, by_hand).map(|target| (second, target)))
        });
    }

    /// Takes what a thread found, once it is there.
    pub(super) fn look_at_sessions(&mut self) {
        let Some(looked) = self.side.working.look() else { return };
        let found =
            looked.unwrap_or_else(|Lost| Found::Answer(Box::new(Err("The sessions could not be read.".into()))));
        match found {
            Found::Turns(found) => self.swap_found(found),
            Found::Sessions(found, known) => {
                let side = &mut self.side;
                side.swap.known = known;
                // Halves of a swap are no sessions that climbed, and stay chosen.
                let of_swap = side.swap.turns.is_some() || std::mem::take(&mut side.keeps_chosen);
                for chosen in side.chosen.iter_mut().chain([&mut side.third]).filter(|_| !of_swap) {
                    *chosen = chosen.take().filter(|folder| found.iter().any(|c| c.folder == *folder));
                }
                side.found = Some(found);
                self.compare_again();
            }
            Found::Answer(answer) => self.side.answer = Some(*answer),
            Found::Matched(Err(why)) => self.refused = Some(why),
            Found::Matched(Ok((folder, target))) => {
                self.view.put_aside_failure();
                self.side.answer = None;
                self.send(Command::Match { folder, target });
            }
        }
    }
}
