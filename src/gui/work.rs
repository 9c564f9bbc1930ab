//! A question that a thread answers while the window goes on.

use crossbeam_channel::{Receiver, TryRecvError, bounded};
use std::io;
use std::thread;

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
    /// Begins on a thread of this name; `woken` is called when the answer is there.
    ///
    /// # Errors
    /// Where no thread can be had.
    pub fn begin(
        &mut self,
        name: &str,
        woken: impl FnOnce() + Send + 'static,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> io::Result<()> {
        let (tell, told) = bounded(1);
        thread::Builder::new().name(name.into()).spawn(move || {
            // Nobody waits for it any more where another question came first or the window was closed.
            let _ = tell.send(work());
            woken();
        })?;
        self.0 = Some(told);
        Ok(())
    }

    /// True until its answer was taken.
    pub fn is_under_way(&self) -> bool {
        self.0.is_some()
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
    fn the_newer_question_is_answered_and_a_thread_that_dies_is_told() {
        let mut work = Work::default();
        assert!(work.look().is_none() && !work.is_under_way());
        let (go, wait) = bounded::<()>(0);
        work.begin(
            "slow",
            || (),
            move || {
                let _ = wait.recv();
                1
            },
        )
        .unwrap();
        assert!(work.look().is_none() && work.is_under_way());
        work.begin("newer", || (), || 2).unwrap();
        assert_eq!(settled(&mut work), Ok(2));
        assert!(!work.is_under_way());
        drop(go);
        work.begin("dies", || (), || std::panic::resume_unwind(Box::new(()))).unwrap();
        assert_eq!(settled(&mut work), Err(Lost));
    }
}
