//! A question that a thread answers while the window goes on.

use crossbeam_channel::{Receiver, TryRecvError, bounded};
use eframe::egui::Context;
use std::io;
use std::thread;

/// Wakes the window when an answer is there.
#[derive(Clone, Default)]
pub struct Wake(Option<Context>);

impl Wake {
    /// This window.
    pub fn set(&mut self, ctx: &Context) {
        self.0.get_or_insert_with(|| ctx.clone());
    }

    /// Now.
    pub fn now(&self) {
        if let Some(ctx) = &self.0 {
            ctx.request_repaint();
        }
    }
}

/// At most one question of a kind is under way; a newer one takes its place.
#[derive(Debug)]
pub struct Work<T>(Option<Receiver<T>>);

impl<T> Default for Work<T> {
    fn default() -> Work<T> {
        Work(None)
    }
}

/// The thread ended without an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lost;

impl<T: Send + 'static> Work<T> {
    /// Begins on a thread of this name; the window is woken when the answer is there.
    ///
    /// # Errors
    /// Where no thread can be had.
    pub fn begin(&mut self, name: &str, wake: &Wake, work: impl FnOnce() -> T + Send + 'static) -> io::Result<()> {
        let (wake, (tell, stated)) = (wake.clone(), bounded(1));
        thread::Builder::new().name(name.into()).spawn(move || {
            // Nobody waits for it any more where another question came first or the window was closed.
            let _ = tell.send(work());
            wake.now();
        })?;
        self.0 = Some(stated);
        Ok(())
    }

    /// True until its answer was taken.
    pub fn is_under_way(&self) -> bool {
        self.0.is_some()
    }

    /// Waits for the answer, where a question is under way: the program ends.
    pub fn wait(&mut self) -> Option<Result<T, Lost>> {
        self.0.take().map(|stated| stated.recv().map_err(|_| Lost))
    }

    /// The answer, once it is there.
    pub fn look(&mut self) -> Option<Result<T, Lost>> {
        let looked = match self.0.as_ref()?.try_recv() {
            Err(TryRecvError::Empty) => return None,
            Err(TryRecvError::Disconnected) => Err(Lost),
            Ok(answer) => Ok(answer),
        };
        self.0 = None;
        Some(looked)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn settled<T: Send + 'static>(work: &mut Work<T>) -> Result<T, Lost> {
        (0..1000)
            .find_map(|_| {
                work.look().or_else(|| {
                    thread::sleep(Duration::from_millis(1));
                    None
                })
            })
            .unwrap()
    }

    #[test]
    fn the_newer_question_is_answered_and_a_thread_that_dies_is_stated() {
        let mut work = Work::default();
        assert!(work.look().is_none() && !work.is_under_way());
        let (go, wait) = bounded::<()>(0);
        work.begin("slow", &Wake::default(), move || {
            let _ = wait.recv();
            1
        })
        .unwrap();
        assert!(work.look().is_none() && work.is_under_way());
        work.begin("newer", &Wake::default(), || 2).unwrap();
        assert_eq!(settled(&mut work), Ok(2));
        assert!(!work.is_under_way());
        drop(go);
        work.begin("dies", &Wake::default(), || std::panic::resume_unwind(Box::new(()))).unwrap();
        assert_eq!(settled(&mut work), Err(Lost));
    }
}
