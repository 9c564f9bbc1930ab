//! The played period and its lines, kept between takes: a session plays the same few stimuli over and over.

use super::fft;
use crate::signal::{Period, Stimulus};
use crate::units::SampleRate;
use realfft::num_complex::Complex;
use std::cell::RefCell;
use std::sync::Arc;

/// One period at unit true peak and its RMS phasors.
#[derive(Clone, Debug)]
pub struct Played {
    /// The period.
    pub period: Arc<Period>,
    /// Its lines at unit gain.
    pub lines: Arc<Vec<Complex<f64>>>,
}

/// Stimuli kept; a plan has a handful.
const KEPT: usize = 6;

thread_local! {
    static RECENT: RefCell<Vec<(Stimulus, SampleRate, Played)>> = const { RefCell::new(Vec::new()) };
}

/// The period of `stimulus` at `rate`, computed once.
pub fn played(stimulus: &Stimulus, rate: SampleRate) -> Played {
    RECENT.with(|recent| {
        let mut recent = recent.borrow_mut();
        if let Some((.., found)) = recent.iter().find(|(s, r, _)| s == stimulus && *r == rate) {
            return found.clone();
        }
        let period = stimulus.period(rate);
        let made = Played { lines: Arc::new(fft::lines_of(&period.samples)), period };
        if recent.len() == KEPT {
            recent.remove(0);
        }
        recent.push((stimulus.clone(), rate, made.clone()));
        made
    })
}
