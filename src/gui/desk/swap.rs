//! A swap of two outputs, round by round: what is asked of the bench, and what comes back.

use super::Desk;
use crate::gui::side::swap;
use crate::gui::side::{Found, Swapping};
use crate::gui::view::Phase;
use crate::session::pair::{Half, Pair};
use crate::session::protocol::Command;
use crate::session::step::StopReason;
use crate::session::swap::DEFAULT_ROUNDS;

impl Desk {
    /// Both outputs as named; nothing sounds yet.
    pub(super) fn swap_begin(&mut self) {
        let Some((plan, chain)) = self.form.ready().cloned() else {
            self.side.swap.wrong = Some(self.not_ready_because());
            return;
        };
        let (names, sessions) = (self.side.swap.names.clone(), self.form.sessions().to_path_buf());
        let now = self.now.clone();
        self.side.swap.wrong = None;
        self.side.work(&self.wake, move || {
            Found::Turns(swap::begin([&names[0], &names[1]], &chain, &plan, &sessions, &now))
        });
    }

    /// A swap that was left off.
    pub(super) fn swap_take_up(&mut self, which: usize) {
        let Some(left_off) = self.side.swap.known.left_off.get(which).cloned() else { return };
        let (second, chain) = (self.side.swap.names[1].clone(), self.form.chain.clone());
        self.side.swap.wrong = None;
        self.side.work(&self.wake, move || Found::Turns(swap::take_up(&left_off.folder, &second, &chain)));
    }

    /// Both halves are known: the first round can be played.
    pub(super) fn swap_found(&mut self, found: Result<Pair, String>) {
        match found {
            Ok(turns) => self.side.swap.turns = Some(turns),
            Err(why) => self.side.swap.wrong = Some(why),
        }
    }

    /// Plays the next round; the person has said that its output is plugged in.
    pub(super) fn swap_round(&mut self) {
        if self.view.phase == Phase::Matching {
            return self.ready_now();
        }
        if self.view.phase != Phase::Idle {
            self.refused = Some(self.busy_because());
            return;
        }
        let Some((turns, order)) =
            self.side.swap.turns.as_ref().and_then(|turns| Some((turns, turns.next(DEFAULT_ROUNDS)?)))
        else {
            return;
        };
        let request = turns.round(order, None, self.side.swap.by_hand);
        self.side.swap.wrong = None;
        self.side.answer = None;
        self.view.put_aside_failure();
        self.send(Command::Round(Box::new(request)));
    }

    /// A round ended: the next one, or the comparison.
    pub(super) fn swap_heard(&mut self) {
        if let Some((record, folder)) = self.view.round_begun.take()
            && let Some(turns) = &mut self.side.swap.turns
        {
            turns.began(record, folder);
        }
        let Some((record, folder)) = self.view.round.take() else { return };
        let stop = record.stop().cloned();
        let Some(turns) = &mut self.side.swap.turns else { return };
        turns.heard(record, folder);
        match stop {
            Some(StopReason::RoundPlayed) => {}
            Some(reason) => self.side.swap.wrong = Some(format!("The round did not finish: {reason}. Play it again.")),
            None => self.side.swap.wrong = Some("The round did not finish. Play it again.".into()),
        }
        if turns.next(DEFAULT_ROUNDS).is_none()
            && let [Half::Begun(_, first), Half::Begun(_, second)] = &turns.halves
        {
            self.side.chosen = [Some(first.clone()), Some(second.clone())];
            self.side.third = None;
            self.compare_again();
        }
    }

    /// Leaves the swap; what was played is kept and can be taken up.
    pub(super) fn swap_leave(&mut self) {
        if self.view.phase == Phase::Idle {
            self.side.swap = Swapping { names: self.side.swap.names.clone(), ..Swapping::default() };
            self.list_sessions();
        }
    }
}
