//! The played period and its lines, kept between takes: a session plays the same few stimuli over and over.

use super::fft;
use crate::signal::{LineKind, Period, Stimulus};
use crate::units::SampleRate;
use realfft::num_complex::Complex;
use realfft::num_traits::Zero;
use std::cell::RefCell;
use std::sync::Arc;

/// One period at unit true peak and its RMS phasors.
#[derive(Clone, Debug)]
pub struct Played {
    /// The period.
    pub period: Arc<Period>,
    /// Its lines at unit gain.
    pub lines: Arc<Vec<Complex<f64>>>,
    /// Conjugate of each excited line over its magnitude, zero elsewhere: times captured lines, their half-whitened
    /// correlation with the period (a compromise between sharpness and robustness against coloured noise).
    pub whitening: Arc<Vec<Complex<f64>>>,
    /// The strongest line where it carries more than a quarter of the power: a sine, two of them, or bursts of one. Such
    /// a stimulus is found by that tone; its correlation has no single peak.
    pub tone: Option<usize>,
    /// True where all excited lines are odd: it sounds all the time and returns after half a period with its sign turned.
    pub odd: bool,
}

/// Share of the power from which a line is the stimulus' tone.
const TONE_SHARE: f64 = 0.25;

impl Played {
    fn new(period: Arc<Period>) -> Played {
        let lines = fft::lines_of(&period.samples);
        let power = |k: usize| lines[k].norm_sqr();
        let all: f64 = (0..lines.len()).map(power).sum();
        let strongest = period.lines.of(LineKind::Excited).max_by(|a, b| power(*a).total_cmp(&power(*b)));
        let tone = strongest.filter(|k| power(*k) > TONE_SHARE * all);
        let odd = period.lines.all_odd();
        let mut whitening = vec![Complex::zero(); lines.len()];
        for k in period.lines.of(LineKind::Excited) {
            if power(k) > 0.0 {
                whitening[k] = lines[k].conj() / power(k).sqrt();
            }
        }
        Played { lines: Arc::new(lines), whitening: Arc::new(whitening), tone, odd, period }
    }
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
        let made = Played::new(period);
        if recent.len() == KEPT {
            recent.remove(0);
        }
        recent.push((stimulus.clone(), rate, made.clone()));
        made
    })
}
