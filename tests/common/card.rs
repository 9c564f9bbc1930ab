//! A card of one channel that its caller drives: what happens from block to block is the test's own business.
#![allow(dead_code)]

use loudenough::audio::{Advance, AudioError, Backend, Callbacks, OpenCards};
use loudenough::card::{CardDescription, CardId, Granted, Routing};

/// What a card does when it is let go on for a block.
pub trait Turn: Send {
    /// Calls the callbacks, or not; the card's own clock after it, seconds.
    fn turn(&mut self, callbacks: &mut Callbacks) -> f64;
}

/// A back end that has every card asked for, each as this makes it.
pub struct Driven<F>(pub F);

impl<F: Fn() -> T + Send, T: Turn + 'static> Backend for Driven<F> {
    fn name(&self) -> &str {
        "driven"
    }

    fn owns(&self, _: &CardId) -> bool {
        true
    }

    fn list(&self) -> Result<Vec<CardDescription>, AudioError> {
        Ok(Vec::new())
    }

    fn open(&self, routing: &Routing, callbacks: Callbacks) -> Result<Box<dyn OpenCards>, AudioError> {
        let granted = Granted {
            id: routing.playback.clone(),
            rate: routing.playback_rate,
            channels: 1,
            block_frames: None,
            format: "f32".into(),
            may_resample: None,
            simulates: None,
        };
        Ok(Box::new(DrivenCards { turn: (self.0)(), callbacks, granted }))
    }
}

struct DrivenCards<T> {
    turn: T,
    callbacks: Callbacks,
    granted: Granted,
}

impl<T: Turn> OpenCards for DrivenCards<T> {
    fn playback(&self) -> &Granted {
        &self.granted
    }

    fn capture(&self) -> &Granted {
        &self.granted
    }

    fn is_caller_driven(&self) -> bool {
        true
    }

    fn advance(&mut self) -> Advance {
        Advance::Moved { t_s: self.turn.turn(&mut self.callbacks) }
    }
}
