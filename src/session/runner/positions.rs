//! Quiet noise is held while somebody turns the output's own volume control step by step; each position is kept as a step.

use super::super::positions::{Look, Turning};
use super::super::protocol::Event;
use super::super::step::{Purpose, Step};
use super::RunError;
use super::added::{Looked, MOST_LOOKS};
use super::step::{StepError, StepRunner};
use crate::analysis::Finding;
use std::sync::Arc;

/// Looks without anything new after which the noise ends by itself: about a minute.
const IDLE_LOOKS: usize = 20;

impl StepRunner<'_> {
    /// Plays quiet noise, look by look, and keeps one look of every position, until the person says so or turns no more.
    pub(super) fn turn(&mut self) -> Result<(), StepError> {
        let mut turning = Turning::default();
        let mut idle = 0;
        for _ in 0..MOST_LOOKS {
            if self.worker.ready.is_asked() || idle >= IDLE_LOOKS {
                return Ok(());
            }
            let step = self.climb().position_step().ok_or(RunError::NoReference)?;
            self.worker.tell(Event::Turning { positions: turning.found.clone() });
            idle += 1;
            let (take, inputs) = match self.look(&step)? {
                Looked::Heard(take, inputs) => (take, inputs),
                Looked::Void => {
                    turning.sees(None);
                    continue;
                }
                Looked::CardsReopened => continue,
            };
            let input = self.record.head.chain.limit_input();
            let change = inputs.get(input).and_then(|result| match &result.finding {
                Finding::Pink(pink) => Some(pink.level_z?.value - step.drive?.db() - self.reference_gain()?),
                _ => None,
            });
            if turning.sees(change) == Look::New {
                self.keep(Step { number: self.record.steps.len() + 1, ..step }, *take)?;
                self.worker.tell(Event::StepDone(Arc::new(self.record.clone())));
                idle = 0;
            }
        }
        Ok(())
    }

    /// Level less drive of the quiet reference, dB.
    fn reference_gain(&self) -> Option<f64> {
        let reference = self.record.last(Purpose::Reference)?;
        let (pink, _) = reference.pink(self.record.head.chain.limit_input())?;
        Some(pink.level_z?.value - reference.step.drive?.db())
    }
}
