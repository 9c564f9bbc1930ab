//! What a front end holds of the running bench, usable from any thread: the live picture, Stop, "it sits".

use crate::analysis::live::Live;
use crate::audio::StopHandle;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// The newest live picture; a slow reader misses some, never waits.
#[derive(Clone, Default)]
pub struct Latest(Arc<Mutex<Option<Arc<Live>>>>);

impl Latest {
    /// The newest, if there is one.
    pub fn get(&self) -> Option<Arc<Live>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Nothing is heard any more.
    pub(super) fn clear(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    pub(super) fn set(&self, picture: Live) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(picture));
    }
}

/// Stops whatever sounds, from any thread, at once.
#[derive(Clone, Default)]
pub struct Stop(Arc<Mutex<StopState>>);

#[derive(Default)]
struct StopState {
    handle: Option<StopHandle>,
    asked: bool,
}

impl Stop {
    /// Fades out; the running take becomes void, finished steps are kept.
    pub fn now(&self) {
        let mut state = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        state.asked = true;
        if let Some(handle) = &state.handle {
            handle.stop();
        }
    }

    /// True once asked, until the next session begins.
    pub fn is_asked(&self) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).asked
    }

    /// A command begins: what was asked of an earlier one is forgotten.
    pub(super) fn begin(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = StopState::default();
    }

    /// The cards are open; a stop asked for while they were being opened acts now.
    pub(super) fn arm(&self, handle: StopHandle) {
        let mut state = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if state.asked {
            handle.stop();
        }
        state.handle = Some(handle);
    }

    pub(super) fn disarm(&self) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).handle = None;
    }
}

/// Says that the headphone sits, from any thread.
#[derive(Clone, Default)]
pub struct Ready(Arc<AtomicBool>);

impl Ready {
    /// It sits.
    pub fn now(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    pub(super) fn is_asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    pub(super) fn forget(&self) {
        self.0.store(false, Ordering::Relaxed);
    }
}
